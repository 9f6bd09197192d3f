/* What do the board's messages look like, and what does a host ask for?  PROTOCOL.md lists every field.
 *
 * A message is written into the line's buffer behind a byte kept for the COBS code, then closed by frame_close().  The
 * caller sees to it that the buffer is free and holds FRAME_LINE_MAX bytes.  Main loop only. */
#ifndef MESSAGE_H
#define MESSAGE_H

#include <stdbool.h>
#include <stdint.h>

#include "tick.h"
#include "wire.h"

struct message {
    uint8_t *line;       /* where the COBS code will stand */
    uint8_t *end;        /* where the next byte will stand */
};

void message_begin(struct message *message, uint8_t *line, uint8_t type, uint8_t sequence);
void message_u8(struct message *message, uint8_t value);
void message_bytes(struct message *message, const void *bytes, uint8_t count);
void message_u16(struct message *message, uint16_t value);
void message_u32(struct message *message, uint32_t value);
void message_tick(struct message *message, const struct tick *tick);
void message_var(struct message *message, uint32_t value);

/* Bytes that a value takes as "var". */
static inline uint8_t message_var_bytes(uint32_t value)
{
    if (value < (1ul << 14)) {
        return value < (1ul << 7) ? 1 : 2;
    }
    if (value < (1ul << 21)) {
        return 3;
    }
    return value < (1ul << 28) ? 4 : 5;
}

/* Writes a value as "var" and returns where the next byte goes. */
uint8_t *message_put_var(uint8_t *end, uint32_t value);

/* Returns the bytes on the line, from message->line. */
uint8_t message_close(struct message *message);

struct message_hello {
    uint8_t board_kind;
    uint8_t reset_cause;
    uint8_t asked;
    bool answered;
    uint32_t board_id;
    uint32_t config_generation;
};

void message_hello(struct message *message, const struct message_hello *hello, const struct tick *now);
/* 32-bit times lie less than 268 s before the tick beside them. */
void message_masked(struct message *message, uint8_t input, const struct tick *now, uint32_t from_ticks,
                    uint32_t until_ticks);
void message_pong(struct message *message, uint8_t asked, const struct tick *answer, uint32_t ping_ticks);
void message_result(struct message *message, uint8_t asked, uint8_t request, uint8_t code);

/* The bytes of the configuration come behind. */
void message_config_data(struct message *message, uint8_t asked, uint32_t generation, uint16_t length, uint16_t offset);

/* A request of the host, checked. */
struct message_request {
    uint8_t type;
    uint8_t sequence;
    bool stream_on;          /* STREAM */
    uint16_t offset;         /* CONFIG_READ, CONFIG_WRITE */
    uint16_t length;         /* CONFIG_COMMIT */
    uint16_t crc;            /* CONFIG_COMMIT */
    uint8_t count;           /* CONFIG_READ, CONFIG_WRITE */
    const uint8_t *bytes;    /* CONFIG_WRITE: points into the frame */
};

/* Reads a frame whose CRC is right (`length` with its CRC; FRAME_REQUEST_MAX bytes may be read).  Returns WIRE_OK, or the RESULT code that refuses it;
 * type and sequence are filled in always. */
uint8_t message_parse(const uint8_t *frame, uint8_t length, struct message_request *request);

#endif
