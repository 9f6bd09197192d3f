/* Are frames those of the published codes, and is every damage noticed? */
#include "frame.h"
#include "report.h"

static uint8_t line[260];

static uint16_t crc_of(const char *bytes, uint16_t crc)
{
    while (*bytes != '\0') {
        crc = frame_crc(crc, (uint8_t)*bytes++);
    }
    return crc;
}

/* Check values of the CRC catalogue (G. Cook, "Catalogue of parametrised CRC algorithms") for "123456789". */
static void crc(void)
{
    CHECK(crc_of("123456789", WIRE_CRC_INIT) == WIRE_CRC_CHECK);
    CHECK(WIRE_CRC_CHECK == 0x29B1u);                            /* CRC-16/IBM-3740 */
    CHECK(crc_of("123456789", 0x0000u) == 0x31C3u);              /* CRC-16/XMODEM: the same division from zero */
}

/* What stands on the line decodes to these bytes. */
static bool decodes(const uint8_t *coded, uint16_t coded_length, const uint8_t *plain, uint16_t plain_length)
{
    struct frame_cobs cobs = { 0, false };
    uint16_t at;
    uint16_t found = 0;
    uint8_t byte = 0;

    for (at = 0; at < coded_length; at++) {
        switch (frame_cobs_feed(&cobs, coded[at], &byte)) {
        case FRAME_COBS_BYTE:
            if (found == plain_length || plain[found] != byte) {
                return false;
            }
            found++;
            break;
        case FRAME_COBS_NOTHING:
            break;
        default:
            return false;
        }
    }
    return frame_cobs_feed(&cobs, WIRE_DELIMITER, &byte) == FRAME_COBS_END && found == plain_length;
}

static bool encodes(const uint8_t *plain, uint8_t plain_length, const uint8_t *coded)
{
    uint16_t at;

    for (at = 0; at < plain_length; at++) {
        line[1u + at] = plain[at];
    }
    frame_cobs_close(line, plain_length);
    for (at = 0; at <= plain_length; at++) {
        if (line[at] != coded[at]) {
            return false;
        }
    }
    return line[plain_length + 1u] == WIRE_DELIMITER;
}

#define PAIR(plain, coded) \
    do { \
        CHECK(encodes(plain, sizeof plain, coded)); \
        CHECK(decodes(coded, sizeof coded, plain, sizeof plain)); \
    } while (0)

/* Examples of S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2),
 * 1999, and of the encyclopedias after it; all agree with the package cobs of PyPI. */
static void cobs_short(void)
{
    static const uint8_t plain_1[] = { 0x00 };
    static const uint8_t coded_1[] = { 0x01, 0x01 };
    static const uint8_t plain_2[] = { 0x00, 0x00 };
    static const uint8_t coded_2[] = { 0x01, 0x01, 0x01 };
    static const uint8_t plain_3[] = { 0x00, 0x11, 0x00 };
    static const uint8_t coded_3[] = { 0x01, 0x02, 0x11, 0x01 };
    static const uint8_t plain_4[] = { 0x11, 0x22, 0x00, 0x33 };
    static const uint8_t coded_4[] = { 0x03, 0x11, 0x22, 0x02, 0x33 };
    static const uint8_t plain_5[] = { 0x11, 0x22, 0x33, 0x44 };
    static const uint8_t coded_5[] = { 0x05, 0x11, 0x22, 0x33, 0x44 };
    static const uint8_t plain_6[] = { 0x11, 0x00, 0x00, 0x00 };
    static const uint8_t coded_6[] = { 0x02, 0x11, 0x01, 0x01, 0x01 };
    static const uint8_t plain_7[] = { 0x45, 0x00, 0x00, 0x2C, 0x4C, 0x79, 0x00, 0x00, 0x40, 0x06, 0x4F, 0x37 };
    static const uint8_t coded_7[] = { 0x02, 0x45, 0x01, 0x04, 0x2C, 0x4C, 0x79, 0x01, 0x05, 0x40, 0x06, 0x4F, 0x37 };

    PAIR(plain_1, coded_1);
    PAIR(plain_2, coded_2);
    PAIR(plain_3, coded_3);
    PAIR(plain_4, coded_4);
    PAIR(plain_5, coded_5);
    PAIR(plain_6, coded_6);
    PAIR(plain_7, coded_7);
}

/* The bytes first, first + 1, ... */
static void count_up(uint8_t *bytes, uint8_t first, uint8_t length)
{
    while (length-- != 0u) {
        *bytes++ = first++;
    }
}

