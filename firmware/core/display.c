/* How does text get onto a 16x2 character display (HD44780 type, 4 bits, never read)?  See display.h. */
#include "display.h"

#include "inline.h"

#define DISPLAY_ADDRESS 0x80u              /* set DDRAM address */
#define DISPLAY_SECOND_LINE 0x40u

/* Three times "8 bits", since nobody knows in which half of a byte the display is; "4 bits"; 4 bits and two lines; off; clear;
 * advance; on, without a cursor. */
#define DISPLAY_SET_UP_FIRST 0x80822333ul  /* eight nibbles, the lowest first, ... */
#define DISPLAY_SET_UP_THEN 0x00C06010ul   /* ... and six */
#define DISPLAY_SET_UP_NIBBLES 14u
#define DISPLAY_SET_UP_OFF 6u              /* left out when it was set up before: no flicker */
#define DISPLAY_SET_UP_ADVANCE 10u

INLINE_NEVER void display_renew(struct display *display)
{
    uint8_t at;

    display->step = 0;
    display->low = DISPLAY_NONE;
    display->at = DISPLAY_CHARACTERS;
    for (at = 0; at < DISPLAY_CHARACTERS; at++) {
        display->text[at] |= DISPLAY_DIRTY;
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
    if ((display->text[at] & (uint8_t)~DISPLAY_DIRTY) != character) {
        display->text[at] = character | DISPLAY_DIRTY;
    }
}

/* The changed character at or after the place where the display is. */
static uint8_t display_find(const struct display *display)
{
    uint8_t at = display->at;
    uint8_t left;

    for (left = DISPLAY_CHARACTERS; left != 0u; left--) {
        at &= DISPLAY_CHARACTERS - 1u;
        if ((display->text[at] & DISPLAY_DIRTY) != 0u) {
            return at;
        }
        at++;
    }
    return DISPLAY_NONE;
}

static uint8_t display_set_up(uint8_t step)
{
    uint32_t nibbles = step < 8u ? DISPLAY_SET_UP_FIRST : DISPLAY_SET_UP_THEN;

    for (step &= 7u; step != 0u; step--) {
        nibbles >>= 4;
    }
    return (uint8_t)nibbles & 0x0Fu;
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
    if (display->step < DISPLAY_SET_UP_NIBBLES) {
        if (display->step == DISPLAY_SET_UP_OFF && display->again) {
            display->step = DISPLAY_SET_UP_ADVANCE;
        }
        nibble = display_set_up(display->step);
        display->step++;
        *wait_us = DISPLAY_SET_UP_US;
        display->again |= display->step == DISPLAY_SET_UP_NIBBLES;
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
    display->at = at == DISPLAY_COLUMNS - 1u ? DISPLAY_CHARACTERS : (uint8_t)(at + 1u);    /* the lines do not join */
    byte = display->text[at] & (uint8_t)~DISPLAY_DIRTY;
    display->text[at] = byte;
    display->low = (uint8_t)((byte & 0x0Fu) | DISPLAY_RS);
    return (uint8_t)((byte >> 4) | DISPLAY_RS);
}
