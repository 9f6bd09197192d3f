/* When is an interrupt requested, and how does the program clear its flag? */
#ifndef BENCH_FLAGS_H
#define BENCH_FLAGS_H

#include "chip.h"

/* Takes over the flag and mask registers of timers, external and pin-change interrupts. */
void flags_install(struct chip *chip);

/* Requests every interrupt whose flag is set and enabled.  The data sheet makes this a level: it does not matter
 * whether flag or enable came first. */
void flags_request(struct chip *chip);
#endif
