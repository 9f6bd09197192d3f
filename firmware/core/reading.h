/* What do the blade's speed and the belt's slip read, and is that an alarm?
 *
 * Looked at ten times a second (READING_EVERY_MS).  Integers only: speeds are millimetres a minute.  Main loop only. */
#ifndef READING_H
#define READING_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"
#include "speed.h"

#define READING_EVERY_MS 100u
#define READING_SLOWEST_MM_PER_MIN 3048ul      /* 10 ft/min: below it "no pulses" says as much */

/* Looks in a row, before an alarm begins or ends.  A machine that speeds up or slows down may seem to slip for the time by
 * which the two shafts' windows differ, a turn of the fast shaft, and passes the lower limit at each start and stop. */
#define READING_FAST_LOOKS 5u                  /* 0.5 s */
#define READING_SLIP_LOOKS 10u                 /* 1 s */
#define READING_SLOW_LOOKS 30u                 /* 3 s */

/* A false edge, of an inverter's noise, upsets a window or two, 0.4 s; no blade peaks for so short a time. */
#define READING_MOST_LOOKS 5u

/* Not configured comes first, then what the pulses say. */
enum reading_state { READING_NOT_SET, READING_NO_PULSES, READING_STARTING, READING_TURNING, READING_SLOWER };

#define READING_ALARM_FAST 0x01u
#define READING_ALARM_SLIP 0x02u
#define READING_ALARM_SLOW 0x04u
#define READING_ALARMS 3u

struct reading {
    enum reading_state state;
    uint8_t alarms;
    uint8_t looks[READING_ALARMS];         /* in a row that speak against what stands in `alarms` */
    bool slip_known;
    bool holding;
    int16_t slip_hundredths;               /* of a percent; more than 100 % back or forth is cut */
    uint32_t shown_mm_per_min;             /* READING_TURNING: speed.  READING_SLOWER: slower than this.  Unmoved by less than a
                                            * third of a digit */
    uint32_t most_mm_per_min;              /* since the hold began, and stood for READING_MOST_LOOKS; 0: none yet */
    uint32_t more_mm_per_min;              /* the least of ... */
    uint8_t more_looks;                    /* ... so many looks in a row that saw more than that */
};

void reading_update(struct reading *reading, const struct config *config, struct speed *speed, uint32_t now_ticks);

/* The maximum from now on; or no longer. */
void reading_hold(struct reading *reading);

#endif
