/* When does an input fire faster than it can be served?
 *
 * Each input has an allowance of edges per window (FLOOD_WINDOW_MICROSECONDS), renewed by the timer; the edge that
 * spends the last of it makes the input's interrupt mask itself.  The main loop ends the mask after the stated time.
 * Until then the other inputs, the line and the main loop have the processor. */
#ifndef FLOOD_H
#define FLOOD_H

#include <stdbool.h>
#include <stdint.h>

#include "inline.h"
#include "tick.h"

#define FLOOD_WINDOW_MICROSECONDS 500u

/* As the main loop knows it. */
enum flood_state { FLOOD_OPEN, FLOOD_MASKED, FLOOD_ENDED };      /* ENDED: that the mask has ended is not told yet */

struct flood {
    volatile uint8_t left;    /* edges still allowed in this window */
    enum flood_state state;
    uint16_t count;           /* masks since reset */
    uint32_t from_ticks;      /* the last edge before the mask */
    uint32_t until_ticks;     /* edges are recorded again after this */
};

/* Interrupt only: true when this edge was the last one allowed. */
INLINE_ALWAYS bool flood_spend(struct flood *flood)
{
    const uint8_t left = (uint8_t)(flood->left - 1u);

    flood->left = left;
    return left == 0u;
}

/* Timer interrupt, or main loop with interrupts off: a new window. */
static inline void flood_renew(struct flood *flood, uint8_t allowance)
{
    flood->left = allowance;
}

/* Main loop, when the interrupt has masked the input: `newest_ticks` is the last edge it recorded. */
static inline void flood_begin(struct flood *flood, uint32_t newest_ticks)
{
    flood->state = FLOOD_MASKED;
    flood->count++;
    flood->from_ticks = newest_ticks;
}

/* Main loop: true when a noticed mask has lasted its time. */
static inline bool flood_over(const struct flood *flood, uint32_t now_ticks, uint32_t mask_ticks)
{
    return flood->state == FLOOD_MASKED && now_ticks - flood->from_ticks >= mask_ticks;
}

/* Main loop, when the input is listened to again from `now_ticks` on; the range is told by the next MASKED. */
static inline void flood_end(struct flood *flood, uint32_t now_ticks)
{
    flood->state = FLOOD_ENDED;
    flood->until_ticks = now_ticks;
}

#endif
