/* How is a number multiplied and divided where the processor has no division? */
#ifndef SCALE_H
#define SCALE_H

#include <stdint.h>

#define SCALE_BY_MAX 0x40000000ul

/* value * times / by, rounded down, exact whatever the product; `by` is 1 to SCALE_BY_MAX, and the result must fit.  Takes
 * 0.2 ms of this processor: main loop only. */
uint32_t scale(uint32_t value, uint32_t times, uint32_t by);

/* value / 10 */
uint16_t scale_tenth(uint16_t value);

#endif
