/* How is a number multiplied and divided where the processor has no division?  See scale.h. */
#include "scale.h"

#include "inline.h"

INLINE_NEVER uint16_t scale_tenth(uint16_t value)
{
    return (uint16_t)((uint32_t)value * 52429u >> 19);       /* exact for 16 bits */
}

#ifdef __AVR__
/* The 64-bit product, shifted right out of `times`, then quotient and remainder, shifted left into its place.  In assembly,
 * since the compiler holds no carry, and 64 bits of its own do not fit its registers: 100 bytes less. */
INLINE_NEVER uint32_t scale(uint32_t value, uint32_t times, uint32_t by)
{
    uint16_t high = 0;
    uint16_t highest = 0;
    uint8_t left;

    __asm__("ldi %[left], 32\n\t"
            "lsr %D[times]\n\t"
            "ror %C[times]\n\t"
            "ror %B[times]\n\t"
            "ror %A[times]\n"
            "1:\tbrcc 2f\n\t"             /* a bit of `times`: one `value` more */
            "add %A[high], %A[value]\n\t"
            "adc %B[high], %B[value]\n\t"
            "adc %A[highest], %C[value]\n\t"
            "adc %B[highest], %D[value]\n"
            "2:\tror %B[highest]\n\t"
            "ror %A[highest]\n\t"
            "ror %B[high]\n\t"
            "ror %A[high]\n\t"
            "ror %D[times]\n\t"
            "ror %C[times]\n\t"
            "ror %B[times]\n\t"
            "ror %A[times]\n\t"
            "dec %[left]\n\t"             /* leaves the carry alone */
            "brne 1b\n\t"
            "ldi %[left], 32\n"
            "3:\tlsl %A[times]\n\t"
            "rol %B[times]\n\t"
            "rol %C[times]\n\t"
            "rol %D[times]\n\t"
            "rol %A[high]\n\t"
            "rol %B[high]\n\t"
            "rol %A[highest]\n\t"
            "rol %B[highest]\n\t"
            "cp %A[high], %A[by]\n\t"
            "cpc %B[high], %B[by]\n\t"
            "cpc %A[highest], %C[by]\n\t"
            "cpc %B[highest], %D[by]\n\t"
            "brcs 4f\n\t"
            "sub %A[high], %A[by]\n\t"
            "sbc %B[high], %B[by]\n\t"
            "sbc %A[highest], %C[by]\n\t"
            "sbc %B[highest], %D[by]\n\t"
            "inc %A[times]\n"
            "4:\tdec %[left]\n\t"
            "brne 3b"
            : [times] "+r"(times), [high] "+r"(high), [highest] "+r"(highest), [left] "=&d"(left)
            : [value] "r"(value), [by] "r"(by)
            : "cc");
    return times;
}
#else
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
#endif
