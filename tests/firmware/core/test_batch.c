/* Is every edge told once, in order, at its time, or counted as lost in the right place; and is a batch complete when it
 * says so?
 *
 * A world of three inputs is played at random: quiet, busy and beyond what the line carries, with masks; edges reach
 * their ring a little late, as on the chip.  What really happened is kept beside it and every batch is held against it. */
#include "batch.h"
#include "flash.h"
#include "frame.h"
#include "report.h"
#include "ring.h"

#define LOSSES_KEPT 4u
#define UNTOLD_MAX (RING_SLOTS + 1u + LOSSES_KEPT)

static const uint8_t latency_ticks[WIRE_INPUTS] FLASH = { 0, 28, 30 };

/* What really happened on an input and has not been told: edges, and runs of dropped ones. */
struct happening {
    uint32_t first_ticks;
    uint16_t dropped;                /* 0: a single edge, that is in the ring */
};

struct world_input {
    struct happening untold[UNTOLD_MAX];
    uint32_t loss_last_ticks[LOSSES_KEPT];       /* the last edge of each run of dropped ones in `untold` */
    uint8_t untold_count;
    uint8_t loss_count;
    uint32_t count;                  /* edges told */
    uint32_t next_ticks;             /* the next edge */
    uint32_t gap_ticks;              /* typical time between edges now */
    uint32_t last_ticks;             /* the edge before */
    bool masked;
    uint32_t masked_from_ticks;
};

static struct ring rings[WIRE_INPUTS];
static struct batch batch;
static struct world_input world[WIRE_INPUTS];
static struct tick now;
static struct tick complete;
static uint8_t line[FRAME_LINE_MAX];
static uint32_t told;
static uint32_t lost_total;
static uint32_t full_frames;

static bool before(uint32_t left, uint32_t right)
{
    return (int32_t)(left - right) < 0;
}

/* The input's interrupt runs: for an edge, or for one whose time another has overwritten, which tells that time again. */
static void interrupt(uint8_t input, bool again)
{
    struct world_input *state = &world[input];
    const uint32_t raw = state->next_ticks + flash_byte(&latency_ticks[input]);
    const uint16_t dropped = rings[input].dropped;

    ring_put(&rings[input], (uint16_t)raw, (uint8_t)(raw >> 16));
    if (rings[input].dropped == dropped && again) {
        return;
    }
    if (rings[input].dropped == dropped || state->untold_count == 0u
        || state->untold[state->untold_count - 1u].dropped == 0u) {
        const struct happening new = { state->next_ticks + (again ? 1u : 0u), (uint16_t)(rings[input].dropped - dropped) };

        state->untold[state->untold_count++] = new;
        state->loss_count = (uint8_t)(state->loss_count + new.dropped);
    } else {
        state->untold[state->untold_count - 1u].dropped++;
    }
    if (rings[input].dropped != dropped) {
        state->loss_last_ticks[state->loss_count - 1u] = state->next_ticks;
    }
}

static void fire(uint8_t input)
{
    struct world_input *state = &world[input];

    interrupt(input, false);
    if (input == 0u && report_random() % 50u == 0u) {
        interrupt(input, true);
    }
    state->last_ticks = state->next_ticks;
    state->next_ticks += 1u + report_random() % (2u * state->gap_ticks);
}

/* Time goes on; the interrupts of all edges run that are due. */
static void advance(uint32_t ticks)
{
    const uint32_t until = now.low + ticks;
    uint8_t input;

    for (input = 0; input < WIRE_INPUTS; input++) {
        while (!before(until, world[input].next_ticks + flash_byte(&latency_ticks[input]))
               && world[input].untold_count < UNTOLD_MAX - 1u && world[input].loss_count < LOSSES_KEPT - 1u) {
            if (world[input].masked) {
                world[input].next_ticks += world[input].gap_ticks;
            } else {
                fire(input);
            }
        }
    }
    tick_advance(&now, until);
}

static void forget(struct world_input *state, uint8_t number)
{
    uint8_t at;

    for (at = number; at < state->untold_count; at++) {
        state->untold[at - number] = state->untold[at];
    }
    state->untold_count = (uint8_t)(state->untold_count - number);
}

static const uint8_t *at;

static uint32_t read_number(uint8_t bytes)
{
    uint32_t value = 0;
    uint8_t n;

    for (n = 0; n < bytes; n++) {
        value |= (uint32_t)*at++ << (8u * n);
    }
    return value;
}

static uint32_t read_var(void)
{
    uint32_t value = 0;
    uint8_t shift = 0;

    while ((*at & 0x80u) != 0u) {
        value |= (uint32_t)(*at++ & 0x7Fu) << shift;
        shift = (uint8_t)(shift + 7u);
    }
    return value | (uint32_t)*at++ << shift;
}

