/* Which settings has the board, and which values may they have?  See config.h. */
#include "config.h"

#include <stddef.h>

#include "flash.h"

void config_reset(struct config *config)
{
    static const struct config never_told = {
        .version = CONFIG_VERSION,
        .board_id = 0,
        .baud = CONFIG_BAUD_FAST,
        .mode = {
            CONFIG_MODE_ENABLED | CONFIG_MODE_PULL_UP,
            CONFIG_MODE_ENABLED | CONFIG_MODE_PULL_UP,
            CONFIG_MODE_ENABLED | CONFIG_MODE_PULL_UP,
        },
        .flood_edges = 12,    /* 24,000 edges/s, more than the line carries; 12 in a row keep the others waiting 90 us */
        .mask_ms = 20,
        .clock_u95_ppb = 0xFFFFFFFFul,
    };

    *config = never_told;
}

/* The single bytes from `baud` to `fast_targets`: least and most. */
static const struct { uint8_t least; uint8_t most; } config_limits[] FLASH = {
    { CONFIG_BAUD_FAST, CONFIG_BAUD_SLOW },
    { 0, CONFIG_MODE_ALL }, { 0, CONFIG_MODE_ALL }, { 0, CONFIG_MODE_ALL },
    { CONFIG_FLOOD_EDGES_MIN, CONFIG_FLOOD_EDGES_MAX },
    { CONFIG_MASK_MS_MIN, CONFIG_MASK_MS_MAX },
    { CONFIG_UNIT_FT_PER_MIN, CONFIG_UNIT_M_PER_MIN },
    { 0, WIRE_INPUTS }, { 0, WIRE_INPUTS },
    { 0, CONFIG_TARGETS_MAX }, { 0, CONFIG_TARGETS_MAX },
};

_Static_assert(sizeof config_limits / 2u == offsetof(struct config, circumference_um) - offsetof(struct config, baud), "each byte has its limits");

bool config_sound(const struct config *config)
{
    const uint8_t *const bytes = (const uint8_t *)config;
    uint8_t at;

    for (at = 0; at < sizeof config_limits / 2u; at++) {
        const uint8_t value = bytes[offsetof(struct config, baud) + at];

        if (value < flash_byte(&config_limits[at].least) || value > flash_byte(&config_limits[at].most)) {
            return false;
        }
    }
    for (at = 0; at < 2u; at++) {            /* the wheel's, the fast one's */
        const uint8_t input = bytes[offsetof(struct config, wheel_input) + at];
        const uint8_t targets = bytes[offsetof(struct config, wheel_targets) + at];

        if (input != 0u && (targets == 0u || (config->mode[input - 1u] & CONFIG_MODE_ENABLED) == 0u)) {
            return false;
        }
    }
    return config->version == CONFIG_VERSION
        && (config->wheel_input == 0u || config->wheel_input != config->fast_input)
        && (config->circumference_um == 0u
            || config->circumference_um - CONFIG_CIRCUMFERENCE_MIN_UM <= CONFIG_CIRCUMFERENCE_MAX_UM - CONFIG_CIRCUMFERENCE_MIN_UM)
        && (uint32_t)config->clock_ppb + (uint32_t)CONFIG_CLOCK_PPB_MAX <= 2u * (uint32_t)CONFIG_CLOCK_PPB_MAX
        && (config->fastest_mm_per_min == 0u || config->fastest_mm_per_min > config->slowest_mm_per_min)
        && config->slip_limit_hundredths <= CONFIG_SLIP_LIMIT_MAX
        && (config->angles == 0u || config->angles == config->wheel_targets);
}

/* The first input that is switched on and not the fast one's; 0: none. */
static uint8_t config_free_input(const struct config *config)
{
    uint8_t input = 1;

    while (input <= WIRE_INPUTS
           && ((config->mode[input - 1u] & CONFIG_MODE_ENABLED) == 0u || input == config->fast_input)) {
        input++;
    }
    return input <= WIRE_INPUTS ? input : 0u;
}

void config_apply(struct config *config, const struct config_change *change)
{
    config->unit = change->unit;
    if (change->wheel_targets != 0u) {
        if (config->wheel_input == 0u) {
            config->wheel_input = config_free_input(config);
        }
        if (config->wheel_targets != change->wheel_targets) {
            config->wheel_targets = change->wheel_targets;
            config->angles = 0;
        }
        config->circumference_um = change->circumference_um;
    }
}
