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

/* NOW_AND_THEN, ONE_TARGET and the groups begin in the third turn. */
enum misses { NONE, NOW_AND_THEN, ONE_TARGET, TWO, THREE, EVERY_OTHER, IN_THE_FIRST_TURN, FROM_THE_START, MISSES };

static bool missed(enum misses misses, uint8_t targets, uint16_t turn, uint8_t target)
{
    const uint32_t at = (uint32_t)turn * targets + target;
    const uint32_t group = 3u * targets + start_ticks % targets;          /* anywhere in a turn */

    switch (misses) {
    case NOW_AND_THEN:
        return turn >= 2u && at % (3u * targets + 1u) == 0u;
    case ONE_TARGET:
        return turn >= 2u && target + 1u == targets;
    case TWO:
    case THREE:
        return at >= group && at <= group + (misses == TWO ? 1u : 2u);
    case EVERY_OTHER:
        return at == group || at == group + 2u;
    case IN_THE_FIRST_TURN:
        return at == 1u + start_ticks % targets;
    case FROM_THE_START:
        return target == start_ticks % targets;
    default:
        return false;
    }
}

/* Turns with a look every 100 ms.  No look tells another turn than the true one, but for a longer one in a silence in which two
 * targets and more have passed unseen; and each tells a turn once three, and 0.5 s, have passed. */
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
                if (reading.state >= SPEED_TURNING
                    && (misses < TWO || look - speed.now.ticks < turn_ticks / targets * 2u)) {
                    CHECK(reading.state == SPEED_TURNING && close_to(reading.turn_ticks, turn_ticks));
                }
                CHECK(reading.state >= SPEED_TURNING || look - start_ticks < 3u * turn_ticks + turn_ticks / 4u + 500u * MS);
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
    uint8_t misses;

    for (a = 0; a < sizeof targets; a++) {
        for (b = 0; b < sizeof turn_ms / sizeof turn_ms[0]; b = (uint8_t)(b + ROUNDS(1, 6))) {
            const uint32_t turn_ticks = (uint32_t)(turn_ms[b] * MS + report_random() % 100u);

            place(targets[a]);
            for (misses = NONE; misses < (targets[a] < 3u ? NONE + 1u : MISSES); misses = (uint8_t)(misses + ROUNDS(1u, 7u))) {
                start_ticks = report_random();
                turns(targets[a], turn_ticks, (uint16_t)(8u + 1500u / turn_ms[b]), (enum misses)misses);
            }
        }
    }
}

/* Any places at all: the count of a whole turn asks for no evenness. */
static void uneven_turns(void)
{
    static const uint32_t odd[3] = { 0, 13107, 32768 };          /* gaps of 0.2, 0.3 and 0.5 of a turn */
    uint8_t n;

    for (n = 0; n < 3u; n++) {
        places[n] = odd[n];
    }
    start_ticks = report_random();
    turns(3, 700u * MS, 12, NONE);
}

/* A wheel that speeds up or slows down by a sixth in each turn, its targets off by up to a twentieth of their spacing, one of
 * them missed: each pulse tells a speed of the last two turns and a half, in which it changes by half: exp(2.5 / 6) = 1.52. */
static void ramp(uint8_t targets, bool up, uint16_t miss)
{
    static uint16_t offs[60];
    uint32_t turn_ticks = (up ? 2000u : 400u) * MS;
    uint32_t ticks = report_random();
    uint16_t at;

    for (at = 0; at < targets; at++) {
        offs[at] = (uint16_t)(report_random() % (65536u / targets / 20u));
    }
    speed_begin(&speed);
    for (at = 0; at < 9u * targets; at++) {
        const uint32_t off = offs[at % targets];
        const uint32_t now_turn_ticks = turn_ticks;

        if (at != miss) {
            speed_edge(&speed, targets, ticks + (uint32_t)((uint64_t)off * turn_ticks >> 16));
            speed_read(&speed, targets, speed.now.ticks, &reading);
            if (reading.state == SPEED_TURNING) {
                CHECK(up ? reading.turn_ticks / 100u * 103u >= now_turn_ticks && reading.turn_ticks / 8u * 5u <= now_turn_ticks
                         : reading.turn_ticks / 103u * 100u <= now_turn_ticks && reading.turn_ticks / 5u * 8u >= now_turn_ticks);
            }
            /* missed in the first turn, the count begins anew, at a mark */
            CHECK(reading.state == SPEED_TURNING || at < 2u * targets + targets / 8u + 6u);
        }
        ticks += turn_ticks / targets;
        turn_ticks = up ? turn_ticks - turn_ticks / (6u * targets) : turn_ticks + turn_ticks / (6u * targets);
    }
}

static void ramps(void)
{
    static const uint8_t targets[] = { 3, 4, 5, 7, 8, 9, 17, 36, 60 };
    uint8_t a;
    uint16_t miss;

    for (a = 0; a < sizeof targets; a++) {
        for (miss = targets[a]; miss < 6u * targets[a]; miss = (uint16_t)(miss + ROUNDS(1u, 3u * targets[a] - 1u))) {
            ramp(targets[a], true, miss);
            ramp(targets[a], false, miss);
        }
    }
}

/* Silence: no word before it can mean something, then a bound on the speed that falls, and at last nothing. */
static void silence(uint8_t targets, uint32_t turn_ticks)
{
    uint32_t last;
    uint32_t wait;
    bool told = false;

    place(targets);
    start_ticks = report_random();
    turns(targets, turn_ticks, (uint16_t)(6u + 1500u * MS / turn_ticks), NONE);
    last = speed.now.ticks;
    speed_read(&speed, targets, last + 1u, &reading);
    CHECK(reading.state == SPEED_TURNING);
    speed_read(&speed, targets, last - 1u, &reading);            /* the clock was read before the edge came */
    CHECK(reading.state == SPEED_TURNING);
    for (wait = 100u * MS; wait < 80000u * MS; wait += 100u * MS) {
        /* in it there is one target's turn, three quarters of that of two, two and a quarter of more targets' spacings */
        const uint64_t turn = (uint64_t)wait * targets * 12u / (targets == 1u ? 12u : targets == 2u ? 18u : 27u);

        speed_read(&speed, targets, last + wait, &reading);
        if (turn > SPEED_SLOWEST_TICKS) {
            CHECK(reading.state == SPEED_NO_PULSES);
            break;
        }
        if (wait <= 300u * MS || turn <= turn_ticks) {
            CHECK(reading.state == SPEED_TURNING && close_to(reading.turn_ticks, turn_ticks));
        } else {
            CHECK(reading.turn_ticks + 1u >= turn && reading.turn_ticks <= turn);
            CHECK(reading.state == (turn > turn_ticks + turn_ticks / 8u ? SPEED_SLOWER : SPEED_TURNING)
                  || close_to((uint32_t)turn, turn_ticks + turn_ticks / 8u));
            told = true;
        }
    }
    CHECK(told && wait < 68000u * MS);
    speed_read(&speed, targets, last + wait + 100u * MS, &reading);
    CHECK(reading.state == SPEED_NO_PULSES);
    speed_edge(&speed, targets, last + wait + 300u * MS);
    speed_read(&speed, targets, last + wait + 301u * MS, &reading);
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
    uneven_turns();
    ramps();
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
