/* What does the display say?
 *
 *   "   3000 ft/min  "   the speed in the chosen unit; "MAX" before it: the highest since the hold began; "<" before it: slower
 *                        than this, since the next pulse is overdue
 *   " 914.4 m/min    "   the other unit; with a fast sensor and a ratio "belt slip  1.23%"; or an alarm: "!! SLIP !!  8.0%",
 *                        "!!! TOO FAST !!!", "!!! TOO SLOW !!!"
 *   "NO PULSES       " / "stopped or lost?",  "NOT SET         " / "hold SET 2 s    ",  "wait: first turn"
 *
 * Main loop only. */
#ifndef PANEL_H
#define PANEL_H

#include "config.h"
#include "display.h"
#include "entry.h"
#include "reading.h"

/* `blink` changes a few times a second: the digit at hand disappears and comes back. */
void panel_show(struct display *display, const struct reading *reading, const struct config *config,
                const struct entry *entry, bool blink);

#endif
