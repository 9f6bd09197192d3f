/* Which edges go into the next batch, and up to what time is it complete?  See batch.h. */
#include "batch.h"

#include "flash.h"
#include "frame.h"
#include "inline.h"

/* type, sequence, base, and the longest span: 28 bits, 16 s, where a batch goes out every 100 ms */
#define BATCH_SPAN_BYTES 4u
#define BATCH_SPAN_MAX 0x0FFFFFFFul
#define BATCH_HEADER_BYTES (2u + 8u + BATCH_SPAN_BYTES)
#define BATCH_LOST_BYTES 3u         /* 16 bits */
#define BATCH_FIXED_BYTES (BATCH_HEADER_BYTES + WIRE_INPUTS * (4u + BATCH_LOST_BYTES + 1u) + FRAME_CRC_BYTES)
#define BATCH_ROOM_BYTES (WIRE_FRAME_MAX - BATCH_FIXED_BYTES)
#define BATCH_SHARE_BYTES (BATCH_ROOM_BYTES / WIRE_INPUTS)   /* a busy input leaves the later ones this much */

/* An interval is written before it is known to fit.  Behind the last input's room come the CRC, the delimiter, and the
 * bytes of `lost` that an input with intervals does not use. */
#define BATCH_SLACK_BYTES (FRAME_CRC_BYTES + 1u + (BATCH_LOST_BYTES - 1u))

/* With time to spare for the pass of the main loop that decides. */
#define BATCH_NEAR_TICKS ((1ul << 21) - (1ul << 16))

_Static_assert(BATCH_SLACK_BYTES >= 4, "an interval of 24 bits takes 4 bytes");
_Static_assert(BATCH_SHARE_BYTES >= 15, "each input must get on in every batch");

INLINE_NEVER void batch_init(struct batch *batch, const uint8_t latency_ticks[WIRE_INPUTS])
{
    struct batch_input *state = batch->input;
    uint8_t left;

    for (left = WIRE_INPUTS; left != 0u; left--) {
        state->latency_ticks = flash_byte(latency_ticks++);
        state->shortest_ticks = WIRE_INTERVAL_NONE;
        state++;
    }
}

INLINE_NEVER uint32_t batch_edge_ticks(const struct batch_input *state, const struct ring *ring, uint8_t at,
                                       uint32_t now_ticks)
{
    return tick_of_short(now_ticks, ring_short_at(ring, at)) - state->latency_ticks;
}

INLINE_NEVER static void batch_count(struct batch_input *state, uint8_t seen, uint16_t lost)
{
    state->count += seen;
    state->count += lost;
    state->overruns += lost;
}

void batch_discard(struct batch *batch, struct ring rings[WIRE_INPUTS], const struct batch_moment *moment)
{
    uint8_t input;

    for (input = 0; input < WIRE_INPUTS; input++) {
        struct batch_input *state = &batch->input[input];
        struct ring *ring = &rings[input];
        uint8_t at = ring->tail;
        uint8_t seen = 0;

        while (at != moment->head[input]) {
            seen++;
            at = ring_next(at);
        }
        ring->tail = at;
        state->paired = false;
        batch_count(state, seen, moment->lost[input]);
    }
    batch->base = moment->now;
}

bool batch_may_open(const struct batch *batch, const struct ring rings[WIRE_INPUTS], uint32_t now_ticks,
                    uint8_t heads[WIRE_INPUTS])
{
    /* an interval below 2^21 ticks takes 3 bytes at most, as it does in the ring; a longer one 4 */
    uint8_t room = now_ticks - batch->base.low < BATCH_NEAR_TICKS ? BATCH_ROOM_BYTES : BATCH_ROOM_BYTES / 4u * 3u;
    bool closed = false;
    uint8_t input;

    for (input = 0; input < WIRE_INPUTS; input++) {
        const struct ring *ring = &rings[input];
        uint8_t used;

        heads[input] = ring->head;
        used = ring_bytes_used(ring, heads[input]);
        if (ring->closed != 0u) {
            closed = true;
            if (used != 0u) {
                return false;
            }
        }
        if (used > room) {
            return false;
        }
        room = (uint8_t)(room - used);
    }
    return closed;
}

