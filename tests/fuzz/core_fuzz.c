/* What can bytes from a host, or a damaged memory, do to the firmware's portable part?
 *
 * An input: a byte of choices, one of writes until the supply fails, then (if it says so) what stands in the EEPROM, then
 * what the host does: raw bytes; frames whose CRC is made right, since a fuzzer does not find one by chance; or works, of
 * which one is a whole write of settings with its commit.  Whatever comes, no memory is touched that is not its own
 * (sanitizers), the settings in force are possible ones, settings that are possible are taken, and a supply that fails
 * leaves the old ones or the new.
 *
 * tests/fuzz/test_core.py replays what is kept, with gcc, and tells how a campaign is run.
 */
#include "fuzz.h"
#include "message.h"

#define EEPROM_BYTES 1024u
#define CHOICE_EEPROM 0x01u    /* the memory's first bytes come with the input */
#define CHOICE_FRAMES 0x02u    /* length, bytes, length, bytes ... become frames */
#define CHOICE_CUT 0x04u       /* the supply fails after as many writes as the second byte says */
#define CHOICE_SEALED 0x08u    /* slots in the memory, today's or of the layout before, with a right CRC */
#define CHOICE_WORKS 0x10u     /* works in place of bytes or frames */
#define OLD_VERSION 1u         /* of a firmware before, whose slots are not taken for today's */
#define OLD_LENGTH 11u
#define OLD_SPACING 64u
#define TURNS_MAX 20000u       /* the longest work takes fewer */

static uint8_t eeprom[EEPROM_BYTES];
static uint32_t writes_left;
static uint16_t worn;          /* address of a cell that keeps what it holds; EEPROM_BYTES: none */

static uint8_t read_byte(uint16_t address)
{
    require(address < EEPROM_BYTES, "a read beyond the memory");
    return eeprom[address];
}

static void check_config(const struct config *config)
{
    require(config->version == CONFIG_VERSION, "another version is in force");
    require(config->baud <= CONFIG_BAUD_SLOW, "no such baud rate");
    require(config->flood_edges >= CONFIG_FLOOD_EDGES_MIN && config->flood_edges <= CONFIG_FLOOD_EDGES_MAX, "flood");
    require(config->mask_ms >= CONFIG_MASK_MS_MIN && config->mask_ms <= CONFIG_MASK_MS_MAX, "mask");
    require(config->wheel_input <= WIRE_INPUTS && config->fast_input <= WIRE_INPUTS, "no such input");
    require(config->wheel_targets <= CONFIG_TARGETS_MAX && config->fast_targets <= CONFIG_TARGETS_MAX, "targets");
    require(config->angles == 0u || config->angles == config->wheel_targets, "angles for other targets");
}

struct device {
    struct slots store;
    struct config config;
    struct frame_decoder decoder;
    bool off;
};

/* All of the configuration in force, as on the line. */
static void read_all(const struct device *device, uint8_t bytes[CONFIG_LENGTH])
{
    uint8_t at;

    for (at = 0; at < CONFIG_LENGTH; at++) {
        bytes[at] = slots_byte(&device->store, &device->config, at);
    }
}

static void begin(struct device *device)
{
    uint32_t before = 0;
    uint8_t target;

    memset(device, 0, sizeof *device);
    slots_load(&device->store, read_byte, &device->config);
    check_config(&device->config);
    for (target = 0; target < device->config.angles; target++) {
        const uint8_t at = (uint8_t)(CONFIG_FIXED_BYTES + 2u * target);
        const uint32_t angle = slots_byte(&device->store, &device->config, at)
                               + 256u * slots_byte(&device->store, &device->config, (uint8_t)(at + 1u));

        require(target == 0u ? angle == 0u : angle > before, "angles that do not rise");
        before = angle;
    }
}

/* What is in force is what is stored. */
static void restart(struct device *device)
{
    uint8_t old[CONFIG_LENGTH];
    uint8_t now[CONFIG_LENGTH];

    read_all(device, old);
    begin(device);
    read_all(device, now);
    require(memcmp(old, now, sizeof now) == 0, "a restart brings other settings");
}

