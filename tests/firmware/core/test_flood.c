/* Is an input masked at the edge that spends its allowance, for the stated time, over every wrap? */
#include "flood.h"
#include "report.h"

static struct flood flood;

void test(void)
{
    static const uint32_t starts[] = { 0, 1, 0x7FFFFFFFul, 0xFFFFFFFFul, 0xFFFFFFFFul - 160000ul };
    uint16_t allowance;
    uint8_t n;

    for (allowance = 1; allowance < 256u; allowance++) {
        uint16_t edge;

        flood_renew(&flood, (uint8_t)allowance);
        for (edge = 1; edge < allowance; edge++) {
            CHECK(!flood_spend(&flood));
        }
        CHECK(flood_spend(&flood));
        flood_renew(&flood, (uint8_t)allowance);
        CHECK(flood_spend(&flood) == (allowance == 1u));
    }
    for (n = 0; n < sizeof starts / sizeof starts[0]; n++) {
        const uint32_t from = starts[n];
        const uint16_t count = flood.count;

        CHECK(!flood_over(&flood, from, 0));                     /* not masked: nothing to end */
        flood_begin(&flood, from);
        CHECK(flood.state == FLOOD_MASKED && flood.count == count + 1u && flood.from_ticks == from);
        CHECK(!flood_over(&flood, from, 320000ul));
        CHECK(!flood_over(&flood, from + 319999ul, 320000ul));
        CHECK(flood_over(&flood, from + 320000ul, 320000ul));
        flood_end(&flood, from + 320001ul);
        CHECK(flood.state == FLOOD_ENDED && flood.until_ticks == (uint32_t)(from + 320001ul));
    }
}
