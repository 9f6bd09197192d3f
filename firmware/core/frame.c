/* How do bytes become frames, and frames bytes?  See frame.h. */
#include "frame.h"

#include "inline.h"

_Static_assert(WIRE_CRC_POLY == 0x1021u, "the shifts below are this polynomial");

/* Eight steps of the division at once: with x^16 = x^12 + x^5 + 1, the byte t that leaves at the top, once t has
 * absorbed its own upper half (t ^= t >> 4), comes back as t x^12 + t x^5 + t.  Bytes only, no table: as fast as a table
 * of bytes would be on this processor, and free. */
INLINE_ALWAYS uint16_t frame_crc_step(uint16_t crc, uint8_t byte)
{
    const uint8_t low = (uint8_t)crc;
    uint8_t top = (uint8_t)((uint8_t)(crc >> 8) ^ byte);
    uint8_t high;

    top ^= (uint8_t)(top >> 4);
    high = (uint8_t)(low ^ (uint8_t)(top << 4) ^ (top >> 3));
    return (uint16_t)((uint16_t)(high << 8) | (uint8_t)((uint8_t)(top << 5) ^ top));
}

INLINE_NEVER uint16_t frame_crc(uint16_t crc, uint8_t byte)
{
    return frame_crc_step(crc, byte);
}

void frame_cobs_close(uint8_t *line, uint8_t length)
{
    uint8_t *code = line;
    uint8_t *at = line + FRAME_CODE_BYTES;

    for (; length != 0u; length--) {
        if (*at == 0u) {
            *code = (uint8_t)(at - code);
            code = at;
        }
        at++;
    }
    *code = (uint8_t)(at - code);
    *at = WIRE_DELIMITER;
}

uint8_t frame_close(uint8_t *line, uint8_t length)
{
    uint8_t *at = line + FRAME_CODE_BYTES;
    uint16_t crc = WIRE_CRC_INIT;
    uint8_t left;

    for (left = length; left != 0u; left--) {
        crc = frame_crc_step(crc, *at++);
    }
    at[0] = (uint8_t)crc;
    at[1] = (uint8_t)(crc >> 8);
    length = (uint8_t)(length + FRAME_CRC_BYTES);
    frame_cobs_close(line, length);
    return (uint8_t)(length + FRAME_CODE_BYTES + 1u);
}

enum frame_cobs_step frame_cobs_feed(struct frame_cobs *cobs, uint8_t byte, uint8_t *out)
{
    const struct frame_cobs fresh = { 0, false };
    bool zero_before;

    if (byte == WIRE_DELIMITER) {
        const bool whole = cobs->left == 0u;

        *cobs = fresh;
        return whole ? FRAME_COBS_END : FRAME_COBS_BROKEN;
    }
    if (cobs->left != 0u) {
        cobs->left--;
        *out = byte;
        return FRAME_COBS_BYTE;
    }
    zero_before = cobs->zero_due;
    cobs->left = (uint8_t)(byte - 1u);
    cobs->zero_due = byte != 0xFFu;
    *out = 0u;
    return zero_before ? FRAME_COBS_BYTE : FRAME_COBS_NOTHING;
}

static bool frame_whole(const struct frame_decoder *decoder)
{
    const uint8_t *at = decoder->bytes;
    uint16_t crc = WIRE_CRC_INIT;
    uint8_t left;

    if (decoder->length < WIRE_OVERHEAD || decoder->length > FRAME_REQUEST_MAX) {
        return false;
    }
    for (left = (uint8_t)(decoder->length - FRAME_CRC_BYTES); left != 0u; left--) {
        crc = frame_crc(crc, *at++);
    }
    return frame_crc(frame_crc(crc, at[1]), at[0]) == 0u;    /* high byte first, it divides what stands before to nothing */
}

enum frame_event frame_feed(struct frame_decoder *decoder, uint8_t byte)
{
    uint8_t out = 0;
    enum frame_event event = FRAME_NONE;

    if (!decoder->begun) {
        if (byte == WIRE_DELIMITER) {
            return FRAME_NONE;
        }
        decoder->length = 0;
    }
    decoder->begun = byte != WIRE_DELIMITER;
    switch (frame_cobs_feed(&decoder->cobs, byte, &out)) {
    case FRAME_COBS_BYTE:
        if (decoder->length < FRAME_REQUEST_MAX) {
            decoder->bytes[decoder->length] = out;
        }
        if (decoder->length <= FRAME_REQUEST_MAX) {
            decoder->length++;
        }
        break;
    case FRAME_COBS_END:
        event = frame_whole(decoder) ? FRAME_READY : FRAME_DAMAGED;
        break;
    case FRAME_COBS_BROKEN:
        event = FRAME_DAMAGED;
        break;
    case FRAME_COBS_NOTHING:
        break;
    }
    return event;
}
