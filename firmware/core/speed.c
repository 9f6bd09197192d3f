/* How fast does the wheel turn, and how many turns does the fast shaft make for one of its?  See speed.h. */
#include "speed.h"

#include "inline.h"
#include "scale.h"

#define SPEED_DOUBTS_MAX 3u
#define SPEED_MISSED_MAX 3u
#define SPEED_FAST_TURNS_MAX 500u   /* in millionths, and twice as many, what scale() divides by */
#define SPEED_TELLING_TARGETS 3u    /* fewer give no usual gap */

INLINE_NEVER void speed_begin(struct speed *speed)
{
    speed->window.turns = 0;
    speed->now.fast_turns = 0;
    speed->longest_ticks = 0;
    speed->longest_now_ticks = 0;
    speed->edges = 0;
    speed->peak_ticks = 0;
    speed->marked = 0;
    speed->doubts = 0;
}

/* So many eighths of it. */
INLINE_NEVER static uint32_t speed_eighths(uint32_t ticks, uint8_t eighths)
{
    uint32_t sum = 0;

    ticks /= 8u;
    while (eighths-- != 0u) {
        sum += ticks;
    }
    return sum;
}

/* The last edge was one of a target that is marked: ends a window, and begins the next. */
static void speed_mark(struct speed *speed, uint8_t bit)
{
    struct speed_mark *mark = &speed->marks[speed->division];
    const struct speed_mark *const now = &speed->now;

    INLINE_POINTER(mark);
    if ((speed->marked & bit) != 0u) {
        const uint32_t ticks = now->ticks - mark->ticks;

        if (speed->window.turns != 0u
            && (ticks < SPEED_WINDOW_TICKS
                || (ticks < SPEED_LATEST_TICKS && now->ticks - speed->measured_ticks < SPEED_APART_TICKS))) {
            return;
        }
        if (speed->doubts == 0u) {
            speed->window.ticks = ticks;
            speed->window.turns = (uint8_t)(now->turns - mark->turns);
            speed->window.fast_ticks = now->fast_ticks - mark->fast_ticks;
            speed->window.fast_turns = mark->fast_turns != 0u ? (uint16_t)(now->fast_turns - mark->fast_turns) : 0u;
            speed->measured_ticks = now->ticks;
        }
    }
    speed->marked |= bit;
    if (speed->doubts != 0u) {
        speed->doubtful |= bit;
    }
    *mark = *now;
}

/* How many targets were passed with this edge; 0: begin anew.
 *
 * A gap a quarter longer than the longest of the turn before, and five eighths longer than the mean, may be due to missed targets,
 * or to a wheel that has slowed down: then the gaps that follow are as long.  In the first turn nothing is known but the gap before; a gap
 * that stands out on both sides begins the count anew.  If it comes again after a whole turn it was a wide one, and if after
 * one target less, one is missing for good (test_speed). */
static uint8_t speed_steps(struct speed *speed, uint8_t targets, uint32_t gap_ticks)
{
    const uint32_t before_ticks = speed->before_ticks;
    uint32_t usual_ticks = speed->longest_ticks;
    uint8_t missed = 0;

    speed->before_ticks = gap_ticks;
    if (speed->doubts != 0u) {
        if (gap_ticks < speed_eighths(before_ticks, 6)) {
            speed->doubts = 0;
            if (usual_ticks != 0u) {
                if (speed->missed > SPEED_MISSED_MAX) {
                    return 0;
                }
            } else if (speed->peak_ticks == 0u || speed->edges != targets + 1u) {
                if (before_ticks > speed_eighths(speed->peak_ticks, 10)) {
                    return 0;
                }
                speed->longest_now_ticks = before_ticks;
                return 1;
            }
            speed->marked &= (uint8_t)~speed->doubtful;
            return (uint8_t)(speed->missed + 1u);
        }
        if (usual_ticks == 0u || ++speed->doubts > SPEED_DOUBTS_MAX) {
            speed->doubts = 0;
            speed->longest_ticks = usual_ticks != 0u ? gap_ticks : 0u;
            return 1;
        }
    }
    if (gap_ticks > (usual_ticks != 0u ? speed_eighths(usual_ticks, 10) : speed_eighths(before_ticks, 12))) {
        missed = 1;
        if (speed->window.turns != 0u) {
            const uint32_t mean_ticks = scale(speed->window.ticks, 1, (uint16_t)(speed->window.turns * targets));

            for (missed = 0; gap_ticks > speed_eighths(mean_ticks, 13) && missed <= SPEED_MISSED_MAX; missed++) {
                gap_ticks -= mean_ticks;
            }
        }
    }
    if (missed == 0u) {
        speed->doubts = 0;
    } else {
        if (speed->doubts == 0u) {
            speed->doubts = 1;
            speed->doubtful = 0;
            speed->missed = 0;
        }
        speed->missed = (uint8_t)(speed->missed + missed);
    }
    return 1;
}

