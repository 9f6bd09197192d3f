/* Which board is this?  ATmega328P at 16 MHz: pins, vectors, registers.  With edges.c beside it, everything that a port to
 * another board of the family changes. */
#ifndef BOARD_H
#define BOARD_H

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

#include "wire.h"

#ifndef __AVR_ATmega328P__
#error "this folder is for the ATmega328P; another processor needs a board.h of its own"
#endif
#if F_CPU != 16000000UL
#error "ticks, bit rates and interrupt budgets are for 16 MHz"
#endif

#define BOARD_KIND WIRE_BOARD_ATMEGA328P

/*                       input 1          input 2        input 3
 * pin of the chip       PB0 (ICP1)       PD2 (INT0)     PD3 (INT1)
 * label, common boards  8                2              3
 * default sensor        wheel            motor          driven shaft or blade */
#define BOARD_CAPTURE_PIN_BIT PB0
#define BOARD_CAPTURE_PORT PORTB
#define BOARD_CAPTURE_DDR DDRB
#define BOARD_EXTERNAL_PORT PORTD
#define BOARD_EXTERNAL_DDR DDRD
#define BOARD_EXTERNAL_1_PIN_BIT PD2
#define BOARD_EXTERNAL_2_PIN_BIT PD3

/* Display (HD44780 type, 4 bits, R/W tied low), buttons (to ground, pull-ups in the chip), alarm (high: on).  Each line ends
 * with the pin's label on common boards. */
#define BOARD_DISPLAY_RS PC0         /* A0 */
#define BOARD_DISPLAY_E PC1          /* A1 */
#define BOARD_DISPLAY_D4 PD4         /* 4 */
#define BOARD_DISPLAY_D5 PD5         /* 5 */
#define BOARD_DISPLAY_D6 PD6         /* 6 */
#define BOARD_DISPLAY_D7 PD7         /* 7 */
#define BOARD_BUTTON_UNIT PB1        /* 9 */
#define BOARD_BUTTON_HOLD PB2        /* 10 */
#define BOARD_BUTTON_SET PB3         /* 11 */
#define BOARD_ALARM PB4              /* 12 */

#define BOARD_CAPTURE_VECT TIMER1_CAPT_vect
#define BOARD_EXTERNAL_1_VECT INT0_vect
#define BOARD_EXTERNAL_2_VECT INT1_vect
#define BOARD_OVERFLOW_VECT TIMER1_OVF_vect
#define BOARD_WINDOW_VECT TIMER0_COMPA_vect
#define BOARD_RECEIVED_VECT USART_RX_vect
#define BOARD_SEND_NEXT_VECT USART_UDRE_vect

/* The counter of all timestamps. */
#define BOARD_COUNTER TCNT1
#define BOARD_CAPTURED ICR1
#define BOARD_WRAP_PENDING() ((TIFR1 & _BV(TOV1)) != 0u)
#define BOARD_CAPTURE_PENDING() ((TIFR1 & _BV(ICF1)) != 0u && (TIMSK1 & _BV(ICIE1)) != 0u)
#define BOARD_CAPTURE_WAITS(input) ((input) == 0u && BOARD_CAPTURE_PENDING())     /* for its interrupt */
#define BOARD_CAPTURED_LOW(input) BOARD_CAPTURED
#define BOARD_EXTERNAL_2_PENDING() ((EIFR & _BV(INTF1)) != 0u)
#define BOARD_EDGE_WAITS() ((EIFR & EIMSK) != 0u)   /* for the interrupt that reads its time */

/* Count of its wraps, 16 bits, kept where an interrupt reads it in one cycle. */
#define BOARD_WRAPS GPIOR1
#define BOARD_WRAPS_HIGH GPIOR2

/* Bits of the low registers, in one instruction: the compiler would load the register's address first, into two more
 * registers that the interrupt must save (8 cycles). */
#define BOARD_BIT_SET(reg, bit) __asm__ volatile("sbi %0, %1" : : "I"(_SFR_IO_ADDR(reg)), "I"(bit))
#define BOARD_BIT_CLEAR(reg, bit) __asm__ volatile("cbi %0, %1" : : "I"(_SFR_IO_ADDR(reg)), "I"(bit))