void batch_take_lost(struct ring rings[WIRE_INPUTS], struct batch_moment *moment)
{
    uint8_t input;

    for (input = 0; input < WIRE_INPUTS; input++) {
        moment->lost[input] = rings[input].dropped;
        rings[input].dropped = 0;
    }
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

uint8_t batch_waiting(const struct ring rings[WIRE_INPUTS], uint32_t now_ticks,
                                   uint32_t *oldest_age_ticks)
{
    uint8_t bytes = 0;
    uint8_t input;

    *oldest_age_ticks = 0;
    for (input = 0; input < WIRE_INPUTS; input++) {
        const struct ring *ring = &rings[input];
        const uint8_t used = ring_bytes_used(ring, ring->head);

        if (ring->closed != 0u) {
            bytes = UINT8_MAX;           /* a loss waits: the sooner it is told, the shorter it is */
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

/* `complete` may not pass these ticks; the span is then shorter, but never negative. */
INLINE_NEVER static void batch_limit(struct batch *batch, uint32_t ticks)
{
    const uint32_t after = ticks - batch->base.low;

    if (after > BATCH_SPAN_MAX) {
        batch->span = 0;                 /* before the base: told already */
    } else if (after < batch->span) {
        batch->span = after;
    }
}

/* Writes the edges of an input from the ring's tail to `head`, as many as end before `limit`, takes them from the ring,
 * and returns how many there are.  Intervals are differences of 24-bit times, since no edge in a ring is a second older
 * than the base.  Two captures with one time are one edge: the second came while the first was being read, and took its
 * place.  Not inlined: the loop needs all registers. */
INLINE_NEVER static uint8_t batch_put_edges(struct batch_input *state, struct ring *ring, uint8_t head,
                                            uint32_t previous_ticks, const uint8_t *limit)
{
    uint8_t at = ring->tail;
    uint8_t sent = 0;

    for (; at != head; at = ring_next(at)) {
        const uint32_t delta_ticks = (ring_short_at(ring, at) - state->latency_ticks - previous_ticks) & TICK_SHORT_MASK;
        const uint32_t edge_ticks = previous_ticks + delta_ticks;
        const uint32_t interval_ticks = edge_ticks - state->last_ticks;
        uint8_t *next;

        if (interval_ticks == 0u) {
            continue;
        }
        next = message_put_var(message.end, delta_ticks);
        if (next > limit) {
            break;                           /* what was written is forgotten: BATCH_SLACK_BYTES */
        }
        message.end = next;
        if (interval_ticks < state->shortest_ticks && state->paired) {
            state->shortest_ticks = interval_ticks;
        }
        state->paired = true;
        state->last_ticks = edge_ticks;
        previous_ticks = edge_ticks;
        sent++;
    }
    ring->tail = at;                         /* from here on the interrupt may use these slots again */
    return sent;
}

static bool batch_losses_told(const struct batch_moment *moment)
{
    return (moment->lost[0] | moment->lost[1] | moment->lost[2]) != 0u;
}

/* How far an input lets `complete` go, after its edges up to the moment's head have been written or left. */
static void batch_limit_by_input(struct batch *batch, const struct batch_input *state, const struct ring *ring,
                                              uint8_t head, const struct batch_moment *moment)
{
    const uint8_t at = ring->tail;

    if (at != head) {
        batch_limit(batch, batch_edge_ticks(state, ring, at, moment->now.low) - 1u);
    } else if (ring->closed != 0u && ring->head == head) {
        batch_limit(batch, state->last_ticks);
    }
    if (state->held && !batch_losses_told(moment)) {
        batch_limit(batch, state->held_ticks);
    }
}

/* Room that an input is sure of. */
INLINE_NEVER static uint8_t batch_share(const struct ring *ring, uint8_t head)
{
    const uint8_t used = ring_bytes_used(ring, head);

    return used < BATCH_SHARE_BYTES ? used : (uint8_t)BATCH_SHARE_BYTES;
}

void batch_write(struct batch *batch, struct ring rings[WIRE_INPUTS],
                              const struct batch_moment *moment, uint8_t *line, uint8_t sequence)
{
    uint8_t room = BATCH_ROOM_BYTES;
    uint8_t kept = 0;                        /* room that the inputs from here on are sure of */
    uint8_t *end;
    uint8_t input;

    batch->span = moment->now.low - batch->base.low;
    if (batch->span > BATCH_SPAN_MAX) {
        batch->span = BATCH_SPAN_MAX;
    }
    for (input = 0; input < WIRE_INPUTS; input++) {
        kept = (uint8_t)(kept + batch_share(&rings[input], moment->head[input]));
    }

    message.end = line + FRAME_CODE_BYTES + BATCH_HEADER_BYTES;
    for (input = 0; input < WIRE_INPUTS; input++) {
        struct batch_input *state = &batch->input[input];
        struct ring *ring = &rings[input];
        const uint8_t head = moment->head[input];
        uint8_t *const count_at = message.end;
        uint8_t *sent_at;

        kept = (uint8_t)(kept - batch_share(ring, head));
        message.end = count_at + sizeof state->count;
        message_var(moment->lost[input]);
        sent_at = message.end++;
        *sent_at = batch_put_edges(state, ring, head, batch->base.low, message.end + (uint8_t)(room - kept));
        end = message.end;
        room = (uint8_t)(room - (end - sent_at - 1));
        batch_count(state, *sent_at, moment->lost[input]);
        message.end = count_at;
        message_u32_at(&state->count);
        message.end = end;
        batch_limit_by_input(batch, state, ring, head, moment);
    }

    /* The header goes in front, moved up by the bytes its span leaves unused. */
    end = message.end;
    message_begin(line + (BATCH_SPAN_BYTES - message_var_bytes(batch->span)), WIRE_BATCH, sequence);
    message_tick(&batch->base);
    message_var(batch->span);
    message.end = end;
    tick_add(&batch->base, batch->span);
}
