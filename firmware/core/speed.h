/* How fast does the wheel turn, and how many turns does the fast shaft make for one of its?
 *
 * The targets of a wheel are never evenly spaced, so speed is told from whole turns: from one target to the same target
 * again.  Up to eight targets of a turn, or all of fewer, are marked when they pass; each that passes again ends a window, the
 * smallest whole number of turns that lasts SPEED_WINDOW_TICKS, which is one turn of a slow wheel.
 *
 * A target that is missed, now and then or for good, is found by its gap (speed_steps()), and the count goes on as if it had
 * passed.  One or two targets give no measure for that.  PROTOCOL.md section 9 says what is survived, and how late a change shows.
 *
 * Silence bounds the speed from above.  Main loop only. */
#ifndef SPEED_H
#define SPEED_H

#include <stdbool.h>
#include <stdint.h>

#define SPEED_TICKS_PER_MS 16000ul
#define SPEED_MARKS 8u
#define SPEED_WINDOW_TICKS (200u * SPEED_TICKS_PER_MS)     /* reads at most 0.4 s: lag below 0.5 s (test_instrument) */
#define SPEED_APART_TICKS (25u * SPEED_TICKS_PER_MS)       /* eight windows of a fast wheel end one after the other, ... */
#define SPEED_LATEST_TICKS (300u * SPEED_TICKS_PER_MS)     /* ... if none gets much longer for it */
#define SPEED_SILENT_TICKS (300u * SPEED_TICKS_PER_MS)     /* the display is not to flash at a single late pulse */
#define SPEED_SLOWEST_TICKS 0x40000000ul                   /* a turn, 67 s: scale()'s largest divisor */

struct speed_mark {
    uint32_t ticks;
    uint32_t fast_ticks;           /* last whole turn of the fast shaft before the mark */
    uint16_t fast_turns;           /* 0: none since it began; and once in 65536 */
    uint8_t turns;
};

struct speed {
    struct speed_mark now;         /* the last edge, and turns so far */
    struct speed_mark window;      /* what passed in the last window; no turns: none yet */
    uint32_t before_ticks;         /* the gap before the last edge */
    uint32_t longest_ticks;        /* gap of the turn before; 0: no turn yet */
    uint32_t longest_now_ticks;    /* of this turn, so far */
    uint32_t measured_ticks;       /* when the last window ended */
    uint8_t edges;                 /* while there is no turn yet: targets passed, and 2; 0: none */
    uint32_t peak_ticks;           /* while there is no turn yet: the gap that stood out; 0: none */
    uint8_t division;              /* of the turn into marks: the last one passed, ... */
    uint8_t place;                 /* ... and how far behind it, in parts of a target */
    uint8_t marked;                /* bit: the mark is good */
    uint8_t doubtful;              /* bit: it is not, if targets were missed */
    uint8_t doubts;                /* long gaps in a row: targets were missed, or it has slowed down */
    uint8_t missed;                /* so many targets, if so */
    uint8_t fast_phase;
    struct speed_mark marks[SPEED_MARKS];
};

/* From nothing: at start, and when settings have changed. */
void speed_begin(struct speed *speed);

/* An edge of the wheel, or of the fast shaft, with so many targets. */
void speed_edge(struct speed *speed, uint8_t targets, uint32_t ticks);
void speed_fast_edge(struct speed *speed, uint8_t targets, uint32_t ticks);

enum speed_state { SPEED_NO_PULSES, SPEED_STARTING, SPEED_TURNING, SPEED_SLOWER };

struct speed_reading {
    enum speed_state state;
    uint32_t turn_ticks;           /* SPEED_TURNING: of one turn.  SPEED_SLOWER: it takes at least so long */
    uint32_t ratio_millionths;     /* turns of the fast shaft per turn of the wheel; 0: not known */
};

/* What can be told now.  Silence so long that a turn takes SPEED_SLOWEST_TICKS ends in SPEED_NO_PULSES; whoever finds it so slow
 * before that it is none calls speed_begin(). */
void speed_read(struct speed *speed, uint8_t targets, uint32_t now_ticks, struct speed_reading *reading);

#endif
