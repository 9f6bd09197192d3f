#include "lcd.h"

#include <string.h>

enum { RS = 0x10, E = 0x20, COLUMNS = 16, LINE = 40, SECOND = 0x40 };

/* Cycles of 62.5 ns.  Widths for a supply of 2.7 V, where they are longest; times of execution at 190 kHz, the slowest
 * clock of the controller, where the data sheet's 37 us and 1.52 ms at 270 kHz become 53 us and 2.16 ms. */
enum {
    PULSE_CYCLES = 8, PERIOD_CYCLES = 16, DATA_SET_UP_CYCLES = 4, ADDRESS_SET_UP_CYCLES = 1,
    BYTE_CYCLES = 848, CLEAR_CYCLES = 34560,
    POWER_CYCLES = 640000, FIRST_CYCLES = 65600, SECOND_CYCLES = 1600       /* 40 ms, 4.1 ms, 100 us */
};

static void fault(struct lcd *lcd, const char *what)
{
    lcd->faults++;
    if (lcd->fault == NULL) { lcd->fault = what; }
}

void lcd_power(struct lcd *lcd, uint64_t cycle)
{
    const bool plugged = lcd->plugged;
    const uint8_t pins = lcd->pins;
    const uint64_t bytes = lcd->bytes;
    const unsigned faults = lcd->faults;
    const char *first = lcd->fault;
    memset(lcd, 0, sizeof *lcd);
    memset(lcd->ddram, ' ', sizeof lcd->ddram);
    memset(lcd->cgram, 0x15, sizeof lcd->cgram);         /* anything */
    lcd->increment = true;
    lcd->plugged = plugged;
    lcd->pins = pins;
    lcd->bytes = bytes;
    lcd->faults = faults;
    lcd->fault = first;
    lcd->power_cycle = cycle;
}

static void advance(struct lcd *lcd, bool up)
{
    if (lcd->in_cgram) {
        lcd->address = (uint8_t)((lcd->address + (up ? 1 : 63)) & 63);
        return;
    }
    const unsigned length = lcd->two_lines ? LINE : 2 * LINE;
    const unsigned line = lcd->two_lines ? lcd->address & SECOND : 0;
    unsigned column = (lcd->address & (lcd->two_lines ? 0x3Fu : 0x7Fu)) + (up ? 1u : length - 1u);
    unsigned next = line;
    if (column >= length && lcd->two_lines && up) { next = line ^ SECOND; }
    if (up) {
        column %= length;
    } else if (column < length) {
        next = lcd->two_lines ? line ^ SECOND : 0;       /* it was the first of its line */
    } else {
        column -= length;
    }
    lcd->address = (uint8_t)(next + column);
}

static void execute(struct lcd *lcd, uint8_t byte, bool character, uint64_t cycle)
{
    uint64_t takes = BYTE_CYCLES;
    lcd->bytes++;
    if (character) {
        if (lcd->in_cgram) {
            lcd->cgram[lcd->address & 63] = byte & 0x1F;
        } else {
            lcd->changed |= lcd->ddram[lcd->address & 127] != byte;
            lcd->ddram[lcd->address & 127] = byte;
        }
        advance(lcd, lcd->increment);
        if (lcd->shifting && !lcd->in_cgram) { lcd->shift = (uint8_t)((lcd->shift + (lcd->increment ? 1 : LINE - 1)) % LINE); }
    } else if (byte & 0x80) {
        lcd->address = byte & 0x7F;
        lcd->in_cgram = false;
        if ((byte & 0x3F) >= LINE) { fault(lcd, "an address beyond the line"); }
    } else if (byte & 0x40) {
        lcd->address = byte & 0x3F;
        lcd->in_cgram = true;
    } else if (byte & 0x20) {
        lcd->two_lines = (byte & 0x08) != 0;
        if (lcd->four_bits && (byte & 0x10)) { lcd->function_sets = 3; }    /* back to eight: set up again, but no power-up */
        lcd->four_bits = (byte & 0x10) == 0;
    } else if (byte & 0x10) {
        if (byte & 0x08) {
            lcd->shift = (uint8_t)((lcd->shift + (byte & 0x04 ? LINE - 1 : 1)) % LINE);
        } else {
            advance(lcd, (byte & 0x04) != 0);
        }
    } else if (byte & 0x08) {
        lcd->on = (byte & 0x04) != 0;
    } else if (byte & 0x04) {
        lcd->increment = (byte & 0x02) != 0;
        lcd->shifting = (byte & 0x01) != 0;
    } else {
        if (byte & 0x01) {
            memset(lcd->ddram, ' ', sizeof lcd->ddram);
            lcd->increment = true;
        }
        lcd->address = 0;
        lcd->in_cgram = false;
        lcd->shift = 0;
        takes = CLEAR_CYCLES;
        if (byte == 0) { fault(lcd, "a command of zeros"); }
    }
    lcd->busy_until_cycle = cycle + takes;
}

