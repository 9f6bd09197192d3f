/* Which edges has which input seen, and which input is masked?  The rings and flood masks of the three inputs. */
#ifndef INPUTS_H
#define INPUTS_H

#include <stdbool.h>
#include <stdint.h>

#include "batch.h"
#include "config.h"
#include "flood.h"
#include "inline.h"
#include "ring.h"

extern struct ring inputs_rings[WIRE_INPUTS];
extern struct flood inputs_flood[WIRE_INPUTS];
extern uint8_t inputs_allowance;                 /* edges per window of the flood limit */

/* The board's timer interrupt, every FLOOD_WINDOW_MICROSECONDS: a new window. */
INLINE_ALWAYS void inputs_window(void)
{
    const uint8_t allowance = inputs_allowance;

    flood_renew(&inputs_flood[0], allowance);
    flood_renew(&inputs_flood[1], allowance);
    flood_renew(&inputs_flood[2], allowance);
}

/* At start, interrupts off, and from the main loop after a new configuration: an input whose mode is as before goes on. */
void inputs_configure(struct batch *batch, const struct config *config);

/* Main loop, at every pass: notices masks, ends those that have lasted their time. */
void inputs_watch(struct batch *batch);

/* Main loop: what the rings hold now; opens the rings that have been emptied after a loss, if it may.  False when an edge
 * is just on its way to its ring: come again. */
bool inputs_moment(struct batch_moment *moment, const struct batch *batch, struct tick *clock);

/* Main loop: does a loss wait to be told? */
bool inputs_any_closed(void);

#endif
