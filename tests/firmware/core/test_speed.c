/* Is the turn of a wheel with uneven targets told exactly, with missed ones too, and is silence told as silence? */
#include "report.h"
#include "speed.h"

#define MS SPEED_TICKS_PER_MS

static struct speed speed;
static struct speed_reading reading;
static uint32_t places[60];        /* of the targets, in 1/65536 turn */
static uint32_t start_ticks;

static void place(uint8_t targets)
{
    uint8_t at;

    for (at = 0; at < targets; at++) {
        places[at] = at * 65536u / targets + (at != 0u ? report_random() % (65536u / targets / 6u) : 0u);
    }
}

/* The pulse of a target in a turn, of a wheel that turns evenly. */
static uint32_t pulse(uint16_t turn, uint8_t target, uint32_t turn_ticks)
{
    return start_ticks + turn * turn_ticks + (uint32_t)((uint64_t)places[target] * turn_ticks >> 16);
}

static bool close_to(uint32_t ticks, uint32_t turn_ticks)
{
    const uint32_t off = ticks > turn_ticks ? ticks - turn_ticks : turn_ticks - ticks;

    return off <= turn_ticks / 20000u + 2u;                      /* 0.005 % */
}

enum misses { NONE, NOW_AND_THEN, ONE_TARGET };                  /* from the fifth turn on */

static bool missed(enum misses misses, uint8_t targets, uint16_t turn, uint8_t target)
{
    if (misses == NONE || turn < 4u) {
        return false;
    }
    return misses == ONE_TARGET ? target + 1u == targets : ((uint32_t)turn * targets + target) % (3u * targets + 1u) == 0u;
}

/* Turns with a look every 100 ms; every look from the second whole turn (and 0.5 s) on is the turn. */
static void turns(uint8_t targets, uint32_t turn_ticks, uint16_t count, enum misses misses)
{
    uint32_t look = start_ticks + 100u * MS;
    uint16_t turn;
    uint8_t target;

    speed_begin(&speed);
    for (turn = 0; turn < count; turn++) {
        for (target = 0; target < targets; target++) {
            const uint32_t ticks = pulse(turn, target, turn_ticks);

            while ((int32_t)(ticks - look) > 0) {
                speed_read(&speed, targets, look, &reading);
                if (look - start_ticks > 3u * turn_ticks + 500u * MS) {
                    CHECK(reading.state == SPEED_TURNING && close_to(reading.turn_ticks, turn_ticks));
                }
                look += 100u * MS;
            }
            if (!missed(misses, targets, turn, target)) {
                speed_edge(&speed, targets, ticks);
            }
        }
    }
}

static void even_turns(void)
{
    static const uint8_t targets[] = { 1, 2, 3, 4, 5, 7, 8, 9, 13, 16, 17, 36, 59, 60 };
    static const uint16_t turn_ms[] = { 5, 12, 39, 41, 79, 81, 120, 159, 161, 250, 333, 2000, 9999 };
    uint8_t a;
    uint8_t b;

    for (a = 0; a < sizeof targets; a++) {
        for (b = 0; b < sizeof turn_ms / sizeof turn_ms[0]; b = (uint8_t)(b + ROUNDS(1, 4))) {
            place(targets[a]);
            start_ticks = report_random();
            turns(targets[a], (uint32_t)(turn_ms[b] * MS + report_random() % 100u), (uint16_t)(6u + 1500u / turn_ms[b]), NONE);
            if (targets[a] >= 4u) {
                turns(targets[a], turn_ms[b] * MS, (uint16_t)(20u + 1500u / turn_ms[b]), NOW_AND_THEN);
                turns(targets[a], turn_ms[b] * MS, (uint16_t)(12u + 1500u / turn_ms[b]), ONE_TARGET);
            }
        }
    }
}