/* Reads an input's part of the batch and holds it against what happened; true when the batch told a loss. */
static bool check_input(uint8_t input, uint32_t base_ticks)
{
    struct world_input *state = &world[input];
    const uint32_t count = read_number(4);
    const uint32_t lost = read_var();
    const uint8_t sent = *at++;
    uint32_t edge = base_ticks;
    bool right = true;
    uint8_t n;

    for (n = 0; n < sent; n++) {
        edge += read_var();
        right = right && n < state->untold_count && state->untold[n].dropped == 0u && state->untold[n].first_ticks == edge;
    }
    CHECK(right);                                            /* each edge, in order, at its time */
    forget(state, sent);
    if (lost != 0u) {
        CHECK(sent == 0u && state->untold_count != 0u);
        CHECK(state->untold[0].dropped == lost);             /* the number is exact, and so is the place */
        CHECK(!before(complete.low, state->loss_last_ticks[0]));
        forget(state, 1);
        state->loss_count--;
        for (n = 0; n < state->loss_count; n++) {
            state->loss_last_ticks[n] = state->loss_last_ticks[n + 1u];
        }
        lost_total += lost;
    }
    state->count += sent + lost;
    told += sent;
    CHECK(count == state->count);
    return lost != 0u;
}

/* Interrupts are off for a moment: what was on its way comes later, and its time is later. */
static void take_moment(struct batch_moment *moment)
{
    uint8_t heads[WIRE_INPUTS];
    const bool may_open = batch_may_open(&batch, rings, now.low, heads);
    uint8_t input;

    if (report_random() % 4u == 0u) {
        advance(report_random() % 4000u);                    /* an edge may come in between */
    }
    moment->now = now;
    for (input = 0; input < WIRE_INPUTS; input++) {
        if (!before(now.low, world[input].next_ticks)) {
            world[input].next_ticks = now.low + 1u;
        }
        moment->head[input] = rings[input].head;
        moment->lost[input] = 0;
    }
    if (may_open && batch_open(rings, moment, heads)) {
        batch_take_lost(rings, moment);
    }
}

static void make_batch(void)
{
    const struct tick base = complete;
    struct batch_moment moment;
    uint32_t span;
    uint8_t input;
    bool told_loss = false;

    take_moment(&moment);
    batch_write(&batch, rings, &moment, line, 7);
    at = message.line + 1;
    CHECK(message.line >= line && message.end - message.line - 1 + 2 <= (int)WIRE_FRAME_MAX);
    full_frames += message.end - message.line > 118 ? 1u : 0u;
    CHECK(*at++ == WIRE_BATCH);
    CHECK(*at++ == 7u);
    CHECK(read_number(4) == base.low);                       /* no time is missing between two batches */
    CHECK(read_number(4) == base.high);
    span = read_var();
    complete = base;
    tick_add(&complete, span);
    CHECK(before(complete.low, now.low + 1u));
    for (input = 0; input < WIRE_INPUTS; input++) {
        told_loss = check_input(input, base.low) || told_loss;
    }
    CHECK(at == message.end);
    for (input = 0; input < WIRE_INPUTS; input++) {          /* the promise */
        CHECK(world[input].untold_count == 0u || before(complete.low, world[input].untold[0].first_ticks));
        CHECK(before(complete.low, world[input].next_ticks) || world[input].masked);
        CHECK(told_loss || !world[input].masked || span == 0u || !before(world[input].masked_from_ticks, complete.low));
    }
}

static void end_mask(uint8_t input)
{
    world[input].masked = false;
    world[input].next_ticks = now.low + 1u + report_random() % 1000u;
    batch_release(&batch, input);
}

static void change(uint8_t input)
{
    static const uint32_t gaps[] = { 400, 900, 1600, 4800, 24000, 160000, 2000000 };
    struct world_input *state = &world[input];

    if (state->masked) {
        end_mask(input);
    } else if (report_random() % 6u == 0u && rings[input].closed == 0u) {
        state->masked = true;
        state->masked_from_ticks = state->last_ticks;
        batch_hold(&batch, input, state->last_ticks);
    }
    state->gap_ticks = gaps[report_random() % (sizeof gaps / sizeof gaps[0])];
}

static void start(uint32_t low, uint32_t high)
{
    const struct batch fresh = { { 0, 0 }, 0, { { 0 } } };
    const struct ring empty = { .head = 0 };
    const struct tick at_start = { low, high };
    struct batch_moment moment;
    uint8_t input;

    batch = fresh;
    batch_init(&batch, latency_ticks);
    now = at_start;
    for (input = 0; input < WIRE_INPUTS; input++) {
        rings[input] = empty;
        world[input].untold_count = 0;
        world[input].loss_count = 0;
        world[input].count = 0;
        world[input].masked = false;
        world[input].next_ticks = low + 50u;
        world[input].last_ticks = low;
        world[input].gap_ticks = 5000;
    }
    take_moment(&moment);
    batch_discard(&batch, rings, &moment);
    complete = batch.base;
}

/* The time between two batches: as the line allows, or as long as an idle board waits. */
static void play(uint16_t rounds)
{
    uint8_t input;

    while (rounds-- != 0u) {
        if (report_random() % 40u == 0u) {
            change((uint8_t)(report_random() % WIRE_INPUTS));
        }
        for (input = 0; input < WIRE_INPUTS; input++) {      /* a mask lasts 250 ms at most */
            if (world[input].masked && now.low - world[input].masked_from_ticks > 2400000u) {
                end_mask(input);
            }
        }
        advance(report_random() % (report_random() % 8u == 0u ? UINT32_C(1600000) : UINT32_C(40000)));
        make_batch();
    }
}