/* "Initializing by Instruction": 40 ms after the power the first, 4.1 ms and 100 us apart the next. */
static void execute_wide(struct lcd *lcd, uint8_t nibble, bool character, uint64_t cycle)
{
    static const uint64_t wait[] = { FIRST_CYCLES, SECOND_CYCLES, BYTE_CYCLES };
    const unsigned before = lcd->function_sets;
    if (before == 0 && cycle < lcd->power_cycle + POWER_CYCLES) { fault(lcd, "spoken to within 40 ms of its power"); }
    if (character || (before < 3 && nibble != 3)) { fault(lcd, "not set up as the data sheet asks"); }
    execute(lcd, (uint8_t)(nibble << 4 | 0x0F), character, cycle);
    if (before < 3 && !lcd->four_bits) {
        lcd->busy_until_cycle = cycle + wait[before];
        lcd->function_sets = before + 1;
    }
}

static void take_nibble(struct lcd *lcd, uint64_t cycle)
{
    const uint8_t nibble = lcd->pins & 0x0F;
    const bool character = (lcd->pins & RS) != 0;
    if (cycle < lcd->busy_until_cycle && !lcd->half) { fault(lcd, "spoken to while busy"); }
    if (!lcd->four_bits) {
        execute_wide(lcd, nibble, character, cycle);
    } else if (!lcd->half) {
        lcd->high = nibble;
        lcd->half = true;
    } else {
        lcd->half = false;
        execute(lcd, (uint8_t)(lcd->high << 4 | nibble), character, cycle);
    }
}

void lcd_pins(struct lcd *lcd, uint8_t pins, uint64_t cycle)
{
    const uint8_t before = lcd->pins;
    if (pins == before) { return; }
    lcd->pins = pins;
    if (!lcd->plugged) { return; }
    if ((pins ^ before) & (RS | 0x0F)) {
        if (pins & before & E && (pins ^ before) & RS) { fault(lcd, "RS changed while E was high"); }
        lcd->changed_cycle = cycle;
    }
    if (pins & E & ~before) {
        if (cycle < lcd->changed_cycle + ADDRESS_SET_UP_CYCLES) { fault(lcd, "E rose too soon after RS"); }
        if (lcd->rise_cycle != 0 && cycle < lcd->rise_cycle + PERIOD_CYCLES) { fault(lcd, "E rose too often"); }
        lcd->rise_cycle = cycle;
    } else if (before & E & ~pins) {
        if (cycle < lcd->rise_cycle + PULSE_CYCLES) { fault(lcd, "E was high too shortly"); }
        if (cycle < lcd->changed_cycle + DATA_SET_UP_CYCLES) { fault(lcd, "E fell too soon after the data"); }
        take_nibble(lcd, cycle);
    }
}

static void write_hex(const uint8_t *bytes, size_t count, FILE *out)
{
    for (size_t n = 0; n < count; n++) { fprintf(out, "%02x", bytes[n]); }
}

void lcd_write_line(const struct lcd *lcd, unsigned line, FILE *out)
{
    for (unsigned column = 0; column < COLUMNS; column++) {
        const uint8_t character = lcd->ddram[line * SECOND + (column + lcd->shift) % LINE];
        if (character < ' ' || character > '}' || character == '\\' || character == '"') {
            fprintf(out, "\\u%04x", character);
        } else {
            fputc(character, out);
        }
    }
}

void lcd_write_json(const struct lcd *lcd, FILE *out)
{
    fprintf(out, "{\"on\":%s,\"lines\":[\"", lcd->plugged && lcd->on ? "true" : "false");
    lcd_write_line(lcd, 0, out);
    fputs("\",\"", out);
    lcd_write_line(lcd, 1, out);
    fputs("\"],\"ddram\":\"", out);
    write_hex(lcd->ddram, LINE, out);
    write_hex(lcd->ddram + SECOND, LINE, out);
    fputs("\",\"cgram\":\"", out);
    write_hex(lcd->cgram, sizeof lcd->cgram, out);
    fprintf(out, "\",\"two_lines\":%s,\"four_bits\":%s,\"bytes\":%llu,\"faults\":%u,\"fault\":\"%s\"}",
            lcd->two_lines ? "true" : "false", lcd->four_bits ? "true" : "false", (unsigned long long)lcd->bytes, lcd->faults,
            lcd->fault != NULL ? lcd->fault : "");
}
