/* Which settings are possible ones?  The limits are those of PROTOCOL.md section 8, by hand. */
#include "config.h"
#include "report.h"

static struct config config;

/* A saw with eight targets on input 1; input 3 is switched off. */
static void make(void)
{
    config_reset(&config);
    config.mode[2] = 0;
    config.wheel_input = 1;
    config.wheel_targets = 8;
    config.angles = 8;
    config.circumference_um = 1039557;
}

static void never_told(void)
{
    const uint8_t *const bytes = (const uint8_t *)&config;
    static const uint8_t wanted[29] = { 2, 0, 0, 0, 0, 0, 5, 5, 5, 12, 20, [24] = 0xFF, 0xFF, 0xFF, 0xFF, 0 };
    uint8_t at;

    config_reset(&config);
    for (at = 0; at < CONFIG_FIXED_BYTES; at++) {
        CHECK(bytes[at] == (at < sizeof wanted ? wanted[at] : 0u));
    }
    CHECK(config_sound(&config));
}

/* Every value of each byte that stands alone. */
static void single_bytes(void)
{
    static const struct { uint8_t at; uint8_t least; uint8_t most; } limits[] = {
        { 0, 2, 2 }, { 5, 0, 1 }, { 6, 0, 7 }, { 7, 0, 7 }, { 8, 0, 7 }, { 9, 2, 24 }, { 10, 5, 250 }, { 11, 0, 1 },
        { 12, 0, 0 }, { 13, 0, 0 },                      /* an input needs its targets */
        { 14, 0, 60 }, { 15, 0, 60 },
    };
    uint8_t n;

    for (n = 0; n < sizeof limits / sizeof limits[0]; n++) {
        uint16_t value;

        config_reset(&config);
        for (value = 0; value < 256u; value++) {
            ((uint8_t *)&config)[limits[n].at] = (uint8_t)value;
            CHECK(config_sound(&config) == (value >= limits[n].least && value <= limits[n].most));
        }
    }
}

static void one_with_another(void)
{
    static const struct { uint8_t at; uint8_t bytes; bool good; uint32_t value; } values[] = {
        { 6, 1, true, 7 }, { 6, 1, false, 6 },                                        /* the wheel's must be on */
        { 12, 1, true, 2 }, { 12, 1, false, 3 }, { 12, 1, false, 4 },                 /* input 3 is switched off */
        { 13, 1, false, 1 }, { 13, 1, false, 2 },                                     /* the wheel's; targets missing */
        { 14, 1, false, 0 }, { 14, 1, false, 61 }, { 14, 1, false, 9 },               /* not the number of angles */
        { 16, 4, true, 0 }, { 16, 4, true, 10000 }, { 16, 4, false, 9999 },
        { 16, 4, true, 20000000 }, { 16, 4, false, 20000001 }, { 16, 4, false, 0xFFFFFFFF },
        { 20, 4, true, 50000000 }, { 20, 4, false, 50000001 }, { 20, 4, false, 0x80000000 },
        { 20, 4, true, (uint32_t)-50000000 }, { 20, 4, false, (uint32_t)-50000001 },
        { 24, 4, true, 0 }, { 28, 2, true, 0xFFFF }, { 30, 2, true, 0xFFFF }, { 32, 4, true, 0xFFFFFFFF },
        { 52, 4, true, 1 }, { 48, 4, true, 0xFFFFFFFF },
        { 56, 2, true, 10000 }, { 56, 2, false, 10001 },
        { 58, 1, true, 0 }, { 58, 1, false, 7 }, { 58, 1, false, 60 },
    };
    uint8_t n;

    for (n = 0; n < sizeof values / sizeof values[0]; n++) {
        uint8_t at;

        make();
        CHECK(config_sound(&config));
        for (at = 0; at < values[n].bytes; at++) {
            ((uint8_t *)&config)[values[n].at + at] = (uint8_t)(values[n].value >> 8u * at);
        }
        CHECK(config_sound(&config) == values[n].good);
    }
    make();
    config.fast_input = 2;
    config.fast_targets = 60;
    config.slowest_mm_per_min = 10000;
    config.fastest_mm_per_min = 10001;
    CHECK(config_sound(&config));
    config.fastest_mm_per_min = 10000;
    CHECK(!config_sound(&config));
    config.fastest_mm_per_min = 0;
    CHECK(config_sound(&config));
    config.fast_input = 3;
    CHECK(!config_sound(&config));
    config.mode[2] = CONFIG_MODE_ENABLED;
    CHECK(config_sound(&config));
    config.wheel_input = 3;
    CHECK(!config_sound(&config));
}

static void buttons(void)
{
    struct config_change change = { CONFIG_UNIT_M_PER_MIN, 0, 1000000 };

    make();
    config_apply(&config, &change);
    CHECK(config.unit == CONFIG_UNIT_M_PER_MIN && config.circumference_um == 1039557ul && config.angles == 8u);
    change.wheel_targets = 8;                            /* as many as before: the angles stay */
    config_apply(&config, &change);
    CHECK(config.circumference_um == 1000000ul && config.angles == 8u && config.wheel_input == 1u);
    change.wheel_targets = 9;
    config_apply(&config, &change);
    CHECK(config.wheel_targets == 9u && config.angles == 0u && config_sound(&config));
    config_reset(&config);                               /* the first wheel: on the first input that is free */
    config.mode[0] = CONFIG_MODE_PULL_UP;
    config.fast_input = 2;
    config.fast_targets = 1;
    config_apply(&config, &change);
    CHECK(config.wheel_input == 3u && config_sound(&config));
    config_reset(&config);
    config.mode[0] = config.mode[1] = config.mode[2] = 0;
    config_apply(&config, &change);
    CHECK(config.wheel_input == 0u && config.wheel_targets == 9u && config_sound(&config));
}

void test(void)
{
    never_told();
    single_bytes();
    one_with_another();
    buttons();
}
