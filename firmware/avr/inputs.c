/* When did which input see an edge?  See inputs.h.
 *
 * Budgets are in cycles from the acceptance of the interrupt (its 4 cycles with it) to the end of its reti; the longest was
 * measured on the emulated board, with edges at every offset around the counter's wrap, full rings, masks and a busy
 * line (tests/board).  Input 2 may wait 160 for another interrupt, input 3 for two: 240.
 *
 * The interrupt of an input reads the time, puts it into the input's ring and spends one edge of its allowance.
 * Input 1 has its time frozen by the counter's capture register.  Inputs 2 and 3 read the counter, so they are late by
 * whatever runs before them; input 2 has the highest priority of all interrupts, so that is one interrupt at most.  Were
 * input 2 to fire again and again, input 3 would wait for long; so input 2's interrupt also looks whether input 3 has
 * an edge waiting and notes its time for it. */
#include "inputs.h"

#include <util/atomic.h>

#include "board.h"
#include "clock.h"

struct ring inputs_rings[WIRE_INPUTS];
struct flood inputs_flood[WIRE_INPUTS];

static uint8_t inputs_allowance;                 /* edges per window */
static uint32_t inputs_mask_ticks;
static uint8_t inputs_enabled;                   /* bit i: input i is switched on */
static uint8_t inputs_external_mask;             /* EIMSK and TIMSK1 as the main loop knows them: an input that has */
static uint8_t inputs_capture_mask;              /* masked itself since makes them differ */
static volatile uint16_t inputs_noted_low;       /* input 3's edge, when BOARD_NOTED is set */
static volatile uint8_t inputs_noted_wraps;

/* budget 120 cycles, measured 100 */
ISR(BOARD_CAPTURE_VECT)
{
    const uint16_t low = BOARD_CAPTURED;         /* frozen by the hardware at the edge */

    ring_put(&inputs_rings[0], low, tick_wraps(BOARD_WRAPS, low, BOARD_WRAP_PENDING()));
    if (flood_spend(&inputs_flood[0])) {
        TIMSK1 &= (uint8_t)~_BV(ICIE1);
    }
}

/* budget 120 cycles, measured 113 */
ISR(BOARD_EXTERNAL_1_VECT)
{
    const uint16_t low = BOARD_COUNTER;
    const uint8_t wraps = tick_wraps(BOARD_WRAPS, low, BOARD_WRAP_PENDING());

    if (BOARD_EXTERNAL_2_PENDING() && BOARD_NOTED == 0u) {
        inputs_noted_low = low;
        inputs_noted_wraps = wraps;
        BOARD_NOTED = 1u;
    }
    ring_put(&inputs_rings[1], low, wraps);
    if (flood_spend(&inputs_flood[1])) {
        BOARD_BIT_CLEAR(EIMSK, INT0);
    }
}

/* budget 120 cycles, measured 115 */
ISR(BOARD_EXTERNAL_2_VECT)
{
    uint16_t low = BOARD_COUNTER;
    uint8_t wraps = tick_wraps(BOARD_WRAPS, low, BOARD_WRAP_PENDING());

    if (BOARD_NOTED != 0u) {
        BOARD_NOTED = 0u;
        low = (uint16_t)(inputs_noted_low + BOARD_LATENCY_TICKS);    /* it was there already: its latency is 0 */
        wraps = inputs_noted_wraps;
        if (low < BOARD_LATENCY_TICKS) {
            wraps++;
        }
    }
    ring_put(&inputs_rings[2], low, wraps);
    if (flood_spend(&inputs_flood[2])) {
        BOARD_BIT_CLEAR(EIMSK, INT1);
    }
}

/* A new window of the flood limit, every FLOOD_WINDOW_MICROSECONDS.  budget 120 cycles, measured 47 */
ISR(BOARD_WINDOW_VECT)
{
    const uint8_t allowance = inputs_allowance;

    flood_renew(&inputs_flood[0], allowance);
    flood_renew(&inputs_flood[1], allowance);
    flood_renew(&inputs_flood[2], allowance);
}

