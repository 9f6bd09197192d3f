/* Which button was pressed, and which was held?
 *
 * Looked at every BUTTONS_EVERY_MS.  Contacts bounce for some milliseconds (common practice, no published source): a change counts when it has been the same for
 * BUTTONS_SAME looks.  Pure; main loop only. */
#ifndef BUTTONS_H
#define BUTTONS_H

#include <stdint.h>

#define BUTTONS_EVERY_MS 5u
#define BUTTONS_SAME 5u                    /* 25 ms */
#define BUTTONS_LONG 400u                  /* 2 s: nobody leans on a button so long by chance */

#define BUTTONS_UNIT 0x01u
#define BUTTONS_HOLD 0x02u
#define BUTTONS_SET 0x04u
#define BUTTONS_SET_LONG 0x08u             /* event only */

struct buttons {
    uint8_t down;                          /* debounced */
    uint8_t seen;                          /* the last look */
    uint8_t same;                          /* looks that saw the same */
    uint16_t held;                         /* looks that SET has been down */
};

/* `pressed`: what the pins say.  Returns what has just happened: a bit for a button that went down; BUTTONS_SET_LONG once, when
 * SET has been down for BUTTONS_LONG looks. */
static inline uint8_t buttons_look(struct buttons *buttons, uint8_t pressed)
{
    uint8_t events = 0;

    if (pressed != buttons->seen) {
        buttons->seen = pressed;
        buttons->same = 0;
    } else if (buttons->same < BUTTONS_SAME) {
        buttons->same++;
    } else {
        events = (uint8_t)(pressed & (uint8_t)~buttons->down);
        buttons->down = pressed;
    }
    if ((buttons->down & BUTTONS_SET) == 0u) {
        buttons->held = 0;
    } else if (buttons->held <= BUTTONS_LONG && ++buttons->held == BUTTONS_LONG) {
        events |= BUTTONS_SET_LONG;
    }
    return events;
}

#endif
