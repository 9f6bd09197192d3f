/* What do the board's messages look like, and what does a host ask for?  See message.h. */
#include "message.h"

#include "frame.h"
#include "inline.h"
#include "version.h"

uint8_t *message_put_var(uint8_t *end, uint32_t value)
{
    while (value >= 0x80u) {
        const uint8_t top = (uint8_t)(value >> 24);

        *end++ = (uint8_t)value | 0x80u;
        value = value << 1 >> 8 | (uint32_t)(uint8_t)(top >> 7) << 24;   /* value >> 7: this processor shifts by one place at a time */
    }
    *end++ = (uint8_t)value;
    return end;
}

INLINE_NEVER void message_u8(struct message *message, uint8_t value)
{
    *message->end++ = value;
}

/* Numbers lie in memory as on the line. */
INLINE_NEVER void message_bytes(struct message *message, const void *bytes, uint8_t count)
{
    const uint8_t *byte = bytes;
    uint8_t *end = message->end;

    while (count-- != 0u) {
        *end++ = *byte++;
    }
    message->end = end;
}

INLINE_NEVER void message_u16(struct message *message, uint16_t value)
{
    message_bytes(message, &value, sizeof value);
}

INLINE_NEVER void message_u32(struct message *message, uint32_t value)
{
    message_bytes(message, &value, sizeof value);
}

INLINE_NEVER void message_tick(struct message *message, const struct tick *tick)
{
    message_bytes(message, tick, sizeof *tick);
}

void message_var(struct message *message, uint32_t value)
{
    message->end = message_put_var(message->end, value);
}

INLINE_NOT_COPIED void message_begin(struct message *message, uint8_t *line, uint8_t type, uint8_t sequence)
{
    message->line = line;
    message->end = line + FRAME_CODE_BYTES;
    message_u8(message, type);
    message_u8(message, sequence);
}

uint8_t message_close(struct message *message)
{
    return frame_close(message->line, (uint8_t)(message->end - message->line - (int)FRAME_CODE_BYTES));
}

void message_hello(struct message *message, const struct message_hello *hello, const struct tick *now)
{
    message_u8(message, WIRE_PROTOCOL);
    message_u8(message, VERSION_MAJOR);
    message_u8(message, VERSION_MINOR);
    message_u8(message, VERSION_PATCH);
    message_u8(message, hello->board_kind);
    message_u32(message, hello->board_id);
    message_u32(message, WIRE_TICK_HZ);
    message_u8(message, WIRE_INPUTS);
    message_u8(message, hello->reset_cause);
    message_tick(message, now);
    message_u32(message, hello->config_generation);
    message_u8(message, hello->asked);
    message_u8(message, hello->answered ? 1u : 0u);
}

/* A 32-bit time that is not later than `now`. */
INLINE_NEVER static void message_before(struct message *message, const struct tick *now, uint32_t then)
{
    const struct tick tick = tick_before(now, then);

    message_tick(message, &tick);
}

void message_masked(struct message *message, uint8_t input, const struct tick *now, uint32_t from_ticks,
                    uint32_t until_ticks)
{
    message_u8(message, input);
    message_before(message, now, from_ticks);
    message_before(message, now, until_ticks);
}

void message_pong(struct message *message, uint8_t asked, const struct tick *answer, uint32_t ping_ticks)
{
    message_u8(message, asked);
    message_before(message, answer, ping_ticks);
    message_tick(message, answer);
}

void message_result(struct message *message, uint8_t asked, uint8_t request, uint8_t code)
{
    message_u8(message, asked);
    message_u8(message, request);
    message_u8(message, code);
}

void message_config_data(struct message *message, uint8_t asked, uint32_t generation, uint16_t length, uint16_t offset)
{
    message_u8(message, asked);
    message_u32(message, generation);
    message_u16(message, length);
    message_u16(message, offset);
}

static uint16_t message_read_u16(const uint8_t *bytes)
{
    return (uint16_t)(bytes[0] | (uint16_t)(bytes[1] << 8));
}

uint8_t message_parse(const uint8_t *frame, uint8_t length, struct message_request *request)
{
    const uint8_t *payload = frame + 2;
    const uint8_t bytes = (uint8_t)(length - WIRE_OVERHEAD);
    uint8_t wanted = 0;

    request->type = frame[0];
    request->sequence = frame[1];
    request->stream_on = payload[0] == 1u;
    request->offset = request->length = message_read_u16(payload);
    request->crc = message_read_u16(payload + 2);
    request->count = payload[2];
    request->bytes = payload + 2;
    switch (request->type) {
    case WIRE_ASK_HELLO:
    case WIRE_PING:
        break;
    case WIRE_STREAM:
        wanted = 1;
        break;
    case WIRE_CONFIG_READ:
        wanted = 3;
        break;
    case WIRE_CONFIG_WRITE:
        request->count = (uint8_t)(bytes - 2u);
        wanted = bytes < 3u ? 3u : bytes;
        break;
    case WIRE_CONFIG_COMMIT:
        wanted = 4;
        break;
    default:
        return WIRE_UNKNOWN_TYPE;
    }
    if (bytes != wanted) {
        return WIRE_BAD_LENGTH;
    }
    return request->type == WIRE_STREAM && payload[0] > 1u ? WIRE_BAD_VALUE : WIRE_OK;
}