/* Silence: no word before it can mean something, then a bound that falls, and nothing after 40 s. */
static void silence(uint8_t targets, uint32_t turn_ticks)
{
    uint32_t last;
    uint32_t wait;
    uint32_t before = 0;

    place(targets);
    start_ticks = report_random();
    turns(targets, turn_ticks, (uint16_t)(6u + 1500u * MS / turn_ticks), NONE);
    last = speed.last_ticks;
    speed_read(&speed, targets, last + 1u, &reading);
    CHECK(reading.state == SPEED_TURNING);
    speed_read(&speed, targets, last - 1u, &reading);            /* the clock was read before the edge came */
    CHECK(reading.state == SPEED_TURNING);
    for (wait = 100u * MS; wait < 41000u * MS; wait += 100u * MS) {
        speed_read(&speed, targets, last + wait, &reading);
        if (wait <= 300u * MS || (targets < 3u ? wait <= turn_ticks / targets : wait <= 2u * turn_ticks / targets)) {
            CHECK(reading.state == SPEED_TURNING);
        } else if (wait > 40000u * MS) {
            CHECK(reading.state == SPEED_NO_PULSES);
            break;
        } else if (reading.state == SPEED_SLOWER) {
            CHECK(reading.turn_ticks >= before && reading.turn_ticks > turn_ticks);
            CHECK(reading.turn_ticks <= (uint64_t)wait * targets + turn_ticks / 1000u);       /* at most a gap has passed */
            before = reading.turn_ticks;
            if (before > 60000u * MS) {
                break;                                           /* whoever knows the wheel has long said "no pulses" */
            }
        } else {
            CHECK(reading.state == SPEED_TURNING && wait < 3u * turn_ticks);
        }
    }
    CHECK(before != 0u);
    speed_read(&speed, targets, last + 40001u * MS, &reading);
    CHECK(reading.state == SPEED_NO_PULSES);
    speed_read(&speed, targets, last + 42000u * MS, &reading);
    CHECK(reading.state == SPEED_NO_PULSES);
    speed_edge(&speed, targets, last + 43000u * MS);
    speed_read(&speed, targets, last + 43001u * MS, &reading);
    CHECK(reading.state == SPEED_STARTING);                      /* one pulse tells no speed */
}

/* A wheel that brakes hard: long gaps that are no missed targets. */
static void braking(void)
{
    uint32_t gap = 20u * MS;
    uint32_t ticks = 5000;
    uint8_t n;

    speed_begin(&speed);
    for (n = 0; n < 40u; n++) {
        speed_edge(&speed, 4, ticks);
        ticks += gap;
    }
    for (n = 0; n < 6u; n++) {                                   /* each gap 1.6 times the one before */
        gap = gap * 8u / 5u;
        speed_edge(&speed, 4, ticks);
        ticks += gap;
    }
    for (n = 0; n < 12u; n++) {
        speed_edge(&speed, 4, ticks);
        speed_read(&speed, 4, ticks, &reading);
        ticks += gap;
    }
    CHECK(reading.state == SPEED_TURNING && close_to(reading.turn_ticks, 4u * gap));
}

static void ratio(uint8_t fast_targets, uint32_t ratio_millionths, uint32_t turn_ticks)
{
    const uint32_t fast_ticks = (uint32_t)((uint64_t)turn_ticks * 1000000u / ratio_millionths / fast_targets);
    uint32_t wheel = 1000;
    uint32_t fast = 1500;
    uint32_t told = 0;

    speed_begin(&speed);
    while (wheel < 8u * turn_ticks + 1000u * MS) {
        if (wheel < fast) {
            speed_edge(&speed, 1, wheel);
            speed_read(&speed, 1, wheel, &reading);
            told = reading.ratio_millionths;
            wheel += turn_ticks;
        } else {
            speed_fast_edge(&speed, fast_targets, fast);
            fast += fast_ticks;
        }
    }
    CHECK(told > ratio_millionths / 2000u * 1999u && told < ratio_millionths / 2000u * 2001u);     /* 0.05 % */
}

