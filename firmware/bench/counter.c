#include "counter.h"

#include <stdio.h>
#include <string.h>

/* TCNTnL, OCRnAL and so on; 0: there is none */
static uint16_t low_address(const struct counter *counter, unsigned n)
{
    return n == 0 ? counter->at->count : counter->at->compare[n - 1];
}

/* No clock is chosen; after a reset libsimavr's own numbers still tell of the time before. */
static bool stands(const struct counter *counter)
{
    enum { CLOCK = 0x07 };           /* CSn2:0 in TCCRnB */
    return (counter->chip->avr->data[counter->at->control] & CLOCK) == 0 || counter->timer->tov_cycles == 0;
}

/* The count at any cycle near now: before or after the wrap that libsimavr has already noticed. */
static uint16_t count_at(const struct counter *counter, uint64_t cycle)
{
    const avr_timer_t *timer = counter->timer;
    if (stands(counter)) {
        const uint8_t *data = counter->chip->avr->data;
        return (uint16_t)(data[counter->at->count] | (data[counter->at->count + 1u] << 8));
    }
    const int64_t period_cycles = (int64_t)timer->tov_cycles;
    int64_t into_cycles = ((int64_t)cycle - (int64_t)timer->tov_base) % period_cycles;
    if (into_cycles < 0) { into_cycles += period_cycles; }
    return (uint16_t)(((uint64_t)into_cycles * ((uint64_t)timer->tov_top + 1u)) / (uint64_t)period_cycles);
}

uint64_t counter_zero_cycle(const struct counter *counter, uint64_t cycle)
{
    const avr_timer_t *timer = counter->timer;
    if (timer->tov_cycles == 0 || cycle < timer->tov_base) { return 0; }
    return cycle - (cycle - timer->tov_base) % timer->tov_cycles;
}

/* A load from data space takes two cycles and reads in the second one; these registers lie out of reach of IN. */
static uint8_t read_count_low(avr_t *avr, avr_io_addr_t address, void *param)
{
    (void)address;
    struct counter *counter = param;
    const uint16_t count = count_at(counter, avr->cycle + 1);
    counter->temporary = (uint8_t)(count >> 8);
    return (uint8_t)count;
}

static uint8_t read_capture_low(avr_t *avr, avr_io_addr_t address, void *param)
{
    (void)avr;
    (void)address;
    struct counter *counter = param;
    counter->temporary = (uint8_t)(counter->capture >> 8);
    return (uint8_t)counter->capture;
}

static uint8_t read_high(avr_t *avr, avr_io_addr_t address, void *param)
{
    (void)avr;
    (void)address;
    return ((struct counter *)param)->temporary;
}

static void write_high(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)avr;
    (void)address;
    ((struct counter *)param)->temporary = value;
}

/* Writing the low byte moves both bytes at once. */
static void write_low(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct counter *counter = param;
    avr->data[address + 1] = counter->temporary;
    for (unsigned n = 0; n < 1 + KIND_COMPARES; n++) {
        if (low_address(counter, n) == address) { counter->write_low[n](avr, address, value, counter->write_low_param[n]); }
    }
}

static void ignore_write(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)avr;
    (void)address;
    (void)value;
    (void)param;          /* ICR1 is read-only in the modes without a top in it */
}

/* A counter that is started goes on from what was written to it; libsimavr starts it from zero. */
static void write_control(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct counter *counter = param;
    const bool stood = stands(counter);
    const uint16_t count = count_at(counter, avr->cycle);
    counter->write_control(avr, address, value, counter->write_control_param);
    if (stood && count != 0 && !stands(counter)) {
        counter->write_low[0](avr, counter->at->count, (uint8_t)count, counter->write_low_param[0]);
    }
}

static void restart(void *param)
{
    struct counter *counter = param;
    counter->capture = 0;
    counter->temporary = 0;
}

static void install(struct counter *counter)
{
    struct chip *chip = counter->chip;
    const struct kind_capture *at = counter->at;
    for (unsigned n = 0; n < 1 + KIND_COMPARES && low_address(counter, n) != 0; n++) {
        const uint16_t low = low_address(counter, n);
        counter->write_low[n] = chip->avr->io[AVR_DATA_TO_IO(low)].w.c;
        counter->write_low_param[n] = chip->avr->io[AVR_DATA_TO_IO(low)].w.param;
        chip_watch_write(chip, low, write_low, counter);
        chip_watch_write(chip, (uint16_t)(low + 1u), write_high, counter);
    }
    counter->write_control = chip->avr->io[AVR_DATA_TO_IO(at->control)].w.c;
    counter->write_control_param = chip->avr->io[AVR_DATA_TO_IO(at->control)].w.param;
    chip_watch_write(chip, at->control, write_control, counter);
    chip_watch_read(chip, at->count, read_count_low, counter);
    chip_watch_read(chip, (uint16_t)(at->count + 1u), read_high, counter);
    chip_watch_read(chip, at->capture, read_capture_low, counter);
    chip_watch_read(chip, (uint16_t)(at->capture + 1u), read_high, counter);
    chip_watch_write(chip, at->capture, ignore_write, counter);
    chip_watch_write(chip, (uint16_t)(at->capture + 1u), ignore_write, counter);
    chip_on_reset(chip, restart, counter);
}

static avr_timer_t *find_timer(avr_t *avr, uint32_t name)
{
    for (avr_io_t *io = avr->io_port; io != NULL; io = io->next) {
        if (strcmp(io->kind, "timer") == 0 && (unsigned char)((avr_timer_t *)io)->name == name) { return (avr_timer_t *)io; }
    }
    return NULL;
}

bool counters_install(struct counter counters[KIND_CAPTURES], struct chip *chip)
{
    for (unsigned n = 0; n < KIND_CAPTURES && chip->kind->captures[n].timer != 0; n++) {
        counters[n].chip = chip;
        counters[n].at = &chip->kind->captures[n];
        counters[n].timer = find_timer(chip->avr, counters[n].at->timer);
        if (counters[n].timer == NULL) {
            fprintf(stderr, "board: this libsimavr knows no timer %c of the %s\n", (int)counters[n].at->timer, chip->kind->mcu);
            return false;
        }
        install(&counters[n]);
    }
    return true;
}

void counter_capture(struct counter *counter, uint64_t cycle)
{
    counter->capture = count_at(counter, cycle);
    avr_raise_interrupt(counter->chip->avr, &counter->timer->icr);
}
