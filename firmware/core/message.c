/* What do the board's messages look like, and what does a host ask for?  See message.h. */
#include "message.h"

#include "frame.h"
#include "version.h"

/* Put together from single bytes: this processor shifts by one place at a time. */
uint8_t *message_put_var(uint8_t *end, uint32_t value)
{
    const uint16_t low = (uint16_t)value;
    const uint16_t high = (uint16_t)(value >> 16);
    const uint8_t byte_0 = (uint8_t)low;
    const uint8_t byte_1 = (uint8_t)(low >> 8);
    const uint8_t byte_2 = (uint8_t)high;
    const uint8_t byte_3 = (uint8_t)(high >> 8);

    if (high == 0u && low < 0x80u) {
        *end++ = byte_0;
        return end;
    }
    *end++ = byte_0 | 0x80u;
    if (high == 0u && low < 0x4000u) {
        *end++ = (uint8_t)(byte_1 << 1) | (byte_0 >> 7);
        return end;
    }
    *end++ = (uint8_t)(byte_1 << 1) | (byte_0 >> 7) | 0x80u;
    if (high < 0x20u) {
        *end++ = (uint8_t)(byte_2 << 2) | (byte_1 >> 6);
        return end;
    }
    *end++ = (uint8_t)(byte_2 << 2) | (byte_1 >> 6) | 0x80u;
    if (high < 0x1000u) {
        *end++ = (uint8_t)(byte_3 << 3) | (byte_2 >> 5);
        return end;
    }
    *end++ = (uint8_t)(byte_3 << 3) | (byte_2 >> 5) | 0x80u;
    *end++ = byte_3 >> 4;
    return end;
}

void message_u8(struct message *message, uint8_t value)
{
    *message->end++ = value;
}

void message_u16(struct message *message, uint16_t value)
{
    message_u8(message, (uint8_t)value);
    message_u8(message, (uint8_t)(value >> 8));
}

void message_u32(struct message *message, uint32_t value)
{
    message_u16(message, (uint16_t)value);
    message_u16(message, (uint16_t)(value >> 16));
}

void message_tick(struct message *message, const struct tick *tick)
{
    message_u32(message, tick->low);
    message_u32(message, tick->high);
}

void message_var(struct message *message, uint32_t value)
{
    message->end = message_put_var(message->end, value);
}

void message_begin(struct message *message, uint8_t *line, uint8_t type, uint8_t sequence)
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

void message_masked(struct message *message, uint8_t input, const struct tick *from, const struct tick *until)
{
    message_u8(message, input);
    message_tick(message, from);
    message_tick(message, until);
}

void message_pong(struct message *message, uint8_t asked, const struct tick *ping, const struct tick *answer)
{
    message_u8(message, asked);
    message_tick(message, ping);
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

    request->type = frame[0];
    request->sequence = frame[1];
    switch (request->type) {
    case WIRE_ASK_HELLO:
    case WIRE_PING:
        if (bytes != 0u) {
            return WIRE_BAD_LENGTH;
        }
        return WIRE_OK;
    case WIRE_STREAM:
        if (bytes != 1u) {
            return WIRE_BAD_LENGTH;
        }
        request->stream_on = payload[0] == 1u;
        if (payload[0] > 1u) {
            return WIRE_BAD_VALUE;
        }
        return WIRE_OK;
    case WIRE_CONFIG_READ:
        if (bytes != 3u) {
            return WIRE_BAD_LENGTH;
        }
        request->offset = message_read_u16(payload);
        request->count = payload[2];
        return WIRE_OK;
    case WIRE_CONFIG_WRITE:
        if (bytes < 3u) {
            return WIRE_BAD_LENGTH;
        }
        request->offset = message_read_u16(payload);
        request->count = (uint8_t)(bytes - 2u);
        request->bytes = payload + 2;
        return WIRE_OK;
    case WIRE_CONFIG_COMMIT:
        if (bytes != 4u) {
            return WIRE_BAD_LENGTH;
        }
        request->length = message_read_u16(payload);
        request->crc = message_read_u16(payload + 2);
        return WIRE_OK;
    default:
        return WIRE_UNKNOWN_TYPE;
    }
}
