/* Which board is this?  ATmega2560 at 16 MHz: pins, vectors, registers.  See edges.c for what two capture inputs ask. */
#ifndef BOARD_H
#define BOARD_H

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

#include "wire.h"

#ifndef __AVR_ATmega2560__
#error "this folder is for the ATmega2560; another processor needs a folder of its own"
#endif
#if F_CPU != 16000000UL
#error "ticks, bit rates and interrupt budgets are for 16 MHz"
#endif

#define BOARD_KIND WIRE_BOARD_ATMEGA2560

/*                       input 1          input 2        input 3
 * pin of the chip       PL0 (ICP4)       PL1 (ICP5)     PE5 (INT5)
 * label, common boards  49               48             3
 * default sensor        wheel            motor          driven shaft or blade
 *
 * Chip pins: avr-libc's header and libsimavr name the same.  Labels from memory; common boards bring out no pin of the
 * other two captures, ICP1 and ICP3 (from memory). */
#define BOARD_CAPTURE_PORT PORTL
#define BOARD_CAPTURE_DDR DDRL
#define BOARD_CAPTURE_1_PIN_BIT PL0
#define BOARD_CAPTURE_2_PIN_BIT PL1
#define BOARD_EXTERNAL_PORT PORTE
#define BOARD_EXTERNAL_DDR DDRE
#define BOARD_EXTERNAL_PIN_BIT PE5

/* Display (HD44780 type, 4 bits, R/W tied low), buttons (to ground, pull-ups in the chip), alarm (high: on).  Each line ends
 * with the pin's label on common boards, from memory: the labels are those of the ATmega328P, so that the wiring stays. */
#define BOARD_DISPLAY_RS PF0         /* A0 */
#define BOARD_DISPLAY_E PF1          /* A1 */
#define BOARD_DISPLAY_D4 PG5         /* 4 */
#define BOARD_DISPLAY_D5 PE3         /* 5 */
#define BOARD_DISPLAY_D6 PH3         /* 6 */
#define BOARD_DISPLAY_D7 PH4         /* 7 */
#define BOARD_BUTTON_UNIT PH6        /* 9 */
#define BOARD_BUTTON_HOLD PB4        /* 10 */
#define BOARD_BUTTON_SET PB5         /* 11 */
#define BOARD_ALARM PB6              /* 12 */

#define BOARD_CAPTURE_1_VECT TIMER4_CAPT_vect
#define BOARD_CAPTURE_2_VECT TIMER5_CAPT_vect
#define BOARD_EXTERNAL_VECT INT5_vect
#define BOARD_OVERFLOW_VECT TIMER5_OVF_vect
#define BOARD_WINDOW_VECT TIMER0_COMPA_vect
#define BOARD_RECEIVED_VECT USART0_RX_vect
#define BOARD_SEND_NEXT_VECT USART0_UDRE_vect

/* The counter of all timestamps is timer 5's, which timer 4 keeps step with.  Its overflow, and no other, counts the
 * wraps: its vector comes after both captures', so that an edge captured before the wrap is read before the wrap is
 * counted. */
#define BOARD_COUNTER TCNT5
#define BOARD_WRAP_PENDING() ((TIFR5 & _BV(TOV5)) != 0u)

/* An edge of this input has been captured and waits for its interrupt; the counter at that edge. */
#define BOARD_CAPTURE_WAITS(input) \
    ((input) == 0u ? (TIFR4 & _BV(ICF4)) != 0u && (TIMSK4 & _BV(ICIE4)) != 0u \
                   : (input) == 1u && (TIFR5 & _BV(ICF5)) != 0u && (TIMSK5 & _BV(ICIE5)) != 0u)
#define BOARD_EDGE_WAITS() ((EIFR & EIMSK) != 0u)   /* for the interrupt that reads its time: input 3 */
#define BOARD_CAPTURED_LOW(input) ((input) == 0u ? ICR4 : ICR5)

/* Count of the wraps, 16 bits, kept where an interrupt reads it in one cycle. */
#define BOARD_WRAPS GPIOR1
#define BOARD_WRAPS_HIGH GPIOR2

/* A bit of a low register, in one instruction: the compiler would load the register's address first, into two more
 * registers that the interrupt must save (8 cycles). */
#define BOARD_BIT_CLEAR(reg, bit) __asm__ volatile("cbi %0, %1" : : "I"(_SFR_IO_ADDR(reg)), "I"(bit))