/* Forgets an edge of an external interrupt, without touching the flag of the other.  On the chip setting the bit clears
 * the flag and clearing it does nothing; the emulator keeps what is written, so after both they agree. */
#define BOARD_EXTERNAL_FORGET(bit) do { BOARD_BIT_SET(EIFR, bit); BOARD_BIT_CLEAR(EIFR, bit); } while (0)

/* Not 0: an edge of input 3 was noticed by input 2's interrupt. */
#define BOARD_NOTED GPIOR0

/* From the edge to the reading of the counter in the interrupts of inputs 2 and 3 when nothing is in the way: 4 cycles
 * to accept the interrupt, its jump, and the registers it saves.  Taken off every edge; depends on the compiler:
 * test_lone_edges fails when it is no longer so.  Up to 8 more remain (an instruction to be finished, sleep to be left),
 * and input 1's noise canceller adds 4 of its own. */
#define BOARD_LATENCY_TICKS 28u
#define BOARD_LATENCIES_TICKS { 0, BOARD_LATENCY_TICKS, BOARD_LATENCY_TICKS }

#define BOARD_REFERENCE_MV 1100ul    /* on-chip reference, 1.0 to 1.2 V from chip to chip (data sheet) */
#define BOARD_SUPPLY_CHANNEL (_BV(REFS0) | _BV(MUX3) | _BV(MUX2) | _BV(MUX1))     /* it, measured against the supply */

/* Once, interrupts off: the counter begins at 0, and its wraps interrupt. */
static inline void board_counter_start(void)
{
    TCCR1A = 0;
    TCNT1 = 0;
    TIFR1 = _BV(TOV1) | _BV(ICF1);
    TIMSK1 |= _BV(TOIE1);
    TCCR1B = (uint8_t)(TCCR1B | _BV(CS10));      /* every cycle: 62.5 ns */
}

/* Once, interrupts off: pins of display, buttons and alarm.  No interrupt writes these ports. */
static inline void board_panel_start(void)
{
    DDRC |= _BV(BOARD_DISPLAY_RS) | _BV(BOARD_DISPLAY_E);
    DDRD |= _BV(BOARD_DISPLAY_D4) | _BV(BOARD_DISPLAY_D5) | _BV(BOARD_DISPLAY_D6) | _BV(BOARD_DISPLAY_D7);
    DDRB |= _BV(BOARD_ALARM);
    PORTB |= _BV(BOARD_BUTTON_UNIT) | _BV(BOARD_BUTTON_HOLD) | _BV(BOARD_BUTTON_SET);
}

/* A nibble, its bit 4 for RS.  E is high for 0.5 us: the display asks for 0.45 us at 2.7 V, 0.23 us at 5 V (data sheet). */
static inline void board_display_put(uint8_t nibble)
{
    _Static_assert(BOARD_DISPLAY_D4 == 4 && BOARD_DISPLAY_D7 == 7, "the nibble lies in its port as in a byte");
    if ((nibble & 0x10u) != 0u) {
        PORTC |= _BV(BOARD_DISPLAY_RS);
    } else {
        PORTC &= (uint8_t)~_BV(BOARD_DISPLAY_RS);
    }
    PORTD = (uint8_t)((PORTD & 0x0Fu) | (uint8_t)(nibble << 4));
    PORTC |= _BV(BOARD_DISPLAY_E);
    __builtin_avr_delay_cycles(6);
    PORTC &= (uint8_t)~_BV(BOARD_DISPLAY_E);
}

/* What is pressed: bits 0, 1, 2 for unit, hold, set. */
static inline uint8_t board_buttons(void)
{
    _Static_assert(BOARD_BUTTON_UNIT == 1 && BOARD_BUTTON_HOLD == 2 && BOARD_BUTTON_SET == 3, "one beside the other");
    return (uint8_t)((uint8_t)~PINB >> BOARD_BUTTON_UNIT) & 7u;
}

static inline void board_alarm(uint8_t on)
{
    if (on != 0u) {
        PORTB |= _BV(BOARD_ALARM);
    } else {
        PORTB &= (uint8_t)~_BV(BOARD_ALARM);
    }
}

#endif
