/* How does text get onto a 16x2 character display (HD44780 type, 4 bits, never read)?  See display.h. */
#include "display.h"

#include "flash.h"
#include "inline.h"

#define DISPLAY_ADDRESS 0x80u              /* set DDRAM address */
#define DISPLAY_SECOND_LINE 0x40u

/* Three times "8 bits", since nobody knows in which half of a byte the display is; "4 bits"; 4 bits and two lines; off; clear;
 * advance; on, without a cursor. */
static const uint8_t display_set_up[] FLASH = { 3, 3, 3, 2, 2, 8, 0, 8, 0, 1, 0, 6, 0, 0xC };
#define DISPLAY_SET_UP_OFF 6u              /* left out when it was set up before: no flicker */
#define DISPLAY_SET_UP_ADVANCE 10u

INLINE_NEVER void display_renew(struct display *display)
{
    uint8_t at;

    display->step = 0;
    display->low = DISPLAY_NONE;
    display->at = DISPLAY_CHARACTERS;
    for (at = 0; at < DISPLAY_CHARACTERS; at++) {
        display->text[at] |= DISPLAY_DUE;
    }
}

void display_begin(struct display *display)
{
    uint8_t at;

    for (at = 0; at < DISPLAY_CHARACTERS; at++) {
        display->text[at] = ' ';
    }
    display->again = false;
    display_renew(display);
}

void display_put(struct display *display, uint8_t at, uint8_t character)
{
    if ((display->text[at] & (uint8_t)~DISPLAY_DUE) != character) {
        display->text[at] = character | DISPLAY_DUE;
    }
}

/* The changed character at or after the place where the display is. */
static uint8_t display_find(const struct display *display)
{
    uint8_t at = display->at;
    uint8_t left;

    for (left = DISPLAY_CHARACTERS; left != 0u; left--) {
        at &= DISPLAY_CHARACTERS - 1u;
        if ((display->text[at] & DISPLAY_DUE) != 0u) {
            return at;
        }
        at++;
    }
    return DISPLAY_NONE;
}

uint8_t display_next(struct display *display, uint16_t *wait_us)
{
    uint8_t nibble = display->low;
    uint8_t at;
    uint8_t byte;

    *wait_us = DISPLAY_BYTE_US;
    if (nibble != DISPLAY_NONE) {
        display->low = DISPLAY_NONE;
        return nibble;
    }
    if (display->step < sizeof display_set_up) {
        if (display->step == DISPLAY_SET_UP_OFF && display->again) {
            display->step = DISPLAY_SET_UP_ADVANCE;
        }
        nibble = flash_byte(&display_set_up[display->step]);
        display->step++;
        *wait_us = DISPLAY_SET_UP_US;
        display->again |= display->step == sizeof display_set_up;
        return nibble;
    }
    at = display_find(display);
    if (at == DISPLAY_NONE) {
        return DISPLAY_NONE;
    }
    if (at != display->at) {
        display->at = at;
        byte = (uint8_t)(DISPLAY_ADDRESS | (at < DISPLAY_COLUMNS ? at : at + DISPLAY_SECOND_LINE - DISPLAY_COLUMNS));
        display->low = byte & 0x0Fu;
        return byte >> 4;
    }
    display->text[at] &= (uint8_t)~DISPLAY_DUE;
    display->at = at == DISPLAY_COLUMNS - 1u ? DISPLAY_CHARACTERS : (uint8_t)(at + 1u);    /* the lines do not join */
    byte = display->text[at];
    display->low = (uint8_t)((byte & 0x0Fu) | DISPLAY_RS);
    return (uint8_t)((byte >> 4) | DISPLAY_RS);
}
