/* Are blade speed, belt slip and alarms those of a hand calculation? */
#include "reading.h"
#include "report.h"

#define MS SPEED_TICKS_PER_MS

static struct reading reading;
static struct config config;
static struct speed speed;
static uint32_t now = 77;
static uint32_t wheel_at;
static uint32_t fast_at;

/* So many looks, 100 ms each, of a wheel of one target and a fast shaft of one. */
static void run(uint16_t looks, uint32_t turn_ticks, uint32_t fast_ticks)
{
    while (looks-- != 0u) {
        const uint32_t until = now + READING_EVERY_MS * MS;

        while (turn_ticks != 0u && (int32_t)(wheel_at - until) < 0) {
            speed_edge(&speed, 1, wheel_at);
            wheel_at += turn_ticks;
            while (fast_ticks != 0u && (int32_t)(fast_at - wheel_at) < 0) {
                speed_fast_edge(&speed, 1, fast_at);
                fast_at += fast_ticks;
            }
        }
        now = until;
        if (turn_ticks == 0u) {
            wheel_at = fast_at = now;
        }
        reading_update(&reading, &config, &speed, now);
    }
}

static void begin(void)
{
    static const struct reading zero = { READING_NOT_SET, 0, { 0 }, false, false, 0, 0, 0, 0, 0 };

    reading = zero;
    speed_begin(&speed);
    config_reset(&config);
    config.wheel_input = 1;
    config.wheel_targets = 1;
    config.circumference_um = 1000000;
    wheel_at = fast_at = now + 1000u;
}

/* 1 m of blade a turn: 60,000 mm/min at one turn a second. */
static void speeds(void)
{
    uint32_t turn_ms;

    for (turn_ms = 10; turn_ms < 2000u; turn_ms += ROUNDS(7, 11)) {
        const uint32_t exact = 60000000ul / turn_ms;
        uint32_t shown;

        begin();
        run((uint16_t)(10u + 3u * turn_ms / 100u), turn_ms * MS, 0);
        shown = reading.shown_mm_per_min;
        CHECK(reading.state == READING_TURNING && !reading.slip_known && reading.alarms == 0u);
        CHECK(shown + exact / 2000u + 10u > exact && shown < exact + exact / 2000u + 10u);        /* 0.05 % */
    }
    begin();
    config.clock_ppb = -20000000;                                /* ticks come 2 % too seldom: a turn looks too short */
    run(20, 98u * MS, 0);
    CHECK(reading.shown_mm_per_min + 300u > 600000ul && reading.shown_mm_per_min < 600300ul);
    begin();
    config.clock_ppb = 20000000;
    run(20, 102u * MS, 0);
    CHECK(reading.shown_mm_per_min + 300u > 600000ul && reading.shown_mm_per_min < 600300ul);
}

static void silence(void)
{
    uint32_t before = 0xFFFFFFFFul;
    uint16_t n;

    begin();
    run(5, 0, 0);
    CHECK(reading.state == READING_NO_PULSES);
    run(30, 200u * MS, 0);
    CHECK(reading.state == READING_TURNING);
    for (n = 0; n < 300u && reading.state != READING_NO_PULSES; n++) {
        run(1, 0, 0);
        if (reading.state == READING_SLOWER) {
            CHECK(reading.shown_mm_per_min <= before && reading.shown_mm_per_min >= READING_SLOWEST_MM_PER_MIN);
            before = reading.shown_mm_per_min;
        }
    }
    CHECK(n > 190u && n < 205u);                                 /* 1 m in 19.7 s is 10 ft/min */
    CHECK(before < 3100u);
    config.circumference_um = 0;
    run(1, 200u * MS, 0);
    CHECK(reading.state == READING_NOT_SET);
    config.circumference_um = 1000000;
    config.wheel_input = 0;
    run(1, 200u * MS, 0);
    CHECK(reading.state == READING_NOT_SET);
}

/* Fast shaft at idle 5 or 12 turns a turn.  Slip: 1 - 5 / seen. */
static void slips(void)
{
    begin();
    config.fast_input = 2;
    config.fast_targets = 1;
    config.ratio_millionths[1] = 12000000;
    config.ratio_millionths[3] = 5000000;
    config.slip_limit_hundredths = 300;
    run(20, 300u * MS, 60u * MS);
    CHECK(reading.slip_known && reading.slip_hundredths > -8 && reading.slip_hundredths < 8);
    run(30, 300u * MS, 25u * MS);                                /* the other gear */
    CHECK(reading.slip_known && reading.slip_hundredths > -8 && reading.slip_hundredths < 8);
    run(30, 300u * MS, 59u * MS);                                /* 300/59 = 5.0847: 1.67 % */
    CHECK(reading.slip_hundredths > 155 && reading.slip_hundredths < 180 && reading.alarms == 0u);
    run(30, 300u * MS, 61u * MS);                                /* 300/61 = 4.918: -1.67 % */
    CHECK(reading.slip_hundredths < -155 && reading.slip_hundredths > -180);
    run(6, 300u * MS, 57u * MS);                                 /* 5.0 %: above the limit, and not for long */
    run(30, 300u * MS, 60u * MS);
    CHECK(reading.alarms == 0u);
    run(30, 300u * MS, 57u * MS);
    CHECK(reading.slip_hundredths > 480 && reading.slip_hundredths < 520 && reading.alarms == READING_ALARM_SLIP);
    run(5, 300u * MS, 60u * MS);
    CHECK(reading.alarms == READING_ALARM_SLIP);
    run(25, 300u * MS, 60u * MS);
    CHECK(reading.alarms == 0u);
    run(30, 300u * MS, 57u * MS);
    run(20, 0, 0);                                               /* nothing turns: nothing slips */
    CHECK(!reading.slip_known && reading.alarms == 0u);
}

