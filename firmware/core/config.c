/* What does the board remember without power, and how does it survive damage?  See config.h. */
#include "config.h"

#include "frame.h"

#define CONFIG_ERASED 0xFFu
#define CONFIG_CRC_AT (CONFIG_HEADER_BYTES + CONFIG_LENGTH)

const struct config config_default = {
    .board_id = 0,
    .baud = CONFIG_BAUD_FAST,
    .mode = {
        CONFIG_MODE_ENABLED | CONFIG_MODE_PULL_UP,
        CONFIG_MODE_ENABLED | CONFIG_MODE_PULL_UP,
        CONFIG_MODE_ENABLED | CONFIG_MODE_PULL_UP,
    },
    .flood_edges = 12,    /* 24,000 edges/s, more than the line carries; 12 in a row keep the others waiting 90 us */
    .mask_ms = 20,
};

static uint16_t config_crc(const uint8_t *bytes, uint8_t count)
{
    uint16_t crc = WIRE_CRC_INIT;
    uint8_t at;

    for (at = 0; at < count; at++) {
        crc = frame_crc(crc, bytes[at]);
    }
    return crc;
}

static void config_put_u32(uint8_t *bytes, uint32_t value)
{
    bytes[0] = (uint8_t)value;
    bytes[1] = (uint8_t)(value >> 8);
    bytes[2] = (uint8_t)(value >> 16);
    bytes[3] = (uint8_t)(value >> 24);
}

static uint32_t config_u32(const uint8_t *bytes)
{
    return (uint32_t)bytes[0] | ((uint32_t)bytes[1] << 8) | ((uint32_t)bytes[2] << 16) | ((uint32_t)bytes[3] << 24);
}

void config_pack(const struct config *config, uint8_t bytes[CONFIG_LENGTH])
{
    uint8_t input;

    bytes[0] = CONFIG_VERSION;
    config_put_u32(&bytes[1], config->board_id);
    bytes[5] = config->baud;
    for (input = 0; input < WIRE_INPUTS; input++) {
        bytes[6u + input] = config->mode[input];
    }
    bytes[9] = config->flood_edges;
    bytes[10] = config->mask_ms;
}

/* False when a value is out of range; `config` is then untouched. */
static bool config_unpack(const uint8_t bytes[CONFIG_LENGTH], struct config *config)
{
    uint8_t input;

    if (bytes[0] != CONFIG_VERSION || bytes[5] > CONFIG_BAUD_SLOW
        || bytes[9] < CONFIG_FLOOD_EDGES_MIN || bytes[9] > CONFIG_FLOOD_EDGES_MAX
        || bytes[10] < CONFIG_MASK_MS_MIN || bytes[10] > CONFIG_MASK_MS_MAX) {
        return false;
    }
    for (input = 0; input < WIRE_INPUTS; input++) {
        if ((bytes[6u + input] & (uint8_t)~CONFIG_MODE_ALL) != 0u) {
            return false;
        }
    }
    config->board_id = config_u32(&bytes[1]);
    config->baud = bytes[5];
    for (input = 0; input < WIRE_INPUTS; input++) {
        config->mode[input] = bytes[6u + input];
    }
    config->flood_edges = bytes[9];
    config->mask_ms = bytes[10];
    return true;
}

/* Whole, and of values this firmware understands. */
static bool config_slot_good(const uint8_t slot[CONFIG_SLOT_BYTES], struct config *config)
{
    const uint16_t crc = config_crc(slot, CONFIG_CRC_AT);

    return slot[0] == CONFIG_LENGTH && config_u32(&slot[1]) != 0u && slot[CONFIG_CRC_AT] == (uint8_t)crc
        && slot[CONFIG_CRC_AT + 1u] == (uint8_t)(crc >> 8) && config_unpack(&slot[CONFIG_HEADER_BYTES], config);
}

static bool config_slot_erased(const uint8_t slot[CONFIG_SLOT_BYTES])
{
    uint8_t at;

    for (at = 0; at < CONFIG_SLOT_BYTES; at++) {
        if (slot[at] != CONFIG_ERASED) {
            return false;
        }
    }
    return true;
}