/* The supply fails in a write. */
static void fail(struct device *device, const struct slots_next *next, const uint8_t old[CONFIG_LENGTH],
                 const uint8_t *new)
{
    struct device again;
    uint8_t found[CONFIG_LENGTH];

    eeprom[next->address] = (uint8_t)(eeprom[next->address] & next->byte);    /* half written */
    begin(&again);
    read_all(&again, found);
    require(memcmp(found, old, sizeof found) == 0 || (new != NULL && memcmp(found, new, sizeof found) == 0),
            "neither the old settings nor the new ones");
    device->off = true;
}

/* After WIRE_OK: until the work is done, or the supply fails.  `new`: a commit of these, all or nothing.  Returns the
 * RESULT code. */
static uint8_t go_on(struct device *device, const uint8_t old[CONFIG_LENGTH], const uint8_t *new)
{
    struct slots_next next = { 0, 0, 0 };
    uint32_t turns;

    for (turns = 0; turns < TURNS_MAX; turns++) {
        const enum slots_turn turn = slots_go_on(&device->store, &device->config, &next);

        if (turn == SLOTS_DONE) {
            uint8_t now[CONFIG_LENGTH];

            read_all(device, now);
            check_config(&device->config);
            if (new != NULL) {
                restart(device);
            }
            require(memcmp(now, next.code == WIRE_OK && new != NULL ? new : old, sizeof now) == 0, "others in force");
            return next.code;
        }
        if (turn == SLOTS_WRITE) {
            require(next.address < EEPROM_BYTES, "a write beyond the memory");
            if (writes_left == 0u) {
                fail(device, &next, old, new);
                return WIRE_NOT_SAVED;
            }
            writes_left--;
            if (next.address != worn) {
                eeprom[next.address] = next.byte;
            }
        }
    }
    require(false, "a work without end");
    return WIRE_NOT_SAVED;
}

/* Returns the RESULT code. */
static uint8_t answer(struct device *device, const struct message_request *request)
{
    uint8_t line[FRAME_LINE_MAX];
    uint8_t old[CONFIG_LENGTH];
    const struct tick now = { UINT32_MAX, UINT32_MAX };
    const struct message_hello hello = {
        1, WIRE_RESET_POWER, request->sequence, true, &now, &device->config.board_id, &device->store.generation,
    };
    uint8_t code = WIRE_OK;
    uint8_t at;

    switch (request->type) {
    case WIRE_ASK_HELLO:
        message_begin(line, WIRE_HELLO, 0);
        message_hello(&hello);
        require(message_close() <= FRAME_LINE_MAX, "a hello longer than the line's buffer");
        return WIRE_OK;
    case WIRE_PING:
        message_begin(line, WIRE_PONG, 0);
        message_pong(request->sequence, 7, &now);
        require(message_close() <= FRAME_LINE_MAX, "a pong longer than the line's buffer");
        return WIRE_OK;
    case WIRE_CONFIG_READ:
        if (request->count == 0u || request->count > WIRE_CONFIG_READ_MAX || request->offset > CONFIG_LENGTH
            || request->count > CONFIG_LENGTH - request->offset) {
            break;
        }
        message_begin(line, WIRE_CONFIG_DATA, 0);
        message_config_data(request->sequence, &device->store.generation, CONFIG_LENGTH, request->offset);
        for (at = 0; at < request->count; at++) {
            message_u8(slots_byte(&device->store, &device->config, (uint8_t)(request->offset + at)));
        }
        require(message_close() <= FRAME_LINE_MAX, "an answer longer than the line's buffer");
        return WIRE_OK;
    case WIRE_CONFIG_WRITE:
        code = slots_stage(&device->store, request->offset, request->bytes, message_write_bytes(device->decoder.length));
        if (code == WIRE_OK) {
            read_all(device, old);
            code = go_on(device, old, NULL);
        }
        break;
    case WIRE_CONFIG_COMMIT:
        code = slots_commit(&device->store, request->offset, request->crc);
        if (code == WIRE_OK) {
            uint8_t new[CONFIG_LENGTH];

            read_all(device, old);
            memcpy(new, &eeprom[slots_address(device->store.next_slot) + SLOTS_HEADER_BYTES], sizeof new);
            code = go_on(device, old, new);
        }
        break;
    default:
        break;
    }
    message_begin(line, WIRE_RESULT, 0);
    message_result(request->sequence, request->type, code);
    require(message_close() <= FRAME_LINE_MAX, "a result longer than the line's buffer");
    return code;
}

