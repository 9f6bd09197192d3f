/* What do the board's messages look like, and what does a host ask for?  See message.h. */
#include "message.h"

#include "flash.h"
#include "frame.h"
#include "inline.h"
#include "version.h"

struct message message;

/* value >> 7: one place up and a byte down, since this processor shifts by one place at a time. */
INLINE_ALWAYS uint32_t message_seventh(uint32_t value)
{
    const uint32_t twice = value << 1;

    return (twice >> 8) | ((value & 0x80000000ul) != 0u ? 1ul << 24 : 0u);
}

uint8_t *message_put_var(uint8_t *end, uint32_t value)
{
    while (value >= 0x80u) {
        *end++ = (uint8_t)value | 0x80u;
        value = message_seventh(value);
    }
    *end++ = (uint8_t)value;
    return end;
}

void message_u8(uint8_t value)
{
    *message.end++ = value;
}

INLINE_NEVER static void message_bytes(const void *bytes, uint8_t count)
{
    const uint8_t *at = bytes;

    for (; count != 0u; count--) {
        message_u8(*at++);
    }
}

void message_u16(uint16_t value)
{
    message_u8((uint8_t)value);
    message_u8((uint8_t)(value >> 8));
}

void message_u32(uint32_t value)
{
    message_u16((uint16_t)value);
    message_u16((uint16_t)(value >> 16));
}

INLINE_NEVER void message_u32_at(const void *value)
{
    message_bytes(value, 4);
}

INLINE_NEVER void message_tick(const struct tick *tick)
{
    message_bytes(tick, sizeof *tick);
}

INLINE_NEVER void message_tick_before(const struct tick *clock, uint32_t then_ticks)
{
    const struct tick then = tick_before(clock, then_ticks);

    message_tick(&then);
}

void message_var(uint32_t value)
{
    message.end = message_put_var(message.end, value);
}

void message_begin(uint8_t *line, uint8_t type, uint8_t sequence)
{
    message.line = line;
    message.end = line + FRAME_CODE_BYTES;
    message_u8(type);
    message_u8(sequence);
}

uint8_t message_close(void)
{
    return frame_close(message.line, (uint8_t)(message.end - message.line - (int)FRAME_CODE_BYTES));
}

void message_hello(const struct message_hello *hello)
{
    message_u16(WIRE_PROTOCOL | VERSION_MAJOR << 8);     /* two fields at a time: one call */
    message_u16(VERSION_MINOR | VERSION_PATCH << 8);
    message_u8(hello->board_kind);
    message_u32_at(hello->board_id);
    message_u32(WIRE_TICK_HZ);
    message_u8(WIRE_INPUTS);
    message_u8(hello->reset_cause);
    message_tick(hello->now);
    message_u32_at(hello->config_generation);
    message_u8(hello->asked);
    message_u8(hello->answered ? 1u : 0u);
}

void message_masked(uint8_t input, const struct tick *clock, uint32_t from_ticks, uint32_t until_ticks)
{
    message_u8(input);
    message_tick_before(clock, from_ticks);
    message_tick_before(clock, until_ticks);
}

void message_pong(uint8_t asked, uint32_t ping_ticks, const struct tick *answer)
{
    message_u8(asked);
    message_tick_before(answer, ping_ticks);
    message_tick(answer);
}

void message_result(uint8_t asked, uint8_t request, uint8_t code)
{
    message_u8(asked);
    message_u8(request);
    message_u8(code);
}

void message_config_data(uint8_t asked, const uint32_t *generation, uint16_t length,
                         uint16_t offset)
{
    message_u8(asked);
    message_u32_at(generation);
    message_u16(length);
    message_u16(offset);
}

/* Bytes of payload of each request, from ASK_HELLO on; of CONFIG_WRITE the fewest. */
static const uint8_t message_request_bytes[] FLASH = { 0, 0, 1, 3, 3, 4 };

uint8_t message_check(const struct message_request *request, uint8_t length)
{
    const uint8_t bytes = (uint8_t)(length - WIRE_OVERHEAD);
    const uint8_t at = (uint8_t)(request->type - WIRE_ASK_HELLO);
    uint8_t wanted;

    if (at >= sizeof message_request_bytes) {
        return WIRE_UNKNOWN_TYPE;
    }
    wanted = flash_byte(&message_request_bytes[at]);
    if (bytes < wanted || (bytes != wanted && request->type != WIRE_CONFIG_WRITE)) {
        return WIRE_BAD_LENGTH;
    }
    return request->type == WIRE_STREAM && request->on > 1u ? WIRE_BAD_VALUE : WIRE_OK;
}