/* Interrupts off: lets an input fire again; what it saw while masked is forgotten. */
static void inputs_listen(uint8_t input)
{
    flood_renew(&inputs_flood[input], inputs_allowance);
    if (input == 0u) {
        TIFR1 = _BV(ICF1);
        TIMSK1 |= _BV(ICIE1);
        inputs_capture_mask |= _BV(ICIE1);
    } else if (input == 1u) {
        BOARD_EXTERNAL_FORGET(INTF0);
        EIMSK |= _BV(INT0);
        inputs_external_mask |= _BV(INT0);
    } else {
        BOARD_EXTERNAL_FORGET(INTF1);
        BOARD_NOTED = 0u;
        EIMSK |= _BV(INT1);
        inputs_external_mask |= _BV(INT1);
    }
}

/* The input's interrupt is off, and the main loop knows it. */
static void inputs_know_silent(uint8_t input)
{
    if (input == 0u) {
        inputs_capture_mask &= (uint8_t)~_BV(ICIE1);
    } else {
        inputs_external_mask &= (uint8_t)~(input == 1u ? _BV(INT0) : _BV(INT1));
    }
}

static void inputs_pins(const struct config *config)
{
    const bool pull_up[WIRE_INPUTS] = {
        (config->mode[0] & CONFIG_MODE_PULL_UP) != 0u,
        (config->mode[1] & CONFIG_MODE_PULL_UP) != 0u,
        (config->mode[2] & CONFIG_MODE_PULL_UP) != 0u,
    };

    BOARD_CAPTURE_DDR &= (uint8_t)~_BV(BOARD_CAPTURE_PIN_BIT);
    BOARD_EXTERNAL_DDR &= (uint8_t)~(_BV(BOARD_EXTERNAL_1_PIN_BIT) | _BV(BOARD_EXTERNAL_2_PIN_BIT));
    BOARD_CAPTURE_PORT = pull_up[0] ? BOARD_CAPTURE_PORT | _BV(BOARD_CAPTURE_PIN_BIT)
                                    : BOARD_CAPTURE_PORT & (uint8_t)~_BV(BOARD_CAPTURE_PIN_BIT);
    BOARD_EXTERNAL_PORT = pull_up[1] ? BOARD_EXTERNAL_PORT | _BV(BOARD_EXTERNAL_1_PIN_BIT)
                                     : BOARD_EXTERNAL_PORT & (uint8_t)~_BV(BOARD_EXTERNAL_1_PIN_BIT);
    BOARD_EXTERNAL_PORT = pull_up[2] ? BOARD_EXTERNAL_PORT | _BV(BOARD_EXTERNAL_2_PIN_BIT)
                                     : BOARD_EXTERNAL_PORT & (uint8_t)~_BV(BOARD_EXTERNAL_2_PIN_BIT);
}

/* False when the input's interrupt has masked itself, or was never allowed. */
static bool inputs_listening(uint8_t input)
{
    if (input == 0u) {
        return (TIMSK1 & _BV(ICIE1)) != 0u;
    }
    return (EIMSK & (input == 1u ? _BV(INT0) : _BV(INT1))) != 0u;
}

/* A mask has been noticed: silence since the last edge means nothing. */
static void inputs_begin_mask(struct batch *batch, uint8_t input)
{
    const struct ring *ring = &inputs_rings[input];

    flood_begin(&inputs_flood[input],
                batch_edge_ticks(&batch->input[input], ring, ring_before(ring->head), clock_now()));
    batch_hold(batch, input, inputs_flood[input].from_ticks);
    inputs_know_silent(input);
}