/* Returns the RESULT code of the request that ended with this byte; WIRE_OK when none did. */
static uint8_t hear(struct device *device, uint8_t byte)
{
    const struct message_request *request = (const struct message_request *)device->decoder.bytes;
    uint8_t code = WIRE_OK;

    if (!device->off && frame_feed(&device->decoder, byte) == FRAME_READY) {
        require(device->decoder.length <= FRAME_REQUEST_MAX, "a frame longer than its buffer");
        code = message_check(request, device->decoder.length);
        if (code == WIRE_OK) {
            code = answer(device, request);
        }
    }
    return code;
}

/* The `length` bytes at line[1], as a frame with its CRC. */
static uint8_t say(struct device *device, uint8_t *line, uint8_t length)
{
    const uint8_t bytes = frame_close(line, length);
    uint8_t code = WIRE_OK;
    uint8_t at;

    (void)hear(device, WIRE_DELIMITER);
    for (at = 0; at < bytes; at++) {
        code = hear(device, line[at]);
    }
    return code;
}

static uint8_t say_some(struct device *device, struct input *input)
{
    uint8_t line[FRAME_LINE_MAX] = { 0 };
    const uint8_t asked = (uint8_t)(1u + input_u8(input) % 32u);
    const uint8_t length = asked < input->left ? asked : (uint8_t)input->left;

    memcpy(line + FRAME_CODE_BYTES, input->at, length);
    input->at += length;
    input->left -= length;
    return say(device, line, length);
}

static uint16_t crc_of(const uint8_t *bytes, size_t count)
{
    uint16_t crc = WIRE_CRC_INIT;

    while (count-- != 0u) {
        crc = frame_crc(crc, *bytes++);
    }
    return crc;
}

/* Settings, written in pieces and committed, as a host does it. */
static void say_settings(struct device *device, struct input *input)
{
    const uint8_t piece = (uint8_t)(1u + input_u8(input) % (FRAME_REQUEST_MAX - WIRE_OVERHEAD - 2u));
    const uint8_t spoilt = input_u8(input);
    uint8_t line[FRAME_LINE_MAX];
    uint8_t bytes[CONFIG_LENGTH];
    uint8_t found[CONFIG_LENGTH];
    uint16_t crc;
    uint8_t at;
    uint8_t code;

    input_settings(input, bytes);
    if ((spoilt & 1u) != 0u) {
        bytes[(spoilt >> 1) % CONFIG_LENGTH] = input_u8(input);       /* now perhaps impossible */
    }
    for (at = 0; at < CONFIG_LENGTH; at = (uint8_t)(at + piece)) {
        const uint8_t left = (uint8_t)(CONFIG_LENGTH - at);

        message_begin(line, WIRE_CONFIG_WRITE, at);
        message_u16(at);
        memcpy(message.end, bytes + at, left < piece ? left : piece);
        code = say(device, line, (uint8_t)(4u + (left < piece ? left : piece)));
        require(code == WIRE_OK || device->off || worn < EEPROM_BYTES, "a piece that was not taken");
    }
    crc = crc_of(bytes, sizeof bytes);
    message_begin(line, WIRE_CONFIG_COMMIT, 0);
    message_u16(CONFIG_LENGTH);
    message_u16(crc);
    code = say(device, line, 6u);
    if (!device->off) {
        require(code == WIRE_OK || (spoilt & 1u) != 0u || worn < EEPROM_BYTES, "possible settings were refused");
        read_all(device, found);
        require(code != WIRE_OK || memcmp(found, bytes, sizeof bytes) == 0, "other settings than were sent");
    }
}

