/* When did which input see an edge?  The three interrupts, their rings and their flood masks. */
#ifndef INPUTS_H
#define INPUTS_H

#include <stdbool.h>
#include <stdint.h>

#include "batch.h"
#include "config.h"
#include "flood.h"
#include "ring.h"

extern struct ring inputs_rings[WIRE_INPUTS];
extern struct flood inputs_flood[WIRE_INPUTS];

/* At start, interrupts off, and from the main loop after a new configuration; ends all masks. */
void inputs_configure(struct batch *batch, const struct config *config);

/* Main loop, at every pass: notices masks, ends those that have lasted their time. */
void inputs_watch(struct batch *batch);

/* Main loop: what the rings hold now; opens the rings that have been emptied after a loss, if it may.  False when an edge
 * is just on its way to its ring: come again. */
bool inputs_moment(struct batch_moment *moment, const struct batch *batch, struct tick *clock);

/* Main loop: does a loss wait to be told? */
bool inputs_any_closed(void);

#endif
