/* How is a number multiplied and divided where the processor has no division?  See scale.h. */
#include "scale.h"

#include "inline.h"

/* Bit by bit, from the top: quotient and remainder of what was read so far are doubled, and those of one `value` (at first of
 * one 1) are added.  The first round divides `times`, the second multiplies its quotient and remainder by `value`. */
INLINE_NEVER uint32_t scale(uint32_t value, uint32_t times, uint32_t by)
{
    uint32_t add_whole = 0;
    uint32_t add_rest = 1;
    uint32_t bits = times;
    uint8_t left;

    for (left = 64; left != 0u;) {
        uint32_t whole = 0;
        uint32_t rest = 0;

        do {
            whole <<= 1;
            rest <<= 1;
            if ((bits & 0x80000000ul) != 0u) {
                whole += add_whole;
                rest += add_rest;
            }
            bits <<= 1;
            while (rest >= by) {
                rest -= by;
                whole++;
            }
            left--;
        } while ((left & 31u) != 0u);
        add_whole = whole;
        add_rest = rest;
        bits = value;
    }
    return add_whole;
}
