/* What does the board remember without power, and how does it survive damage?
 *
 * Two slots in the EEPROM, written in turn; the one with the higher generation that is undamaged is in force.  A slot:
 *
 *   offset  bytes  field
 *   0       1      length of the configuration (CONFIG_LENGTH); 0xFF while the slot is being written, or never was
 *   1       4      generation, from 1, one more at every commit
 *   5       179    the configuration, as on the line (PROTOCOL.md section 8)
 *   184     2      CRC-16/IBM-3740 of all before it, low byte first
 *
 * The slot in force is never touched.  A host's bytes go straight into the other one, whose length is made invalid first
 * and written last: one byte changes which slot is in force.  Memory holds the first bytes of the configuration only; the
 * angles behind them stay in the EEPROM.
 *
 * Main loop only.  The EEPROM is read through a function that is passed in, and written by the caller. */
#ifndef SLOTS_H
#define SLOTS_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"

#define SLOTS 2u
#define SLOTS_SPACING 256u          /* EEPROM addresses 0 and 256 */
#define SLOTS_HEADER_BYTES 5u
#define SLOTS_BYTES (SLOTS_HEADER_BYTES + CONFIG_LENGTH + 2u)

_Static_assert(SLOTS_BYTES <= SLOTS_SPACING, "slots may not overlap");

/* A byte of the EEPROM; never called while one is being written. */
typedef uint8_t slots_read_function(uint16_t address);

enum slots_work { SLOTS_IDLE, SLOTS_STAGING, SLOTS_COPYING, SLOTS_CHECKING, SLOTS_SEALING };

struct slots_seal {
    uint32_t generation;
    uint16_t crc;                  /* of the slot, up to here */
} __attribute__((packed));

struct slots {
    uint32_t generation;           /* of the configuration in force; 0: the defaults */
    uint8_t flags;                 /* WIRE_FLAG_CONFIG_... */
    uint8_t next_slot;             /* the one that is written next */
    bool stored;                   /* the configuration in force stands in the other one */
    enum slots_work work;
    bool tried;                    /* the byte at hand was written already */
    bool local;                    /* the change comes from the buttons: no host's CRC */
    uint8_t at;                    /* steps done */
    uint8_t count;                 /* staging: bytes of a host, and where they go */
    uint8_t offset;
    const uint8_t *bytes;
    uint16_t host_crc;
    uint16_t crc;                  /* of the configuration up to here */
    struct slots_seal seal;        /* of the next slot */
};

/* At start: finds the configuration in force. */
void slots_load(struct slots *slots, slots_read_function *read, struct config *config);

/* A byte of the configuration in force, as on the line; `at` is below CONFIG_LENGTH. */
uint8_t slots_byte(const struct slots *slots, const struct config *config, uint8_t at);

/* Three beginnings of a work, while slots->work is SLOTS_IDLE.  Each returns a RESULT code; after WIRE_OK call
 * slots_go_on() until it is done.
 * Bytes of a host, into the slot that is not in force; they must stay where they are until it is done. */
uint8_t slots_stage(struct slots *slots, uint16_t offset, const uint8_t *bytes, uint8_t count);

/* A host's commit of what it staged: all of the configuration, since the reset or the commit before. */
uint8_t slots_commit(struct slots *slots, uint16_t length, uint16_t crc);

/* A change by the buttons: in force at once, and written as well. */
void slots_change(struct slots *slots, struct config *config, const struct config_change *change);

/* What is to be done next. */
enum slots_turn { SLOTS_WRITE, SLOTS_AGAIN, SLOTS_DONE };

struct slots_next {
    uint16_t address;              /* SLOTS_WRITE: write this byte, and come again when it stands */
    uint8_t byte;
    uint8_t code;                  /* SLOTS_DONE: a RESULT code; a commit's WIRE_OK: `config` is the new one */
};

/* A piece of the work, a millisecond of this processor's time at most; never while a byte is being written. */
enum slots_turn slots_go_on(struct slots *slots, struct config *config, struct slots_next *next);

/* Where a slot begins in the EEPROM. */
static inline uint16_t slots_address(uint8_t slot)
{
    return (uint16_t)(slot * SLOTS_SPACING);
}

#endif
