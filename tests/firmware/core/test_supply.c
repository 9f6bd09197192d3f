/* Is the supply voltage the quotient of reference and reading?  The division it does without is done here. */
#include "report.h"
#include "supply.h"

void test(void)
{
    uint16_t reading;

    CHECK(supply_mv(0, 1100) == 0u);                             /* no reading yet */
    CHECK(supply_mv(225, 1100) == 5006u);                        /* 1100 mV * 1024 / 225 = 5006.2 mV */
    CHECK(supply_mv(341, 1100) == 3303u);                        /* 1100 mV * 1024 / 341 = 3303.2 mV */
    for (reading = 1; reading < 1024u; reading++) {
        const uint32_t exact = UINT32_C(1100) * 1024u / reading;

        CHECK(supply_mv(reading, 1100) == (exact > 8191u ? 8191u : exact));
    }
}
