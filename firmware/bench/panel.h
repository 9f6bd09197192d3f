/* What is on the board's front: a display, three buttons, a lamp? */
#ifndef BENCH_PANEL_H
#define BENCH_PANEL_H

#include "chip.h"
#include "lcd.h"

struct panel {
    struct chip *chip;
    struct lcd lcd;
    uint8_t pressed;                   /* bits: unit, hold, set */
    uint64_t release_cycle[3];         /* each is let go then by itself */
    unsigned powered;                  /* power-ons seen */
    uint64_t alarm_changes;
    bool alarm;
    FILE *log;                         /* of changes on the display and of the lamp */
};

void panel_install(struct panel *panel, struct chip *chip);

/* "unit", "hold" or "set"; false if there is no such button. */
bool panel_press(struct panel *panel, const char *button, bool down, uint64_t cycles);

/* From now on a line "CYCLE LAMP|first line|second line" at each change.  False if the file cannot be written. */
bool panel_log(struct panel *panel, const char *path);

/* A display that is plugged in has just got its power. */
void panel_plug(struct panel *panel, bool plugged);
#endif
