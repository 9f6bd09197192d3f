/* What do the board's messages look like, and what does a host ask for?  PROTOCOL.md lists every field.
 *
 * A message is written into the line's buffer behind a byte kept for the COBS code, then closed by frame_close().  The
 * caller sees to it that the buffer is free and holds FRAME_LINE_MAX bytes.  One is written at a time, so that it need not
 * be named in every call.  Main loop only. */
#ifndef MESSAGE_H
#define MESSAGE_H

#include <stdbool.h>
#include <stdint.h>

#include "tick.h"
#include "wire.h"

extern struct message {
    uint8_t *line;       /* where the COBS code will stand */
    uint8_t *end;        /* where the next byte will stand */
} message;

void message_begin(uint8_t *line, uint8_t type, uint8_t sequence);
void message_u8(uint8_t value);
void message_u16(uint16_t value);
void message_u32(uint32_t value);
void message_u32_at(const void *value);
void message_tick(const struct tick *tick);
void message_tick_before(const struct tick *clock, uint32_t then_ticks);
void message_var(uint32_t value);

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

/* Returns the bytes on the line, from message.line. */
uint8_t message_close(void);

struct message_hello {
    uint8_t board_kind;
    uint8_t reset_cause;
    uint8_t asked;
    bool answered;
    const struct tick *now;
    const void *board_id;              /* 4 bytes, anywhere */
    const uint32_t *config_generation;
};

/* 32-bit times are not later than the clock (tick_before()). */
void message_hello(const struct message_hello *hello);
void message_masked(uint8_t input, const struct tick *clock, uint32_t from_ticks, uint32_t until_ticks);
void message_pong(uint8_t asked, uint32_t ping_ticks, const struct tick *answer);
void message_result(uint8_t asked, uint8_t request, uint8_t code);

/* The bytes of the configuration come behind. */
void message_config_data(uint8_t asked, const uint32_t *generation, uint16_t length,
                         uint16_t offset);

/* A request of the host, as it stands in its frame. */
struct message_request {
    uint8_t type;
    uint8_t sequence;
    union {
        uint8_t on;                      /* STREAM */
        struct {
            uint16_t offset;             /* CONFIG_READ, CONFIG_WRITE; of CONFIG_COMMIT the length */
            union {
                uint8_t count;           /* CONFIG_READ */
                uint8_t bytes[1];        /* CONFIG_WRITE: message_write_bytes() */
                uint16_t crc;            /* CONFIG_COMMIT */
            };
        };
    };
} __attribute__((packed, may_alias));

/* Of a CONFIG_WRITE: bytes of the configuration in it.  `length`: of its frame, with the CRC. */
static inline uint8_t message_write_bytes(uint8_t length)
{
    return (uint8_t)(length - WIRE_OVERHEAD - sizeof(uint16_t));
}

/* Is that a request?  Its CRC is right, and `length` is with it.  WIRE_OK, or the RESULT code that refuses it. */
uint8_t message_check(const struct message_request *request, uint8_t length);

#endif
