#include "counter.h"

enum { TCNT1, OCR1A, OCR1B };
static const uint16_t low_address[3] = { CHIP_TCNT1L, CHIP_OCR1AL, CHIP_OCR1BL };

/* The count at any cycle near now: before or after the wrap that libsimavr has already noticed. */
static uint16_t count_at(const struct counter *counter, uint64_t cycle)
{
    const avr_timer_t *timer = counter->chip->timer1;
    if (timer->tov_cycles == 0) { return 0; }
    const int64_t period_cycles = (int64_t)timer->tov_cycles;
    int64_t into_cycles = ((int64_t)cycle - (int64_t)timer->tov_base) % period_cycles;
    if (into_cycles < 0) { into_cycles += period_cycles; }
    return (uint16_t)(((uint64_t)into_cycles * ((uint64_t)timer->tov_top + 1u)) / (uint64_t)period_cycles);
}

uint64_t counter_zero_cycle(const struct counter *counter, uint64_t cycle)
{
    const avr_timer_t *timer = counter->chip->timer1;
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
    for (unsigned n = 0; n < 3; n++) {
        if (low_address[n] == address) { counter->write_low[n](avr, address, value, counter->write_low_param[n]); }
    }
}

static void ignore_write(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)avr;
    (void)address;
    (void)value;
    (void)param;          /* ICR1 is read-only in the modes without a top in it */
}

static void restart(void *param)
{
    struct counter *counter = param;
    counter->capture = 0;
    counter->temporary = 0;
}

void counter_install(struct counter *counter, struct chip *chip)
{
    counter->chip = chip;
    for (unsigned n = 0; n < 3; n++) {
        const avr_io_addr_t io = AVR_DATA_TO_IO(low_address[n]);
        counter->write_low[n] = chip->avr->io[io].w.c;
        counter->write_low_param[n] = chip->avr->io[io].w.param;
        chip_watch_write(chip, low_address[n], write_low, counter);
        chip_watch_write(chip, (uint16_t)(low_address[n] + 1u), write_high, counter);
    }
    chip_watch_read(chip, CHIP_TCNT1L, read_count_low, counter);
    chip_watch_read(chip, CHIP_TCNT1H, read_high, counter);
    chip_watch_read(chip, CHIP_ICR1L, read_capture_low, counter);
    chip_watch_read(chip, CHIP_ICR1H, read_high, counter);
    chip_watch_write(chip, CHIP_ICR1L, ignore_write, counter);
    chip_watch_write(chip, CHIP_ICR1H, ignore_write, counter);
    chip_on_reset(chip, restart, counter);
}

void counter_capture(struct counter *counter, uint64_t cycle)
{
    counter->capture = count_at(counter, cycle);
    avr_raise_interrupt(counter->chip->avr, &counter->chip->timer1->icr);
}