/* A change by the buttons; in force before it is written. */
static void press(struct device *device, struct input *input)
{
    const struct config_change change = {
        .unit = input_u8(input) & 1u,
        .wheel_targets = input_u8(input) % (CONFIG_TARGETS_MAX + 1u),
        .circumference_um = input_range(input, CONFIG_CIRCUMFERENCE_MIN_UM, CONFIG_CIRCUMFERENCE_MAX_UM),
    };
    uint8_t old[CONFIG_LENGTH];
    uint8_t new[CONFIG_LENGTH];
    uint8_t code;

    read_all(device, old);
    slots_change(&device->store, &device->config, &change);
    read_all(device, new);
    code = go_on(device, old, new);
    require(code == WIRE_OK || device->off, "a change by the buttons was not saved");
}

/* A slot that is whole, of today's layout or of the one before. */
static void seal(struct input *input, uint8_t slot)
{
    const bool old = (input_u8(input) & 1u) != 0u;
    const uint8_t length = old ? OLD_LENGTH : CONFIG_LENGTH;
    uint8_t *start = &eeprom[slot * (old ? OLD_SPACING : SLOTS_SPACING)];
    const uint32_t generation = input_range(input, 0, 1000000u);     /* cells last for 100,000 writes */
    const uint8_t spoilt = input_u8(input);
    uint8_t bytes[CONFIG_LENGTH];
    uint16_t crc;

    input_settings(input, bytes);
    bytes[0] = old ? OLD_VERSION : CONFIG_VERSION;
    if ((spoilt & 1u) != 0u) {
        bytes[(spoilt >> 1) % length] = input_u8(input);
    }
    start[0] = length;
    memcpy(start + 1, &generation, sizeof generation);
    memcpy(start + SLOTS_HEADER_BYTES, bytes, length);
    crc = crc_of(start, SLOTS_HEADER_BYTES + length);
    start[SLOTS_HEADER_BYTES + length] = (uint8_t)crc;
    start[SLOTS_HEADER_BYTES + length + 1u] = (uint8_t)(crc >> 8);
}

static void work(struct device *device, struct input *input)
{
    switch (input_u8(input) % 7u) {
    case 0:
        say_settings(device, input);
        break;
    case 1:
        if (worn == EEPROM_BYTES) {
            press(device, input);
        }
        break;
    case 2:
        (void)hear(device, input_u8(input));
        break;
    case 3:
        restart(device);
        break;
    case 4:
        eeprom[input_u16(input) % EEPROM_BYTES] = input_u8(input);
        begin(device);
        break;
    case 5:
        worn = input_u16(input) % (EEPROM_BYTES + 1u);
        break;
    default:
        (void)say_some(device, input);
        break;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct input input = { data, size };
    struct device device;
    uint8_t choices;
    uint8_t writes;

    if (size < 2u) {
        return 0;
    }
    choices = input_u8(&input);
    writes = input_u8(&input);
    writes_left = (choices & CHOICE_CUT) != 0u ? writes : UINT32_MAX;
    worn = EEPROM_BYTES;
    memset(eeprom, 0xFF, sizeof eeprom);
    if ((choices & CHOICE_EEPROM) != 0u) {
        const size_t kept = input.left < EEPROM_BYTES / 2u ? input.left : EEPROM_BYTES / 2u;

        memcpy(eeprom, input.at, kept);
        input.at += kept;
        input.left -= kept;
    }
    if ((choices & CHOICE_SEALED) != 0u) {
        seal(&input, 0);
        seal(&input, 1);
    }
    begin(&device);
    while (input.left > 0u && !device.off) {
        if ((choices & CHOICE_WORKS) != 0u) {
            work(&device, &input);
        } else if ((choices & CHOICE_FRAMES) != 0u) {
            (void)say_some(&device, &input);
        } else {
            (void)hear(&device, input_u8(&input));
        }
    }
    return 0;
}
