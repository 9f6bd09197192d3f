/* Does a display that reads the nibbles show the text, and are only changed characters written? */
#include "display.h"
#include "report.h"

static struct display display;
static uint8_t seen[128];          /* the display's memory, by address */
static uint8_t address;
static uint16_t characters;
static uint16_t commands;
static bool four_bits;
static bool half;
static uint8_t high;

static void take(uint8_t nibble)
{
    const uint8_t value = nibble & 0x0Fu;

    if (!four_bits) {
        four_bits = value == 2u;
        half = false;
        return;
    }
    if (!half) {
        half = true;
        high = (uint8_t)(value << 4);
        return;
    }
    half = false;
    if ((nibble & DISPLAY_RS) != 0u) {
        seen[address] = high | value;
        address++;
        characters++;
    } else if ((high & 0x80u) != 0u) {
        address = (uint8_t)((high | value) & 0x7Fu);
        commands++;
    } else if ((high | value) == 0x33u || (high | value) == 0x32u) {
        four_bits = (high | value) == 0x32u;
    }
}

static uint16_t drain(void)
{
    uint16_t nibbles = 0;

    characters = 0;
    commands = 0;
    for (;;) {
        uint16_t wait_us;
        const uint8_t nibble = display_next(&display, &wait_us);

        if (nibble == DISPLAY_NONE) {
            return nibbles;
        }
        CHECK(wait_us >= DISPLAY_BYTE_US);
        take(nibble);
        nibbles++;
    }
}

static bool shows(void)
{
    uint8_t at;

    for (at = 0; at < DISPLAY_CHARACTERS; at++) {
        if (seen[at < 16u ? at : at + 48u] != display.text[at]) {
            return false;
        }
    }
    return true;
}

/* The data sheet's sequence for four bits: 3 3 3 2, then 28 08 01 06 and on (0C), each with a wait beyond 4.1 ms. */
static void set_up(void)
{
    static const uint8_t sequence[] = { 3, 3, 3, 2, 2, 8, 0, 8, 0, 1, 0, 6, 0, 12 };
    uint8_t at;

    for (at = 0; at < sizeof sequence; at++) {
        uint16_t wait_us;
        const uint8_t nibble = display_next(&display, &wait_us);

        CHECK(nibble == sequence[at]);
        CHECK(wait_us >= 4100u);
        take(nibble);
    }
}

void test(void)
{
    uint16_t n;

    display_begin(&display);
    set_up();
    (void)drain();
    CHECK(shows() && characters == 32u && commands == 2u);
    CHECK(drain() == 0u);
    display_put(&display, 5, 'x');
    CHECK(drain() == 4u && shows());                           /* an address and a character */
    display_put(&display, 6, 'y');
    CHECK(drain() == 2u && shows());                           /* it stands there already */
    display_put(&display, 6, 'y');
    CHECK(drain() == 0u);
    display_put(&display, 15, 'a');
    display_put(&display, 16, 'b');
    (void)drain();
    CHECK(shows() && commands == 2u);                          /* the lines do not join */
    for (n = 0; n < ROUNDS(3000, 400); n++) {
        uint8_t changed = 0;
        uint8_t at;
        uint8_t changes;

        for (changes = (uint8_t)(report_random() % 6u); changes != 0u; changes--) {
            at = (uint8_t)(report_random() % DISPLAY_CHARACTERS);
            changed = (uint8_t)(changed + 1u);
            display_put(&display, at, (uint8_t)(report_random() % 4u + 'a'));
        }
        if (n % 50u == 49u) {
            display_renew(&display);
            CHECK(drain() == 10u + 64u + 4u);                  /* no clearing, no darkness; all of it */
            CHECK(characters == 32u && shows());
        } else {
            (void)drain();
            CHECK(characters <= changed && shows());
        }
    }
}
