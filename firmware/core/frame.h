/* How do bytes become frames, and frames bytes?  COBS (Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2),
 * 1999) between zero bytes, with the CRC-16/IBM-3740 at the end of each frame, low byte first.
 *
 * Main loop only.  No state but what is passed in. */
#ifndef FRAME_H
#define FRAME_H

#include <stdbool.h>
#include <stdint.h>

#include "wire.h"

#define FRAME_CODE_BYTES 1u        /* COBS adds one byte in front of a frame this short */
#define FRAME_CRC_BYTES 2u
#define FRAME_LINE_MAX (FRAME_CODE_BYTES + WIRE_FRAME_MAX + 1u)   /* with its delimiter */
#define FRAME_REQUEST_MAX 20u      /* longest frame a board accepts, before COBS */

_Static_assert(WIRE_FRAME_MAX <= 253u, "frame_cobs_close() adds no block in the middle of a longer one");

/* One more byte into the CRC, which starts as WIRE_CRC_INIT. */
uint16_t frame_crc(uint16_t crc, uint8_t byte);

/* COBS in place: writes the codes of the `length` bytes at line[1], the first at line[0], and the delimiter behind them.
 * No more than 253 bytes may stand before, between or after zeros; 254 only at the very end. */
void frame_cobs_close(uint8_t *line, uint8_t length);

/* Makes a frame of the `length` bytes at line[1]: appends the CRC, then COBS.  Needs length + 4 bytes of room, and
 * length + 2 <= WIRE_FRAME_MAX.  Returns the bytes on the line. */
uint8_t frame_close(uint8_t *line, uint8_t length);

/* COBS, one byte in, at most one out, any length. */
struct frame_cobs {
    uint8_t left;              /* bytes until the next code */
    bool zero_due;             /* a zero stands before the next block */
};

enum frame_cobs_step { FRAME_COBS_NOTHING, FRAME_COBS_BYTE, FRAME_COBS_END, FRAME_COBS_BROKEN };

/* FRAME_COBS_END and FRAME_COBS_BROKEN (a delimiter inside a block) leave the state ready for the next frame.  END of
 * nothing at all (two delimiters in a row) also reads END; the caller has then seen no byte. */
enum frame_cobs_step frame_cobs_feed(struct frame_cobs *cobs, uint8_t byte, uint8_t *out);

/* Frames from the host. */
struct frame_decoder {
    struct frame_cobs cobs;
    bool begun;                              /* a byte has come since the last delimiter */
    uint8_t length;                          /* of the frame, CRC included; larger than the buffer: too long */
    uint8_t bytes[FRAME_REQUEST_MAX];        /* type, sequence, payload, CRC */
};

enum frame_event { FRAME_NONE, FRAME_READY, FRAME_DAMAGED };

/* After FRAME_READY the frame stands in bytes[0 .. length) and its CRC is right, until the next call. */
enum frame_event frame_feed(struct frame_decoder *decoder, uint8_t byte);

#endif
