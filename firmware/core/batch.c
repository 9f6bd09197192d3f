/* Which edges go into the next batch, and up to what time is it complete?  See batch.h. */
#include "batch.h"

#include "frame.h"

/* type, sequence, base, and the longest span: 28 bits, 16 s, where a batch goes out every 100 ms */
#define BATCH_SPAN_BYTES 4u
#define BATCH_SPAN_MAX 0x0FFFFFFFul
#define BATCH_HEADER_BYTES (2u + 8u + BATCH_SPAN_BYTES)
#define BATCH_LOST_BYTES 3u         /* 16 bits */
#define BATCH_FIXED_BYTES (BATCH_HEADER_BYTES + WIRE_INPUTS * (4u + BATCH_LOST_BYTES + 1u) + FRAME_CRC_BYTES)
#define BATCH_ROOM_BYTES (WIRE_FRAME_MAX - BATCH_FIXED_BYTES)
#define BATCH_SHARE_BYTES (BATCH_ROOM_BYTES / WIRE_INPUTS)   /* a busy input leaves the later ones this much */

_Static_assert(BATCH_SHARE_BYTES >= 15, "each input must get on in every batch");

void batch_init(struct batch *batch, const uint16_t latency_ticks[WIRE_INPUTS])
{
    const struct batch zero = { { 0, 0 }, { 0 }, 0, { { 0 } } };
    uint8_t input;

    *batch = zero;
    for (input = 0; input < WIRE_INPUTS; input++) {
        batch->latency_ticks[input] = latency_ticks[input];
        if (latency_ticks[input] > batch->settle_ticks) {
            batch->settle_ticks = latency_ticks[input];
        }
        batch->input[input].shortest_ticks = WIRE_INTERVAL_NONE;
    }
}

uint32_t batch_edge_ticks(const struct batch *batch, uint8_t input, uint32_t now_ticks, uint32_t edge_short)
{
    return tick_of_short(now_ticks, edge_short) - batch->latency_ticks[input];
}

/* Takes the oldest edge from the ring, whose time the caller has read. */
static void batch_take(struct batch_input *state, struct ring *ring, uint32_t edge_ticks)
{
    if (state->paired && edge_ticks - state->last_ticks < state->shortest_ticks) {
        state->shortest_ticks = edge_ticks - state->last_ticks;
    }
    state->paired = true;
    state->last_ticks = edge_ticks;
    state->count++;
    ring->tail = ring_next(ring->tail);
}

void batch_discard(struct batch *batch, struct ring rings[WIRE_INPUTS], const struct batch_moment *moment)
{
    uint8_t input;

    for (input = 0; input < WIRE_INPUTS; input++) {
        struct batch_input *state = &batch->input[input];
        struct ring *ring = &rings[input];

        state->count += state->lost;
        state->lost = 0;
        while (ring->tail != moment->head[input]) {
            batch_take(state, ring, batch_edge_ticks(batch, input, moment->now.low, ring_short_at(ring, ring->tail)));
        }
    }
    batch->base = tick_before(&moment->now, moment->now.low - batch->settle_ticks);
}

bool batch_may_open(const struct batch *batch, const struct ring *ring, uint8_t input)
{
    return ring->closed != 0u && ring->head == ring->tail && batch->input[input].lost == 0u;
}

void batch_open(struct batch *batch, struct ring *ring, uint8_t input, uint32_t now_ticks)
{
    struct batch_input *state = &batch->input[input];

    state->lost = ring_open(ring);
    state->overruns += state->lost;
    state->opened_ticks = now_ticks - batch->settle_ticks;
}

void batch_hold(struct batch *batch, uint8_t input, uint32_t ticks)
{
    batch->input[input].held = true;
    batch->input[input].held_ticks = ticks;
}

void batch_release(struct batch *batch, uint8_t input)
{
    batch->input[input].held = false;
}

uint8_t batch_waiting(const struct batch *batch, const struct ring rings[WIRE_INPUTS], uint32_t now_ticks,
                      uint32_t *oldest_age_ticks)
{
    uint8_t bytes = 0;
    uint8_t input;

    *oldest_age_ticks = 0;
    for (input = 0; input < WIRE_INPUTS; input++) {
        const struct ring *ring = &rings[input];
        const uint8_t used = ring_bytes_used(ring, ring->head);

        if (batch->input[input].lost != 0u) {
            bytes = UINT8_MAX;
        } else if (used != 0u) {
            const uint32_t age = (now_ticks - ring_short_at(ring, ring->tail)) & TICK_SHORT_MASK;

            bytes = used > UINT8_MAX - bytes ? (uint8_t)UINT8_MAX : (uint8_t)(bytes + used);
            if (age > *oldest_age_ticks) {
                *oldest_age_ticks = age;
            }
        }
    }
    return bytes;
}

uint32_t batch_take_shortest(struct batch *batch, uint8_t input)
{
    struct batch_input *state = &batch->input[input];
    const uint32_t shortest_ticks = state->shortest_ticks;

    state->shortest_ticks = WIRE_INTERVAL_NONE;
    state->paired = false;
    return shortest_ticks;
}

