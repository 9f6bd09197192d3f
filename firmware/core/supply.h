/* What supply voltage does a reading of the reference mean? */
#ifndef SUPPLY_H
#define SUPPLY_H

#include <stdint.h>

#include "scale.h"

#define SUPPLY_MOST_MV 8191u

/* Millivolts of the supply, from `reading` = 1024 * reference / supply; 0 when there is no reading. */
static inline uint16_t supply_mv(uint16_t reading, uint32_t reference_mv)
{
    uint32_t supply;

    if (reading == 0u) {
        return 0;
    }
    supply = scale(reference_mv, 1024, reading);
    return supply < SUPPLY_MOST_MV ? (uint16_t)supply : (uint16_t)SUPPLY_MOST_MV;
}

#endif
