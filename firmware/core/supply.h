/* What supply voltage does a reading of the reference mean? */
#ifndef SUPPLY_H
#define SUPPLY_H

#include <stdint.h>

/* Millivolts of the supply, from `reading` = 1024 * reference / supply; 0 when there is no reading.  Thirteen trials in
 * place of a division, which this processor has not. */
static inline uint16_t supply_mv(uint16_t reading, uint32_t reference_mv)
{
    uint16_t supply = 0;
    uint16_t bit;

    for (bit = 1u << 12; reading != 0u && bit != 0u; bit >>= 1) {
        const uint16_t trial = supply | bit;

        if ((uint32_t)trial * reading <= reference_mv * 1024u) {
            supply = trial;
        }
    }
    return supply;
}

#endif
