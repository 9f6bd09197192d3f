/* Do settings survive damage and a power cut at any moment, and is every flipped bit noticed? */
#include "config.h"
#include "frame.h"
#include "report.h"

static uint8_t slots[CONFIG_SLOTS][CONFIG_SLOT_BYTES];     /* the EEPROM */
static struct config_store store;
static struct config config;

static void erase(void)
{
    uint8_t slot;
    uint8_t at;

    for (slot = 0; slot < CONFIG_SLOTS; slot++) {
        for (at = 0; at < CONFIG_SLOT_BYTES; at++) {
            slots[slot][at] = 0xFF;
        }
    }
}

static void load(void)
{
    config_load(&store, (const uint8_t (*)[CONFIG_SLOT_BYTES])slots, &config);
}

static bool same(const struct config *left, const struct config *right)
{
    uint8_t one[CONFIG_LENGTH];
    uint8_t other[CONFIG_LENGTH];
    uint8_t at;

    config_pack(left, one);
    config_pack(right, other);
    for (at = 0; at < CONFIG_LENGTH; at++) {
        if (one[at] != other[at]) {
            return false;
        }
    }
    return true;
}

/* Stages and commits a configuration of this board number; does not write yet. */
static uint8_t begin_commit(uint32_t board_id)
{
    struct config wanted = config_default;
    uint8_t bytes[CONFIG_LENGTH];
    uint16_t crc = WIRE_CRC_INIT;
    uint8_t at;

    wanted.board_id = board_id;
    wanted.baud = CONFIG_BAUD_SLOW;
    wanted.mode[1] = CONFIG_MODE_RISING | CONFIG_MODE_ENABLED;
    wanted.mode[2] = 0;
    wanted.flood_edges = CONFIG_FLOOD_EDGES_MAX;
    wanted.mask_ms = CONFIG_MASK_MS_MAX;
    config_pack(&wanted, bytes);
    for (at = 0; at < CONFIG_LENGTH; at++) {
        crc = frame_crc(crc, bytes[at]);
    }
    CHECK(config_stage(&store, 0, bytes, 5) == WIRE_OK);
    CHECK(config_stage(&store, 5, &bytes[5], CONFIG_LENGTH - 5) == WIRE_OK);
    return config_commit(&store, CONFIG_LENGTH, crc);
}

/* Writes at most so many bytes; true when the writing is done. */
static bool write(uint8_t most)
{
    while (store.writing != 0u && most-- != 0u) {
        uint16_t address;
        uint8_t byte;
        uint8_t slot;

        config_next_write(&store, &address, &byte);
        slot = address >= config_address(1) ? 1 : 0;
        CHECK((uint16_t)(address - config_address(slot)) < CONFIG_SLOT_BYTES);
        CHECK(slot == store.next_slot);                        /* the slot in force is never touched */
        slots[slot][address - config_address(slot)] = byte;
    }
    return store.writing == 0u;
}

static void commit(uint32_t board_id)
{
    CHECK(begin_commit(board_id) == WIRE_OK);
    CHECK(write(255));
    CHECK(config_finish(&store, slots[store.next_slot], &config) == WIRE_OK);
    CHECK(config.board_id == board_id);
}

static void never_told_anything(void)
{
    erase();
    load();
    CHECK(store.flags == WIRE_FLAG_CONFIG_DEFAULTS);
    CHECK(store.generation == 0u);
    CHECK(same(&config, &config_default));
    CHECK(config.board_id == 0u && config.baud == CONFIG_BAUD_FAST);
}

static void generations(void)
{
    uint8_t n;

    never_told_anything();
    for (n = 1; n <= 5u; n++) {
        commit(100u + n);
        CHECK(store.generation == n && store.flags == 0u);
        load();
        CHECK(store.generation == n && store.flags == 0u && config.board_id == 100u + n);
        CHECK(config.baud == CONFIG_BAUD_SLOW && config.flood_edges == CONFIG_FLOOD_EDGES_MAX);
        CHECK(config.mode[1] == (CONFIG_MODE_RISING | CONFIG_MODE_ENABLED) && config.mode[2] == 0u);
    }
}

