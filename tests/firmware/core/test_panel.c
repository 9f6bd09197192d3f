/* Is the text right to the character?  Expected texts by hand: 304.8 mm are a foot. */
#include "panel.h"
#include "report.h"

static struct display display;
static struct reading reading;
static struct config config;
static struct entry entry;

static bool line(uint8_t start, const char *text)
{
    uint8_t at;

    for (at = 0; at < DISPLAY_COLUMNS; at++) {
        if ((display.text[start + at] & (uint8_t)~DISPLAY_DIRTY) != (uint8_t)text[at]) {
            return false;
        }
    }
    return true;
}

static bool shows(const char *first, const char *second)
{
    panel_show(&display, &reading, &config, &entry, false);
    return line(0, first) && line(16, second);
}

static void speed(uint32_t mm_per_min, const char *feet, const char *metres)
{
    reading.shown_mm_per_min = mm_per_min;
    config.unit = CONFIG_UNIT_FT_PER_MIN;
    CHECK(shows(feet, metres));
    config.unit = CONFIG_UNIT_M_PER_MIN;
    CHECK(shows(metres, feet));
    config.unit = CONFIG_UNIT_FT_PER_MIN;
}

void test(void)
{
    uint32_t tenth;

    display_begin(&display);
    config_reset(&config);
    CHECK(shows("NOT SET         ", "hold SET 2 s    "));
    reading.state = READING_NO_PULSES;
    CHECK(shows("NO PULSES       ", "stopped or lost?"));
    reading.state = READING_STARTING;
    CHECK(shows("wait: first turn", "                "));
    reading.state = READING_TURNING;
    speed(0, "      0.0 ft/min", "      0.0 m/min ");
    speed(6096, "     20.0 ft/min", "      6.1 m/min ");
    speed(304769, "    999.9 ft/min", "    304.8 m/min ");     /* 999.898 ft */
    speed(304800, "     1000 ft/min", "    304.8 m/min ");
    speed(1828800, "     6000 ft/min", "     1829 m/min ");
    speed(914400, "     3000 ft/min", "    914.4 m/min ");
    speed(18288000, "    60000 ft/min", "    18288 m/min ");
    reading.state = READING_SLOWER;
    speed(13000, "    <42.7 ft/min", "    <13.0 m/min ");        /* 42.651 ft */
    reading.state = READING_TURNING;
    reading.holding = true;
    reading.most_mm_per_min = 914400;
    CHECK(shows("MAX  3000 ft/min", "    914.4 m/min "));
    config.unit = CONFIG_UNIT_M_PER_MIN;
    CHECK(shows("MAX 914.4 m/min ", "     3000 ft/min"));
    config.unit = CONFIG_UNIT_FT_PER_MIN;
    reading.state = READING_NO_PULSES;
    CHECK(shows("MAX  3000 ft/min", "stopped or lost?"));
    reading.holding = false;
    reading.state = READING_TURNING;
    reading.shown_mm_per_min = 914400;
    reading.slip_known = true;
    reading.slip_hundredths = 123;
    CHECK(shows("     3000 ft/min", "belt slip   1.2%"));
    reading.slip_hundredths = -5;
    CHECK(shows("     3000 ft/min", "belt slip  -0.1%"));
    reading.slip_hundredths = 9999;
    CHECK(shows("     3000 ft/min", "belt slip 100.0%"));
    reading.alarms = READING_ALARM_SLIP;
    reading.slip_hundredths = 1250;
    CHECK(shows("     3000 ft/min", "!! SLIP !! 12.5%"));
    reading.slip_known = false;
    CHECK(shows("     3000 ft/min", "!! SLIP !!     %"));
    reading.alarms = READING_ALARM_SLIP | READING_ALARM_FAST;
    CHECK(shows("     3000 ft/min", "!!! TOO FAST !!!"));
    reading.alarms = READING_ALARM_SLOW;
    CHECK(shows("     3000 ft/min", "!!! TOO SLOW !!!"));
    reading.alarms = 0;
    for (tenth = 0; tenth < 20000u; tenth += ROUNDS(1, 37)) {    /* every tenth of m/min, to the nearest */
        char text[17] = "          m/min ";
        uint32_t value = tenth < 10000u ? tenth : (tenth + 5u) / 10u;
        uint8_t at = 9;

        if (tenth < 10000u) {
            text[--at] = (char)('0' + value % 10u);
            text[--at] = '.';
            value /= 10u;
        }
        do {
            text[--at] = (char)('0' + value % 10u);
            value /= 10u;
        } while (value != 0u);
        config.unit = CONFIG_UNIT_M_PER_MIN;
        reading.shown_mm_per_min = tenth * 100u + report_random() % 50u;
        panel_show(&display, &reading, &config, &entry, false);
        CHECK(line(0, text));
    }
    config.wheel_targets = 12;
    config.circumference_um = 1039553;
    entry_open(&entry, &config);
    CHECK(shows("D+blade 0330.9mm", "targets 12      "));
    panel_show(&display, &reading, &config, &entry, true);
    CHECK(line(0, "D+blade _330.9mm"));
    entry.at = 4;
    panel_show(&display, &reading, &config, &entry, true);
    CHECK(line(0, "D+blade 0330._mm"));
    entry.at = 6;
    panel_show(&display, &reading, &config, &entry, true);
    CHECK(line(0, "D+blade 0330.9mm") && line(16, "targets 1_      "));
}
