/* Do settings survive damage and a power cut at any moment, and is every flipped bit noticed? */
#include "frame.h"
#include "report.h"
#include "slots.h"

#define CELLS (SLOTS_SPACING + SLOTS_BYTES)
#define CRC_AT (SLOTS_HEADER_BYTES + CONFIG_LENGTH)
#define NEVER 0xFFFFu
#define PIECE 14u                  /* as much as a request carries */

static uint8_t cells[CELLS];       /* the EEPROM */
static struct slots slots;
static struct config config;
static uint16_t left;              /* writes until the supply fails */
static uint16_t wearing;           /* address of a cell that does not hold what is written */

static uint8_t read(uint16_t address)
{
    return address < CELLS ? cells[address] : 0xFFu;
}

static void erase(void)
{
    uint16_t at;

    for (at = 0; at < CELLS; at++) {
        cells[at] = 0xFF;
    }
}

static void load(void)
{
    slots_load(&slots, read, &config);
}

static uint16_t crc_of(const uint8_t *bytes, uint16_t count)
{
    uint16_t crc = WIRE_CRC_INIT;

    while (count-- != 0u) {
        crc = frame_crc(crc, *bytes++);
    }
    return crc;
}

/* Settings of a saw with that many targets, numbered: `bytes` as on the line. */
static void make(uint8_t bytes[CONFIG_LENGTH], uint32_t board_id, uint8_t targets)
{
    struct config wanted;
    uint8_t at;

    config_reset(&wanted);
    wanted.board_id = board_id;
    wanted.baud = CONFIG_BAUD_SLOW;
    wanted.mode[1] = CONFIG_MODE_RISING | CONFIG_MODE_ENABLED;
    wanted.mode[2] = 0;
    wanted.flood_edges = CONFIG_FLOOD_EDGES_MAX;
    wanted.mask_ms = CONFIG_MASK_MS_MAX;
    wanted.wheel_input = targets != 0u ? 1 : 0;
    wanted.wheel_targets = targets;
    wanted.angles = targets;
    wanted.circumference_um = targets != 0u ? 1039557 : 0;
    for (at = 0; at < CONFIG_FIXED_BYTES; at++) {
        bytes[at] = ((const uint8_t *)&wanted)[at];
    }
    for (at = 0; at < CONFIG_ANGLES_MAX; at++) {
        const uint16_t angle = (uint16_t)(at * 1000u + (at != 0u ? board_id % 256u : 0u));

        bytes[CONFIG_FIXED_BYTES + 2u * at] = (uint8_t)angle;
        bytes[CONFIG_FIXED_BYTES + 2u * at + 1u] = (uint8_t)(angle >> 8);
    }
}

/* Goes on until it is done (a RESULT code) or the supply fails (0xFF): the byte at hand is then `torn`: 0 as it was, 1
 * erased, 2 with bits of both. */
static uint8_t finish(uint8_t torn)
{
    struct slots_next next;
    const uint16_t start = slots_address(slots.next_slot);

    for (;;) {
        switch (slots_go_on(&slots, &config, &next)) {
        case SLOTS_WRITE:
            CHECK(next.address >= start && next.address < start + SLOTS_BYTES);  /* the slot in force is never touched */
            if (left-- == 0u) {
                cells[next.address] = torn == 0u ? cells[next.address] : torn == 1u ? (uint8_t)0xFF
                    : (uint8_t)(cells[next.address] & next.byte);
                return 0xFF;
            }
            cells[next.address] = next.address == wearing ? (uint8_t)~next.byte : next.byte;
            break;
        case SLOTS_DONE:
            CHECK(slots.work == SLOTS_IDLE);
            return next.code;
        case SLOTS_AGAIN:
            break;
        }
    }
}

