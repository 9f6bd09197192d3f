/* Do messages hold the fields of PROTOCOL.md, and is every wrong request refused?  Expected bytes are written by hand from
 * the field lists there. */
#include "frame.h"
#include "message.h"
#include "report.h"
#include "version.h"

static uint8_t line[FRAME_LINE_MAX];

static void begin(uint8_t type, uint8_t sequence)
{
    message_begin(line, type, sequence);
}

/* The message so far is these bytes. */
static bool is(const uint8_t *bytes, uint8_t length)
{
    uint8_t at;

    if (message.end - message.line != 1 + (int)length) {
        return false;
    }
    for (at = 0; at < length; at++) {
        if (message.line[1u + at] != bytes[at]) {
            return false;
        }
    }
    return true;
}

#define IS(...) \
    do { \
        static const uint8_t expected[] = { __VA_ARGS__ }; \
        CHECK(is(expected, sizeof expected)); \
    } while (0)

/* LEB128: 624485 is the worked example of the DWARF standard's readers (DWARF 4, 7.6, gives 2, 127, 128, 129, 12857 too). */
static void var(void)
{
    static const struct { uint32_t value; uint8_t length; uint8_t bytes[5]; } cases[] = {
        { 0, 1, { 0x00 } },
        { 2, 1, { 0x02 } },
        { 127, 1, { 0x7F } },
        { 128, 2, { 0x80, 0x01 } },
        { 129, 2, { 0x81, 0x01 } },
        { 12857, 2, { 0xB9, 0x64 } },
        { 16383, 2, { 0xFF, 0x7F } },
        { 16384, 3, { 0x80, 0x80, 0x01 } },
        { 624485ul, 3, { 0xE5, 0x8E, 0x26 } },
        { 0x1FFFFFul, 3, { 0xFF, 0xFF, 0x7F } },
        { 0x200000ul, 4, { 0x80, 0x80, 0x80, 0x01 } },
        { 0xFFFFFFFul, 4, { 0xFF, 0xFF, 0xFF, 0x7F } },
        { 0x10000000ul, 5, { 0x80, 0x80, 0x80, 0x80, 0x01 } },
        { 0xFFFFFFFFul, 5, { 0xFF, 0xFF, 0xFF, 0xFF, 0x0F } },
    };
    uint8_t n;

    for (n = 0; n < sizeof cases / sizeof cases[0]; n++) {
        message.line = line;
        message.end = line + 1;
        message_var(cases[n].value);
        CHECK(is(cases[n].bytes, cases[n].length));
        CHECK(message_var_bytes(cases[n].value) == cases[n].length);
    }
}

/* Any value comes back (each bit of 32 set alone, and random ones). */
static void var_round_trip(void)
{
    uint16_t round;

    for (round = 0; round < ROUNDS(60000u, 500u); round++) {
        const uint32_t value = round < 32u ? UINT32_C(1) << round : report_random() >> report_random() % 32u;
        uint32_t back = 0;
        uint8_t shift = 0;
        const uint8_t *at;
        bool more = true;

        message.line = line;
        message.end = line + 1;
        message_var(value);
        for (at = line + 1; at != message.end; at++) {
            CHECK(more);
            back |= (uint32_t)(*at & 0x7Fu) << shift;
            shift = (uint8_t)(shift + 7u);
            more = (*at & 0x80u) != 0u;
        }
        CHECK(!more && back == value);
        CHECK(message.end - line - 1 == message_var_bytes(value));
    }
}

