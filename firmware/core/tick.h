/* How does a 16-bit counter become a time that never runs over?
 *
 * Three widths.  "short": 24 bits (counter and the low byte of the count of its wraps), what an edge interrupt stores;
 * it says a time without doubt for 1.048 s.  "long": 32 bits (counter and 16-bit count of wraps), 268 s.  "tick":
 * 64 bits, never runs over.  Everything is modular arithmetic on unsigned integers.
 *
 * Pure functions, callable from anywhere; tick_advance() belongs to the main loop. */
#ifndef TICK_H
#define TICK_H

#include <stdbool.h>
#include <stdint.h>

#include "inline.h"

#define TICK_SHORT_MASK 0xFFFFFFu

struct tick {
    uint32_t low;
    uint32_t high;
};

_Static_assert(sizeof(struct tick) == 8, "a tick is 64 bits");

/* The count of wraps that belongs to the counter reading `low`.  `wraps` is the count as the overflow interrupt left
 * it; `wrap_pending` says that the counter has wrapped and that interrupt has not run yet, and is read after `low`.
 * A reading from the lower half was then taken after the wrap, one from the upper half before it: right as long as
 * neither the reading nor the overflow interrupt waits longer than half a turn of the counter (2 ms). */
INLINE_ALWAYS uint8_t tick_wraps(uint8_t wraps, uint16_t low, bool wrap_pending)
{
    if (wrap_pending && low < 0x8000u) {
        wraps = (uint8_t)(wraps + 1u);
    }
    return wraps;
}

/* The same for the 32-bit time. */
static inline uint32_t tick_long(uint16_t wraps, uint16_t low, bool wrap_pending)
{
    if (wrap_pending && low < 0x8000u) {
        wraps = (uint16_t)(wraps + 1u);
    }
    return ((uint32_t)wraps << 16) | low;
}

/* The 32-bit time of an edge known by 24 bits, not later than `now` and at most 1.048 s before it. */
static inline uint32_t tick_of_short(uint32_t now, uint32_t edge_short)
{
    return now - ((now - edge_short) & TICK_SHORT_MASK);
}

/* Brings a 64-bit clock to the 32-bit time `now`; called at least once in 268 s. */
void tick_advance(struct tick *clock, uint32_t now);

/* The 64-bit time of a 32-bit time that is not later than `clock` and less than 268 s before it. */
static inline struct tick tick_before(const struct tick *clock, uint32_t then)
{
    struct tick result = { then, clock->high };

    if (then > clock->low) {
        result.high--;
    }
    return result;
}

/* `ticks` later. */
void tick_add(struct tick *tick, uint32_t ticks);

#endif
