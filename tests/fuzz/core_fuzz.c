/* What can bytes from a host, or a damaged memory, do to the firmware's portable part?
 *
 * An input: a byte of choices, then (if it says so) what stands in the EEPROM, then the host's bytes, raw or as frames
 * whose CRC is made right, since a fuzzer does not find one by chance.  Whatever comes, no memory is touched that is not
 * its own (sanitizers), the settings in force are possible ones, and a supply that fails leaves the old ones or the new.
 *
 * tests/fuzz/test_core.py replays what is kept, with gcc.  A campaign, with clang:
 *
 *   clang -g -O1 -fsanitize=fuzzer,address,undefined -I firmware/core tests/fuzz/core_fuzz.c firmware/core/frame.c \
 *         firmware/core/message.c firmware/core/config.c -o /tmp/core_fuzz
 *   mkdir -p /tmp/core_found && /tmp/core_fuzz -max_len=1024 -max_total_time=600 /tmp/core_found tests/data/fuzz/core
 */
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "config.h"
#include "frame.h"
#include "message.h"

#define EEPROM_BYTES 1024u
#define CHOICE_EEPROM 0x01u    /* the memory's first bytes come with the input */
#define CHOICE_FRAMES 0x02u    /* length, bytes, length, bytes ... become frames */
#define CHOICE_CUT 0x04u       /* the supply fails after as many writes as the second byte says */
#define TURNS_MAX 20000u       /* the longest work takes fewer */

static uint8_t eeprom[EEPROM_BYTES];
static uint32_t writes_left;

static void require(bool true_of_it, const char *what)
{
    if (!true_of_it) {
        (void)fprintf(stderr, "core_fuzz: %s\n", what);
        abort();
    }
}

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
    struct config_store store;
    struct config config;
    struct frame_decoder decoder;
    bool off;
};

static void begin(struct device *device)
{
    memset(device, 0, sizeof *device);
    config_load(&device->store, read_byte, &device->config);
    check_config(&device->config);
}

/* After WIRE_OK: until the work is done, or the supply fails; a commit is then all or nothing. */
static void go_on(struct device *device, bool commit)
{
    struct config old = device->config;
    struct config_next next;
    uint32_t turns;

    for (turns = 0; turns < TURNS_MAX; turns++) {
        const enum config_turn turn = config_go_on(&device->store, &device->config, &next);

        if (turn == CONFIG_DONE) {
            struct device again;

            check_config(&device->config);
            begin(&again);
            require(memcmp(&again.config, &device->config, sizeof again.config) == 0, "memory and storage differ");
            return;
        }
        if (turn == CONFIG_WRITE) {
            require(next.address < EEPROM_BYTES, "a write beyond the memory");
            if (writes_left == 0u) {
                struct device again;

                eeprom[next.address] = (uint8_t)(eeprom[next.address] & next.byte);    /* half written */
                begin(&again);
                require(commit || memcmp(&again.config, &old, sizeof old) == 0, "staging changed what is in force");
                device->off = true;
                return;
            }
            writes_left--;
            eeprom[next.address] = next.byte;
        }
    }
    require(false, "a work without end");
}

static void answer(struct device *device, const struct message_request *request)
{
    uint8_t line[FRAME_LINE_MAX];
    struct message message;
    uint8_t at;

    switch (request->type) {
    case WIRE_CONFIG_READ:
        if (request->count == 0u || request->count > WIRE_CONFIG_READ_MAX || request->offset > CONFIG_LENGTH
            || request->count > CONFIG_LENGTH - request->offset) {
            break;
        }
        message_begin(&message, line, WIRE_CONFIG_DATA, 0);
        message_config_data(&message, request->sequence, device->store.generation, CONFIG_LENGTH, request->offset);
        for (at = 0; at < request->count; at++) {
            message_u8(&message, config_byte(&device->store, &device->config, (uint8_t)(request->offset + at)));
        }
        require(message_close(&message) <= FRAME_LINE_MAX, "an answer longer than the line's buffer");
        return;
    case WIRE_CONFIG_WRITE:
        if (config_stage(&device->store, request->offset, request->bytes, request->count) == WIRE_OK) {
            go_on(device, false);
        }
        break;
    case WIRE_CONFIG_COMMIT:
        if (config_commit(&device->store, request->length, request->crc) == WIRE_OK) {
            go_on(device, true);
        }
        break;
    default:
        break;
    }
    message_begin(&message, line, WIRE_RESULT, 0);
    message_result(&message, request->sequence, request->type, WIRE_OK);
    require(message_close(&message) <= FRAME_LINE_MAX, "a result longer than the line's buffer");
}

static void hear(struct device *device, uint8_t byte)
{
    struct message_request request;

    if (!device->off && frame_feed(&device->decoder, byte) == FRAME_READY) {
        require(device->decoder.length <= FRAME_REQUEST_MAX, "a frame longer than its buffer");
        if (message_parse(device->decoder.bytes, device->decoder.length, &request) == WIRE_OK) {
            answer(device, &request);
        }
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct device device;
    uint8_t choices;

    if (size < 2u) {
        return 0;
    }
    choices = data[0];
    writes_left = (choices & CHOICE_CUT) != 0u ? data[1] : UINT32_MAX;
    data += 2;
    size -= 2;
    memset(eeprom, 0xFF, sizeof eeprom);
    if ((choices & CHOICE_EEPROM) != 0u) {
        const size_t kept = size < EEPROM_BYTES / 2u ? size : EEPROM_BYTES / 2u;

        memcpy(eeprom, data, kept);
        data += kept;
        size -= kept;
    }
    begin(&device);
    if ((choices & CHOICE_FRAMES) == 0u) {
        while (size > 0u) {
            hear(&device, *data++);
            size--;
        }
        return 0;
    }
    while (size > 1u) {
        uint8_t line[FRAME_LINE_MAX + 32u] = { 0 };
        uint8_t length = (uint8_t)(1u + data[0] % 32u);
        uint8_t bytes;
        uint8_t at;

        length = length < size - 1u ? length : (uint8_t)(size - 1u);
        memcpy(line + FRAME_CODE_BYTES, data + 1, length);
        data += 1u + length;
        size -= 1u + length;
        bytes = frame_close(line, length);
        for (at = 0; at < bytes; at++) {
            hear(&device, line[at]);
        }
    }
    return 0;
}

#ifdef REPLAY
int main(int count, char **names)
{
    static uint8_t data[1u << 16];
    int at;

    for (at = 1; at < count; at++) {
        FILE *file = fopen(names[at], "rb");
        size_t size;

        require(file != NULL, names[at]);
        size = fread(data, 1, sizeof data, file);
        (void)fclose(file);
        (void)LLVMFuzzerTestOneInput(data, size);
    }
    (void)printf("%d inputs\n", count - 1);
    return 0;
}
#endif