/* A slot: length, generation low byte first, configuration, CRC low byte first; checked by hand. */
static void layout(void)
{
    never_told_anything();
    commit(0x01020304ul);
    CHECK(slots[0][0] == 11u && slots[0][1] == 1u && slots[0][2] == 0u && slots[0][3] == 0u && slots[0][4] == 0u);
    CHECK(slots[0][5] == CONFIG_VERSION);
    CHECK(slots[0][6] == 4u && slots[0][7] == 3u && slots[0][8] == 2u && slots[0][9] == 1u);
    CHECK(slots[0][10] == CONFIG_BAUD_SLOW);
    CHECK(slots[0][11] == 5u && slots[0][12] == 3u && slots[0][13] == 0u);
    CHECK(slots[0][14] == CONFIG_FLOOD_EDGES_MAX && slots[0][15] == CONFIG_MASK_MS_MAX);
    CHECK(slots[1][0] == 0xFFu);
}

/* The slot is marked as unfinished first and as finished last. */
static void order_of_writing(void)
{
    uint16_t address;
    uint8_t byte;

    generations();
    CHECK(begin_commit(1) == WIRE_OK);
    config_next_write(&store, &address, &byte);
    CHECK(address == config_address(1) && byte == 0xFFu);
    while (store.writing > 1u) {
        config_next_write(&store, &address, &byte);
        CHECK(address > config_address(1));
    }
    config_next_write(&store, &address, &byte);
    CHECK(address == config_address(1) && byte == CONFIG_LENGTH);
}

/* A slot of a layout this firmware does not know, whole as it may be, is not used. */
static void another_length(void)
{
    uint16_t crc = WIRE_CRC_INIT;
    uint8_t at;

    generations();
    slots[0][0] = CONFIG_LENGTH + 1u;
    for (at = 0; at < CONFIG_SLOT_BYTES - 2u; at++) {
        crc = frame_crc(crc, slots[0][at]);
    }
    slots[0][CONFIG_SLOT_BYTES - 2u] = (uint8_t)crc;
    slots[0][CONFIG_SLOT_BYTES - 1u] = (uint8_t)(crc >> 8);
    load();
    CHECK(store.flags == WIRE_FLAG_CONFIG_ONE_COPY && store.generation == 4u);
}

static void every_bit(void)
{
    uint8_t slot;
    uint16_t bit;

    generations();                                             /* slot 0 holds generation 5, slot 1 holds 4 */
    for (slot = 0; slot < CONFIG_SLOTS; slot++) {
        for (bit = 0; bit < CONFIG_SLOT_BYTES * 8u; bit++) {
            slots[slot][bit / 8u] ^= (uint8_t)(1u << bit % 8u);
            load();
            CHECK(store.flags == WIRE_FLAG_CONFIG_ONE_COPY);
            CHECK(store.generation == (slot == 0u ? 4u : 5u));
            CHECK(config.board_id == (slot == 0u ? 104u : 105u));
            CHECK(store.next_slot == slot);                    /* the next commit mends it */
            slots[slot][bit / 8u] ^= (uint8_t)(1u << bit % 8u);
        }
    }
    for (bit = 0; bit < CONFIG_SLOT_BYTES * 8u; bit++) {       /* both damaged */
        slots[0][bit / 8u] ^= (uint8_t)(1u << bit % 8u);
        slots[1][bit / 8u] ^= (uint8_t)(1u << (bit + 3u) % 8u);
        load();
        CHECK(store.flags == WIRE_FLAG_CONFIG_DEFAULTS && same(&config, &config_default));
        slots[0][bit / 8u] ^= (uint8_t)(1u << bit % 8u);
        slots[1][bit / 8u] ^= (uint8_t)(1u << (bit + 3u) % 8u);
    }
    load();
    CHECK(store.flags == 0u && store.generation == 5u);
}