static uint8_t stage(const uint8_t bytes[CONFIG_LENGTH], uint8_t torn)
{
    uint8_t at;

    for (at = 0; at < CONFIG_LENGTH; at = (uint8_t)(at + PIECE)) {
        const uint8_t count = (uint8_t)(CONFIG_LENGTH - at < PIECE ? CONFIG_LENGTH - at : PIECE);
        uint8_t code;

        CHECK(slots_stage(&slots, at, &bytes[at], count) == WIRE_OK);
        code = finish(torn);
        if (code != WIRE_OK) {
            return code;
        }
    }
    return WIRE_OK;
}

static uint8_t write(uint32_t board_id, uint8_t targets, uint8_t torn)
{
    uint8_t bytes[CONFIG_LENGTH];
    uint8_t code;

    make(bytes, board_id, targets);
    code = stage(bytes, torn);
    if (code != WIRE_OK) {
        return code;
    }
    CHECK(slots_commit(&slots, CONFIG_LENGTH, crc_of(bytes, CONFIG_LENGTH)) == WIRE_OK);
    return finish(torn);
}

/* The configuration in force is that one, to the last byte. */
static bool in_force(uint32_t board_id, uint8_t targets)
{
    uint8_t bytes[CONFIG_LENGTH];
    uint8_t at;

    make(bytes, board_id, targets);
    for (at = 0; at < CONFIG_LENGTH; at++) {
        if (slots_byte(&slots, &config, at) != bytes[at]) {
            return false;
        }
    }
    return true;
}

/* A target's place, in 1/65536 turn. */
static uint16_t angle(uint8_t target)
{
    const uint8_t at = (uint8_t)(CONFIG_FIXED_BYTES + 2u * target);

    return (uint16_t)(slots_byte(&slots, &config, at) | slots_byte(&slots, &config, (uint8_t)(at + 1u)) << 8);
}

static bool defaults(void)
{
    struct config wanted;
    uint8_t at;

    config_reset(&wanted);

    for (at = 0; at < CONFIG_FIXED_BYTES; at++) {
        if (slots_byte(&slots, &config, at) != ((const uint8_t *)&wanted)[at]) {
            return false;
        }
    }
    return slots_byte(&slots, &config, CONFIG_FIXED_BYTES) == 0u && slots_byte(&slots, &config, CONFIG_LENGTH - 1u) == 0u;
}

static void never_told_anything(void)
{
    erase();
    load();
    left = NEVER;
    wearing = NEVER;
    CHECK(slots.flags == WIRE_FLAG_CONFIG_DEFAULTS);
    CHECK(slots.generation == 0u && !slots.stored);
    CHECK(defaults());
    CHECK(config.board_id == 0u && config.baud == CONFIG_BAUD_FAST && config.wheel_input == 0u);
}

/* Leaves generation 3 in slot 0 and 2 in slot 1. */
static void generations(void)
{
    uint8_t n;

    never_told_anything();
    for (n = 1; n <= 3u; n++) {
        CHECK(write(100u + n, n, 0) == WIRE_OK);
        CHECK(slots.generation == n && slots.flags == 0u && in_force(100u + n, n));
        load();
        CHECK(slots.generation == n && slots.flags == 0u && in_force(100u + n, n));
        CHECK(angle((uint8_t)(n - 1u)) == (n - 1u) * 1000u + (n > 1u ? 100u + n : 0u));
    }
    CHECK(slots.next_slot == 1u);
}

/* A slot: length, generation low byte first, configuration, CRC low byte first; and PROTOCOL.md's table of the
 * configuration: offsets and widths by hand. */
