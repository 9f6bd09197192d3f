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

_Static_assert(CS40 == CS50 && ICES4 == ICES5 && ICNC4 == ICNC5, "the two timers' registers are alike");

#endif