void config_load(struct config_store *store, const uint8_t slots[CONFIG_SLOTS][CONFIG_SLOT_BYTES],
                 struct config *config)
{
    uint8_t slot;

    *config = config_default;
    store->generation = 0;
    store->next_slot = 0;
    store->writing = 0;
    store->flags = 0;
    for (slot = 0; slot < CONFIG_SLOTS; slot++) {
        struct config found;
        const uint32_t generation = config_u32(&slots[slot][1]);

        if (config_slot_good(slots[slot], &found)) {
            if (generation > store->generation) {
                *config = found;
                store->generation = generation;
                store->next_slot = (uint8_t)(CONFIG_SLOTS - 1u - slot);
            }
        } else if (!config_slot_erased(slots[slot])) {
            store->flags |= WIRE_FLAG_CONFIG_ONE_COPY;
        }
    }
    if (store->generation == 0u) {
        store->flags = WIRE_FLAG_CONFIG_DEFAULTS;
    }
    config_pack(config, &store->image[CONFIG_HEADER_BYTES]);
}

uint8_t config_stage(struct config_store *store, uint16_t offset, const uint8_t *bytes, uint8_t count)
{
    uint8_t at;

    if (store->writing != 0u) {
        return WIRE_NOT_SAVED;
    }
    if (count == 0u || offset > CONFIG_LENGTH || count > CONFIG_LENGTH - offset) {
        return WIRE_BAD_LENGTH;
    }
    for (at = 0; at < count; at++) {
        store->image[CONFIG_HEADER_BYTES + offset + at] = bytes[at];
    }
    return WIRE_OK;
}

uint8_t config_commit(struct config_store *store, uint16_t length, uint16_t crc)
{
    struct config ignored;
    const uint8_t *staged = &store->image[CONFIG_HEADER_BYTES];

    if (store->writing != 0u) {
        return WIRE_NOT_SAVED;
    }
    if (length != CONFIG_LENGTH) {
        return WIRE_BAD_LENGTH;
    }
    if (config_crc(staged, CONFIG_LENGTH) != crc || !config_unpack(staged, &ignored)) {
        return WIRE_BAD_VALUE;
    }
    store->image[0] = CONFIG_LENGTH;
    config_put_u32(&store->image[1], store->generation + 1u);
    crc = config_crc(store->image, CONFIG_CRC_AT);
    store->image[CONFIG_CRC_AT] = (uint8_t)crc;
    store->image[CONFIG_CRC_AT + 1u] = (uint8_t)(crc >> 8);
    store->writing = CONFIG_SLOT_BYTES + 1u;
    return WIRE_OK;
}

/* First the length is made invalid, then come the bytes from the last to the first, which is the length. */
void config_next_write(struct config_store *store, uint16_t *address, uint8_t *byte)
{
    const uint16_t start = config_address(store->next_slot);

    if (store->writing > CONFIG_SLOT_BYTES) {
        *address = start;
        *byte = CONFIG_ERASED;
    } else {
        *address = (uint16_t)(start + store->writing - 1u);
        *byte = store->image[store->writing - 1u];
    }
    store->writing--;
}

uint8_t config_finish(struct config_store *store, const uint8_t slot[CONFIG_SLOT_BYTES], struct config *config)
{
    uint8_t at;

    for (at = 0; at < CONFIG_SLOT_BYTES; at++) {
        if (slot[at] != store->image[at]) {
            return WIRE_NOT_SAVED;
        }
    }
    (void)config_unpack(&store->image[CONFIG_HEADER_BYTES], config);
    store->generation++;
    store->next_slot = (uint8_t)(CONFIG_SLOTS - 1u - store->next_slot);
    store->flags &= (uint8_t)~(WIRE_FLAG_CONFIG_DEFAULTS | WIRE_FLAG_CONFIG_ONE_COPY);
    return WIRE_OK;
}
