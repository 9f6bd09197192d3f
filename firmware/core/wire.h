/* What do the bytes between board and host mean?  The only place where these numbers are written down;
 * the Python side is compared with this file by a test.  PROTOCOL.md explains every field.
 *
 * A frame, before COBS:  type u8 | sequence u8 | payload | CRC-16/IBM-3740 of all before it, low byte first.
 * On the line: COBS(frame) then one zero byte.  All integers are little-endian.  "var" is an unsigned
 * base-128 integer, low seven bits first, bit 7 set on every byte but the last. */
#ifndef WIRE_H
#define WIRE_H

#define WIRE_PROTOCOL 1u               /* raised when an old host or board could misread the new one */

#define WIRE_DELIMITER 0x00u
#define WIRE_FRAME_MAX 128u            /* bytes of type, sequence, payload and CRC together, before COBS */
#define WIRE_OVERHEAD 4u               /* type, sequence, CRC */
#define WIRE_CRC_INIT 0xFFFFu
#define WIRE_CRC_POLY 0x1021u
#define WIRE_CRC_CHECK 0x29B1u         /* CRC of "123456789", published check value */

#define WIRE_INPUTS 3u                 /* inputs of a batch and a status: 0 capture, 1 and 2 external interrupt */
#define WIRE_TICK_HZ 16000000u         /* nominal; hello says the board's own */
#define WIRE_BAUD_FAST 500000u
#define WIRE_BAUD_SLOW 115200u

/* board to host */
#define WIRE_HELLO 0x01u
#define WIRE_BATCH 0x02u
#define WIRE_STATUS 0x03u
#define WIRE_MASKED 0x04u
#define WIRE_PONG 0x05u
#define WIRE_CONFIG_DATA 0x06u
#define WIRE_RESULT 0x07u

/* host to board */
#define WIRE_ASK_HELLO 0x41u
#define WIRE_PING 0x42u
#define WIRE_STREAM 0x43u
#define WIRE_CONFIG_READ 0x44u
#define WIRE_CONFIG_WRITE 0x45u
#define WIRE_CONFIG_COMMIT 0x46u

#define WIRE_CONFIG_READ_MAX 115u      /* bytes of one CONFIG_READ: what fits into a frame */

/* RESULT codes */
#define WIRE_OK 0x00u
#define WIRE_BAD_LENGTH 0x01u
#define WIRE_BAD_VALUE 0x02u
#define WIRE_UNKNOWN_TYPE 0x03u
#define WIRE_NOT_SAVED 0x04u

/* HELLO: board kinds, reset causes (bit mask; none set means unknown) */
#define WIRE_BOARD_ATMEGA328P 0x01u
#define WIRE_BOARD_ATMEGA2560 0x02u
#define WIRE_RESET_POWER 0x01u
#define WIRE_RESET_PIN 0x02u
#define WIRE_RESET_BROWN_OUT 0x04u
#define WIRE_RESET_WATCHDOG 0x08u

/* STATUS flags */
#define WIRE_FLAG_CONFIG_DEFAULTS 0x01u   /* both stored copies were damaged or absent: defaults in force */
#define WIRE_FLAG_CONFIG_ONE_COPY 0x02u   /* one stored copy was damaged: the other is in force */
#define WIRE_FLAG_STREAMING 0x04u

/* timing promises, in milliseconds */
#define WIRE_BATCH_AFTER_PULSE_MS 20u
#define WIRE_BATCH_IDLE_MS 100u
#define WIRE_STATUS_MS 1000u

#define WIRE_INTERVAL_NONE 0xFFFFFFFFu    /* STATUS: fewer than two edges since the last status */
#endif
