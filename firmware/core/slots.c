/* What does the board remember without power, and how does it survive damage?  See slots.h. */
#include "slots.h"

#include "frame.h"
#include "inline.h"

#define SLOTS_ERASED 0xFFu
#define SLOTS_CRC_AT (SLOTS_HEADER_BYTES + CONFIG_LENGTH)
#define SLOTS_PIECE 16u            /* bytes looked at in one call of slots_go_on() */

/* The one EEPROM there is, so that it need not be named in every call. */
static slots_read_function *slots_read;

INLINE_NEVER static uint8_t slots_cell(uint16_t address)
{
    return slots_read(address);
}

INLINE_NEVER static void slots_cells(uint16_t address, void *bytes, uint8_t count)
{
    uint8_t *at = bytes;

    while (count-- != 0u) {
        *at++ = slots_cell(address++);
    }
}

static uint16_t slots_u16(uint16_t address)
{
    uint16_t value;

    slots_cells(address, &value, sizeof value);
    return value;
}

/* What follows is in the next slot. */
static uint16_t slots_next_address(const struct slots *slots)
{
    return (uint16_t)(slots_address(slots->next_slot) + SLOTS_HEADER_BYTES);
}

INLINE_NEVER static void slots_begin(struct slots *slots, enum slots_work work)
{
    slots->work = work;
    slots->at = 0;
    slots->tried = false;
}

/* Of the next slot, which has that generation. */
INLINE_NEVER static void slots_begin_check(struct slots *slots, uint32_t generation)
{
    uint8_t at;

    slots_begin(slots, SLOTS_CHECKING);
    slots->crc = WIRE_CRC_INIT;
    slots->seal.generation = generation;
    slots->seal.crc = frame_crc(WIRE_CRC_INIT, CONFIG_LENGTH);
    for (at = 0; at < sizeof slots->seal.generation; at++) {
        slots->seal.crc = frame_crc(slots->seal.crc, ((const uint8_t *)&slots->seal)[at]);
    }
}

/* The first so many angles of the next slot's configuration: from 0, rising. */
static bool slots_angles_rise(const struct slots *slots, uint8_t angles)
{
    uint16_t address = (uint16_t)(slots_next_address(slots) + CONFIG_FIXED_BYTES);
    uint16_t before = 0;
    uint8_t at;

    for (at = 0; at < angles; at++) {
        const uint16_t angle = slots_u16(address);

        if (at == 0u ? angle != 0u : angle <= before) {
            return false;
        }
        before = angle;
        address = (uint16_t)(address + 2u);
    }
    return true;
}

/* A piece of the next slot's configuration; after the last, if all is good, it is to be sealed. */
INLINE_NEVER static enum slots_turn slots_go_on_checking(struct slots *slots)
{
    const uint16_t address = slots_next_address(slots);
    struct config found;
    uint8_t left;

    for (left = SLOTS_PIECE; left != 0u && slots->at < CONFIG_LENGTH; left--) {
        const uint8_t byte = slots_cell((uint16_t)(address + slots->at));

        slots->crc = frame_crc(slots->crc, byte);
        slots->seal.crc = frame_crc(slots->seal.crc, byte);
        slots->at++;
    }
    if (slots->at < CONFIG_LENGTH) {
        return SLOTS_AGAIN;
    }
    slots_cells(address, &found, CONFIG_FIXED_BYTES);
    if ((!slots->local && slots->crc != slots->host_crc) || !config_sound(&found)
        || !slots_angles_rise(slots, found.angles)) {
        return SLOTS_DONE;
    }
    slots_begin(slots, SLOTS_SEALING);
    return SLOTS_AGAIN;
}

/* The next slot is in force. */
INLINE_NEVER static void slots_take(struct slots *slots, struct config *config)
{
    slots_cells(slots_next_address(slots), config, CONFIG_FIXED_BYTES);
    slots->generation = slots->seal.generation;
    slots->next_slot = (uint8_t)(SLOTS - 1u - slots->next_slot);
    slots->stored = true;
    slots->flags = 0;
}

/* The next slot, which begins there: whole, and of values this firmware understands. */
static bool slots_good(struct slots *slots, uint16_t start)
{
    uint32_t generation;

    if (slots_cell(start) != CONFIG_LENGTH) {
        return false;
    }
    slots_cells((uint16_t)(start + 1u), &generation, sizeof generation);
    if (generation == 0u) {
        return false;
    }
    slots_begin_check(slots, generation);
    slots->local = true;
    do {
        if (slots_go_on_checking(slots) == SLOTS_DONE) {
            return false;
        }
    } while (slots->work == SLOTS_CHECKING);
    return slots_u16((uint16_t)(start + SLOTS_CRC_AT)) == slots->seal.crc;
}

static bool slots_erased(uint16_t start)
{
    uint8_t left;

    for (left = SLOTS_BYTES; left != 0u; left--) {
        if (slots_cell(start++) != SLOTS_ERASED) {
            return false;
        }
    }
    return true;
}

