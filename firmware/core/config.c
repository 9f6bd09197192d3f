/* What does the board remember without power, and how does it survive damage?  See config.h. */
#include "config.h"

#include <stddef.h>

#include "flash.h"
#include "frame.h"
#include "inline.h"

#define CONFIG_ERASED 0xFFu
#define CONFIG_CRC_AT (CONFIG_HEADER_BYTES + CONFIG_LENGTH)
#define CONFIG_PIECE 16u            /* bytes looked at in one call of config_go_on() */

const struct config config_default = {
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

/* The one EEPROM there is, so that it need not be named in every call. */
static config_read_function *config_read;

INLINE_NEVER static uint8_t config_cell(uint16_t address)
{
    return config_read(address);
}

INLINE_NEVER static void config_cells(uint16_t address, void *bytes, uint8_t count)
{
    uint8_t *at = bytes;

    while (count-- != 0u) {
        *at++ = config_cell(address++);
    }
}

static uint16_t config_u16(uint16_t address)
{
    uint16_t value;

    config_cells(address, &value, sizeof value);
    return value;
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

/* Are all values in range and at one with each other?  `address`: of the configuration in the EEPROM. */
static bool config_sound(const struct config *config, uint16_t address)
{
    const uint8_t *const bytes = (const uint8_t *)config;
    uint16_t before = 0;
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
    if (config->version != CONFIG_VERSION
        || (config->wheel_input != 0u && config->wheel_input == config->fast_input)
        || (config->circumference_um != 0u
            && config->circumference_um - CONFIG_CIRCUMFERENCE_MIN_UM > CONFIG_CIRCUMFERENCE_MAX_UM - CONFIG_CIRCUMFERENCE_MIN_UM)
        || (uint32_t)config->clock_ppb + (uint32_t)CONFIG_CLOCK_PPB_MAX > 2u * (uint32_t)CONFIG_CLOCK_PPB_MAX
        || (config->fastest_mm_per_min != 0u && config->fastest_mm_per_min <= config->slowest_mm_per_min)
        || config->slip_limit_hundredths > CONFIG_SLIP_LIMIT_MAX
        || (config->angles != 0u && config->angles != config->wheel_targets)) {
        return false;
    }
    address = (uint16_t)(address + CONFIG_FIXED_BYTES);
    for (at = 0; at < config->angles; at++) {
        const uint16_t angle = config_u16(address);

        if (at == 0u ? angle != 0u : angle <= before) {
            return false;
        }
        before = angle;
        address = (uint16_t)(address + 2u);
    }
    return true;
}

/* What follows is in the next slot. */
static uint16_t config_next_address(const struct config_store *store)
{
    return (uint16_t)(config_address(store->next_slot) + CONFIG_HEADER_BYTES);
}

/* Of the next slot, which has that generation. */
INLINE_NEVER static void config_begin_check(struct config_store *store, uint32_t generation)
{
    uint8_t at;

    store->work = CONFIG_CHECKING;
    store->at = 0;
    store->crc = WIRE_CRC_INIT;
    store->seal.generation = generation;
    store->seal.crc = frame_crc(WIRE_CRC_INIT, CONFIG_LENGTH);
    for (at = 0; at < sizeof store->seal.generation; at++) {
        store->seal.crc = frame_crc(store->seal.crc, ((const uint8_t *)&store->seal)[at]);
    }
}

/* A piece of the next slot's configuration; after the last, if all is good, it is to be sealed. */
INLINE_NEVER static enum config_turn config_go_on_checking(struct config_store *store)
{
    const uint16_t address = config_next_address(store);
    struct config found;
    uint8_t left;

    for (left = CONFIG_PIECE; left != 0u && store->at < CONFIG_LENGTH; left--) {
        const uint8_t byte = config_cell((uint16_t)(address + store->at));

        store->crc = frame_crc(store->crc, byte);
        store->seal.crc = frame_crc(store->seal.crc, byte);
        store->at++;
    }
    if (store->at < CONFIG_LENGTH) {
        return CONFIG_AGAIN;
    }
    config_cells(address, &found, CONFIG_FIXED_BYTES);
    if ((!store->local && store->crc != store->host_crc) || !config_sound(&found, address)) {
        return CONFIG_DONE;
    }
    store->work = CONFIG_SEALING;
    store->at = 0;
    store->tried = false;
    return CONFIG_AGAIN;
}

/* The next slot is in force. */
INLINE_NEVER static void config_take(struct config_store *store, struct config *config)
{
    config_cells(config_next_address(store), config, CONFIG_FIXED_BYTES);
    store->generation = store->seal.generation;
    store->next_slot = (uint8_t)(CONFIG_SLOTS - 1u - store->next_slot);
    store->stored = true;
    store->flags = 0;
}

/* The next slot, which begins there: whole, and of values this firmware understands. */
static bool config_slot_good(struct config_store *store, uint16_t start)
{
    uint32_t generation;

    if (config_cell(start) != CONFIG_LENGTH) {
        return false;
    }
    config_cells((uint16_t)(start + 1u), &generation, sizeof generation);
    if (generation == 0u) {
        return false;
    }
    config_begin_check(store, generation);
    store->local = true;
    do {
        if (config_go_on_checking(store) == CONFIG_DONE) {
            return false;
        }
    } while (store->work == CONFIG_CHECKING);
    return config_u16((uint16_t)(start + CONFIG_CRC_AT)) == store->seal.crc;
}

static bool config_slot_erased(uint16_t start)
{
    uint8_t left;

    for (left = CONFIG_SLOT_BYTES; left != 0u; left--) {
        if (config_cell(start++) != CONFIG_ERASED) {
            return false;
        }
    }
    return true;
}

INLINE_NEVER void config_load(struct config_store *store, config_read_function *read, struct config *config)
{
    uint8_t flags = 0;
    uint8_t slot = CONFIG_SLOTS;

    *config = config_default;
    config_read = read;
    store->generation = 0;
    store->stored = false;
    while (slot-- != 0u) {               /* downwards: if none is good, the first is written next */
        const uint16_t start = config_address(slot);

        store->next_slot = slot;
        if (config_slot_good(store, start)) {
            if (store->seal.generation > store->generation) {
                config_take(store, config);
            }
        } else if (!config_slot_erased(start)) {
            flags = WIRE_FLAG_CONFIG_ONE_COPY;
        }
    }
    store->work = CONFIG_IDLE;
    store->flags = store->stored ? flags : WIRE_FLAG_CONFIG_DEFAULTS;
}

static uint16_t config_in_force_address(const struct config_store *store)
{
    return (uint16_t)(config_address((uint8_t)(CONFIG_SLOTS - 1u - store->next_slot)) + CONFIG_HEADER_BYTES);
}

INLINE_NEVER uint8_t config_byte(const struct config_store *store, const struct config *config, uint8_t at)
{
    if (at < CONFIG_FIXED_BYTES) {
        return ((const uint8_t *)config)[at];
    }
    return store->stored ? config_cell((uint16_t)(config_in_force_address(store) + at)) : 0u;
}

uint16_t config_angle(const struct config_store *store, uint8_t target)
{
    return config_u16((uint16_t)(config_in_force_address(store) + CONFIG_FIXED_BYTES + 2u * target));
}

uint8_t config_stage(struct config_store *store, uint16_t offset, const uint8_t *bytes, uint8_t count)
{
    INLINE_POINTER(store);
    if (count == 0u || offset > CONFIG_LENGTH || count > CONFIG_LENGTH - offset) {
        return WIRE_BAD_LENGTH;
    }
    store->work = CONFIG_STAGING;
    store->at = 0;
    store->tried = false;
    store->offset = (uint8_t)offset;
    store->bytes = bytes;
    store->count = count;
    return WIRE_OK;
}

INLINE_NEVER uint8_t config_commit(struct config_store *store, uint16_t length, uint16_t crc)
{
    if (length != CONFIG_LENGTH) {
        return WIRE_BAD_LENGTH;
    }
    store->local = false;
    store->host_crc = crc;
    config_begin_check(store, store->generation + 1u);
    return WIRE_OK;
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

void config_begin_change(struct config_store *store, struct config *config, const struct config_change *change)
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
    store->local = true;
    store->work = CONFIG_COPYING;
    store->at = 0;
    store->tried = false;
}

/* Bytes into the next slot, each written where it does not stand there already.  Staging and copying first make the slot's
 * length invalid; sealing ends with it. */
static uint8_t config_go_on_writing(struct config_store *store, struct config *config, struct config_next *next)
{
    uint8_t left;

    for (left = CONFIG_PIECE; left != 0u; left--) {
        const uint8_t at = store->at;
        uint8_t offset = 0;
        uint8_t byte = CONFIG_ERASED;
        uint8_t last = CONFIG_LENGTH;

        if (store->work == CONFIG_SEALING) {
            last = sizeof store->seal;
            byte = CONFIG_LENGTH;
            if (at < last) {
                offset = (uint8_t)(at < sizeof store->seal.generation ? 1u + at : CONFIG_CRC_AT - 4u + at);
                byte = ((const uint8_t *)&store->seal)[at];
            }
        } else if (store->work == CONFIG_STAGING) {
            last = store->count;
            if (at != 0u) {
                offset = (uint8_t)(CONFIG_HEADER_BYTES - 1u + store->offset + at);
                byte = store->bytes[at - 1u];
            }
        } else if (at != 0u) {
            offset = (uint8_t)(CONFIG_HEADER_BYTES - 1u + at);
            byte = config_byte(store, config, (uint8_t)(at - 1u));
        }
        next->address = (uint16_t)(config_address(store->next_slot) + offset);
        next->byte = byte;
        if (config_cell(next->address) != byte) {
            if (store->tried) {
                return CONFIG_DONE;                  /* the cell does not hold it */
            }
            store->tried = true;
            return CONFIG_WRITE;
        }
        store->tried = false;
        store->at++;
        if (at == last) {
            if (store->work == CONFIG_COPYING) {
                config_begin_check(store, store->generation + 1u);
                return CONFIG_AGAIN;
            }
            if (store->work == CONFIG_SEALING) {
                config_take(store, config);
            }
            next->code = WIRE_OK;
            return CONFIG_DONE;
        }
    }
    return CONFIG_AGAIN;
}

enum config_turn config_go_on(struct config_store *store, struct config *config, struct config_next *next)
{
    uint8_t turn = CONFIG_DONE;

    INLINE_POINTER(store);
    next->code = WIRE_NOT_SAVED;
    if (store->work == CONFIG_CHECKING) {
        next->code = WIRE_BAD_VALUE;
        turn = config_go_on_checking(store);
    } else if (store->work != CONFIG_IDLE) {
        turn = config_go_on_writing(store, config, next);
    }
    if (turn == CONFIG_DONE) {
        store->work = CONFIG_IDLE;
    }
    return (enum config_turn)turn;
}
