/* What does the board remember without power, and how does it survive damage?  See config.h. */
#include "config.h"

#include <stddef.h>

#include "flash.h"
#include "frame.h"
#include "inline.h"

#define CONFIG_ERASED 0xFFu
#define CONFIG_CRC_AT (CONFIG_HEADER_BYTES + CONFIG_LENGTH)
#define CONFIG_PIECE 16u            /* bytes looked at in one call of config_go_on() */
#define CONFIG_SEAL_BYTES 7u        /* generation, CRC, length */

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

/* Bytes of the EEPROM; numbers lie in it as in memory. */
INLINE_NEVER static void config_fetch(config_read_function *read, uint16_t address, void *to, uint8_t count)
{
    uint8_t *byte = to;

    while (count-- != 0u) {
        *byte++ = read(address++);
    }
}

/* The single bytes behind the board's id: the least and the most that each may be. */
static const uint8_t config_ranges[][2] FLASH = {
    { 0, CONFIG_BAUD_SLOW },
    { 0, CONFIG_MODE_ALL }, { 0, CONFIG_MODE_ALL }, { 0, CONFIG_MODE_ALL },
    { CONFIG_FLOOD_EDGES_MIN, CONFIG_FLOOD_EDGES_MAX },
    { CONFIG_MASK_MS_MIN, CONFIG_MASK_MS_MAX },
    { 0, CONFIG_UNIT_M_PER_MIN },
    { 0, WIRE_INPUTS }, { 0, WIRE_INPUTS },                    /* wheel and fast input, ... */
    { 0, CONFIG_TARGETS_MAX }, { 0, CONFIG_TARGETS_MAX },      /* ... and their targets */
};

_Static_assert(offsetof(struct config, baud) + sizeof config_ranges / 2u == offsetof(struct config, circumference_um),
               "a range for every byte from baud to fast_targets");

INLINE_NOT_COPIED static bool config_input_sound(const struct config *config, uint8_t input, uint8_t targets)
{
    return input == 0u || (targets != 0u && (config->mode[input - 1u] & CONFIG_MODE_ENABLED) != 0u);
}

/* Are all values in range and at one with each other?  `address`: of the configuration in the EEPROM. */
INLINE_NEVER static bool config_sound(const struct config *config, config_read_function *read, uint16_t address)
{
    const uint8_t *byte = &config->baud;
    uint16_t before = 0;
    uint8_t at;

    for (at = 0; at < sizeof config_ranges; at += 2u) {
        if (*byte < flash_byte(&config_ranges[0][0] + at) || *byte > flash_byte(&config_ranges[0][1] + at)) {
            return false;
        }
        byte++;
    }
    if (config->version != CONFIG_VERSION
        || !config_input_sound(config, config->wheel_input, config->wheel_targets)
        || !config_input_sound(config, config->fast_input, config->fast_targets)
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
        uint16_t angle;

        config_fetch(read, address, &angle, sizeof angle);
        if (at == 0u ? angle != 0u : angle <= before) {
            return false;
        }
        before = angle;
        address = (uint16_t)(address + 2u);
    }
    return true;
}

/* A slot that is whole, and of values this firmware understands. */
static bool config_slot_good(config_read_function *read, uint8_t slot, uint32_t *generation, struct config *found)
{
    const uint16_t start = config_address(slot);
    uint16_t crc = WIRE_CRC_INIT;
    uint16_t stored_crc;
    uint8_t at;

    if (read(start) != CONFIG_LENGTH) {
        return false;
    }
    for (at = 0; at < CONFIG_CRC_AT; at++) {
        crc = frame_crc(crc, read((uint16_t)(start + at)));
    }
    config_fetch(read, (uint16_t)(start + CONFIG_CRC_AT), &stored_crc, sizeof stored_crc);
    config_fetch(read, (uint16_t)(start + 1u), generation, sizeof *generation);
    config_fetch(read, (uint16_t)(start + CONFIG_HEADER_BYTES), found, CONFIG_FIXED_BYTES);
    return stored_crc == crc && config_sound(found, read, (uint16_t)(start + CONFIG_HEADER_BYTES));
}

static bool config_slot_erased(config_read_function *read, uint8_t slot)
{
    const uint16_t start = config_address(slot);
    uint8_t at;

    for (at = 0; at < CONFIG_SLOT_BYTES; at++) {
        if (read((uint16_t)(start + at)) != CONFIG_ERASED) {
            return false;
        }
    }
    return true;
}

