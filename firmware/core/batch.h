/* Which edges go into the next batch, and up to what time is it complete?
 *
 * A batch promises: every edge up to `complete` has been sent, was counted as lost, or fell in a masked range.  The
 * promise is kept by three rules.
 *   - An edge that does not fit holds `complete` back to the tick before it.
 *   - A ring that dropped edges is emptied, then opened at a tick R.  Its later edges wait, and `complete` waits at its
 *     last edge before the loss, until a batch can be complete beyond R; that batch tells the number lost.  The others
 *     have only a bounded number of edges before R to send, so that batch always comes.
 *   - While an input is masked `complete` waits at its last edge, so that silence is never told for deafness; unless a
 *     loss must be told, which cannot wait.
 * Main loop only.  Rings and clock are passed in, so that a test may hold
 * two boards. */
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
    uint32_t opened_ticks;    /* R, while a loss waits to be told */
    uint32_t held_ticks;      /* `complete` may not pass this while the input is held */
    uint16_t lost;            /* edges of a loss that waits to be told; 0: none waits */
    uint16_t latency_ticks;   /* from the edge to its recorded time: taken off here */
    bool paired;              /* last_ticks is later than the last status */
    bool held;
};

struct batch {
    struct tick base;         /* everything up to here has been told */
    uint16_t settle_ticks;    /* the largest latency */
    struct batch_input input[WIRE_INPUTS];
};

/* What the rings held at one moment: taken by the board with interrupts off, when no edge before it was on its way. */
struct batch_moment {
    struct tick now;
    uint8_t head[WIRE_INPUTS];
};

void batch_init(struct batch *batch, const uint16_t latency_ticks[WIRE_INPUTS]);

/* Nobody listens: edges are counted and forgotten, and the promise starts at the moment. */
void batch_discard(struct batch *batch, struct ring rings[WIRE_INPUTS], const struct batch_moment *moment);

/* True when the ring dropped edges, has been emptied since, and is to be opened by ring_open(). */
bool batch_may_open(const struct batch *batch, const struct ring *ring, uint8_t input);

/* The ring was opened at this tick, when no edge of the input was on its way, and had dropped so many edges. */
void batch_opened(struct batch *batch, uint8_t input, uint16_t dropped, uint32_t opened_ticks);

/* `complete` waits at the tick until batch_release(): the input was masked after it. */
void batch_hold(struct batch *batch, uint8_t input, uint32_t ticks);
void batch_release(struct batch *batch, uint8_t input);

/* Bytes of edges in all rings, and the age of the oldest at `now` (0 when there is none). */
uint8_t batch_waiting(const struct batch *batch, const struct ring rings[WIRE_INPUTS], uint32_t now_ticks,
                      uint32_t *oldest_age_ticks);

/* Writes the next BATCH of what was in the rings at the moment, and takes it from them. */
void batch_write(struct batch *batch, struct ring rings[WIRE_INPUTS], const struct batch_moment *moment,
                 struct message *message, uint8_t *line, uint8_t sequence);

/* Fields of STATUS for an input; starts a new search for the closest two. */
uint32_t batch_take_shortest(struct batch *batch, uint8_t input);

/* A recorded 24-bit time of an input, at a position of its ring, as the time of its edge. */
uint32_t batch_edge_ticks(const struct batch_input *state, const struct ring *ring, uint8_t at, uint32_t now_ticks);

#endif
