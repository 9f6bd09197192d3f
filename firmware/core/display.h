/* How does text get onto a 16x2 character display (HD44780 type, 4 bits, never read)?
 *
 * Only characters that have changed are written.  One nibble is given out at a time, with the time to let pass before the
 * next; nothing waits.  The display is set up by the sequence of its data sheet ("Initializing by Instruction", 4-bit
 * interface), and now and then again: a display that was plugged in late, or lost its place to a disturbance, comes back.
 * Main loop only. */
#ifndef DISPLAY_H
#define DISPLAY_H

#include <stdbool.h>
#include <stdint.h>

#define DISPLAY_COLUMNS 16u
#define DISPLAY_CHARACTERS 32u
#define DISPLAY_RS 0x10u                   /* beside the nibble: a character, not a command */

/* The controller takes 37 us for a byte at its nominal 270 kHz (data sheet), 53 us at its slowest, 190 kHz; 1.52 ms and 2.2 ms for clearing. */
#define DISPLAY_BYTE_US 60u
#define DISPLAY_SET_UP_US 5000u            /* the longest wait of the sequence is 4.1 ms */
#define DISPLAY_POWER_UP_US 50000u         /* 40 ms from 2.7 V */

struct display {
    uint8_t text[DISPLAY_CHARACTERS];      /* as it is to be seen, both lines; with DISPLAY_DIRTY */
    uint8_t at;                            /* where the display writes next; DISPLAY_CHARACTERS: elsewhere */
    uint8_t step;                          /* of setting up */
    uint8_t low;                           /* second half of a byte; DISPLAY_NONE: none */
    bool again;                            /* set up before: nothing is cleared */
};

#define DISPLAY_NONE 0xFFu
#define DISPLAY_DIRTY 0x80u                /* beside a character: it is not written yet */

/* At power-up: a blank text. */
void display_begin(struct display *display);

/* Sets up again and writes everything again. */
void display_renew(struct display *display);

/* A character of the text, below 0x80. */
void display_put(struct display *display, uint8_t at, uint8_t character);

/* The next nibble (with DISPLAY_RS for characters) and the microseconds to let pass after it; DISPLAY_NONE: nothing to do. */
uint8_t display_next(struct display *display, uint16_t *wait_us);

#endif