static void limits(void)
{
    begin();
    config.slowest_mm_per_min = 300000;                          /* 200 ms a turn */
    config.fastest_mm_per_min = 600000;                          /* 100 ms */
    run(25, 220u * MS, 0);
    CHECK(reading.alarms == 0u);                                 /* it may be starting */
    run(20, 220u * MS, 0);
    CHECK(reading.alarms == READING_ALARM_SLOW);
    run(50, 150u * MS, 0);
    CHECK(reading.alarms == 0u);
    run(15, 98u * MS, 0);
    CHECK(reading.alarms == READING_ALARM_FAST);
    run(15, 102u * MS, 0);
    CHECK(reading.alarms == 0u);
    run(50, 0, 0);
    CHECK(reading.alarms == 0u);
}

static void hold(void)
{
    begin();
    run(20, 100u * MS, 0);
    reading_hold(&reading);
    run(20, 150u * MS, 0);
    CHECK(reading.holding && reading.most_mm_per_min > 390000ul);
    run(20, 90u * MS, 0);
    run(20, 150u * MS, 0);
    CHECK(reading.most_mm_per_min > 666600ul && reading.most_mm_per_min < 666800ul);     /* 60,000 / 0.09 */
    reading_hold(&reading);
    CHECK(!reading.holding);
    reading_hold(&reading);
    run(1, 150u * MS, 0);
    CHECK(reading.most_mm_per_min < 401000ul);
    run(10, 150u * MS, 0);
    speed_edge(&speed, 1, (uint32_t)(wheel_at - 75u * MS));      /* a false edge, in the middle of a turn */
    run(31, 150u * MS, 0);
    CHECK(reading.most_mm_per_min < 401000ul);
    speed_edge(&speed, 1, (uint32_t)(wheel_at - 75u * MS));      /* HOLD, while a false one stands */
    while (reading.shown_mm_per_min < 450000ul) {
        run(1, 150u * MS, 0);
    }
    reading_hold(&reading);
    reading_hold(&reading);
    run(30, 150u * MS, 0);
    CHECK(reading.most_mm_per_min > 399000ul && reading.most_mm_per_min < 401000ul);
    run(250, 0, 0);                                              /* and before two in a standstill */
    reading_hold(&reading);
    reading_hold(&reading);
    speed_edge(&speed, 1, now + 10u * MS);
    speed_edge(&speed, 1, now + 12u * MS);
    run(10, 0, 0);
    CHECK(reading.most_mm_per_min == 0u);
    run(30, 150u * MS, 0);
    CHECK(reading.most_mm_per_min > 399000ul && reading.most_mm_per_min < 401000ul);
    run(3, 90u * MS, 0);                                         /* what was seen before is forgotten */
    reading_hold(&reading);
    reading_hold(&reading);
    run(20, 90u * MS, 0);
    CHECK(reading.most_mm_per_min > 666600ul);
    run(10, 150u * MS, 0);
    reading_hold(&reading);
    reading_hold(&reading);
    run(10, 150u * MS, 0);
    run(10, 0, 0);
    run(5, 90u * MS, 0);                                         /* the first number after a turn: three looks see it */
    CHECK(reading.most_mm_per_min < 401000ul);
    run(10, 90u * MS, 0);
    CHECK(reading.most_mm_per_min > 666600ul && reading.most_mm_per_min < 666800ul);
}

/* Two pulses of a bouncing contact are no speed that 32 bits hold: it reads as too fast, not as any number. */
static void beyond(void)
{
    begin();
    config.circumference_um = CONFIG_CIRCUMFERENCE_MAX_UM;
    config.clock_ppb = CONFIG_CLOCK_PPB_MAX;
    speed_edge(&speed, 1, now);
    speed_edge(&speed, 1, now + 64u);                            /* 20 m in 4 us are 3 10^11 mm/min */
    reading_update(&reading, &config, &speed, now + 100u);
    CHECK(reading.state == READING_TURNING && reading.shown_mm_per_min > 3000000000ul);
}

void test(void)
{
    speeds();
    silence();
    slips();
    limits();
    hold();
    beyond();
}
