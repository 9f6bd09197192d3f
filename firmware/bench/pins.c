#include "pins.h"

#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>

enum { CANCELLER_CYCLES = 4 };       /* four equal samples (data sheet, "Noise Canceler") */

static const struct { uint32_t port; uint8_t bit; uint16_t address; } pin_place[PINS] = {
    { 'B', 0, CHIP_PINB }, { 'D', 2, CHIP_PIND }, { 'D', 3, CHIP_PIND }
};

static void captured(struct pins *pins, bool level, uint64_t cycle)
{
    enum { ICES1 = 0x40, ICF1 = 0x20 };
    struct chip *chip = pins->chip;
    pins->captured_level = level;
    const bool rising = (chip->avr->data[CHIP_TCCR1B] & ICES1) != 0;
    if (level != rising) { return; }
    if (chip->avr->data[CHIP_TIFR1] & ICF1) {
        pins->overtaken[0]++;
    } else {
        isr_flag(&chip->isr, CHIP_VECTOR_CAPTURE, cycle);
    }
    counter_capture(pins->counter, cycle);
}

static avr_cycle_count_t canceller_done(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr;
    (void)when;
    struct pins *pins = param;
    const uint64_t cycle = pins->canceller_due_cycle;
    pins->canceller_due_cycle = 0;
    if (pins->level[0] != pins->captured_level) { captured(pins, pins->level[0], cycle); }
    return 0;
}

static void capture_pin_changed(struct pins *pins, uint64_t cycle)
{
    enum { ICNC1 = 0x80 };
    if (pins->canceller_due_cycle != 0) {
        if (pins->canceller_due_cycle <= cycle) {
            /* it had lasted long enough before this edge; the core has only not looked yet */
            avr_cycle_timer_cancel(pins->chip->avr, canceller_done, pins);
            const uint64_t done_cycle = pins->canceller_due_cycle;
            pins->canceller_due_cycle = 0;
            captured(pins, !pins->level[0], done_cycle);
        } else {
            avr_cycle_timer_cancel(pins->chip->avr, canceller_done, pins);
            pins->canceller_due_cycle = 0;
        }
    }
    if (pins->level[0] == pins->captured_level) { return; }
    if (pins->chip->avr->data[CHIP_TCCR1B] & ICNC1) {
        pins->canceller_due_cycle = cycle + CANCELLER_CYCLES;
        chip_at(pins->chip, pins->canceller_due_cycle, canceller_done, pins);
    } else {
        captured(pins, pins->level[0], cycle);
    }
}

static void interrupt_pin_changed(struct pins *pins, unsigned index, uint64_t cycle)
{
    struct chip *chip = pins->chip;
    const unsigned number = index - 1;
    const unsigned vector = number == 0 ? CHIP_VECTOR_INT0 : CHIP_VECTOR_INT1;
    const unsigned sense = ((unsigned)chip->avr->data[CHIP_EICRA] >> (2u * number)) & 3u;
    const bool wanted = sense == 1 || (sense == 2 && !pins->level[index]) || (sense == 3 && pins->level[index]);
    if (!wanted) { return; }
    if (chip->avr->data[CHIP_EIFR] & (1u << number)) {
        pins->overtaken[index]++;
    } else {
        isr_flag(&chip->isr, vector, cycle);
    }
    avr_raise_interrupt(chip->avr, chip_vector(chip, vector));
}

/* libsimavr drives a pin with a pull-up high at each write to its port; told of the true level, it does not. */
static void hold_levels(struct pins *pins)
{
    avr_ioport_external_t b = { .name = 'B', .mask = 0x01, .value = pins->level[0] ? 1 : 0 };
    const unsigned high = (pins->level[1] ? 0x04u : 0u) | (pins->level[2] ? 0x08u : 0u);
    avr_ioport_external_t d = { .name = 'D', .mask = 0x0C, .value = high & 0x0Cu };
    avr_ioctl(pins->chip->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('B'), &b);
    avr_ioctl(pins->chip->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &d);
}

static void drive_pin(struct pins *pins, unsigned index)
{
    avr_t *avr = pins->chip->avr;
    const uint8_t mask = (uint8_t)(1u << pin_place[index].bit);
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(pin_place[index].port), pin_place[index].bit),
                  pins->level[index]);
    uint8_t *pin = &avr->data[pin_place[index].address];
    *pin = pins->level[index] ? (uint8_t)(*pin | mask) : (uint8_t)(*pin & ~mask);
}

bool pins_set(struct pins *pins, unsigned index, bool level, uint64_t cycle)
{
    if (pins->level[index] == level) { return false; }
    pins->level[index] = level;
    hold_levels(pins);
    drive_pin(pins, index);
    if (pins->chip->off) {
        if (index == 0) { pins->captured_level = level; }
    } else if (index == 0) {
        capture_pin_changed(pins, cycle);
    } else {
        interrupt_pin_changed(pins, index, cycle);
    }
    return true;
}

/* Takes the pins away from libsimavr's capture and interrupt units, which see edges only between instructions. */
static void restart(void *param)
{
    struct pins *pins = param;
    avr_t *avr = pins->chip->avr;
    avr_irq_t *port_b = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0);
    avr_unconnect_irq(port_b, avr_io_getirq(avr, AVR_IOCTL_TIMER_GETIRQ('1'), TIMER_IRQ_IN_ICP));
    for (unsigned number = 0; number < 2; number++) {
        avr_unconnect_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), (int)(2 + number)),
                          avr_io_getirq(avr, AVR_IOCTL_EXTINT_GETIRQ(), (int)number));
    }
    pins->captured_level = pins->level[0];
    pins->canceller_due_cycle = 0;
    hold_levels(pins);
    for (unsigned index = 0; index < PINS; index++) { drive_pin(pins, index); }
}

void pins_install(struct pins *pins, struct chip *chip, struct counter *counter)
{
    pins->chip = chip;
    pins->counter = counter;
    for (unsigned index = 0; index < PINS; index++) { pins->level[index] = true; }
    chip_on_reset(chip, restart, pins);
}