/* The supply fails after so many bytes, the next one being anything. */
static void power_cuts(void)
{
    uint8_t steps;
    uint8_t torn;

    for (steps = 0; steps <= CONFIG_SLOT_BYTES + 1u; steps++) {
        for (torn = 0; torn < 3u; torn++) {
            bool done;

            generations();
            CHECK(begin_commit(777) == WIRE_OK);
            done = write(steps);
            if (!done) {
                uint16_t address;
                uint8_t byte;
                const uint8_t slot = store.next_slot;
                uint8_t *cell;

                config_next_write(&store, &address, &byte);
                cell = &slots[slot][address - config_address(slot)];
                *cell = torn == 0u ? *cell : torn == 1u ? (uint8_t)0xFF : (uint8_t)(*cell & byte);
            }
            load();
            CHECK(config.board_id == 777u || config.board_id == 105u);
            if (done) {
                CHECK(config.board_id == 777u && store.generation == 6u && store.flags == 0u);
            } else if (config.board_id == 105u) {
                CHECK(store.generation == 5u);
            }
        }
    }
}

static void refusals(void)
{
    static const uint8_t bytes[CONFIG_LENGTH] = { 0 };
    static const struct { uint8_t at; uint8_t good; uint8_t bad; } values[] = {
        { 0, CONFIG_VERSION, CONFIG_VERSION + 1 },
        { 5, CONFIG_BAUD_SLOW, CONFIG_BAUD_SLOW + 1 },
        { 6, CONFIG_MODE_ALL, CONFIG_MODE_ALL + 1 },
        { 7, CONFIG_MODE_ALL, 0x80 },
        { 8, CONFIG_MODE_ALL, 0xFF },
        { 9, CONFIG_FLOOD_EDGES_MIN, CONFIG_FLOOD_EDGES_MIN - 1 },
        { 9, CONFIG_FLOOD_EDGES_MAX, CONFIG_FLOOD_EDGES_MAX + 1 },
        { 10, CONFIG_MASK_MS_MIN, CONFIG_MASK_MS_MIN - 1 },
        { 10, CONFIG_MASK_MS_MAX, CONFIG_MASK_MS_MAX + 1 },
    };
    uint8_t n;

    generations();
    CHECK(config_stage(&store, 0, bytes, 0) == WIRE_BAD_LENGTH);
    CHECK(config_stage(&store, CONFIG_LENGTH, bytes, 1) == WIRE_BAD_LENGTH);
    CHECK(config_stage(&store, 1, bytes, CONFIG_LENGTH) == WIRE_BAD_LENGTH);
    CHECK(config_stage(&store, 0xFFFF, bytes, 1) == WIRE_BAD_LENGTH);
    CHECK(config_commit(&store, CONFIG_LENGTH + 1, 0) == WIRE_BAD_LENGTH);
    CHECK(config_commit(&store, 0, WIRE_CRC_INIT) == WIRE_BAD_LENGTH);
    for (n = 0; n < sizeof values / sizeof values[0]; n++) {
        uint8_t good;

        for (good = 0; good < 2u; good++) {
            uint8_t staged[CONFIG_LENGTH];
            uint16_t crc = WIRE_CRC_INIT;
            uint8_t at;

            config_pack(&config_default, staged);
            staged[values[n].at] = good != 0u ? values[n].good : values[n].bad;
            for (at = 0; at < CONFIG_LENGTH; at++) {
                crc = frame_crc(crc, staged[at]);
            }
            load();
            CHECK(config_stage(&store, 0, staged, CONFIG_LENGTH) == WIRE_OK);
            CHECK(config_commit(&store, CONFIG_LENGTH, crc ^ 1u) == WIRE_BAD_VALUE);
            CHECK(config_commit(&store, CONFIG_LENGTH, crc) == (good != 0u ? WIRE_OK : WIRE_BAD_VALUE));
            CHECK((store.writing != 0u) == (good != 0u));
        }
    }
    load();
    CHECK(begin_commit(1) == WIRE_OK);                         /* one commit at a time */
    CHECK(config_stage(&store, 0, bytes, 1) == WIRE_NOT_SAVED);
    CHECK(config_commit(&store, CONFIG_LENGTH, 0) == WIRE_NOT_SAVED);
    CHECK(write(255));
    slots[store.next_slot][7] ^= 0x10;                         /* a cell that does not hold what was written */
    CHECK(config_finish(&store, slots[store.next_slot], &config) == WIRE_NOT_SAVED);
    CHECK(store.generation == 5u);
}

void test(void)
{
    never_told_anything();
    generations();
    layout();
    order_of_writing();
    another_length();
    every_bit();
    power_cuts();
    refusals();
}
