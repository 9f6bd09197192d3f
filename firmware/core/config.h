/* Which settings has the board, and which values may they have?  PROTOCOL.md section 8 lists them.
 *
 * Pure; main loop only. */
#ifndef CONFIG_H
#define CONFIG_H

#include <stdbool.h>
#include <stdint.h>

#include "wire.h"

#define CONFIG_VERSION 2u
#define CONFIG_ANGLES_MAX 60u
#define CONFIG_FIXED_BYTES 59u      /* before the angles */
#define CONFIG_LENGTH (CONFIG_FIXED_BYTES + 2u * CONFIG_ANGLES_MAX)

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

/* Becomes that of a board that was never told anything. */
void config_reset(struct config *config);

/* What the buttons on the board can change. */
struct config_change {
    uint8_t unit;
    uint8_t wheel_targets;         /* 0: leave wheel and targets as they are */
    uint32_t circumference_um;
};

/* Is every value one that may be, and are they at one with each other?  The angles, which lie elsewhere, apart. */
bool config_sound(const struct config *config);

/* Makes a change: the first change of a wheel chooses its input, and other targets end the angles. */
void config_apply(struct config *config, const struct config_change *change);

#endif