/* When all falls quiet everything is told, and nothing more. */
static void finish(void)
{
    uint8_t input;
    uint8_t n;

    for (input = 0; input < WIRE_INPUTS; input++) {
        if (world[input].masked) {
            end_mask(input);
        }
        world[input].next_ticks = now.low + 1000000000u;
    }
    for (n = 0; n < 20u; n++) {
        advance(40000);
        make_batch();
    }
    for (input = 0; input < WIRE_INPUTS; input++) {
        CHECK(world[input].untold_count == 0u);
        CHECK(batch.input[input].count == world[input].count);
        CHECK(rings[input].closed == 0u);
    }
    CHECK(complete.low == now.low);
}

/* The closest two edges since the last status, of the edges that were told. */
static void shortest(void)
{
    start(1000, 0);
    CHECK(batch_take_shortest(&batch, 0) == WIRE_INTERVAL_NONE);
    world[0].next_ticks = 2000;
    fire(0);
    world[0].next_ticks = 2700;
    fire(0);
    world[0].next_ticks = 3300;
    fire(0);
    world[1].next_ticks = 2000;
    fire(1);
    world[0].next_ticks = world[1].next_ticks = world[2].next_ticks = UINT32_C(10000000);
    advance(5000);
    make_batch();
    world[0].next_ticks = now.low + 300u;                    /* an interval over the border of two batches */
    world[1].next_ticks = now.low + 400u;
    fire(0);
    fire(1);
    world[0].next_ticks = world[1].next_ticks = UINT32_C(10000000);
    advance(5000);
    make_batch();
    CHECK(batch_take_shortest(&batch, 0) == 600u);
    CHECK(batch_take_shortest(&batch, 1) == 1000u + 5000u - 2000u + 400u);
    CHECK(batch_take_shortest(&batch, 2) == WIRE_INTERVAL_NONE);
    world[0].next_ticks = now.low + 100u;                    /* one edge since the status: no interval */
    fire(0);
    world[0].next_ticks = UINT32_C(10000000);
    advance(5000);
    make_batch();
    CHECK(batch_take_shortest(&batch, 0) == WIRE_INTERVAL_NONE);
}

/* Closed rings are opened only while what was seen before still holds. */
static void opening(void)
{
    struct batch_moment moment;
    uint8_t heads[WIRE_INPUTS];
    uint8_t input;
    uint8_t other;

    for (input = 0; input < WIRE_INPUTS; input++) {
        start(1000, 0);
        CHECK(!batch_may_open(&batch, rings, now.low, heads));               /* none is closed */
        rings[input].closed = 1;
        rings[input].dropped = 3;
        CHECK(batch_may_open(&batch, rings, now.low, heads));
        moment.now = now;
        for (other = 0; other < WIRE_INPUTS; other++) {
            uint8_t n;

            for (n = 0; n < WIRE_INPUTS; n++) {
                moment.head[n] = (uint8_t)(heads[n] + (n == other ? RING_SLOT_BYTES : 0u));
            }
            CHECK(!batch_open(rings, &moment, heads) && rings[input].closed != 0u);
            moment.head[other] = heads[other];
        }
        CHECK(batch_open(rings, &moment, heads) && rings[input].closed == 0u);
        batch_take_lost(rings, &moment);
        CHECK(moment.lost[input] == 3u && rings[input].dropped == 0u);

        rings[input].closed = 1;                                             /* not while one is not empty */
        ring_put(&rings[(input + 1u) % WIRE_INPUTS], 1, 2);
        CHECK(batch_may_open(&batch, rings, now.low, heads));
        rings[(input + 1u) % WIRE_INPUTS].closed = 1;
        CHECK(!batch_may_open(&batch, rings, now.low, heads));
    }
}

/* Nobody listens: edges are counted, and a batch tells nothing of them. */
static void discard(void)
{
    struct batch_moment moment;

    start(0xFFFFF000u, 3);
    advance(100000);
    take_moment(&moment);
    CHECK(rings[0].head != rings[0].tail);
    world[0].count = world[0].untold_count;
    world[1].count = world[1].untold_count;
    world[2].count = world[2].untold_count;
    world[0].untold_count = world[1].untold_count = world[2].untold_count = 0;
    batch_discard(&batch, rings, &moment);
    complete = batch.base;
    CHECK(complete.high == 4u && complete.low == now.low);
    make_batch();
    CHECK(complete.low == now.low);
}

void test(void)
{
    shortest();
    opening();
    discard();
    start(0xFFFF0000u, 0);                                  /* soon over the wrap of 32 bits */
    play(ROUNDS(60000u, 300u));
    finish();
    CHECK(complete.high != 0u);
    CHECK(told > ROUNDS(500000u, 2000u));                  /* the world was as busy as it should be */
    CHECK(lost_total > ROUNDS(200000u, 500u));
    CHECK(full_frames > ROUNDS(1000u, 5u));
}