/* From the edge to the reading of the counter in input 3's interrupt when nothing is in the way: 5 cycles to accept the
 * interrupt, its jump, and the registers it saves.  Taken off every edge; depends on the compiler: test_lone_edges
 * fails when it is no longer so.  Up to 9 more remain (an instruction to be finished, sleep to be left), and the noise
 * cancellers of inputs 1 and 2 add 4 of their own. */
#define BOARD_LATENCIES_TICKS { 0, 0, 33u }

#define BOARD_REFERENCE_MV 1100ul    /* on-chip reference, 1.0 to 1.2 V from chip to chip (data sheet) */
/* It, measured against the supply; MUX5, in another register, stays 0. */
#define BOARD_SUPPLY_CHANNEL (_BV(REFS0) | _BV(MUX4) | _BV(MUX3) | _BV(MUX2) | _BV(MUX1))

/* How much later timer 5 is started than timer 4: one STS. */
#define BOARD_START_APART_TICKS 2u

/* Once, interrupts off: the counters begin together, and the wraps interrupt.  The prescaler's reset holds prescaled
 * timers only, these count every cycle; so timer 5, started by the next instruction, is given what it misses. */
static inline void board_counter_start(void)
{
    TCCR4A = 0;
    TCCR5A = 0;
    TCCR4B = 0;
    TCCR5B = 0;
    TCNT4 = 0;
    TCNT5 = BOARD_START_APART_TICKS;
    TIFR4 = _BV(TOV4) | _BV(ICF4);
    TIFR5 = _BV(TOV5) | _BV(ICF5);
    TIMSK5 |= _BV(TOIE5);
    __asm__ volatile("sts %0, %2\n\tsts %1, %2" : "=m"(TCCR4B), "=m"(TCCR5B) : "r"((uint8_t)_BV(CS40)));
}

/* Once, interrupts off: pins of display, buttons and alarm.  No interrupt writes these ports. */
static inline void board_panel_start(void)
{
    DDRF |= _BV(BOARD_DISPLAY_RS) | _BV(BOARD_DISPLAY_E);
    DDRG |= _BV(BOARD_DISPLAY_D4);
    DDRE |= _BV(BOARD_DISPLAY_D5);
    DDRH |= _BV(BOARD_DISPLAY_D6) | _BV(BOARD_DISPLAY_D7);
    DDRB |= _BV(BOARD_ALARM);
    PORTH |= _BV(BOARD_BUTTON_UNIT);
    PORTB |= _BV(BOARD_BUTTON_HOLD) | _BV(BOARD_BUTTON_SET);
}

static inline void board_pin(volatile uint8_t *port, uint8_t pin, uint8_t level)
{
    if (level != 0u) {
        *port |= pin;
    } else {
        *port &= (uint8_t)~pin;
    }
}

/* A nibble, its bit 4 for RS.  E is high for 0.5 us: the display asks for 0.45 us at 2.7 V, 0.23 us at 5 V (data sheet). */
static inline void board_display_put(uint8_t nibble)
{
    board_pin(&PORTF, _BV(BOARD_DISPLAY_RS), nibble & 0x10u);
    board_pin(&PORTG, _BV(BOARD_DISPLAY_D4), nibble & 0x01u);
    board_pin(&PORTE, _BV(BOARD_DISPLAY_D5), nibble & 0x02u);
    board_pin(&PORTH, _BV(BOARD_DISPLAY_D6), nibble & 0x04u);
    board_pin(&PORTH, _BV(BOARD_DISPLAY_D7), nibble & 0x08u);
    PORTF |= _BV(BOARD_DISPLAY_E);
    __builtin_avr_delay_cycles(6);
    PORTF &= (uint8_t)~_BV(BOARD_DISPLAY_E);
}

/* What is pressed: bits 0, 1, 2 for unit, hold, set. */
static inline uint8_t board_buttons(void)
{
    return (uint8_t)(((PINH & _BV(BOARD_BUTTON_UNIT)) == 0u ? 1u : 0u) | ((PINB & _BV(BOARD_BUTTON_HOLD)) == 0u ? 2u : 0u)
                     | ((PINB & _BV(BOARD_BUTTON_SET)) == 0u ? 4u : 0u));
}

static inline void board_alarm(uint8_t on)
{
    board_pin(&PORTB, _BV(BOARD_ALARM), on);
}

_Static_assert(CS40 == CS50 && ICES4 == ICES5 && ICNC4 == ICNC5, "the two timers' registers are alike");

#endif