INLINE_NOT_COPIED void config_load(struct config_store *store, config_read_function *read, struct config *config)
{
    const struct config_store nothing = { .read = read, .flags = WIRE_FLAG_CONFIG_DEFAULTS };
    struct config found;
    uint32_t generation;
    uint8_t damaged = 0;
    uint8_t slot;

    *config = config_default;
    *store = nothing;
    for (slot = 0; slot < CONFIG_SLOTS; slot++) {
        if (!config_slot_good(read, slot, &generation, &found)) {
            damaged |= config_slot_erased(read, slot) ? 0u : WIRE_FLAG_CONFIG_ONE_COPY;
        } else if (generation > store->generation) {
            *config = found;
            store->generation = generation;
            store->next_slot = (uint8_t)(CONFIG_SLOTS - 1u - slot);
            store->stored = true;
        }
    }
    if (store->stored) {
        store->flags = damaged;
    }
}

static uint16_t config_in_force_address(const struct config_store *store)
{
    return (uint16_t)(config_address((uint8_t)(CONFIG_SLOTS - 1u - store->next_slot)) + CONFIG_HEADER_BYTES);
}

uint8_t config_byte(const struct config_store *store, const struct config *config, uint8_t at)
{
    if (at < CONFIG_FIXED_BYTES) {
        return ((const uint8_t *)config)[at];
    }
    return store->stored ? store->read((uint16_t)(config_in_force_address(store) + at)) : 0u;
}

uint16_t config_angle(const struct config_store *store, uint8_t target)
{
    uint16_t angle;

    config_fetch(store->read, (uint16_t)(config_in_force_address(store) + CONFIG_FIXED_BYTES + 2u * target), &angle,
                 sizeof angle);
    return angle;
}

INLINE_NOT_COPIED static void config_begin_fill(struct config_store *store, bool local, uint8_t offset, uint8_t count)
{
    store->work = CONFIG_FILLING;
    store->at = 0;
    store->tried = false;
    store->local = local;
    store->offset = offset;
    store->count = count;
}

uint8_t config_stage(struct config_store *store, uint16_t offset, const uint8_t *bytes, uint8_t count)
{
    if (count == 0u || offset > CONFIG_LENGTH || count > CONFIG_LENGTH - offset) {
        return WIRE_BAD_LENGTH;
    }
    store->bytes = bytes;
    config_begin_fill(store, false, (uint8_t)offset, count);
    return WIRE_OK;
}

INLINE_NOT_COPIED static void config_begin_check(struct config_store *store)
{
    store->work = CONFIG_CHECKING;
    store->at = 0;
    store->crc = WIRE_CRC_INIT;
    store->slot_crc = frame_crc(WIRE_CRC_INIT, CONFIG_LENGTH);
    {
        const uint32_t generation = store->generation + 1u;
        uint8_t at;

        for (at = 0; at < 4u; at++) {
            store->slot_crc = frame_crc(store->slot_crc, ((const uint8_t *)&generation)[at]);
        }
    }
}

uint8_t config_commit(struct config_store *store, uint16_t length, uint16_t crc)
{
    if (length != CONFIG_LENGTH) {
        return WIRE_BAD_LENGTH;
    }
    store->local = false;
    store->host_crc = crc;
    config_begin_check(store);
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
    config_begin_fill(store, true, 0, CONFIG_LENGTH);
}

/* While filling the first step makes the slot's length invalid.
 *
 * Sees to it that a byte of the next slot is this one: HOLDS when it is; CONFIG_WRITE when it must be written; CONFIG_DONE
 * when it was, and the cell does not hold it. */
enum { CONFIG_HOLDS = CONFIG_AGAIN };

INLINE_NEVER static uint8_t config_bring(struct config_store *store, uint8_t offset, uint8_t byte,
                                         struct config_next *next)
{
    next->address = (uint16_t)(config_address(store->next_slot) + offset);
    next->byte = byte;
    if (store->read(next->address) == byte) {
        store->tried = false;
        return CONFIG_HOLDS;
    }
    if (store->tried) {
        next->code = WIRE_NOT_SAVED;
        return CONFIG_DONE;
    }
    store->tried = true;
    return CONFIG_WRITE;
}