/* So slow that 32 bits do not hold the time of a turn: that is no speed, not another one. */
static void crawling(void)
{
    uint32_t ticks = 9;
    uint32_t look = 9;
    uint16_t n;

    speed_begin(&speed);
    for (n = 0; n < 150u; n++) {                                 /* 60 targets, 4.8 s: a turn is 288 s, 2^32 ticks are 268 s */
        speed_edge(&speed, 60, ticks);
        ticks += 4800u * MS;
        for (; (int32_t)(ticks - look) > 0; look += 100u * MS) {
            speed_read(&speed, 60, look, &reading);
            CHECK(reading.state == SPEED_STARTING || reading.state == SPEED_NO_PULSES);
        }
    }
    for (n = 0; n < 150u; n++) {                                 /* 54 s */
        speed_edge(&speed, 60, ticks);
        ticks += 900u * MS;
        for (; (int32_t)(ticks - look) > 0; look += 100u * MS) {
            speed_read(&speed, 60, look, &reading);
        }
    }
    CHECK(reading.state == SPEED_TURNING && reading.turn_ticks == 54000u * MS);
}

/* A contact that bounces, and two captures of one time: neither is silence afterwards, nor a target. */
static void bounces(void)
{
    uint32_t ticks = 9;
    uint8_t n;

    speed_begin(&speed);
    for (n = 0; n < 20u; n++) {
        speed_edge(&speed, 1, ticks);
        ticks += 500u * MS;
    }
    speed_edge(&speed, 1, ticks);
    speed_edge(&speed, 1, ticks + 1600u);                        /* 0.1 ms later */
    speed_read(&speed, 1, ticks + 450u * MS, &reading);
    CHECK(reading.state >= SPEED_TURNING && reading.turn_ticks <= 501u * MS);        /* the next is due after 500 ms */
    speed_begin(&speed);
    for (n = 0; n < 60u; n++) {
        speed_edge(&speed, 4, ticks);
        if (n % 7u == 0u) {
            speed_edge(&speed, 4, ticks);
        }
        speed_read(&speed, 4, ticks, &reading);
        CHECK(n < 10u || (reading.state == SPEED_TURNING && reading.turn_ticks == 400u * MS));
        ticks += 100u * MS;
    }
}

/* The fast shaft's pulses pause while the wheel turns: no ratio then, and none from across the pause. */
static void paused(uint32_t pause_ticks)
{
    uint32_t fast = 1500;
    uint32_t wheel = 1000;
    uint16_t n;

    speed_begin(&speed);
    for (n = 0; wheel < pause_ticks + 20000u * MS; n++) {
        speed_edge(&speed, 1, wheel);
        speed_read(&speed, 1, wheel, &reading);
        CHECK(reading.ratio_millionths == 0u
              || (reading.ratio_millionths > 4990000u && reading.ratio_millionths < 5010000u));
        wheel += 500u * MS;
        if (wheel < 10000u * MS || wheel > pause_ticks + 10000u * MS) {
            if (wheel > pause_ticks + 10000u * MS && fast < wheel - 500u * MS) {
                fast = (uint32_t)(wheel - 500u * MS);
                speed_fast_edge(&speed, 1, fast - 1600u);        /* one bounces as they come back */
            }
            for (; fast < wheel; fast += 100u * MS) {
                speed_fast_edge(&speed, 1, fast);
            }
        }
    }
    CHECK(reading.ratio_millionths != 0u);
}

void test(void)
{
    speed_begin(&speed);
    speed_read(&speed, 4, 100, &reading);
    CHECK(reading.state == SPEED_NO_PULSES && reading.ratio_millionths == 0u);
    even_turns();
    silence(1, 1000u * MS);
    silence(2, 300u * MS);
    silence(4, 2000u * MS);
    silence(36, 100u * MS);
    braking();
    crawling();
    bounces();
    paused(3000u * MS);
    paused(100000u * MS);
    ratio(1, 13000000, 700u * MS);
    ratio(2, 30500000, 1000u * MS);
    ratio(6, 1770000, 90u * MS);
    ratio(1, 4200000, 250u * MS);
}
