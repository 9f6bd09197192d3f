/* When did which input see an edge?  Inputs 1 and 2 by capture, 3 by interrupt.  See edges.h.
 *
 * Budgets are in cycles from the acceptance of the interrupt (its 5 cycles with it) to the end of its reti; the longest was
 * measured on the emulated board, with edges at every offset around the counter's wrap, full rings, masks and a busy
 * line (tests/board).
 *
 * The interrupt of an input reads the time, puts it into the input's ring and spends one edge of its allowance.
 * Inputs 1 and 2 have their time frozen by the capture registers of timers 4 and 5, which count in step: an edge of
 * both at the same moment is the same tick.  These interrupts may wait for all others, which delays no time but the
 * sight of the next edge.  Input 3 reads the counter; it has the highest priority of all, so it waits for one other. */
#include "edges.h"

#include "board.h"
#include "inline.h"
#include "inputs.h"
#include "lock.h"

/* TIMSK4, TIMSK5 and EIMSK as the main loop knows them: an input that has masked itself since makes them differ. */
static struct {
    uint8_t capture_1;
    uint8_t capture_2;
    uint8_t external;
} edges_known;

/* budget 120 cycles, measured 111 */
ISR(BOARD_CAPTURE_1_VECT)
{
    const uint16_t low = ICR4;                   /* frozen by the hardware at the edge */

    ring_put(&inputs_rings[0], low, tick_wraps(BOARD_WRAPS, low, BOARD_WRAP_PENDING()));
    if (flood_spend(&inputs_flood[0])) {
        TIMSK4 &= (uint8_t)~_BV(ICIE4);
    }
}

/* budget 120 cycles, measured 111 */
ISR(BOARD_CAPTURE_2_VECT)
{
    const uint16_t low = ICR5;

    ring_put(&inputs_rings[1], low, tick_wraps(BOARD_WRAPS, low, BOARD_WRAP_PENDING()));
    if (flood_spend(&inputs_flood[1])) {
        TIMSK5 &= (uint8_t)~_BV(ICIE5);
    }
}

/* budget 120 cycles, measured 107 */
ISR(BOARD_EXTERNAL_VECT)
{
    const uint16_t low = BOARD_COUNTER;

    ring_put(&inputs_rings[2], low, tick_wraps(BOARD_WRAPS, low, BOARD_WRAP_PENDING()));
    if (flood_spend(&inputs_flood[2])) {
        BOARD_BIT_CLEAR(EIMSK, INT5);
    }
}

/* A new window of the flood limit, every FLOOD_WINDOW_MICROSECONDS.  budget 120 cycles, measured 55 */
ISR(BOARD_WINDOW_VECT)
{
    inputs_window();
}

void edges_listen(uint8_t input)
{
    if (input == 0u) {
        TIFR4 = _BV(ICF4);
        TIMSK4 |= _BV(ICIE4);
        edges_known.capture_1 |= _BV(ICIE4);
    } else if (input == 1u) {
        TIFR5 = _BV(ICF5);
        TIMSK5 |= _BV(ICIE5);
        edges_known.capture_2 |= _BV(ICIE5);
    } else {
        EIFR = _BV(INTF5);
        EIMSK |= _BV(INT5);
        edges_known.external |= _BV(INT5);
    }
}

bool edges_listening(uint8_t input)
{
    if (input == 0u) {
        return (TIMSK4 & _BV(ICIE4)) != 0u;
    }
    if (input == 1u) {
        return (TIMSK5 & _BV(ICIE5)) != 0u;
    }
    return (EIMSK & _BV(INT5)) != 0u;
}

INLINE_NEVER void edges_know_silent(uint8_t input)
{
    if (input == 0u) {
        edges_known.capture_1 &= (uint8_t)~_BV(ICIE4);
    } else if (input == 1u) {
        edges_known.capture_2 &= (uint8_t)~_BV(ICIE5);
    } else {
        edges_known.external &= (uint8_t)~_BV(INT5);
    }
}

void edges_configure(uint8_t input, uint8_t mode)
{
    const bool rising = (mode & CONFIG_MODE_RISING) != 0u;

    if (input == 0u) {
        TIMSK4 &= (uint8_t)~_BV(ICIE4);
        edges_known.capture_1 = TIMSK4;
        edges_pin(&BOARD_CAPTURE_DDR, &BOARD_CAPTURE_PORT, _BV(BOARD_CAPTURE_1_PIN_BIT), mode);
        TCCR4B = rising ? _BV(CS40) | _BV(ICNC4) | _BV(ICES4) : _BV(CS40) | _BV(ICNC4);
    } else if (input == 1u) {
        TIMSK5 &= (uint8_t)~_BV(ICIE5);
        edges_known.capture_2 = TIMSK5;
        edges_pin(&BOARD_CAPTURE_DDR, &BOARD_CAPTURE_PORT, _BV(BOARD_CAPTURE_2_PIN_BIT), mode);
        TCCR5B = rising ? _BV(CS50) | _BV(ICNC5) | _BV(ICES5) : _BV(CS50) | _BV(ICNC5);
    } else {
        BOARD_BIT_CLEAR(EIMSK, INT5);
        edges_known.external = EIMSK;
        edges_pin(&BOARD_EXTERNAL_DDR, &BOARD_EXTERNAL_PORT, _BV(BOARD_EXTERNAL_PIN_BIT), mode);
        EICRB = rising ? _BV(ISC51) | _BV(ISC50) : _BV(ISC51);
    }
}

/* The times of inputs 1 and 2 are fixed before their interrupts run. */
bool edges_settled(void)
{
    return !BOARD_CAPTURE_WAITS(0u) && !BOARD_CAPTURE_WAITS(1u) && EIMSK == edges_known.external
        && TIMSK4 == edges_known.capture_1 && TIMSK5 == edges_known.capture_2;
}
