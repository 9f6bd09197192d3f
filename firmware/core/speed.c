/* How fast does the wheel turn, and how many turns does the fast shaft make for one of its?  See speed.h. */
#include "speed.h"

#include "inline.h"
#include "scale.h"

#define SPEED_SUSPECTS_MAX 3u
#define SPEED_FAST_TURNS_MAX 2000u  /* in millionths, and half as long again as the window, within 32 bits */
#define SPEED_TELLING_TARGETS 3u    /* fewer give no usual gap */

void speed_begin(struct speed *speed)
{
    speed->longest_ticks = 0;
    speed->longest_now_ticks = 0;
    speed->turn_ticks = 0;
    speed->fast_turns = 0;
    speed->suspects = 0;
    speed->count = 0;
    speed->phase = 0;
}

/* Marks in a turn at this speed: at least SPEED_MARK_TICKS apart. */
static uint8_t speed_divisions(uint32_t turn_ticks)
{
    uint8_t divisions = 8;

    if (turn_ticks != 0u) {
        while (divisions > 1u && turn_ticks < divisions * SPEED_MARK_TICKS) {
            divisions >>= 1;
        }
    }
    return divisions;
}

static void speed_mark(struct speed *speed, uint8_t targets)
{
    const uint8_t divisions = speed_divisions(speed->turn_ticks);
    const uint32_t ticks = speed->last_ticks;
    uint16_t place = (uint16_t)(speed->phase * divisions);
    struct speed_mark *mark;

    while (place >= targets) {
        place = (uint16_t)(place - targets);
    }
    if (place >= divisions
        || (divisions == 1u && speed->count != 0u && ticks - speed->marks[speed->newest].ticks < SPEED_MARK_TICKS)) {
        return;                      /* the first target of each division is one */
    }
    speed->newest++;
    if (speed->newest >= SPEED_MARKS) {
        speed->newest = 0;
    }
    if (speed->count < SPEED_MARKS) {
        speed->count++;
    }
    mark = &speed->marks[speed->newest];
    mark->ticks = ticks;
    mark->phase = speed->phase;
    mark->turns = speed->turns;
    mark->fast_ticks = speed->fast_ticks;
    mark->fast_turns = speed->fast_turns;
}

/* How many targets were passed with this edge. */
static uint8_t speed_steps(struct speed *speed, uint8_t targets, uint32_t gap_ticks)
{
    const uint32_t longest = speed->longest_ticks;
    uint8_t steps = 1;

    if (targets < SPEED_TELLING_TARGETS || longest == 0u) {
        return steps;
    }
    if (speed->suspects != 0u) {
        if (gap_ticks <= longest + longest / 4u) {
            steps = (uint8_t)(steps + speed->suspects);
        } else {
            speed->longest_ticks = gap_ticks;    /* it has slowed down */
        }
        speed->suspects = 0;
    } else {
        while (gap_ticks > longest + longest / 2u && speed->suspects < SPEED_SUSPECTS_MAX) {
            gap_ticks -= longest;
            speed->suspects++;
        }
    }
    return steps;
}

INLINE_NEVER void speed_edge(struct speed *speed, uint8_t targets, uint32_t ticks)
{
    const uint32_t gap_ticks = ticks - speed->last_ticks;

    if (gap_ticks == 0u && speed->count != 0u) {
        return;                      /* two captures with one time are one edge (batch.c) */
    }
    speed->last_ticks = ticks;
    if (speed->count != 0u) {
        uint8_t steps = speed_steps(speed, targets, gap_ticks);

        if (speed->suspects == 0u && gap_ticks > speed->longest_now_ticks) {
            speed->longest_now_ticks = gap_ticks;
        }
        for (; steps != 0u; steps--) {
            if (++speed->phase >= targets) {
                speed->phase = 0;
                speed->turns++;
                if (speed->longest_now_ticks != 0u) {
                    speed->longest_ticks = speed->longest_now_ticks;
                    speed->longest_now_ticks = 0;
                }
            }
        }
    }
    if (speed->suspects == 0u) {
        speed_mark(speed, targets);
    }
}

