/* What does the display say?  See panel.h. */
#include "panel.h"

#include "flash.h"
#include "inline.h"
#include "scale.h"

#define PANEL_SECOND DISPLAY_COLUMNS

/* A whole line each; blanks follow.  A number below 32 stands for so many blanks. */
static const char panel_ft[] FLASH = "\x0A" "ft/min";
static const char panel_m[] FLASH = "\x0A" "m/min";
static const char panel_slip[] FLASH = "belt slip\x06%";
static const char panel_alarm_slip[] FLASH = "!! SLIP !!\x05%";
static const char panel_alarm_fast[] FLASH = "!!! TOO FAST !!!";
static const char panel_alarm_slow[] FLASH = "!!! TOO SLOW !!!";
static const char panel_no_pulses[] FLASH = "NO PULSES";
static const char panel_lost[] FLASH = "stopped or lost?";
static const char panel_not_set[] FLASH = "NOT SET";
static const char panel_hold_set[] FLASH = "hold SET 2 s";
static const char panel_starting[] FLASH = "wait: first turn";
static const char panel_nothing[] FLASH = "";
static const char panel_diameter[] FLASH = "D+blade\x05. mm";
static const char panel_targets[] FLASH = "targets";

#define PANEL_NUMBER_END 9u                /* columns behind a number */
#define PANEL_SLIP_END 15u
#define PANEL_DIGITS_AT 8u

static void panel_fill(uint8_t line[DISPLAY_COLUMNS], const char *text)
{
    uint8_t left;
    uint8_t blanks = 0;

    for (left = DISPLAY_COLUMNS; left != 0u; left--) {
        uint8_t character = ' ';

        if (blanks == 0u) {
            character = flash_byte(text++);
            if (character < ' ') {
                blanks = (uint8_t)(character - 1u);
                character = ' ';
            }
        } else {
            blanks--;
        }
        *line++ = character;
    }
}

static void panel_write(struct display *display, uint8_t start, const uint8_t line[DISPLAY_COLUMNS])
{
    uint8_t at;

    for (at = 0; at < DISPLAY_COLUMNS; at++) {
        display_put(display, (uint8_t)(start + at), line[at]);
    }
}

/* Writes a number whose last digit stands before `end`; `tenths`: that one is behind the point.  Returns the column before. */
INLINE_NEVER static uint8_t panel_number(uint8_t line[DISPLAY_COLUMNS], uint8_t end, uint16_t value, bool tenths)
{
    bool more;

    do {
        const uint16_t tenth = scale_tenth(value);

        line[--end] = (uint8_t)('0' + (value - tenth * 10u));
        value = tenth;
        if (tenths) {
            line[--end] = '.';
        }
        more = value != 0u || tenths;
        tenths = false;
    } while (more);
    return (uint8_t)(end - 1u);
}

/* A speed in a unit: to a tenth below 1000, to one from there on. */
INLINE_NEVER static void panel_speed(uint8_t line[DISPLAY_COLUMNS], uint32_t mm_per_min, uint8_t unit, uint8_t before)
{
    const uint16_t per_tenth = unit == CONFIG_UNIT_FT_PER_MIN ? 3048u : 10000u;    /* of a tenth, in hundredths of a mm/min */
    uint32_t value = (scale(mm_per_min, 200, per_tenth) + 1u) >> 1;                /* rounded */
    bool tenths = true;
    uint8_t at;

    if (value >= 10000u) {
        value = (scale(mm_per_min, 20, per_tenth) + 1u) >> 1;
        tenths = false;
    }
    panel_fill(line, unit == CONFIG_UNIT_FT_PER_MIN ? panel_ft : panel_m);
    at = panel_number(line, PANEL_NUMBER_END, value < 65535u ? (uint16_t)value : 65535u, tenths);
    line[at] = before;
}

static void panel_show_slip(uint8_t line[DISPLAY_COLUMNS], const struct reading *reading)
{
    const bool back = reading->slip_hundredths < 0;
    const uint16_t size = (uint16_t)(back ? -reading->slip_hundredths : reading->slip_hundredths);
    const uint8_t at = panel_number(line, PANEL_SLIP_END, scale_tenth((uint16_t)(size + 5u)), true);

    if (back) {
        line[at] = '-';
    }
}

static void panel_show_entry(struct display *display, const struct entry *entry, bool blink)
{
    uint8_t line[DISPLAY_COLUMNS];
    uint8_t at;

    panel_fill(line, panel_diameter);
    for (at = 0; at < ENTRY_DIGITS; at++) {
        const uint8_t digit = blink && at == entry->at ? (uint8_t)'_' : (uint8_t)('0' + entry->digits[at]);

        if (at == ENTRY_DIAMETER_DIGITS) {
            panel_write(display, 0, line);
            panel_fill(line, panel_targets);
        }
        line[at < 4u ? PANEL_DIGITS_AT + at : at == 4u ? PANEL_DIGITS_AT + 5u : PANEL_DIGITS_AT + at - 5u] = digit;
    }
    panel_write(display, PANEL_SECOND, line);
}

void panel_show(struct display *display, const struct reading *reading, const struct config *config,
                const struct entry *entry, bool blink)
{
    uint8_t line[DISPLAY_COLUMNS];
    uint32_t mm_per_min = reading->shown_mm_per_min;
    const char *text;

    if (entry->open) {
        panel_show_entry(display, entry, blink);
        return;
    }
    if (reading->state == READING_NOT_SET) {
        panel_fill(line, panel_not_set);
    } else if (reading->holding) {
        mm_per_min = reading->most_mm_per_min;
        panel_speed(line, mm_per_min, config->unit, ' ');
        line[0] = 'M';
        line[1] = 'A';
        line[2] = 'X';
    } else if (reading->state >= READING_TURNING) {
        panel_speed(line, mm_per_min, config->unit, reading->state == READING_SLOWER ? '<' : ' ');
    } else {
        panel_fill(line, reading->state == READING_STARTING ? panel_starting : panel_no_pulses);
    }
    panel_write(display, 0, line);

    text = panel_nothing;
    if (reading->state == READING_NOT_SET) {
        text = panel_hold_set;
    } else if ((reading->alarms & READING_ALARM_FAST) != 0u) {
        text = panel_alarm_fast;
    } else if ((reading->alarms & READING_ALARM_SLIP) != 0u) {
        text = panel_alarm_slip;
    } else if ((reading->alarms & READING_ALARM_SLOW) != 0u) {
        text = panel_alarm_slow;
    } else if (reading->state == READING_NO_PULSES) {
        text = panel_lost;
    } else if (reading->slip_known) {
        text = panel_slip;
    } else if (reading->state >= READING_TURNING || reading->holding) {
        panel_speed(line, mm_per_min, config->unit ^ 1u, reading->state == READING_SLOWER ? '<' : ' ');
        text = 0;
    }
    if (text != 0) {
        panel_fill(line, text);
    }
    if (text == panel_slip || (text == panel_alarm_slip && reading->slip_known)) {
        panel_show_slip(line, reading);
    }
    panel_write(display, PANEL_SECOND, line);
}
