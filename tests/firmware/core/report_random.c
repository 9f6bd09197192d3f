/* The same numbers on both machines. */
#include "report.h"

uint32_t report_random(void)
{
    static uint32_t state = 2463534242ul;

    state ^= state << 13;
    state ^= state >> 17;
    state ^= state << 5;
    return state;
}