void speed_fast_edge(struct speed *speed, uint8_t targets, uint32_t ticks)
{
    if (++speed->fast_phase >= targets) {
        speed->fast_phase = 0;
        speed->fast_turns++;
        speed->fast_ticks = ticks;
    }
}

/* The mark `back` before the newest. */
static const struct speed_mark *speed_mark_before(const struct speed *speed, uint8_t back)
{
    const uint8_t newest = speed->newest;

    return &speed->marks[(uint8_t)(newest >= back ? newest - back : newest + (uint8_t)SPEED_MARKS - back)];
}

static void speed_measure(struct speed *speed, const struct speed_mark *from, const struct speed_mark *to,
                          struct speed_reading *reading)
{
    const uint16_t fast_turns = (uint16_t)(to->fast_turns - from->fast_turns);
    const uint32_t fast_ticks = to->fast_ticks - from->fast_ticks;
    const uint32_t ticks = to->ticks - from->ticks;

    speed->turn_ticks = scale(ticks, 1, (uint8_t)(to->turns - from->turns));
    reading->ratio_millionths = 0;
    /* Whole turns of the fast shaft last about as long as the window, unless its pulses paused, or were none. */
    if (from->fast_turns != 0u && fast_turns != 0u && fast_turns < SPEED_FAST_TURNS_MAX && fast_ticks > ticks / 2u && fast_ticks / 2u < ticks
        && fast_ticks <= SCALE_BY_MAX) {
        reading->ratio_millionths = scale(speed->turn_ticks, fast_turns * 1000000ul, fast_ticks);
    }
}

/* The newest mark that the same target has made before, too: only just after a change of divisions not the newest one. */
static void speed_window(struct speed *speed, struct speed_reading *reading)
{
    uint8_t last;

    for (last = 0; last + 1u < speed->count; last++) {
        const struct speed_mark *to = speed_mark_before(speed, last);
        const struct speed_mark *from = 0;
        uint8_t back;

        for (back = (uint8_t)(last + 1u); back < speed->count; back++) {
            const struct speed_mark *mark = speed_mark_before(speed, back);

            if (mark->phase == to->phase && mark->turns != to->turns) {
                from = mark;
                if (to->ticks - mark->ticks >= SPEED_WINDOW_TICKS) {
                    break;
                }
            }
        }
        if (from != 0) {
            speed_measure(speed, from, to, reading);
            return;
        }
    }
}

void speed_read(struct speed *speed, uint8_t targets, uint32_t now_ticks, struct speed_reading *reading)
{
    uint32_t silent_ticks = now_ticks - speed->last_ticks;
    uint32_t gap_ticks = speed->longest_ticks;

    reading->state = SPEED_NO_PULSES;
    reading->ratio_millionths = 0;
    if (speed->count == 0u) {
        return;
    }
    if (silent_ticks > 0x80000000ul) {
        silent_ticks = 0;            /* the edge is later than now was read */
    }
    if (speed->longest_now_ticks > gap_ticks) {
        gap_ticks = speed->longest_now_ticks;
    }
    reading->state = SPEED_STARTING;
    speed_window(speed, reading);
    reading->turn_ticks = speed->turn_ticks;
    if (speed->turn_ticks != 0u) {
        const uint32_t usual_ticks = scale(speed->turn_ticks, 1, targets) + 1u;

        reading->state = SPEED_TURNING;
        if (usual_ticks > gap_ticks) {
            gap_ticks = usual_ticks; /* after a bounce of a lone target */
        }
        if (targets >= SPEED_TELLING_TARGETS) {
            gap_ticks *= 2u;         /* one may have been missed */
        }
        if (silent_ticks > SPEED_SILENT_TICKS && silent_ticks > gap_ticks + gap_ticks / 8u) {
            reading->state = SPEED_SLOWER;
            reading->turn_ticks = scale(speed->turn_ticks, silent_ticks, gap_ticks);
        }
    }
    if (silent_ticks > SPEED_FORGET_TICKS || (silent_ticks >> 8) * targets > SPEED_TURN_MAX_TICKS >> 8) {
        speed_begin(speed);
        reading->state = SPEED_NO_PULSES;
    }
}
