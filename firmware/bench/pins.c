#include "pins.h"

#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>

enum { CANCELLER_CYCLES = 4 };       /* four equal samples (data sheet, "Noise Canceler") */
enum { ICES = 0x40, ICNC = 0x80, ICF = 0x20 };        /* of every timer that captures: TCCRnB, TCCRnB, TIFRn */

static void captured(struct pin *pin, bool level, uint64_t cycle)
{
    struct chip *chip = pin->chip;
    pin->captured_level = level;
    const bool rising = (chip->avr->data[pin->counter->at->control] & ICES) != 0;
    if (level != rising) { return; }
    if (chip->avr->data[pin->counter->at->flags] & ICF) {
        pin->overtaken++;
    } else {
        isr_flag(&chip->isr, pin->at->vector, cycle);
    }
    counter_capture(pin->counter, cycle);
}

static avr_cycle_count_t canceller_done(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr;
    (void)when;
    struct pin *pin = param;
    const uint64_t cycle = pin->canceller_due_cycle;
    pin->canceller_due_cycle = 0;
    if (pin->level != pin->captured_level) { captured(pin, pin->level, cycle); }
    return 0;
}

static void capture_pin_changed(struct pin *pin, uint64_t cycle)
{
    avr_t *avr = pin->chip->avr;
    if (pin->canceller_due_cycle != 0) {
        const uint64_t done_cycle = pin->canceller_due_cycle;
        avr_cycle_timer_cancel(avr, canceller_done, pin);
        pin->canceller_due_cycle = 0;
        /* it had lasted long enough before this edge; the core has only not looked yet */
        if (done_cycle <= cycle) { captured(pin, !pin->level, done_cycle); }
    }
    if (pin->level == pin->captured_level) { return; }
    if (avr->data[pin->counter->at->control] & ICNC) {
        pin->canceller_due_cycle = cycle + CANCELLER_CYCLES;
        chip_at(pin->chip, pin->canceller_due_cycle, canceller_done, pin);
    } else {
        captured(pin, pin->level, cycle);
    }
}

static void interrupt_pin_changed(struct pin *pin, uint64_t cycle)
{
    struct chip *chip = pin->chip;
    const unsigned sense = ((unsigned)chip->avr->data[pin->at->sense] >> pin->at->sense_shift) & 3u;
    const bool wanted = sense == 1 || (sense == 2 && !pin->level) || (sense == 3 && pin->level);
    if (!wanted) { return; }
    if (chip->avr->data[CHIP_EIFR] & (1u << pin->at->number)) {
        pin->overtaken++;
    } else {
        isr_flag(&chip->isr, pin->at->vector, cycle);
    }
    avr_raise_interrupt(chip->avr, chip_vector(chip, pin->at->vector));
}

/* libsimavr drives a pin with a pull-up high at each write to its port; told of the true level, it does not. */
static void hold_levels(struct pins *pins)
{
    for (unsigned index = 0; index < PINS; index++) {
        avr_ioport_external_t port = { .name = pins->pin[index].at->port & 0x7Fu };
        for (unsigned n = 0; n < PINS; n++) {
            const struct pin *pin = &pins->pin[n];
            if (pin->at->port != pins->pin[index].at->port) { continue; }
            const unsigned mask = 1u << pin->at->bit;
            port.mask = (port.mask | mask) & 0xFFu;
            if (pin->level) { port.value = (port.value | mask) & 0xFFu; }
        }
        avr_ioctl(pins->chip->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(pins->pin[index].at->port), &port);
    }
}

static avr_irq_t *port_irq(const struct pin *pin)
{
    return avr_io_getirq(pin->chip->avr, AVR_IOCTL_IOPORT_GETIRQ(pin->at->port), pin->at->bit);
}

static void drive_pin(struct pin *pin)
{
    const uint8_t mask = (uint8_t)(1u << pin->at->bit);
    avr_raise_irq(port_irq(pin), pin->level);
    uint8_t *shown = &pin->chip->avr->data[pin->at->pin];
    *shown = pin->level ? (uint8_t)(*shown | mask) : (uint8_t)(*shown & ~mask);
}

bool pins_set(struct pins *pins, unsigned index, bool level, uint64_t cycle)
{
    struct pin *pin = &pins->pin[index];
    if (pin->level == level) { return false; }
    pin->level = level;
    hold_levels(pins);
    drive_pin(pin);
    if (pins->chip->off) {
        pin->captured_level = level;
    } else if (pin->counter != NULL) {
        capture_pin_changed(pin, cycle);
    } else {
        interrupt_pin_changed(pin, cycle);
    }
    return true;
}

/* Takes the pins away from libsimavr's capture and interrupt units, which see edges only between instructions. */
static void restart(void *param)
{
    struct pins *pins = param;
    for (unsigned index = 0; index < PINS; index++) {
        struct pin *pin = &pins->pin[index];
        avr_irq_t *unit = pin->counter != NULL
            ? avr_io_getirq(pins->chip->avr, AVR_IOCTL_TIMER_GETIRQ(pin->counter->at->timer), TIMER_IRQ_IN_ICP)
            : avr_io_getirq(pins->chip->avr, AVR_IOCTL_EXTINT_GETIRQ(), (int)pin->at->number);
        avr_unconnect_irq(port_irq(pin), unit);
        pin->captured_level = pin->level;
        pin->canceller_due_cycle = 0;
    }
    hold_levels(pins);
    for (unsigned index = 0; index < PINS; index++) { drive_pin(&pins->pin[index]); }
}

void pins_install(struct pins *pins, struct chip *chip, struct counter *counters)
{
    pins->chip = chip;
    for (unsigned index = 0; index < PINS; index++) {
        struct pin *pin = &pins->pin[index];
        pin->chip = chip;
        pin->at = &chip->kind->inputs[index];
        pin->counter = pin->at->capture >= 0 ? &counters[pin->at->capture] : NULL;
        pin->level = true;
    }
    chip_on_reset(chip, restart, pins);
}
