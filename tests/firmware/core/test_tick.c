/* Is the time of every edge right, at every offset around the wraps of 16, 24, 32 and 64 bits? */
#include "report.h"
#include "tick.h"

#define WRAP 0x10000ul

/* A time as the chip holds it: the counter, and what the overflow interrupt has counted, which runs late. */
static void around_the_wrap(uint32_t wrap_at)
{
    uint16_t offset;
    uint16_t late;

    for (offset = 0; offset <= 600; offset++) {
        const uint32_t edge = wrap_at + offset - 300u;

        for (late = 0; late <= 400; late = (uint16_t)(late + ROUNDS(1u, 13u))) {
            const uint32_t read_at = edge + late;
            const bool wrapped = (int32_t)(read_at - wrap_at) >= 0;
            const uint16_t wraps_before = (uint16_t)((wrap_at - 1u) >> 16);

            /* the overflow interrupt waits still: a captured edge, and a counter that is read now */
            CHECK(tick_long(wraps_before, (uint16_t)edge, wrapped) == edge);
            CHECK(tick_long(wraps_before, (uint16_t)read_at, wrapped) == read_at);
            CHECK(tick_wraps((uint8_t)wraps_before, (uint16_t)edge, wrapped) == (uint8_t)(edge >> 16));
            if (offset >= 300u) {
                /* it has run before the edge came */
                CHECK(tick_long((uint16_t)(wraps_before + 1u), (uint16_t)edge, false) == edge);
            }
        }
    }
}

static void short_times(void)
{
    static const uint32_t ages[] = { 0, 1, 255, 256, 65535, 65536, 0xFFFFFEul, 0xFFFFFFul };
    static const uint32_t nows[] = { 0, 1, 0xFFFFul, 0x10000ul, 0xFFFFFFul, 0x1000000ul, 0x1000001ul, 0x12345678ul,
                                     0xFFFFFFFFul };
    uint8_t n;
    uint8_t a;

    for (n = 0; n < sizeof nows / sizeof nows[0]; n++) {
        for (a = 0; a < sizeof ages / sizeof ages[0]; a++) {
            const uint32_t edge = nows[n] - ages[a];

            CHECK(tick_of_short(nows[n], edge & TICK_SHORT_MASK) == edge);
        }
    }
}

static bool equal(struct tick tick, uint32_t high, uint32_t low)
{
    return tick.high == high && tick.low == low;
}

static void long_times(void)
{
    struct tick clock = { 0xFFFFFFF0ul, 6 };
    struct tick tick;

    tick_advance(&clock, 0xFFFFFFFFul);
    CHECK(equal(clock, 6, 0xFFFFFFFFul));
    tick_advance(&clock, 0xFFFFFFFFul);
    CHECK(equal(clock, 6, 0xFFFFFFFFul));
    tick_advance(&clock, 0);
    CHECK(equal(clock, 7, 0));
    tick_advance(&clock, 5);
    CHECK(equal(clock, 7, 5));

    CHECK(equal(tick_before(&clock, 5), 7, 5));
    CHECK(equal(tick_before(&clock, 0), 7, 0));
    CHECK(equal(tick_before(&clock, 0xFFFFFFFFul), 6, 0xFFFFFFFFul));
    CHECK(equal(tick_before(&clock, 6), 6, 6));

    tick = clock;
    tick_add(&tick, 0);
    CHECK(equal(tick, 7, 5));
    tick_add(&tick, 0xFFFFFFFAul);
    CHECK(equal(tick, 7, 0xFFFFFFFFul));
    tick_add(&tick, 1);
    CHECK(equal(tick, 8, 0));
    tick_add(&tick, 0);
    CHECK(equal(tick, 8, 0));
}

void test(void)
{
    around_the_wrap(WRAP);                       /* the first wrap of the 16-bit counter */
    around_the_wrap(0xA5ul * WRAP);
    around_the_wrap(0x100ul * WRAP);             /* 24 bits wrap */
    around_the_wrap(0);                          /* 32 bits wrap */
    short_times();
    long_times();
}
