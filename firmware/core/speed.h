/* How fast does the wheel turn, and how many turns does the fast shaft make for one of its?
 *
 * The targets of a wheel are never evenly spaced, so speed is told from whole turns: from one target to the same target
 * again.  Marks are kept of up to eight targets of a turn; the window is the smallest whole number of turns that lasts
 * SPEED_WINDOW_TICKS, which is one turn of a slow wheel, ended anew at each mark.
 *
 * A target that is missed once (or is gone) is found by its gap: half as long again as the longest of the turn before, and
 * the next gap as usual.  The count goes on as if it had passed.  Gaps that stay long are a wheel that slows down.  One or two targets
 * give no such measure.
 *
 * Silence is judged by the longest gap, too: it bounds the speed from above.  Main loop only. */
#ifndef SPEED_H
#define SPEED_H

#include <stdbool.h>
#include <stdint.h>

#define SPEED_TICKS_PER_MS 16000ul
#define SPEED_MARKS 9u                                     /* a turn of eight marks and the one that ends it; 0.4 s of a fast wheel */
#define SPEED_WINDOW_TICKS (200u * SPEED_TICKS_PER_MS)     /* reads at most 0.4 s: lag below 0.5 s (test_instrument) */
#define SPEED_MARK_TICKS (40u * SPEED_TICKS_PER_MS)        /* a wheel too fast for a mark in each turn */
#define SPEED_SILENT_TICKS (300u * SPEED_TICKS_PER_MS)     /* the display is not to flash at a single late pulse */
#define SPEED_FORGET_TICKS (40000u * SPEED_TICKS_PER_MS)   /* twice the turn of a one-target wheel at its slowest */
#define SPEED_TURN_MAX_TICKS 0xF0000000ul                  /* 252 s; with 60 gaps, each found 0.1 s late, within 32 bits */

struct speed_mark {
    uint32_t ticks;
    uint32_t fast_ticks;           /* last whole turn of the fast shaft before the mark */
    uint16_t fast_turns;
    uint8_t phase;                 /* target, counted from an arbitrary one */
    uint8_t turns;
};

struct speed {
    uint32_t last_ticks;           /* the last edge */
    uint32_t longest_ticks;        /* gap of the turn before; 0: no turn yet */
    uint32_t longest_now_ticks;    /* of this turn, so far */
    uint32_t turn_ticks;           /* of the last window; 0: none yet */
    uint32_t fast_ticks;           /* last whole turn of the fast shaft */
    uint16_t fast_turns;           /* 0: none since it began; and once in 65536 */
    uint8_t fast_phase;
    uint8_t phase;
    uint8_t turns;
    uint8_t suspects;              /* targets that the last gap may have missed */
    uint8_t count;                 /* marks kept; 0: no edge since it began */
    uint8_t newest;
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

/* What can be told now.  Silence of SPEED_FORGET_TICKS, or of a turn of SPEED_TURN_MAX_TICKS, ends in SPEED_NO_PULSES; whoever
 * finds it so slow that it is none calls speed_begin(). */
void speed_read(struct speed *speed, uint8_t targets, uint32_t now_ticks, struct speed_reading *reading);

#endif
