/* What would a 16x2 display with an HD44780-type controller show, and was it treated as its data sheet asks?
 *
 * Written from that data sheet (Hitachi, HD44780U, ADE-207-272(Z)): instruction table, "Initializing by Instruction", "Bus Timing
 * Characteristics".  Four data pins are wired, R/W is tied low, the other four rest high (pull-ups in the controller). */
#ifndef BENCH_LCD_H
#define BENCH_LCD_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

struct lcd {
    uint8_t ddram[128];                /* 0x00 to 0x27: first line, 0x40 to 0x67: second */
    uint8_t cgram[64];
    uint8_t address;
    bool in_cgram, increment, shifting, on, two_lines, four_bits;
    bool half;                         /* the first nibble of a byte has come */
    uint8_t high;
    uint8_t shift;
    unsigned function_sets;            /* while eight bits wide, since power came */
    uint64_t power_cycle, busy_until_cycle, rise_cycle, changed_cycle;
    uint8_t pins;                      /* D4 to D7, bit 4 RS, bit 5 E */
    bool plugged;
    bool changed;                      /* a character that is another one has been written; the reader clears it */
    uint64_t bytes;                    /* written to it, commands and characters */
    unsigned faults;
    const char *fault;                 /* the first */
};

void lcd_power(struct lcd *lcd, uint64_t cycle);

/* Its pins now: data in bits 0 to 3, RS bit 4, E bit 5. */
void lcd_pins(struct lcd *lcd, uint8_t pins, uint64_t cycle);

/* A visible line, its sixteen characters as JSON or text would have them. */
void lcd_write_line(const struct lcd *lcd, unsigned line, FILE *out);

/* One JSON object: what is visible, both memories in hex, bytes, faults. */
void lcd_write_json(const struct lcd *lcd, FILE *out);
#endif
