/* How do bytes get onto the line and off it? */
#ifndef UART_H
#define UART_H

#include <stdbool.h>
#include <stdint.h>

#include "frame.h"

/* The frame to be sent: free for writing whenever uart_free(). */
extern uint8_t uart_line[FRAME_LINE_MAX];

/* Once, interrupts off. */
void uart_start(bool fast);

/* Main loop: the last byte has been handed to the transmitter. */
bool uart_free(void);

/* Main loop: the last byte has left the board. */
bool uart_idle(void);

/* Main loop, uart_free(): sends the frame that begins there and ends with its delimiter. */
void uart_send(const uint8_t *line);

/* Main loop, uart_idle(): sends a lone delimiter and says when. */
uint32_t uart_send_delimiter(void);

/* Main loop: the next byte received, if any. */
bool uart_take(uint8_t *byte);

/* Main loop, when uart_take() gave a delimiter: when it came in, in 24-bit time.  False when too many have come since. */
bool uart_delimiter_short(uint32_t *received_short);

#endif
