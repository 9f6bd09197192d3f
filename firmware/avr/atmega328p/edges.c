/* When did which input see an edge?  Input 1 by capture, 2 and 3 by interrupt.  See edges.h.
 *
 * Budgets are in cycles from the acceptance of the interrupt (its 4 cycles with it) to the end of its reti; the longest was
 * measured on the emulated board, with edges at every offset around the counter's wrap, full rings, masks and a busy
 * line (tests/board).  Input 2 may wait for one of them or for one lock of the main loop (lock.h), never for both: 120,
 * promised 160.  Input 3 may wait for two: 240.
 *
 * The interrupt of an input reads the time, puts it into the input's ring and spends one edge of its allowance.
 * Input 1 has its time frozen by the counter's capture register.  Inputs 2 and 3 read the counter, so they are late by
 * whatever runs before them; input 2 has the highest priority of all interrupts, so that is one interrupt at most.  Were
 * input 2 to fire again and again, input 3 would wait for long; so input 2's interrupt also looks whether input 3 has
 * an edge waiting and notes its time for it. */
#include "edges.h"

#include "board.h"
#include "inline.h"
#include "inputs.h"
#include "lock.h"

/* EIMSK and TIMSK1 as the main loop knows them: an input that has masked itself since makes them differ. */
static struct {
    uint8_t external;
    uint8_t capture;
} edges_known;

static volatile uint16_t edges_noted_low;        /* input 3's edge, when BOARD_NOTED is set */
static volatile uint8_t edges_noted_wraps;

/* budget 120 cycles, measured 103 */
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
        edges_noted_low = low;
        edges_noted_wraps = wraps;
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
        low = (uint16_t)(edges_noted_low + BOARD_LATENCY_TICKS);    /* it was there already: its latency is 0 */
        wraps = edges_noted_wraps;
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
    inputs_window();
}

/* Interrupts off: lets an input fire again; what it saw while masked is forgotten. */
void edges_listen(uint8_t input)
{
    if (input == 0u) {
        TIFR1 = _BV(ICF1);
        TIMSK1 |= _BV(ICIE1);
        edges_known.capture |= _BV(ICIE1);
    } else if (input == 1u) {
        BOARD_EXTERNAL_FORGET(INTF0);
        EIMSK |= _BV(INT0);
        edges_known.external |= _BV(INT0);
    } else {
        BOARD_EXTERNAL_FORGET(INTF1);
        BOARD_NOTED = 0u;
        EIMSK |= _BV(INT1);
        edges_known.external |= _BV(INT1);
    }
}

/* The input's interrupt is off, and the main loop knows it. */
INLINE_NEVER void edges_know_silent(uint8_t input)
{
    if (input == 0u) {
        edges_known.capture &= (uint8_t)~_BV(ICIE1);
    } else {
        const uint8_t others = (uint8_t)~(input == 1u ? _BV(INT0) : _BV(INT1));

        edges_known.external = others & edges_known.external;
    }
}

/* False when the input's interrupt has masked itself, or was never allowed. */
bool edges_listening(uint8_t input)
{
    if (input == 0u) {
        return (TIMSK1 & _BV(ICIE1)) != 0u;
    }
    return (EIMSK & (input == 1u ? _BV(INT0) : _BV(INT1))) != 0u;
}

void edges_configure(uint8_t input, uint8_t mode)
{
    const bool rising = (mode & CONFIG_MODE_RISING) != 0u;

    if (input == 0u) {
        TIMSK1 &= (uint8_t)~_BV(ICIE1);
        edges_known.capture = TIMSK1;
        edges_pin(&BOARD_CAPTURE_DDR, &BOARD_CAPTURE_PORT, _BV(BOARD_CAPTURE_PIN_BIT), mode);
        TCCR1B = rising ? _BV(CS10) | _BV(ICNC1) | _BV(ICES1) : _BV(CS10) | _BV(ICNC1);
        return;
    }
    if (input == 1u) {
        BOARD_BIT_CLEAR(EIMSK, INT0);
        edges_pin(&BOARD_EXTERNAL_DDR, &BOARD_EXTERNAL_PORT, _BV(BOARD_EXTERNAL_1_PIN_BIT), mode);
        EICRA = (uint8_t)((EICRA & (uint8_t)~_BV(ISC00)) | _BV(ISC01) | (rising ? _BV(ISC00) : 0u));
    } else {
        BOARD_BIT_CLEAR(EIMSK, INT1);
        edges_pin(&BOARD_EXTERNAL_DDR, &BOARD_EXTERNAL_PORT, _BV(BOARD_EXTERNAL_2_PIN_BIT), mode);
        EICRA = (uint8_t)((EICRA & (uint8_t)~_BV(ISC10)) | _BV(ISC11) | (rising ? _BV(ISC10) : 0u));
    }
    edges_know_silent(input);
}

/* Input 1's time is fixed before its interrupt runs, and so is a noted one of input 3. */
bool edges_settled(void)
{
    return !BOARD_CAPTURE_PENDING() && (BOARD_NOTED == 0u || (EIMSK & _BV(INT1)) == 0u)
        && EIMSK == edges_known.external && TIMSK1 == edges_known.capture;
}