static void layout(void)
{
    uint8_t bytes[CONFIG_LENGTH];
    uint16_t crc;

    never_told_anything();
    CHECK(write(0x01020304ul, 60, 0) == WIRE_OK);
    CHECK(cells[0] == 179u && cells[1] == 1u && cells[2] == 0u && cells[3] == 0u && cells[4] == 0u);
    CHECK(cells[5] == 2u && cells[6] == 4u && cells[7] == 3u && cells[8] == 2u && cells[9] == 1u);
    CHECK(cells[10] == 1u && cells[11] == 5u && cells[12] == 3u && cells[13] == 0u);
    CHECK(cells[14] == 24u && cells[15] == 250u);
    CHECK(cells[16] == 0u && cells[17] == 1u && cells[18] == 0u && cells[19] == 60u && cells[20] == 0u);
    CHECK(cells[21] == 0xC5u && cells[22] == 0xDCu && cells[23] == 0x0Fu && cells[24] == 0u);     /* 1039557 = 0x0FDCC5 */
    CHECK(cells[29] == 0xFFu && cells[32] == 0xFFu && cells[33] == 0u && cells[63] == 60u);
    CHECK(cells[64] == 0u && cells[65] == 0u && cells[66] == (1000u + 4u) % 256u && cells[67] == 3u);
    crc = crc_of(cells, 184);
    CHECK(cells[184] == (uint8_t)crc && cells[185] == (uint8_t)(crc >> 8));
    CHECK(cells[256] == 0xFFu);
    make(bytes, 1, 0);
    CHECK(bytes[24] == 0xFFu && bytes[27] == 0xFFu && bytes[28] == 0u);                           /* clock_u95_ppb */
}

/* The slot is marked as unfinished first and as finished last. */
static void order_of_writing(void)
{
    uint8_t bytes[CONFIG_LENGTH];
    struct slots_next next;
    uint16_t writes = 0;
    enum slots_turn turn;

    generations();
    make(bytes, 9, 9);
    CHECK(slots_stage(&slots, 20, &bytes[20], 3) == WIRE_OK);
    CHECK(slots_go_on(&slots, &config, &next) == SLOTS_WRITE);
    CHECK(next.address == slots_address(1) && next.byte == 0xFFu);
    cells[next.address] = next.byte;
    CHECK(finish(0) == WIRE_OK);
    CHECK(stage(bytes, 0) == WIRE_OK);
    CHECK(slots_commit(&slots, CONFIG_LENGTH, crc_of(bytes, CONFIG_LENGTH)) == WIRE_OK);
    do {
        turn = slots_go_on(&slots, &config, &next);
        if (turn == SLOTS_WRITE) {
            writes++;
            cells[next.address] = next.byte;
            CHECK(next.address > slots_address(1) || next.byte == CONFIG_LENGTH);
        }
    } while (turn != SLOTS_DONE);
    CHECK(writes >= 3u && writes <= 7u && next.address == slots_address(1) && next.code == WIRE_OK);
    CHECK(in_force(9, 9));
}

/* A slot of a layout this firmware does not know, or of no generation, whole as it may be, is not used. */
static void another_length(void)
{
    static const struct { uint8_t at; uint8_t byte; } wrong[] = { { 0, CONFIG_LENGTH + 1u }, { 1, 0 } };
    uint16_t crc;
    uint8_t n;

    for (n = 0; n < sizeof wrong / sizeof *wrong; n++) {
        generations();
        cells[wrong[n].at] = wrong[n].byte;
        crc = crc_of(cells, CRC_AT);
        cells[CRC_AT] = (uint8_t)crc;
        cells[CRC_AT + 1u] = (uint8_t)(crc >> 8);
        load();
        CHECK(slots.flags == WIRE_FLAG_CONFIG_ONE_COPY && slots.generation == 2u);
    }
}

