/* Is it the product's quotient?  The 64-bit division it does without is done here. */
#include "report.h"
#include "scale.h"

static void one(uint32_t value, uint32_t times, uint32_t by)
{
    const uint64_t exact = (uint64_t)value * times / by;

    if (exact <= UINT32_MAX) {
        CHECK(scale(value, times, by) == (uint32_t)exact);
    }
}

void test(void)
{
    static const uint32_t values[] = {
        0, 1, 2, 3, 9, 10, 255, 256, 3048, 65535, 65536, 960000, 1039557, 16777216, 1000000000, SCALE_BY_MAX - 1, SCALE_BY_MAX,
        0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF,
    };
    uint8_t a;
    uint8_t b;
    uint8_t c;
    uint16_t n;
    uint32_t value;

    for (value = 0; value < 65536u; value += ROUNDS(1, 97)) {
        const uint16_t tenth = scale_tenth((uint16_t)value);

        CHECK(tenth * 10u <= value && value - tenth * 10u < 10u);
    }
    CHECK(scale_tenth(65535) == 6553u);
    CHECK(scale(6096, 200, 3048) == 400u);                       /* 20 ft/min of 304.8 mm: 400 half tenths */
    CHECK(scale(1039557, 960000, 1090000) == 915573u);           /* 1039557 * 96 / 109 = 915573.1 */
    for (a = 0; a < sizeof values / sizeof values[0]; a++) {
        for (b = 0; b < sizeof values / sizeof values[0]; b = (uint8_t)(b + ROUNDS(1, 3))) {
            for (c = 1; c < sizeof values / sizeof values[0] && values[c] <= SCALE_BY_MAX; c = (uint8_t)(c + ROUNDS(1, 2))) {
                one(values[a], values[b], values[c]);
            }
        }
    }
    for (n = 0; n < ROUNDS(20000, 300); n++) {
        const uint32_t by = report_random() >> (2u + n % 29u);

        one(report_random() >> (n % 31u), report_random() >> (n % 7u * 4u), by != 0u ? by : 1u);
    }
}
