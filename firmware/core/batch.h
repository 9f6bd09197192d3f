/* Which edges go into the next batch, and up to what time is it complete?
 *
 * A batch promises: every edge up to `complete` has been sent, was counted as lost, or fell in a masked range.  The
 * promise is kept by three rules.
 *   - An edge that does not fit holds `complete` back to the tick before it.
 *   - A ring that dropped edges is emptied, and stays closed until all others have so few edges left that they fit into
 *     one batch with certainty.  At that moment it is opened, and the batch of that moment, which is complete up to it,
 *     tells the number dropped.  Until then `complete` waits at the last edge before the loss.
 *   - While an input is masked `complete` waits at its last edge, so that silence is never told for deafness; unless a
 *     loss is told, which cannot wait.
 * Main loop only.  Rings and clock are passed in, so that a test may hold two boards. */
#ifndef BATCH_H
#define BATCH_H

#include <stdbool.h>
#include <stdint.h>

#include "message.h"
#include "ring.h"
#include "tick.h"
#include "wire.h"

struct batch_input {
    uint32_t count;           /* edges seen since reset and told, or discarded while nobody listened */
    uint32_t overruns;        /* of those, dropped by the full ring */
    uint32_t last_ticks;      /* the last edge taken from the ring */
    uint32_t shortest_ticks;  /* between the closest two edges since the last status */
    uint32_t held_ticks;      /* `complete` may not pass this while the input is held */
    uint8_t latency_ticks;    /* from the edge to its recorded time: taken off here */
    bool paired;              /* last_ticks is later than the last status */
    bool held;
};

struct batch {
    struct tick base;         /* everything up to here has been told */
    uint32_t span;            /* while a batch is written: `complete` is this much later */
    struct batch_input input[WIRE_INPUTS];
};

/* What the rings held at one moment.  The board takes it with interrupts off: first the time, then it sees that no edge of
 * before that time is on its way still, then the heads.  An edge recorded later is then later, too, since its interrupt
 * takes latency_ticks to begin. */
struct batch_moment {
    struct tick now;
    uint8_t head[WIRE_INPUTS];
    uint16_t lost[WIRE_INPUTS];      /* edges dropped by rings that were opened at this moment; this batch must tell them */
};

/* Once, of a batch that is all zeroes; the latencies lie in flash. */
void batch_init(struct batch *batch, const uint8_t latency_ticks[WIRE_INPUTS]);

/* Nobody listens: edges are counted and forgotten, and the promise starts at the moment. */
void batch_discard(struct batch *batch, struct ring rings[WIRE_INPUTS], const struct batch_moment *moment);

/* May closed rings be opened?  True when there are some, all of them are empty, and what the others hold fits into one
 * batch with certainty.  `heads` becomes what batch_open() needs to see that this still holds. */
bool batch_may_open(const struct batch *batch, const struct ring rings[WIRE_INPUTS], uint32_t now_ticks,
                    uint8_t heads[WIRE_INPUTS]);

/* Interrupts off, at the moment itself, after batch_may_open(): opens the closed rings unless an edge came since.  Short,
 * since edges wait for it. */
static inline bool batch_open(struct ring rings[WIRE_INPUTS], const struct batch_moment *moment,
                              const uint8_t heads[WIRE_INPUTS])
{
    if (moment->head[0] != heads[0] || moment->head[1] != heads[1] || moment->head[2] != heads[2]) {
        return false;
    }
    rings[0].closed = rings[1].closed = rings[2].closed = 0;
    return true;
}

/* At once after batch_open(), interrupts on: no ring can have been filled again so soon. */
void batch_take_lost(struct ring rings[WIRE_INPUTS], struct batch_moment *moment);

/* `complete` waits at the tick until batch_release(): the input was masked after it. */
void batch_hold(struct batch *batch, uint8_t input, uint32_t ticks);
void batch_release(struct batch *batch, uint8_t input);

/* Bytes of edges in all rings, and the age of the oldest at `now` (0 when there is none). */
uint8_t batch_waiting(const struct ring rings[WIRE_INPUTS], uint32_t now_ticks, uint32_t *oldest_age_ticks);

/* Writes the next BATCH of what was in the rings at the moment, and takes it from them. */
void batch_write(struct batch *batch, struct ring rings[WIRE_INPUTS], const struct batch_moment *moment,
                 uint8_t *line, uint8_t sequence);

/* Fields of STATUS for an input; starts a new search for the closest two. */
uint32_t batch_take_shortest(struct batch *batch, uint8_t input);

/* A recorded 24-bit time of an input, at a position of its ring, as the time of its edge. */
uint32_t batch_edge_ticks(const struct batch_input *state, const struct ring *ring, uint8_t at, uint32_t now_ticks);

#endif
