/* What does the chip notice of an edge on one of the three input pins? */
#ifndef BENCH_PINS_H
#define BENCH_PINS_H

#include "counter.h"

#define PINS KIND_INPUTS                /* index = input - 1; kinds.c tells where they are */

struct pin {
    struct chip *chip;
    struct counter *counter;            /* NULL: an external interrupt */
    const struct kind_input *at;
    bool level;
    bool captured_level;                /* behind the noise canceller */
    uint64_t canceller_due_cycle;       /* when a new level will have lasted four samples; 0: none under way */
    uint64_t overtaken;                 /* edges that came while the flag of the one before was up: no chip can tell */
};

struct pins {
    struct chip *chip;
    struct pin pin[PINS];
};

/* All pins start high: an open-collector sensor at rest behind its pull-up. */
void pins_install(struct pins *pins, struct chip *chip, struct counter *counters);

/* Returns false if the pin already had that level, which is no edge. */
bool pins_set(struct pins *pins, unsigned index, bool level, uint64_t cycle);
#endif