/* Bytes of a host (`bytes`), or all of the configuration in force. */
static uint8_t config_go_on_filling(struct config_store *store, const struct config *config, struct config_next *next)
{
    uint8_t left;

    for (left = CONFIG_PIECE; left != 0u; left--) {
        uint8_t offset = 0;
        uint8_t byte = CONFIG_ERASED;
        uint8_t turn;

        if (store->at != 0u) {
            const uint8_t at = (uint8_t)(store->at - 1u);

            offset = (uint8_t)(CONFIG_HEADER_BYTES + store->offset + at);
            byte = store->local ? config_byte(store, config, at) : store->bytes[at];
        }
        turn = config_bring(store, offset, byte, next);
        if (turn != CONFIG_HOLDS) {
            return turn;
        }
        if (store->at == store->count) {
            if (store->local) {
                config_begin_check(store);
                break;
            }
            next->code = WIRE_OK;
            return CONFIG_DONE;
        }
        store->at++;
    }
    return CONFIG_AGAIN;
}

static uint8_t config_go_on_checking(struct config_store *store, struct config_next *next)
{
    const uint16_t address = (uint16_t)(config_address(store->next_slot) + CONFIG_HEADER_BYTES);
    struct config found;
    uint8_t left;

    for (left = CONFIG_PIECE; left != 0u && store->at < CONFIG_LENGTH; left--) {
        const uint8_t byte = store->read((uint16_t)(address + store->at));

        store->crc = frame_crc(store->crc, byte);
        store->slot_crc = frame_crc(store->slot_crc, byte);
        store->at++;
    }
    if (store->at < CONFIG_LENGTH) {
        return CONFIG_AGAIN;
    }
    config_fetch(store->read, address, &found, CONFIG_FIXED_BYTES);
    if ((!store->local && store->crc != store->host_crc) || !config_sound(&found, store->read, address)) {
        next->code = WIRE_BAD_VALUE;
        return CONFIG_DONE;
    }
    store->work = CONFIG_SEALING;
    store->at = 0;
    store->tried = false;
    return CONFIG_AGAIN;
}

/* Generation and CRC, then the length, which puts the slot in force. */
INLINE_NOT_COPIED static uint8_t config_go_on_sealing(struct config_store *store, struct config *config, struct config_next *next)
{
    const uint32_t generation = store->generation + 1u;

    while (store->at < CONFIG_SEAL_BYTES) {
        uint8_t offset = 0;
        uint8_t byte = CONFIG_LENGTH;
        uint8_t turn;

        if (store->at < 4u) {
            offset = (uint8_t)(1u + store->at);
            byte = ((const uint8_t *)&generation)[store->at];
        } else if (store->at < 6u) {
            offset = (uint8_t)(CONFIG_CRC_AT + store->at - 4u);
            byte = ((const uint8_t *)&store->slot_crc)[store->at - 4u];
        }
        turn = config_bring(store, offset, byte, next);
        if (turn != CONFIG_HOLDS) {
            return turn;
        }
        store->at++;
    }
    config_fetch(store->read, (uint16_t)(config_address(store->next_slot) + CONFIG_HEADER_BYTES), config,
                 CONFIG_FIXED_BYTES);
    store->generation = generation;
    store->next_slot = (uint8_t)(CONFIG_SLOTS - 1u - store->next_slot);
    store->stored = true;
    store->flags &= (uint8_t)~(WIRE_FLAG_CONFIG_DEFAULTS | WIRE_FLAG_CONFIG_ONE_COPY);
    next->code = WIRE_OK;
    return CONFIG_DONE;
}

enum config_turn config_go_on(struct config_store *store, struct config *config, struct config_next *next)
{
    uint8_t turn = CONFIG_DONE;

    switch (store->work) {
    case CONFIG_FILLING:
        turn = config_go_on_filling(store, config, next);
        break;
    case CONFIG_CHECKING:
        turn = config_go_on_checking(store, next);
        break;
    case CONFIG_SEALING:
        turn = config_go_on_sealing(store, config, next);
        break;
    case CONFIG_IDLE:
        next->code = WIRE_NOT_SAVED;
        break;
    }
    if (turn == CONFIG_DONE) {
        store->work = CONFIG_IDLE;
    }
    return (enum config_turn)turn;
}
