/* What does the chip notice of an edge on one of the three input pins? */
#ifndef BENCH_PINS_H
#define BENCH_PINS_H

#include "counter.h"

#define PINS 3u         /* input 1: PB0 (ICP1), input 2: PD2 (INT0), input 3: PD3 (INT1); index = input - 1 */

struct pins {
    struct chip *chip;
    struct counter *counter;
    bool level[PINS];
    bool captured_level;                /* behind the noise canceller */
    uint64_t canceller_due_cycle;       /* when a new level will have lasted four samples; 0: none under way */
    uint64_t overtaken[PINS];           /* edges that came while the flag of the one before was up: no chip can tell */
};

/* All pins start high: an open-collector sensor at rest behind its pull-up. */
void pins_install(struct pins *pins, struct chip *chip, struct counter *counter);

/* Returns false if the pin already had that level, which is no edge. */
bool pins_set(struct pins *pins, unsigned index, bool level, uint64_t cycle);
#endif