static void every_bit(void)
{
    uint8_t slot;
    uint16_t bit;

    generations();                                             /* slot 0 holds generation 3, slot 1 holds 2 */
    for (slot = 0; slot < SLOTS; slot++) {
        for (bit = 0; bit < SLOTS_BYTES * 8u; bit = (uint16_t)(bit + ROUNDS(1, 97))) {
            uint8_t *cell = &cells[slots_address(slot) + bit / 8u];

            *cell ^= (uint8_t)(1u << bit % 8u);
            load();
            CHECK(slots.flags == WIRE_FLAG_CONFIG_ONE_COPY);
            CHECK(slot == 0u ? slots.generation == 2u && in_force(102, 2) : slots.generation == 3u && in_force(103, 3));
            CHECK(slots.next_slot == slot);                    /* the next commit mends it */
            *cell ^= (uint8_t)(1u << bit % 8u);
        }
    }
    for (bit = 0; bit < SLOTS_BYTES * 8u; bit = (uint16_t)(bit + ROUNDS(1, 97))) {       /* both damaged */
        cells[bit / 8u] ^= (uint8_t)(1u << bit % 8u);
        cells[slots_address(1) + bit / 8u] ^= (uint8_t)(1u << (bit + 3u) % 8u);
        load();
        CHECK(slots.flags == WIRE_FLAG_CONFIG_DEFAULTS && defaults());
        cells[bit / 8u] ^= (uint8_t)(1u << bit % 8u);
        cells[slots_address(1) + bit / 8u] ^= (uint8_t)(1u << (bit + 3u) % 8u);
    }
    load();
    CHECK(slots.flags == 0u && slots.generation == 3u);
}

/* The supply fails after so many bytes, the next one being anything: of staging, of the commit, of both. */
static void power_cuts(void)
{
    uint16_t steps = 0;
    uint8_t torn;
    bool done = false;

    while (!done) {
        for (torn = 0; torn < 3u; torn++) {
            uint8_t code;

            generations();
            left = steps;
            code = write(777, 60, torn);
            done = code == WIRE_OK;
            CHECK(done || code == 0xFFu);
            load();
            CHECK(in_force(777, 60) || in_force(103, 3));
            CHECK(!done || (in_force(777, 60) && slots.generation == 4u && slots.flags == 0u));
        }
        steps = (uint16_t)(steps + (steps < 60u ? ROUNDS(1, 23) : 1));
    }
    CHECK(steps > 60u && steps < SLOTS_BYTES + 3u);      /* each angle, and no byte in vain */
}

/* Buttons: some bytes change, the rest stays, and it survives the same. */
static void changes(void)
{
    struct config_change change = { .unit = CONFIG_UNIT_M_PER_MIN };
    uint16_t steps;

    generations();
    slots_change(&slots, &config, &change);
    CHECK(finish(0) == WIRE_OK);
    load();
    CHECK(slots.generation == 4u && config.unit == CONFIG_UNIT_M_PER_MIN && config.board_id == 103u && config.angles == 3u);
    CHECK(angle(2) == 2103u && config.circumference_um == 1039557ul);
    change.wheel_targets = 3;
    change.circumference_um = 1000000;
    slots_change(&slots, &config, &change);
    CHECK(finish(0) == WIRE_OK);
    CHECK(config.circumference_um == 1000000ul && config.angles == 3u && angle(2) == 2103u);
    change.wheel_targets = 4;                                  /* other targets: the angles are worth nothing */
    slots_change(&slots, &config, &change);
    CHECK(finish(0) == WIRE_OK);
    CHECK(config.wheel_targets == 4u && config.angles == 0u && slots.generation == 6u);
    for (steps = 0;; steps++) {
        uint8_t code;

        generations();
        left = steps;
        slots_change(&slots, &config, &change);
        code = finish((uint8_t)(steps % 3u));
        load();
        CHECK(config.board_id == 103u && config.wheel_targets == (config.circumference_um == 1000000ul ? 4u : 3u));
        if (code == WIRE_OK) {
            CHECK(config.wheel_targets == 4u);
            break;
        }
        steps = (uint16_t)(steps + ROUNDS(0, 6));
    }
    never_told_anything();                                     /* without any settings: the first input is the wheel */
    slots_change(&slots, &config, &change);
    CHECK(finish(0) == WIRE_OK);
    CHECK(config.wheel_input == 1u && config.wheel_targets == 4u && config.circumference_um == 1000000ul);
    CHECK(slots.generation == 1u && slots.flags == 0u);
}

