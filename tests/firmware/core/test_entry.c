/* Do the digits begin with what is configured, and end in the circumference of the diameter? */
#include "buttons.h"
#include "entry.h"
#include "report.h"

static struct entry entry;
static struct config_change change;

static uint32_t tenths(void)
{
    uint32_t value = 0;
    uint8_t at;

    for (at = 0; at < ENTRY_DIAMETER_DIGITS; at++) {
        value = value * 10u + entry.digits[at];
    }
    return value;
}

static void enter(uint32_t diameter_tenths, uint8_t targets)
{
    const uint32_t wanted = diameter_tenths * 100u + targets;
    uint32_t unit = 1000000;
    uint8_t at;

    for (at = 0; at < ENTRY_DIGITS; at++) {
        while (entry.digits[at] != wanted / unit % 10u) {
            CHECK(entry.at == at && !entry_press(&entry, BUTTONS_UNIT, &change));
        }
        CHECK(!entry_press(&entry, BUTTONS_HOLD, &change));
        unit /= 10u;
    }
    CHECK(entry.at == 0u);
}

void test(void)
{
    struct config config;
    uint32_t diameter;

    config_reset(&config);
    entry_open(&entry, &config);
    CHECK(entry.open && tenths() == 0u);
    CHECK(!entry_press(&entry, BUTTONS_SET_LONG, &change) && entry.open);      /* nothing to save */
    enter(3309, 4);
    CHECK(entry_press(&entry, BUTTONS_SET_LONG, &change) && !entry.open);
    CHECK(change.wheel_targets == 4u && change.circumference_um == 1039553ul); /* pi 330.9 mm = 1039553.01 um */
    enter(3309, 61);
    CHECK(!entry_press(&entry, BUTTONS_SET_LONG, &change));
    enter(31, 4);
    CHECK(!entry_press(&entry, BUTTONS_SET_LONG, &change));                    /* pi 3.1 mm is less than 10 mm */
    enter(63663, 1);
    CHECK(!entry_press(&entry, BUTTONS_SET_LONG, &change));                    /* pi 6.3663 m is more than 20 m */
    enter(63661, 60);
    CHECK(entry_press(&entry, BUTTONS_SET_LONG, &change) && change.wheel_targets == 60u);
    for (diameter = 32; diameter < 63662ul; diameter += ROUNDS(13, 371)) {
        config.circumference_um = (uint32_t)((uint64_t)diameter * 314159265u / 1000000u);
        config.wheel_targets = (uint8_t)(diameter % 60u + 1u);
        entry_open(&entry, &config);
        CHECK(tenths() == diameter);
        CHECK(entry.digits[5] * 10u + entry.digits[6] == config.wheel_targets);
        CHECK(entry_press(&entry, BUTTONS_SET_LONG, &change));
        CHECK(change.circumference_um == config.circumference_um && change.wheel_targets == config.wheel_targets);
    }
    config.circumference_um = CONFIG_CIRCUMFERENCE_MAX_UM;
    entry_open(&entry, &config);
    CHECK(tenths() == 63662ul);
}
