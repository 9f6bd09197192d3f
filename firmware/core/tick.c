/* How does a 16-bit counter become a time that never runs over?  See tick.h. */
#include "tick.h"

INLINE_NEVER void tick_advance(struct tick *clock, uint32_t now)
{
    tick_add(clock, now - clock->low);
}

INLINE_NEVER void tick_add(struct tick *tick, uint32_t ticks)
{
    const uint32_t low = tick->low + ticks;

    tick->low = low;
    if (low < ticks) {
        tick->high++;
    }
}
