/* How do bytes become frames, and frames bytes?  See frame.h. */
#include "frame.h"

/* frame_nibble[n] is the CRC of the nibble n: 32 bytes, where a table of bytes would take half of the board's memory. */
static const uint16_t frame_nibble[16] = {
    0x0000u, 0x1021u, 0x2042u, 0x3063u, 0x4084u, 0x50A5u, 0x60C6u, 0x70E7u,
    0x8108u, 0x9129u, 0xA14Au, 0xB16Bu, 0xC18Cu, 0xD1ADu, 0xE1CEu, 0xF1EFu,
};

_Static_assert(WIRE_CRC_POLY == 0x1021u, "frame_nibble belongs to this polynomial");

uint16_t frame_crc(uint16_t crc, uint8_t byte)
{
    crc = (uint16_t)((uint16_t)(crc << 4) ^ frame_nibble[((crc >> 12) ^ (byte >> 4)) & 0x0Fu]);
    crc = (uint16_t)((uint16_t)(crc << 4) ^ frame_nibble[((crc >> 12) ^ byte) & 0x0Fu]);
    return crc;
}

uint8_t frame_close(uint8_t *line, uint8_t length)
{
    uint8_t *code = line;
    uint8_t *end = line + FRAME_CODE_BYTES + length;
    uint16_t crc = WIRE_CRC_INIT;
    uint8_t *at;
    uint8_t distance = 1;

    for (at = line + FRAME_CODE_BYTES; at != end; at++) {
        crc = frame_crc(crc, *at);
    }
    *end++ = (uint8_t)crc;
    *end++ = (uint8_t)(crc >> 8);

    for (at = line + FRAME_CODE_BYTES; at != end; at++) {
        if (*at == 0u) {
            *code = distance;
            code = at;
            distance = 0;
        }
        distance++;
    }
    *code = distance;
    *end = WIRE_DELIMITER;
    return (uint8_t)(length + FRAME_CODE_BYTES + FRAME_CRC_BYTES + 1u);
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
    uint16_t crc = WIRE_CRC_INIT;
    uint8_t at;

    if (decoder->length < WIRE_OVERHEAD || decoder->length > FRAME_REQUEST_MAX) {
        return false;
    }
    for (at = 0; at < decoder->length - FRAME_CRC_BYTES; at++) {
        crc = frame_crc(crc, decoder->bytes[at]);
    }
    return decoder->bytes[at] == (uint8_t)crc && decoder->bytes[at + 1u] == (uint8_t)(crc >> 8);
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
