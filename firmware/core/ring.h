/* Where do edges wait between the interrupt that saw them and the main loop that sends them?
 *
 * One ring per input, one writer (the input's interrupt), one reader (the main loop).  A ring that is full closes at
 * the first edge it must drop and counts the dropped ones; it stays closed, so that the place of the loss is exact,
 * until the reader has emptied it and opens it again (batch.h). */
#ifndef RING_H
#define RING_H

#include <stdbool.h>
#include <stdint.h>

#include "inline.h"
#include "tick.h"

/* 43 edges and the gap that tells full from empty: a full frame carries 47, and the frame on the line takes 2.7 ms
 * (test_throughput would lose pulses with a ring much smaller). */
#define RING_SLOTS 44u
#define RING_SLOT_BYTES 3u
#define RING_BYTES (RING_SLOTS * RING_SLOT_BYTES)

_Static_assert(RING_BYTES <= 255u, "positions in a ring are single bytes, read and written without a lock");

struct ring {
    uint8_t bytes[RING_BYTES];   /* 24-bit times, low byte first; first in the struct, where it is addressed fastest */
    volatile uint8_t head;       /* position of the next edge to come; written by the interrupt only */
    volatile uint8_t tail;       /* position of the oldest edge; written by the main loop only */
    volatile uint8_t closed;     /* not 0 from the first dropped edge until the main loop opens the ring */
    volatile uint16_t dropped;   /* edges dropped since then; the interrupt writes it only while the ring is closed */
};

INLINE_ALWAYS uint8_t ring_next(uint8_t at)
{
    const uint8_t next = (uint8_t)(at + RING_SLOT_BYTES);

    return next == RING_BYTES ? 0u : next;
}

/* The edge put last stands before `head`, even when it has been taken. */
static inline uint8_t ring_before(uint8_t at)
{
    return (uint8_t)((at == 0u ? RING_BYTES : at) - RING_SLOT_BYTES);
}

/* Interrupt only: puts an edge, or counts it as dropped.  `dropped` cannot wrap: the flood limit and the watchdog
 * both end a run of 65535 drops long before. */
INLINE_ALWAYS void ring_put(struct ring *ring, uint16_t low, uint8_t wraps)
{
    const uint8_t head = ring->head;
    const uint8_t next = ring_next(head);

    if (ring->closed != 0u) {
        ring->dropped++;
    } else if (next == ring->tail) {
        ring->closed = 1u;
        ring->dropped = 1u;
    } else {
        ring->bytes[head] = (uint8_t)low;
        ring->bytes[head + 1u] = (uint8_t)(low >> 8);
        ring->bytes[head + 2u] = wraps;
        ring->head = next;
    }
}

/* Main loop: three times the number of edges from `tail` to `head`, which is a head read earlier or the present one. */
static inline uint8_t ring_bytes_used(const struct ring *ring, uint8_t head)
{
    const uint8_t tail = ring->tail;

    return head >= tail ? (uint8_t)(head - tail) : (uint8_t)(head + (RING_BYTES - tail));
}

/* Main loop: the 24-bit time at a position. */
INLINE_ALWAYS uint32_t ring_short_at(const struct ring *ring, uint8_t at)
{
    const uint8_t *slot = &ring->bytes[at];

    return (uint32_t)slot[0] | ((uint32_t)slot[1] << 8) | ((uint32_t)slot[2] << 16);
}

#endif