static void answers(void)
{
    const struct tick first = { 0x04030201ul, 0x08070605ul };
    const struct tick second = { 0xFFFFFFFFul, 0x08070605ul };
    const uint32_t board_id = 0xA1B2C3D4ul;
    const uint32_t generation = 9;
    const uint32_t told = 0x01020304ul;
    const struct message_hello hello = { 1, 2, 0x77, true, &first, &board_id, &generation };

    begin(WIRE_HELLO, 5);
    message_hello(&hello);
    IS(0x01, 5, WIRE_PROTOCOL, VERSION_MAJOR, VERSION_MINOR, VERSION_PATCH, 1, 0xD4, 0xC3, 0xB2, 0xA1,
       0x00, 0x24, 0xF4, 0x00, 3, 2, 1, 2, 3, 4, 5, 6, 7, 8, 9, 0, 0, 0, 0x77, 1);
    begin(WIRE_MASKED, 0);
    message_masked(2, &second, first.low, second.low);
    IS(0x04, 0, 2, 1, 2, 3, 4, 5, 6, 7, 8, 0xFF, 0xFF, 0xFF, 0xFF, 5, 6, 7, 8);
    begin(WIRE_PONG, 0xFF);
    message_pong(0xFE, first.low, &second);
    IS(0x05, 0xFF, 0xFE, 1, 2, 3, 4, 5, 6, 7, 8, 0xFF, 0xFF, 0xFF, 0xFF, 5, 6, 7, 8);
    begin(WIRE_RESULT, 1);
    message_result(3, WIRE_STREAM, WIRE_BAD_VALUE);
    IS(0x07, 1, 3, 0x43, 2);
    begin(WIRE_CONFIG_DATA, 1);
    message_config_data(3, &told, 179, 258);
    message_u8(11);
    IS(0x06, 1, 3, 4, 3, 2, 1, 179, 0, 2, 1, 11);
    CHECK(message_close() == 12u + 4u);
}

static uint8_t frame[FRAME_REQUEST_MAX];
static const struct message_request *const request = (const struct message_request *)frame;

/* A request of this type with so many bytes 1, 2, 3, ... */
static uint8_t parse(uint8_t type, uint8_t length)
{
    uint8_t at;

    frame[0] = type;
    frame[1] = 0x99;
    for (at = 0; at < length; at++) {
        frame[2u + at] = (uint8_t)(at + 1u);
    }
    return message_check(request, (uint8_t)(length + WIRE_OVERHEAD));
}

static void requests(void)
{
    static const struct { uint8_t type; uint8_t least; uint8_t most; } lengths[] = {
        { WIRE_ASK_HELLO, 0, 0 },
        { WIRE_PING, 0, 0 },
        { WIRE_STREAM, 1, 1 },
        { WIRE_CONFIG_READ, 3, 3 },
        { WIRE_CONFIG_WRITE, 3, FRAME_REQUEST_MAX - WIRE_OVERHEAD },
        { WIRE_CONFIG_COMMIT, 4, 4 },
    };
    uint8_t n;
    uint16_t type;

    for (n = 0; n < sizeof lengths / sizeof lengths[0]; n++) {
        uint8_t length;

        for (length = 0; length <= FRAME_REQUEST_MAX - WIRE_OVERHEAD; length++) {
            const bool right = length >= lengths[n].least && length <= lengths[n].most;

            CHECK(parse(lengths[n].type, length) == (right ? WIRE_OK : WIRE_BAD_LENGTH));
            CHECK(request->type == lengths[n].type && request->sequence == 0x99u);
        }
    }
    for (type = 0; type < 256u; type++) {
        if (type < WIRE_ASK_HELLO || type > WIRE_CONFIG_COMMIT) {
            CHECK(parse((uint8_t)type, 0) == WIRE_UNKNOWN_TYPE);
        }
    }
    CHECK(parse(WIRE_STREAM, 1) == WIRE_OK && request->on == 1u);
    CHECK(parse(WIRE_CONFIG_READ, 3) == WIRE_OK && request->offset == 0x0201u && request->count == 3u);
    CHECK(parse(WIRE_CONFIG_WRITE, 4) == WIRE_OK && request->offset == 0x0201u && message_write_bytes(4u + WIRE_OVERHEAD) == 2u);
    CHECK(request->bytes == &frame[4]);
    CHECK(parse(WIRE_CONFIG_COMMIT, 4) == WIRE_OK && request->offset == 0x0201u && request->crc == 0x0403u);
    {
        static const uint8_t off[] = { WIRE_STREAM, 0, 0, 0, 0 };
        static const uint8_t two[] = { WIRE_STREAM, 0, 2, 0, 0 };

        CHECK(message_check((const struct message_request *)off, sizeof off) == WIRE_OK);
        CHECK(message_check((const struct message_request *)two, sizeof two) == WIRE_BAD_VALUE);
    }
}

void test(void)
{
    var();
    var_round_trip();
    answers();
    requests();
}
