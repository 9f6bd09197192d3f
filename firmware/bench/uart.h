/* How does the chip's serial port move bytes? */
#ifndef BENCH_UART_H
#define BENCH_UART_H

#include "chip.h"

struct uart_frame { uint8_t byte; bool framing_error; };

struct uart {
    struct chip *chip;
    struct uart_frame received[3];     /* two buffered, the third waits in the shift register */
    unsigned waiting;
    bool shifting, buffered;           /* transmitter: a byte on the line, one behind it */
    uint8_t shift_byte, buffer_byte;
    uint64_t shift_start_cycle, shift_end_cycle;
    uint64_t bytes_sent, bytes_received, bytes_overrun, writes_ignored;
    /* A byte has left: when its start bit began, and the length of a bit. */
    void (*sent)(void *param, uint8_t byte, uint64_t start_cycle, double bit_cycles);
    void *sent_param;
};

void uart_install(struct uart *uart, struct chip *chip,
                  void (*sent)(void *param, uint8_t byte, uint64_t start_cycle, double bit_cycles), void *param);

unsigned uart_bit_cycles(const struct uart *uart);
bool uart_listens(const struct uart *uart);

/* A whole byte has come in at this cycle. */
void uart_receive(struct uart *uart, uint8_t byte, bool framing_error);
#endif