static void put_old(uint8_t slot, uint8_t generation, uint8_t board_id)
{
    uint8_t *cell = &cells[slot * 64u];
    const uint8_t bytes[16] = { 11, generation, 0, 0, 0, 1, board_id, 0, 0, 0, 1, 5, 7, 0, 20, 30 };
    uint16_t crc;
    uint8_t at;

    for (at = 0; at < sizeof bytes; at++) {
        cell[at] = bytes[at];
    }
    crc = crc_of(cell, 16);
    cell[16] = (uint8_t)crc;
    cell[17] = (uint8_t)(crc >> 8);
}

/* The layout before counts as damaged: no part of it is taken for settings. */
static void before(void)
{
    never_told_anything();
    put_old(0, 7, 70);
    load();
    CHECK(slots.generation == 0u && slots.flags == WIRE_FLAG_CONFIG_DEFAULTS && config.board_id == 0u && config.mode[1] == 5u);
    CHECK(write(500, 5, 0) == WIRE_OK);
    load();
    CHECK(in_force(500, 5) && slots.generation == 1u && slots.flags == 0u);
}

struct value {
    uint8_t at;
    uint8_t bytes;
    bool good;
    uint32_t value;
};

static void refusals(void)
{
    static const uint8_t none[CONFIG_LENGTH] = { 0 };
    static const struct value values[] = {
        { 0, 1, false, 1 }, { 10, 1, true, 250 }, { 10, 1, false, 251 }, { 58, 1, true, 0 },      /* all others: test_config.c */
        { 59, 1, false, 1 }, { 61, 2, false, 0 }, { 63, 2, false, 1001 }, { 63, 2, true, 1002 }, { 73, 2, true, 0xFFFF },
    };
    uint8_t n;

    generations();
    CHECK(slots_stage(&slots, 0, none, 0) == WIRE_BAD_LENGTH);
    CHECK(slots_stage(&slots, CONFIG_LENGTH, none, 1) == WIRE_BAD_LENGTH);
    CHECK(slots_stage(&slots, 1, none, CONFIG_LENGTH) == WIRE_BAD_LENGTH);
    CHECK(slots_stage(&slots, 0xFFFF, none, 1) == WIRE_BAD_LENGTH);
    CHECK(slots_commit(&slots, CONFIG_LENGTH + 1, 0) == WIRE_BAD_LENGTH);
    CHECK(slots_commit(&slots, 11, WIRE_CRC_INIT) == WIRE_BAD_LENGTH);
    for (n = 0; n < sizeof values / sizeof values[0]; n++) {
        uint8_t staged[CONFIG_LENGTH];
        uint16_t crc;
        uint8_t at;

        make(staged, 1, 8);
        for (at = 0; at < values[n].bytes; at++) {
            staged[values[n].at + at] = (uint8_t)(values[n].value >> 8u * at);
        }
        crc = crc_of(staged, CONFIG_LENGTH);
        load();
        CHECK(stage(staged, 0) == WIRE_OK);
        CHECK(slots_commit(&slots, CONFIG_LENGTH, crc ^ 1u) == WIRE_OK);
        CHECK(finish(0) == WIRE_BAD_VALUE);
        CHECK(slots_commit(&slots, CONFIG_LENGTH, crc) == WIRE_OK);
        if (values[n].good) {
            CHECK(finish(0) == WIRE_OK);
            CHECK(slots_byte(&slots, &config, values[n].at) == staged[values[n].at]);
        } else {
            const uint32_t generation = slots.generation;

            CHECK(finish(0) == WIRE_BAD_VALUE);
            CHECK(slots.generation == generation);
        }
    }
    generations();
    wearing = slots_address(1) + SLOTS_HEADER_BYTES + 61u;   /* a cell that does not hold what was written */
    CHECK(write(5, 60, 0) == WIRE_NOT_SAVED);
    wearing = slots_address(1) + CRC_AT;
    CHECK(write(5, 60, 0) == WIRE_NOT_SAVED);
    CHECK(slots.generation == 3u && in_force(103, 3));
    load();
    CHECK(in_force(103, 3));
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
    changes();
    before();
    refusals();
}
