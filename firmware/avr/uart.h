/* How do bytes get onto the line and off it? */
#ifndef UART_H
#define UART_H

#include <stdbool.h>
#include <stdint.h>

#include "frame.h"

/* Once, interrupts off; sends a delimiter. */
void uart_start(bool fast);

/* Main loop: FRAME_LINE_MAX bytes for the next frame, or NULL while one frame is being sent and another waits. */
uint8_t *uart_buffer(void);

/* Main loop: sends the frame that begins there, inside the buffer just given, and ends with its delimiter. */
void uart_send(const uint8_t *line);

/* Main loop: a frame is being handed to the transmitter. */
bool uart_sending(void);

/* Main loop: nothing waits, and the last byte has left the board. */
bool uart_idle(void);

/* Main loop, uart_idle(): sends a lone delimiter and says when. */
uint32_t uart_send_delimiter(void);

/* Main loop: the next byte received, if any. */
bool uart_take(uint8_t *byte);

/* Main loop, when uart_take() gave a delimiter: when it came in, in 24-bit time.  False when too many have come since. */
bool uart_delimiter_short(uint32_t *received_short);

#endif
