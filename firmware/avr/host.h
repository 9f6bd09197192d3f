/* What does the host ask, and what is it told?  Requests and their answers, and how any message begins and leaves.
 *
 * Main loop only.  Whatever sends needs uart_buffer() to give a buffer. */
#ifndef HOST_H
#define HOST_H

#include <stdbool.h>
#include <stdint.h>

#include "message.h"

/* Begins a message of this type in the free buffer, and sends it once its payload is written. */
void host_begin(uint8_t type);
void host_send(void);

/* HELLO: as an answer, or unasked. */
void host_send_hello(bool answered, uint8_t asked);

/* The answer to a ping; uart_idle(). */
void host_send_pong(void);

/* Takes received bytes up to the first request.  True when it was answered, or will be. */
bool host_receive(void);

/* Goes on with what the EEPROM is to take. */
void host_store(void);

/* True when the result of that was sent. */
bool host_answer_stored(void);

#endif