/* Listens again.  Edges after the returned tick are recorded. */
static uint32_t inputs_end_mask(uint8_t input)
{
    uint32_t now_ticks = 0;

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        inputs_listen(input);
        now_ticks = clock_now_locked();
        if (input == 0u && BOARD_CAPTURE_PENDING()) {
            const uint16_t since = (uint16_t)((uint16_t)now_ticks - BOARD_CAPTURED);

            if (since < 0x8000u) {               /* captured since it listens again: that edge is recorded */
                now_ticks -= since + 1u;
            }
        }
    }
    return now_ticks;
}

void inputs_configure(struct batch *batch, const struct config *config)
{
    uint8_t external = _BV(ISC11) | _BV(ISC01);  /* falling edges */
    uint8_t input;

    for (input = 0; input < WIRE_INPUTS; input++) {
        if ((inputs_enabled & (1u << input)) != 0u && !inputs_listening(input)) {
            if (!inputs_flood[input].masked && !inputs_flood[input].report) {
                inputs_begin_mask(batch, input);
            }
            flood_end(&inputs_flood[input], inputs_end_mask(input));
        }
    }
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        EIMSK = 0;
        TIMSK1 &= (uint8_t)~_BV(ICIE1);
        inputs_external_mask = EIMSK;
        inputs_capture_mask = TIMSK1;
    }
    inputs_pins(config);
    if ((config->mode[1] & CONFIG_MODE_RISING) != 0u) {
        external |= _BV(ISC00);
    }
    if ((config->mode[2] & CONFIG_MODE_RISING) != 0u) {
        external |= _BV(ISC10);
    }
    EICRA = external;
    TCCR1B = (uint8_t)((TCCR1B & _BV(CS10)) | _BV(ICNC1)
                       | ((config->mode[0] & CONFIG_MODE_RISING) != 0u ? _BV(ICES1) : 0u));
    OCR0A = F_CPU / 64u / (1000000u / FLOOD_WINDOW_MICROSECONDS) - 1u;
    TCCR0A = _BV(WGM01);
    TCCR0B = _BV(CS01) | _BV(CS00);
    TIMSK0 = _BV(OCIE0A);
    inputs_allowance = config->flood_edges;
    inputs_mask_ticks = config->mask_ms * (F_CPU / 1000u);
    inputs_enabled = 0;
    for (input = 0; input < WIRE_INPUTS; input++) {
        if ((config->mode[input] & CONFIG_MODE_ENABLED) != 0u) {
            inputs_enabled |= (uint8_t)(1u << input);
            (void)inputs_end_mask(input);
        }
    }
}

void inputs_watch(struct batch *batch)
{
    const uint32_t now_ticks = clock_now();
    uint8_t input;

    for (input = 0; input < WIRE_INPUTS; input++) {
        struct flood *flood = &inputs_flood[input];

        if ((inputs_enabled & (1u << input)) == 0u || flood->report || inputs_listening(input)) {
            continue;
        }
        if (!flood->masked) {
            inputs_begin_mask(batch, input);
        } else if (flood_over(flood, now_ticks, inputs_mask_ticks)) {
            flood_end(flood, inputs_end_mask(input));
        }
    }
}

/* Interrupts off: is every edge whose time is fixed in its ring, and is every mask known?  Input 1's time is fixed before
 * its interrupt runs, and so is a noted one of input 3. */
static bool inputs_settled(void)
{
    return !BOARD_CAPTURE_PENDING() && (BOARD_NOTED == 0u || (EIMSK & _BV(INT1)) == 0u)
        && EIMSK == inputs_external_mask && TIMSK1 == inputs_capture_mask;
}

bool inputs_moment(struct batch_moment *moment, const struct batch *batch, struct tick *clock)
{
    uint8_t heads[WIRE_INPUTS];
    const bool may_open = batch_may_open(batch, inputs_rings, clock_now(), heads);
    uint32_t now_ticks = 0;
    bool settled = false;
    bool opened = false;

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        now_ticks = clock_now_locked();
        settled = inputs_settled();
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
