#include "panel.h"

#include <simavr/avr_ioport.h>
#include <string.h>

enum { DDR_AFTER = 1, PORT_AFTER = 2 };        /* DDRx and PORTx follow PINx */

static const char *const button_names[KIND_BUTTONS] = { "unit", "hold", "set" };

static void note(struct panel *panel)
{
    if (panel->log == NULL) { return; }
    fprintf(panel->log, "%llu %d|", (unsigned long long)panel->chip->avr->cycle, panel->alarm ? 1 : 0);
    lcd_write_line(&panel->lcd, 0, panel->log);
    fputc('|', panel->log);
    lcd_write_line(&panel->lcd, 1, panel->log);
    fputc('\n', panel->log);
}

bool panel_log(struct panel *panel, const char *path)
{
    if (panel->log != NULL) { fclose(panel->log); }
    panel->log = fopen(path, "w");
    if (panel->log != NULL) { note(panel); }
    return panel->log != NULL;
}

static void display_pins_changed(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)value;
    struct panel *panel = param;
    const avr_t *avr = panel->chip->avr;
    uint8_t pins = 0;
    for (unsigned n = 0; n < KIND_DISPLAY_PINS; n++) {
        const struct kind_pin *at = &panel->chip->kind->display[n];
        pins = (uint8_t)(pins | (avr->data[at->pin + PORT_AFTER] >> at->bit & 1) << n);
    }
    lcd_pins(&panel->lcd, pins, avr->cycle);
    if (panel->lcd.changed) { note(panel); }
    panel->lcd.changed = false;
}

static void alarm_changed(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    struct panel *panel = param;
    if (panel->alarm != (value != 0)) { panel->alarm_changes++; }
    panel->alarm = value != 0;
    note(panel);
}

/* A pin with a pull-up reads 1 unless its button is down. */
static uint8_t read_buttons(avr_t *avr, avr_io_addr_t address, void *param)
{
    const struct panel *panel = param;
    const uint8_t driven = avr->data[address + DDR_AFTER];
    const uint8_t port = avr->data[address + PORT_AFTER];
    uint8_t level = (uint8_t)((avr->data[address] & ~driven) | (port & driven));
    for (unsigned n = 0; n < KIND_BUTTONS; n++) {
        const struct kind_pin *at = &panel->chip->kind->buttons[n];
        const unsigned bit = 1u << at->bit;
        if (at->pin != address || (driven & bit)) { continue; }
        const bool held = (panel->pressed >> n & 1) != 0 && avr->cycle < panel->release_cycle[n];
        level = (uint8_t)((port & bit) && !held ? level | bit : level & ~bit);
    }
    avr->data[address] = level;
    return level;
}

static void restart(void *param)
{
    struct panel *panel = param;
    if (panel->chip->off || panel->chip->resets_power != panel->powered) {
        panel->powered = panel->chip->resets_power;
        lcd_power(&panel->lcd, panel->chip->avr->cycle);
    }
    panel->alarm = false;
}

static void notify(struct panel *panel, const struct kind_pin *at, avr_irq_notify_t changed)
{
    avr_irq_register_notify(avr_io_getirq(panel->chip->avr, AVR_IOCTL_IOPORT_GETIRQ(at->port), at->bit), changed, panel);
}

void panel_install(struct panel *panel, struct chip *chip)
{
    panel->chip = chip;
    panel->lcd.plugged = true;
    for (unsigned n = 0; n < KIND_BUTTONS; n++) { chip_watch_read(chip, chip->kind->buttons[n].pin, read_buttons, panel); }
    for (unsigned n = 0; n < KIND_DISPLAY_PINS; n++) { notify(panel, &chip->kind->display[n], display_pins_changed); }
    notify(panel, &chip->kind->alarm, alarm_changed);
    chip_on_reset(chip, restart, panel);
}

/* `cycles`: how long it is held down; 0: until it is let go. */
bool panel_press(struct panel *panel, const char *button, bool down, uint64_t cycles)
{
    for (unsigned n = 0; n < KIND_BUTTONS; n++) {
        if (strcmp(button, button_names[n]) == 0) {
            const unsigned bit = 1u << n;
            panel->release_cycle[n] = cycles != 0 ? panel->chip->avr->cycle + cycles : UINT64_MAX;
            panel->pressed = (uint8_t)(down ? panel->pressed | bit : panel->pressed & ~bit);
            return true;
        }
    }
    return false;
}

void panel_plug(struct panel *panel, bool plugged)
{
    panel->lcd.plugged = plugged;
    lcd_power(&panel->lcd, panel->chip->avr->cycle);
}
