/* Which edges has which input seen, and which input is masked?  See inputs.h. */
#include "inputs.h"

#include "board.h"
#include "clock.h"
#include "edges.h"
#include "lock.h"

struct ring inputs_rings[WIRE_INPUTS];
struct flood inputs_flood[WIRE_INPUTS];

uint8_t inputs_allowance;
static uint32_t inputs_mask_ticks;
static uint8_t inputs_mode[WIRE_INPUTS];         /* CONFIG_MODE_..., and INPUTS_KNOWN once it has been configured */

#define INPUTS_KNOWN 0x80u

static bool inputs_on(uint8_t input)
{
    return (inputs_mode[input] & CONFIG_MODE_ENABLED) != 0u;
}

/* A mask has been noticed: silence since the last edge means nothing. */
static void inputs_begin_mask(struct batch *batch, uint8_t input)
{
    const struct ring *ring = &inputs_rings[input];

    flood_begin(&inputs_flood[input],
                batch_edge_ticks(&batch->input[input], ring, ring_before(ring->head), clock_now()));
    batch_hold(batch, input, inputs_flood[input].from_ticks);
    edges_know_silent(input);
}

/* Listens again.  Edges after the returned tick are recorded. */
static uint32_t inputs_end_mask(uint8_t input)
{
    uint32_t now_ticks = 0;

    LOCKED {
        flood_renew(&inputs_flood[input], inputs_allowance);
        edges_listen(input);
        now_ticks = clock_now_locked();
        if (BOARD_CAPTURE_WAITS(input)) {
            const uint16_t since = (uint16_t)((uint16_t)now_ticks - BOARD_CAPTURED_LOW(input));

            if (since < 0x8000u) {               /* captured since it listens again: that edge is recorded */
                now_ticks -= since + 1u;
            }
        }
    }
    return now_ticks;
}

/* An edge that comes while its input is switched over is not seen: that is told as a mask. */
static void inputs_switch(struct batch *batch, uint8_t input, uint8_t mode)
{
    struct flood *flood = &inputs_flood[input];
    const bool was_on = inputs_on(input);
    uint32_t now_ticks;

    edges_configure(input, mode);
    if (was_on && flood->state == FLOOD_OPEN) {
        inputs_begin_mask(batch, input);
    }
    inputs_mode[input] = mode;
    now_ticks = inputs_on(input) ? inputs_end_mask(input) : clock_now();
    if (was_on) {
        flood_end(flood, now_ticks);
    }
}

void inputs_configure(struct batch *batch, const struct config *config)
{
    uint8_t input;

    OCR0A = F_CPU / 64u / (1000000u / FLOOD_WINDOW_MICROSECONDS) - 1u;
    TCCR0A = _BV(WGM01);
    TCCR0B = _BV(CS01) | _BV(CS00);
    TIMSK0 = _BV(OCIE0A);
    inputs_allowance = config->flood_edges;
    inputs_mask_ticks = config->mask_ms * (F_CPU / 1000u);
    for (input = 0; input < WIRE_INPUTS; input++) {
        const uint8_t mode = config->mode[input] | INPUTS_KNOWN;

        if (mode != inputs_mode[input]) {
            inputs_switch(batch, input, mode);
        }
    }
}

void inputs_watch(struct batch *batch)
{
    const uint32_t now_ticks = clock_now();
    uint8_t input;

    for (input = 0; input < WIRE_INPUTS; input++) {
        struct flood *flood = &inputs_flood[input];

        if (!inputs_on(input) || flood->state == FLOOD_ENDED || edges_listening(input)) {
            continue;
        }
        if (flood->state == FLOOD_OPEN) {
            inputs_begin_mask(batch, input);
        } else if (flood_over(flood, now_ticks, inputs_mask_ticks)) {
            flood_end(flood, inputs_end_mask(input));
        }
    }
}

bool inputs_moment(struct batch_moment *moment, const struct batch *batch, struct tick *clock)
{
    uint8_t heads[WIRE_INPUTS];
    const bool may_open = batch_may_open(batch, inputs_rings, clock_now(), heads);
    uint32_t now_ticks = 0;
    bool settled = false;
    bool opened = false;

    LOCKED {
        now_ticks = clock_now_locked();
        settled = edges_settled();
        moment->head[0] = inputs_rings[0].head;
        moment->head[1] = inputs_rings[1].head;
        moment->head[2] = inputs_rings[2].head;
        if (may_open && settled) {
            opened = batch_open(inputs_rings, moment, heads);
        }
    }
    moment->lost[0] = moment->lost[1] = moment->lost[2] = 0;
    if (opened) {
        batch_take_lost(inputs_rings, moment);
    }
    tick_advance(clock, now_ticks);
    moment->now = *clock;
    return settled;
}

bool inputs_any_closed(void)
{
    return (inputs_rings[0].closed | inputs_rings[1].closed | inputs_rings[2].closed) != 0u;
}