/* Can the batch of this moment be complete beyond the opening of every ring whose loss waits to be told? */
static bool batch_can_tell_losses(const struct batch *batch, const struct ring rings[WIRE_INPUTS],
                                  const struct batch_moment *moment)
{
    const uint32_t base_ticks = batch->base.low;
    uint32_t opened = 0;
    bool any = false;
    uint8_t input;

    for (input = 0; input < WIRE_INPUTS; input++) {
        const struct batch_input *state = &batch->input[input];

        if (state->lost != 0u) {
            any = true;
            if (state->opened_ticks - base_ticks > opened) {
                opened = state->opened_ticks - base_ticks;
            }
        }
    }
    for (input = 0; any && input < WIRE_INPUTS; input++) {
        const struct ring *ring = &rings[input];

        if (batch->input[input].lost != 0u) {
            continue;
        }
        if (ring->tail == moment->head[input]) {
            any = ring->closed == 0u;
        } else {
            const uint32_t edge_short = ring_short_at(ring, ring->tail);

            any = batch_edge_ticks(batch, input, moment->now.low, edge_short) - base_ticks > opened;
        }
    }
    return any;
}

/* `complete` may not pass these ticks; the span is then shorter, but never negative. */
static void batch_limit(uint32_t *span, uint32_t base_ticks, uint32_t ticks)
{
    const uint32_t after = ticks - base_ticks;

    if (after > BATCH_SPAN_MAX) {
        *span = 0;                       /* before the base: told already */
    } else if (after < *span) {
        *span = after;
    }
}

void batch_write(struct batch *batch, struct ring rings[WIRE_INPUTS], const struct batch_moment *moment,
                 struct message *message, uint8_t *line, uint8_t sequence)
{
    const uint32_t now_ticks = moment->now.low;
    const uint32_t base_ticks = batch->base.low;
    const bool tell_losses = batch_can_tell_losses(batch, rings, moment);
    uint32_t span = now_ticks - batch->settle_ticks - base_ticks;
    uint8_t room = BATCH_ROOM_BYTES;
    uint8_t reserved = 0;
    uint8_t share[WIRE_INPUTS];
    uint8_t input;

    if (span > BATCH_SPAN_MAX) {
        span = BATCH_SPAN_MAX;
    }
    for (input = WIRE_INPUTS; input-- > 0u;) {
        const uint8_t used = ring_bytes_used(&rings[input], moment->head[input]);

        share[input] = used < BATCH_SHARE_BYTES ? used : (uint8_t)BATCH_SHARE_BYTES;
    }
    for (input = 1; input < WIRE_INPUTS; input++) {
        reserved = (uint8_t)(reserved + share[input]);
    }

    message->line = line;
    message->end = line + FRAME_CODE_BYTES + BATCH_HEADER_BYTES;
    for (input = 0; input < WIRE_INPUTS; input++) {
        struct batch_input *state = &batch->input[input];
        struct ring *ring = &rings[input];
        uint8_t *count_at = message->end;
        uint8_t *sent_at;
        uint8_t sent = 0;
        uint8_t bound = (uint8_t)(room - reserved);
        uint32_t previous = base_ticks;
        bool silent = false;

        message->end += 4;
        if (state->lost != 0u && !tell_losses) {
            silent = true;
        }
        message_var(message, silent ? 0u : state->lost);
        sent_at = message->end++;
        if (state->lost == 0u) {
            while (ring->tail != moment->head[input]) {
                const uint32_t edge = batch_edge_ticks(batch, input, now_ticks, ring_short_at(ring, ring->tail));
                const uint32_t delta = edge - previous;
                const uint8_t bytes = message_var_bytes(delta);

                if (bytes > bound) {
                    break;
                }
                bound = (uint8_t)(bound - bytes);
                room = (uint8_t)(room - bytes);
                message_var(message, delta);
                batch_take(state, ring, edge);
                previous = edge;
                sent++;
            }
        } else if (!silent) {
            state->count += state->lost;
            state->lost = 0;
        }
        *sent_at = sent;
        if (input + 1u < WIRE_INPUTS) {
            reserved = (uint8_t)(reserved - share[input + 1u]);
        }

        if (silent || (ring->closed != 0u && ring->tail == moment->head[input])) {
            batch_limit(&span, base_ticks, state->last_ticks);
        } else if (ring->tail != moment->head[input]) {
            const uint32_t edge_short = ring_short_at(ring, ring->tail);

            batch_limit(&span, base_ticks, batch_edge_ticks(batch, input, now_ticks, edge_short) - 1u);
        }
        if (state->held && !tell_losses) {
            batch_limit(&span, base_ticks, state->held_ticks);
        }
        {
            struct message count = { line, count_at };

            message_u32(&count, state->count);
        }
    }

    /* The header goes in front, moved up by the bytes its span leaves unused. */
    {
        uint8_t *end = message->end;

        message_begin(message, line + (BATCH_SPAN_BYTES - message_var_bytes(span)), WIRE_BATCH, sequence);
        message_tick(message, &batch->base);
        message_var(message, span);
        message->end = end;
    }
    tick_add(&batch->base, span);
}
