/* How does somebody tell the board the wheel's diameter and targets, with buttons and without a host?
 *
 * Two rows of digits: the diameter that the blade's middle runs on (wheel and one thickness of blade) in tenths of a
 * millimetre, and the number of targets.  One button counts the digit up, one goes to the next.  Pure; main loop only. */
#ifndef ENTRY_H
#define ENTRY_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"

#define ENTRY_DIAMETER_DIGITS 5u
#define ENTRY_DIGITS 7u                    /* and two of the targets */
#define ENTRY_LEAVE_LOOKS 600u             /* a minute without a button: nothing is saved */

struct entry {
    uint8_t digits[ENTRY_DIGITS];          /* 0 to 9 */
    uint8_t at;
    uint16_t idle;                         /* looks without a button */
    bool open;
};

/* Begins with what is configured. */
void entry_open(struct entry *entry, const struct config *config);

/* Buttons went down (buttons.h).  True when the change is to be saved: it is in `change`, but for the unit. */
bool entry_press(struct entry *entry, uint8_t events, struct config_change *change);

#endif