INLINE_NEVER void speed_edge(struct speed *speed, uint8_t targets, uint32_t ticks)
{
    const uint32_t gap_ticks = ticks - speed->now.ticks;
    const uint8_t divisions = targets < SPEED_MARKS ? targets : SPEED_MARKS;
    uint8_t steps = 1;
    uint8_t bit;

    if (gap_ticks == 0u && speed->edges != 0u) {
        return;                        /* two captures with one time are one edge (batch.c) */
    }
    speed->now.ticks = ticks;
    if (speed->edges == 0u && targets >= SPEED_TELLING_TARGETS) {
        speed->edges = 1;              /* from a stop the first gap is a long one */
        return;
    }
    if (speed->edges <= 1u) {
        speed->edges = 2;
        speed->before_ticks = gap_ticks;
        speed->place = (uint8_t)(targets - divisions);
    } else if (targets >= SPEED_TELLING_TARGETS) {
        const uint32_t before_ticks = speed->before_ticks;

        steps = speed_steps(speed, targets, gap_ticks);
        if (steps == 0u) {
            speed_begin(speed);
            speed->edges = 2;
            speed->peak_ticks = before_ticks;
            steps = 1;
        }
        if (speed->doubts == 0u && gap_ticks > speed->longest_now_ticks) {
            speed->longest_now_ticks = gap_ticks;
        }
        if (speed->longest_ticks == 0u) {
            speed->edges = (uint8_t)(speed->edges + steps);
            if (speed->doubts == 0u && speed->edges >= targets + 2u) {
                speed->longest_ticks = speed->longest_now_ticks;
            }
        }
    }
    for (;;) {
        bit = 0;
        speed->place = (uint8_t)(speed->place + divisions);
        if (speed->place >= targets) {
            speed->place = (uint8_t)(speed->place - targets);
            speed->division++;
            if (speed->division >= divisions) {
                speed->division = 0;
                speed->now.turns++;
                if (speed->longest_ticks != 0u && speed->longest_now_ticks != 0u) {
                    speed->longest_ticks = speed->longest_now_ticks;
                    speed->longest_now_ticks = 0;
                }
            }
            bit = (uint8_t)(1u << speed->division);
        }
        if (--steps == 0u) {
            break;
        }
        speed->marked &= (uint8_t)~bit;
    }
    if (bit != 0u) {
        speed_mark(speed, bit);
    }
}

void speed_fast_edge(struct speed *speed, uint8_t targets, uint32_t ticks)
{
    if (++speed->fast_phase >= targets) {
        speed->fast_phase = 0;
        speed->now.fast_turns++;
        speed->now.fast_ticks = ticks;
    }
}

void speed_read(struct speed *speed, uint8_t targets, uint32_t now_ticks, struct speed_reading *reading)
{
    uint32_t silent_ticks = now_ticks - speed->now.ticks;
    uint32_t bound_ticks;
    uint32_t turn_ticks = 0;

    reading->state = SPEED_NO_PULSES;
    reading->ratio_millionths = 0;
    if (speed->edges == 0u) {
        return;
    }
    reading->state = SPEED_STARTING;
    if (silent_ticks > 0x80000000ul) {
        silent_ticks = 0;            /* the edge is later than now was read */
    }
    /* at most so much of a turn can have passed in it: all of one, three quarters of two targets' turn, two and a quarter of more targets'
     * spacings, since one may have been missed */
    bound_ticks = scale(silent_ticks, 4u * targets, targets < SPEED_TELLING_TARGETS ? 2u * targets + 2u : 9u);
    if (speed->window.turns != 0u) {
        turn_ticks = scale(speed->window.ticks, 1, speed->window.turns);
        /* Whole turns of the fast shaft last about as long as the window, unless its pulses paused, or were none. */
        if (speed->window.fast_turns != 0u && speed->window.fast_turns < SPEED_FAST_TURNS_MAX
            && speed->window.fast_ticks > speed->window.ticks / 2u && speed->window.fast_ticks / 2u < speed->window.ticks
            && speed->window.fast_ticks <= SCALE_BY_MAX) {
            reading->ratio_millionths = scale(turn_ticks, speed->window.fast_turns * 1000000ul, speed->window.fast_ticks);
        }
        reading->state = SPEED_TURNING;
    }
    if (silent_ticks > SPEED_SILENT_TICKS && bound_ticks > turn_ticks) {
        if (turn_ticks != 0u && bound_ticks > speed_eighths(turn_ticks, 9)) {
            reading->state = SPEED_SLOWER;
        }
        turn_ticks = bound_ticks;
    }
    if (turn_ticks > SPEED_SLOWEST_TICKS) {
        speed_begin(speed);
        reading->state = SPEED_NO_PULSES;
    }
    reading->turn_ticks = turn_ticks;
}