INLINE_NEVER void slots_load(struct slots *slots, slots_read_function *read, struct config *config)
{
    uint8_t flags = 0;
    uint8_t slot = SLOTS;

    config_reset(config);
    slots_read = read;
    slots->generation = 0;
    slots->stored = false;
    while (slot-- != 0u) {               /* downwards: if none is good, the first is written next */
        const uint16_t start = slots_address(slot);

        slots->next_slot = slot;
        if (slots_good(slots, start)) {
            if (slots->seal.generation > slots->generation) {
                slots_take(slots, config);
            }
        } else if (!slots_erased(start)) {
            flags = WIRE_FLAG_CONFIG_ONE_COPY;
        }
    }
    slots->work = SLOTS_IDLE;
    slots->flags = slots->stored ? flags : WIRE_FLAG_CONFIG_DEFAULTS;
}

static uint16_t slots_in_force_address(const struct slots *slots)
{
    return (uint16_t)(slots_address((uint8_t)(SLOTS - 1u - slots->next_slot)) + SLOTS_HEADER_BYTES);
}

INLINE_NEVER uint8_t slots_byte(const struct slots *slots, const struct config *config, uint8_t at)
{
    if (at < CONFIG_FIXED_BYTES) {
        return ((const uint8_t *)config)[at];
    }
    return slots->stored ? slots_cell((uint16_t)(slots_in_force_address(slots) + at)) : 0u;
}

uint8_t slots_stage(struct slots *slots, uint16_t offset, const uint8_t *bytes, uint8_t count)
{
    INLINE_POINTER(slots);
    if (count == 0u || offset > CONFIG_LENGTH || count > CONFIG_LENGTH - offset) {
        return WIRE_BAD_LENGTH;
    }
    slots_begin(slots, SLOTS_STAGING);
    slots->offset = (uint8_t)offset;
    slots->bytes = bytes;
    slots->count = count;
    return WIRE_OK;
}

INLINE_NEVER uint8_t slots_commit(struct slots *slots, uint16_t length, uint16_t crc)
{
    if (length != CONFIG_LENGTH) {
        return WIRE_BAD_LENGTH;
    }
    slots->local = false;
    slots->host_crc = crc;
    slots_begin_check(slots, slots->generation + 1u);
    return WIRE_OK;
}

void slots_change(struct slots *slots, struct config *config, const struct config_change *change)
{
    config_apply(config, change);
    slots->local = true;
    slots_begin(slots, SLOTS_COPYING);
}

/* Bytes into the next slot, each written where it does not stand there already.  Staging and copying first make the slot's
 * length invalid; sealing ends with it. */
static uint8_t slots_go_on_writing(struct slots *slots, struct config *config, struct slots_next *next)
{
    uint8_t left;

    for (left = SLOTS_PIECE; left != 0u; left--) {
        const uint8_t at = slots->at;
        uint8_t offset = 0;
        uint8_t byte = SLOTS_ERASED;
        uint8_t last = CONFIG_LENGTH;

        if (slots->work == SLOTS_SEALING) {
            last = sizeof slots->seal;
            byte = CONFIG_LENGTH;
            if (at < last) {
                offset = (uint8_t)(at < sizeof slots->seal.generation ? 1u + at : SLOTS_CRC_AT - 4u + at);
                byte = ((const uint8_t *)&slots->seal)[at];
            }
        } else if (slots->work == SLOTS_STAGING) {
            last = slots->count;
            if (at != 0u) {
                offset = (uint8_t)(SLOTS_HEADER_BYTES - 1u + slots->offset + at);
                byte = slots->bytes[at - 1u];
            }
        } else if (at != 0u) {
            offset = (uint8_t)(SLOTS_HEADER_BYTES - 1u + at);
            byte = slots_byte(slots, config, (uint8_t)(at - 1u));
        }
        next->address = (uint16_t)(slots_address(slots->next_slot) + offset);
        next->byte = byte;
        if (slots_cell(next->address) != byte) {
            if (slots->tried) {
                return SLOTS_DONE;                  /* the cell does not hold it */
            }
            slots->tried = true;
            return SLOTS_WRITE;
        }
        slots->tried = false;
        slots->at++;
        if (at == last) {
            if (slots->work == SLOTS_COPYING) {
                slots_begin_check(slots, slots->generation + 1u);
                return SLOTS_AGAIN;
            }
            if (slots->work == SLOTS_SEALING) {
                slots_take(slots, config);
            }
            next->code = WIRE_OK;
            return SLOTS_DONE;
        }
    }
    return SLOTS_AGAIN;
}

enum slots_turn slots_go_on(struct slots *slots, struct config *config, struct slots_next *next)
{
    uint8_t turn = SLOTS_DONE;

    INLINE_POINTER(slots);
    next->code = WIRE_NOT_SAVED;
    if (slots->work == SLOTS_CHECKING) {
        next->code = WIRE_BAD_VALUE;
        turn = slots_go_on_checking(slots);
    } else if (slots->work != SLOTS_IDLE) {
        turn = slots_go_on_writing(slots, config, next);
    }
    if (turn == SLOTS_DONE) {
        slots->work = SLOTS_IDLE;
    }
    return (enum slots_turn)turn;
}