/* Runs of 254 bytes, the same sources; a board decodes them all and sends only what fits a frame of WIRE_FRAME_MAX. */
static void cobs_long(void)
{
    static uint8_t plain[255];
    static uint8_t coded[258];

    count_up(plain, 0x01, 254);                  /* 01..FE -> FF 01..FE */
    coded[0] = 0xFF;
    count_up(coded + 1, 0x01, 254);
    CHECK(encodes(plain, 254, coded));
    CHECK(decodes(coded, 255, plain, 254));

    plain[0] = 0x00;                             /* 00 01..FE -> 01 FF 01..FE */
    count_up(plain + 1, 0x01, 254);
    coded[0] = 0x01;
    coded[1] = 0xFF;
    count_up(coded + 2, 0x01, 254);
    CHECK(encodes(plain, 255, coded));
    CHECK(decodes(coded, 256, plain, 255));

    count_up(plain, 0x01, 255);                  /* 01..FF -> FF 01..FE 02 FF */
    coded[0] = 0xFF;
    count_up(coded + 1, 0x01, 254);
    coded[255] = 0x02;
    coded[256] = 0xFF;
    CHECK(decodes(coded, 257, plain, 255));

    count_up(plain, 0x02, 254);                  /* 02..FF 00 -> FF 02..FF 01 01 */
    plain[254] = 0x00;
    count_up(coded + 1, 0x02, 254);
    coded[255] = 0x01;
    coded[256] = 0x01;
    CHECK(decodes(coded, 257, plain, 255));

    count_up(plain, 0x03, 253);                  /* 03..FF 00 01 -> FE 03..FF 02 01 */
    plain[253] = 0x00;
    plain[254] = 0x01;
    coded[0] = 0xFE;
    count_up(coded + 1, 0x03, 253);
    coded[254] = 0x02;
    coded[255] = 0x01;
    CHECK(encodes(plain, 255, coded));
    CHECK(decodes(coded, 256, plain, 255));
}

static struct frame_decoder decoder;

/* How many whole frames, and how many damaged ones, come out of the bytes. */
static void feed(const uint8_t *bytes, uint8_t length, uint8_t *ready, uint8_t *damaged)
{
    *ready = 0;
    *damaged = 0;
    while (length-- != 0u) {
        switch (frame_feed(&decoder, *bytes++)) {
        case FRAME_READY:
            (*ready)++;
            break;
        case FRAME_DAMAGED:
            (*damaged)++;
            break;
        case FRAME_NONE:
            break;
        }
    }
}

static void round_trips_and_flips(void)
{
    uint8_t sent[FRAME_REQUEST_MAX];
    uint8_t ready;
    uint8_t damaged;
    uint16_t round;

    for (round = 0; round < ROUNDS(4000, 60); round++) {
        const uint8_t length = (uint8_t)(2u + report_random() % (FRAME_REQUEST_MAX - 3u));
        uint8_t coded;
        uint8_t at;
        uint16_t flip;
        bool same;

        for (at = 0; at < length; at++) {
            const uint8_t byte = (uint8_t)(report_random() >> 9);

            sent[at] = (byte & 3u) == 0u ? 0u : byte;            /* many zeros */
            line[1u + at] = sent[at];
        }
        coded = frame_close(line, length);
        CHECK(coded == length + 4u);
        feed(line, coded, &ready, &damaged);
        CHECK(ready == 1u && damaged == 0u);
        same = decoder.length == length + 2u;
        for (at = 0; at < length; at++) {
            same = same && decoder.bytes[at] == sent[at];
        }
        CHECK(same);

        /* Any one bit that is wrong on the line costs this frame and no other. */
        for (flip = 0; flip < (coded - 1u) * 8u; flip++) {
            line[flip / 8u] ^= (uint8_t)(1u << flip % 8u);
            feed(line, coded, &ready, &damaged);
            CHECK(ready == 0u && damaged >= 1u);
            line[flip / 8u] ^= (uint8_t)(1u << flip % 8u);
        }
        feed(line, coded, &ready, &damaged);
        CHECK(ready == 1u && damaged == 0u);
    }
}

static void lengths(void)
{
    uint8_t ready;
    uint8_t damaged;
    uint8_t length;
    uint8_t at;

    line[0] = line[1] = line[2] = WIRE_DELIMITER;                /* nothing between delimiters is no frame */
    feed(line, 3, &ready, &damaged);
    CHECK(ready == 0u && damaged == 0u);
    for (length = 0; length < 60u; length++) {
        for (at = 0; at < length; at++) {
            line[1u + at] = at;
        }
        feed(line, frame_close(line, length), &ready, &damaged);
        CHECK(ready == (length >= 2u && length + 2u <= FRAME_REQUEST_MAX ? 1u : 0u));
        CHECK(ready + damaged == 1u);
    }
    line[0] = 0x05;                                              /* a delimiter inside a block */
    line[1] = 0x41;
    line[2] = WIRE_DELIMITER;
    feed(line, 3, &ready, &damaged);
    CHECK(ready == 0u && damaged == 1u);
}

void test(void)
{
    crc();
    cobs_short();
    cobs_long();
    lengths();
    round_trips_and_flips();
}
