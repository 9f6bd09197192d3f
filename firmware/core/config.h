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
#ifndef CONFIG_H
#define CONFIG_H

#include <stdbool.h>
#include <stdint.h>

#include "wire.h"

#define CONFIG_VERSION 2u
#define CONFIG_ANGLES_MAX 60u
#define CONFIG_FIXED_BYTES 59u      /* before the angles */
#define CONFIG_LENGTH (CONFIG_FIXED_BYTES + 2u * CONFIG_ANGLES_MAX)
#define CONFIG_HEADER_BYTES 5u
#define CONFIG_SLOT_BYTES (CONFIG_HEADER_BYTES + CONFIG_LENGTH + 2u)
#define CONFIG_SLOTS 2u
#define CONFIG_SLOT_SPACING 256u    /* EEPROM addresses 0 and 256 */

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

#define CONFIG_UNIT_FT_PER_MIN 0u
#define CONFIG_UNIT_M_PER_MIN 1u
#define CONFIG_TARGETS_MAX 60u
#define CONFIG_CIRCUMFERENCE_MIN_UM 10000ul        /* 10 mm, a wheel of 3 mm */
#define CONFIG_CIRCUMFERENCE_MAX_UM 20000000ul     /* 20 m, a wheel of 6.4 m: speeds stay within 32 bits */
#define CONFIG_CLOCK_PPB_MAX 50000000l             /* 5 %, ten times what a ceramic resonator is off by */
#define CONFIG_SLIP_LIMIT_MAX 10000u               /* 100 % */

_Static_assert(CONFIG_SLOT_BYTES <= CONFIG_SLOT_SPACING, "slots may not overlap");
_Static_assert(__BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__, "struct config lies in memory as on the line");

/* The first bytes of the configuration, as on the line and in the EEPROM. */
struct config {
    uint8_t version;
    uint32_t board_id;
    uint8_t baud;
    uint8_t mode[WIRE_INPUTS];
    uint8_t flood_edges;           /* edges an input may make in a window of FLOOD_WINDOW_MICROSECONDS */
    uint8_t mask_ms;               /* time an input is not listened to after it made more */
    uint8_t unit;                  /* of the display's first line */
    uint8_t wheel_input;           /* 1 to 3; 0: none */
    uint8_t fast_input;            /* 1 to 3: on motor or driven shaft; 0: none */
    uint8_t wheel_targets;
    uint8_t fast_targets;
    uint32_t circumference_um;     /* of blade, per turn of the wheel; 0: not set */
    int32_t clock_ppb;             /* true tick rate / nominal - 1 */
    uint32_t clock_u95_ppb;        /* all ones: never measured */
    uint16_t clock_day;            /* days since 2000-01-01; 0: never */
    uint16_t settings_day;
    uint32_t ratio_millionths[4];  /* turns of the fast shaft per wheel turn, for each gear; 0: none */
    uint32_t slowest_mm_per_min;   /* alarms; 0: none */
    uint32_t fastest_mm_per_min;
    uint16_t slip_limit_hundredths;        /* of a percent */
    uint8_t angles;                /* 0, or as many as targets */
} __attribute__((packed));

_Static_assert(sizeof(struct config) == CONFIG_FIXED_BYTES, "no gaps");

/* The configuration of a board that was never told anything. */
extern const struct config config_default;

/* A byte of the EEPROM; never called while one is being written. */
typedef uint8_t config_read_function(uint16_t address);

/* What the buttons on the board can change. */
struct config_change {
    uint8_t unit;
    uint8_t wheel_targets;         /* 0: leave wheel and targets as they are */
    uint32_t circumference_um;
};

enum config_work { CONFIG_IDLE, CONFIG_STAGING, CONFIG_COPYING, CONFIG_CHECKING, CONFIG_SEALING };

struct config_seal {
    uint32_t generation;
    uint16_t crc;                  /* of the slot, up to here */
} __attribute__((packed));

struct config_store {
    uint32_t generation;           /* of the configuration in force; 0: the defaults */
    uint8_t flags;                 /* WIRE_FLAG_CONFIG_... */
    uint8_t next_slot;             /* the one that is written next */
    bool stored;                   /* the configuration in force stands in the other one */
    enum config_work work;
    bool tried;                    /* the byte at hand was written already */
    bool local;                    /* the change comes from the buttons: no host's CRC */
    uint8_t at;                    /* steps done */
    uint8_t count;                 /* staging: bytes of a host, and where they go */
    uint8_t offset;
    const uint8_t *bytes;
    uint16_t host_crc;
    uint16_t crc;                  /* of the configuration up to here */
    struct config_seal seal;       /* of the next slot */
};

/* At start: finds the configuration in force. */
void config_load(struct config_store *store, config_read_function *read, struct config *config);

/* A byte of the configuration in force, as on the line; `at` is below CONFIG_LENGTH. */
uint8_t config_byte(const struct config_store *store, const struct config *config, uint8_t at);

/* The place of a target, in 1/65536 turn; `target` is below config->angles. */
uint16_t config_angle(const struct config_store *store, uint8_t target);

/* Three beginnings of a work, while store->work is CONFIG_IDLE.  Each returns a RESULT code; after WIRE_OK call
 * config_go_on() until it is done.
 * Bytes of a host, into the slot that is not in force; they must stay where they are until it is done. */
uint8_t config_stage(struct config_store *store, uint16_t offset, const uint8_t *bytes, uint8_t count);

/* A host's commit of what it staged: all of the configuration, since the reset or the commit before. */
uint8_t config_commit(struct config_store *store, uint16_t length, uint16_t crc);

/* A change by the buttons: in force at once, and written as well. */
void config_begin_change(struct config_store *store, struct config *config, const struct config_change *change);

/* What is to be done next. */
enum config_turn { CONFIG_WRITE, CONFIG_AGAIN, CONFIG_DONE };

struct config_next {
    uint16_t address;              /* CONFIG_WRITE: write this byte, and come again when it stands */
    uint8_t byte;
    uint8_t code;                  /* CONFIG_DONE: a RESULT code; a commit's WIRE_OK: `config` is the new one */
};

/* A piece of the work, a millisecond of this processor's time at most; never while a byte is being written. */
enum config_turn config_go_on(struct config_store *store, struct config *config, struct config_next *next);

/* Where a slot begins in the EEPROM. */
static inline uint16_t config_address(uint8_t slot)
{
    return (uint16_t)(slot * CONFIG_SLOT_SPACING);
}

#endif
