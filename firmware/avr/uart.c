/* How do bytes get onto the line and off it?  See uart.h. */
#include "uart.h"

#include "inline.h"

#include <stddef.h>

#include "board.h"
#include "clock.h"
#include "lock.h"

#define UART_RECEIVED_BYTES 32u      /* a power of two: 0.64 ms at the fast rate, a pass of the main loop that sends a batch */

static uint8_t uart_buffers[2][FRAME_LINE_MAX];
static uint8_t uart_turn;                        /* the buffer that is given out next */
static const uint8_t *volatile uart_next;        /* the byte to be sent next */
static const uint8_t *volatile uart_waiting;     /* the frame after this one, or NULL */

static uint8_t uart_received[UART_RECEIVED_BYTES];
static volatile uint8_t uart_received_head;
static volatile uint8_t uart_received_tail;

/* Times of the last two delimiters: of the even and of the odd one.  Two variables, since an array would cost the
 * interrupt its budget. */
static volatile uint16_t uart_even_low;
static volatile uint8_t uart_even_wraps;
static volatile uint16_t uart_odd_low;
static volatile uint8_t uart_odd_wraps;
static volatile uint8_t uart_delimiters;         /* received since start */
static uint8_t uart_delimiters_taken;

void uart_start(bool fast)
{
    UCSR0A = _BV(U2X0);
    UBRR0 = fast ? F_CPU / 8u / WIRE_BAUD_FAST - 1u : (F_CPU / 4u / WIRE_BAUD_SLOW - 1u) / 2u;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);          /* 8 data bits, no parity, 1 stop bit */
    UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
    UDR0 = WIRE_DELIMITER;                       /* ends the frame that a reset has cut off */
}

/* The next byte of the frame; its delimiter, the only zero in it, is the last.  TXC0 is cleared after each byte, so that
 * it tells when the last one has left.  budget 120 cycles, measured 82 on the ATmega328P, 90 on the ATmega2560 */
ISR(BOARD_SEND_NEXT_VECT)
{
    const uint8_t *next = uart_next;
    const uint8_t byte = *next++;

    UDR0 = byte;
    UCSR0A = _BV(U2X0) | _BV(TXC0);
    if (byte == WIRE_DELIMITER) {
        next = uart_waiting;
        uart_waiting = NULL;
        if (next == NULL) {
            UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
        }
    }
    uart_next = next;
}

/* A byte with a wrong stop bit is dropped, as is one that finds the ring full: the frame's CRC tells.  budget 120 cycles,
 * measured 103 on the ATmega328P, 111 on the ATmega2560 */
ISR(BOARD_RECEIVED_VECT)
{
    const uint8_t damaged = UCSR0A & _BV(FE0);
    const uint8_t byte = UDR0;
    const uint8_t head = uart_received_head;
    const uint8_t next = (uint8_t)(head + 1u) & (UART_RECEIVED_BYTES - 1u);

    if (damaged != 0u || next == uart_received_tail) {
        return;
    }
    uart_received[head] = byte;
    uart_received_head = next;
    if (byte == WIRE_DELIMITER) {
        const uint8_t count = uart_delimiters;
        const uint16_t low = BOARD_COUNTER;
        const uint8_t wraps = tick_wraps(BOARD_WRAPS, low, BOARD_WRAP_PENDING());

        if ((count & 1u) == 0u) {
            uart_even_low = low;
            uart_even_wraps = wraps;
        } else {
            uart_odd_low = low;
            uart_odd_wraps = wraps;
        }
        uart_delimiters = (uint8_t)(count + 1u);
    }
}

INLINE_NEVER uint8_t *uart_buffer(void)
{
    return uart_waiting == NULL ? uart_buffers[uart_turn] : NULL;
}

void uart_send(const uint8_t *line)
{
    uart_turn ^= 1u;
    LOCKED {
        if ((UCSR0B & _BV(UDRIE0)) != 0u) {
            uart_waiting = line;
        } else {
            uart_next = line;
            UCSR0B |= _BV(UDRIE0);
        }
    }
}

bool uart_sending(void)
{
    return (UCSR0B & _BV(UDRIE0)) != 0u;
}

bool uart_idle(void)
{
    return !uart_sending() && (UCSR0A & _BV(TXC0)) != 0u;
}

uint32_t uart_send_delimiter(void)
{
    uint32_t sent_ticks = 0;

    LOCKED {
        const uint16_t low = BOARD_COUNTER;

        UDR0 = WIRE_DELIMITER;
        UCSR0A = _BV(U2X0) | _BV(TXC0);
        sent_ticks = clock_of_locked(low);
    }
    return sent_ticks;
}

bool uart_take(uint8_t *byte)
{
    const uint8_t tail = uart_received_tail;

    if (tail == uart_received_head) {
        return false;
    }
    *byte = uart_received[tail];
    uart_received_tail = (uint8_t)(tail + 1u) & (UART_RECEIVED_BYTES - 1u);
    if (*byte == WIRE_DELIMITER) {
        uart_delimiters_taken++;
    }
    return true;
}

bool uart_delimiter_short(uint32_t *received_short)
{
    bool kept = false;

    LOCKED {
        const uint8_t mine = (uint8_t)(uart_delimiters_taken - 1u);

        kept = (uint8_t)(uart_delimiters - mine) <= 2u;
        if ((mine & 1u) == 0u) {
            *received_short = ((uint32_t)uart_even_wraps << 16) | uart_even_low;
        } else {
            *received_short = ((uint32_t)uart_odd_wraps << 16) | uart_odd_low;
        }
    }
    return kept;
}
