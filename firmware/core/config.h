/* What does the board remember without power, and how does it survive damage?
 *
 * Two slots in the EEPROM, written in turn; the one with the higher generation that is undamaged is in force.  A slot:
 *
 *   offset  bytes  field
 *   0       1      length of the configuration (CONFIG_LENGTH); 0xFF while the slot is being written, or never was
 *   1       4      generation, from 1, one more at every commit
 *   5       11     the configuration, as on the line (PROTOCOL.md):
 *                    0 version u8, 1 board_id u32, 5 baud u8, 6 mode of input 1, 2, 3 u8 each, 9 flood_edges u8,
 *                    10 mask_ms u8
 *   16      2      CRC-16/IBM-3740 of all before it, low byte first
 *
 * The slot in force is never touched: a new one is written into the other, its length last.  Main loop only. */
#ifndef CONFIG_H
#define CONFIG_H

#include <stdbool.h>
#include <stdint.h>

#include "wire.h"

#define CONFIG_VERSION 1u
#define CONFIG_LENGTH 11u
#define CONFIG_HEADER_BYTES 5u
#define CONFIG_SLOT_BYTES (CONFIG_HEADER_BYTES + CONFIG_LENGTH + 2u)
#define CONFIG_SLOTS 2u
#define CONFIG_SLOT_SPACING 64u     /* EEPROM addresses 0 and 64 */

#define CONFIG_BAUD_FAST 0u
#define CONFIG_BAUD_SLOW 1u

#define CONFIG_MODE_ENABLED 0x01u
#define CONFIG_MODE_RISING 0x02u    /* else the falling edge is the pulse */
#define CONFIG_MODE_PULL_UP 0x04u   /* for open-collector sensors */
#define CONFIG_MODE_ALL 0x07u

#define CONFIG_FLOOD_EDGES_MIN 2u
#define CONFIG_FLOOD_EDGES_MAX 24u  /* three inputs at this rate leave the main loop a fifth of the processor */
#define CONFIG_MASK_MS_MIN 5u
#define CONFIG_MASK_MS_MAX 250u     /* a batch may wait for the end of a mask; 24-bit times are good for 1048 ms */

_Static_assert(CONFIG_SLOT_BYTES <= CONFIG_SLOT_SPACING, "slots may not overlap");

struct config {
    uint32_t board_id;
    uint8_t baud;
    uint8_t mode[WIRE_INPUTS];
    uint8_t flood_edges;           /* edges an input may make in a window of FLOOD_WINDOW_MICROSECONDS */
    uint8_t mask_ms;               /* time an input is not listened to after it made more */
};

/* The configuration of a board that was never told anything. */
extern const struct config config_default;

struct config_store {
    uint32_t generation;           /* of the configuration in force; 0: the defaults */
    uint8_t flags;                 /* WIRE_FLAG_CONFIG_... */
    uint8_t next_slot;             /* the one a commit writes */
    uint8_t image[CONFIG_SLOT_BYTES];   /* that slot as it will be; a host's bytes are staged in its middle */
    uint8_t writing;               /* steps of the writing still to do; 0 while no commit is on its way */
};

/* At start: reads both slots as they are in the EEPROM, fills in the configuration in force, and stages it. */
void config_load(struct config_store *store, const uint8_t slots[CONFIG_SLOTS][CONFIG_SLOT_BYTES],
                 struct config *config);

/* The configuration as on the line. */
void config_pack(const struct config *config, uint8_t bytes[CONFIG_LENGTH]);

/* Bytes of a host, staged until the commit.  Returns a RESULT code. */
uint8_t config_stage(struct config_store *store, uint16_t offset, const uint8_t *bytes, uint8_t count);

/* A host's commit: compares length and CRC with what is staged, and refuses values out of range.  Returns a RESULT code;
 * after WIRE_OK the writing has begun. */
uint8_t config_commit(struct config_store *store, uint16_t length, uint16_t crc);

/* While store->writing is not 0: what to write next.  The caller writes it, waits until it stands, and comes again. */
void config_next_write(struct config_store *store, uint16_t *address, uint8_t *byte);

/* After the last step: compares the slot read back from the EEPROM with what should stand there.  WIRE_OK: the new
 * configuration is in `config`; else WIRE_NOT_SAVED and nothing has changed. */
uint8_t config_finish(struct config_store *store, const uint8_t slot[CONFIG_SLOT_BYTES], struct config *config);

/* Where a slot begins in the EEPROM. */
static inline uint16_t config_address(uint8_t slot)
{
    return (uint16_t)(slot * CONFIG_SLOT_SPACING);
}

#endif
