/* What does the program read from the 16-bit counter and its capture register? */
#ifndef BENCH_COUNTER_H
#define BENCH_COUNTER_H

#include "chip.h"

struct counter {
    struct chip *chip;
    uint16_t capture;               /* ICR1 */
    uint8_t temporary;              /* TEMP: the one high-byte latch all 16-bit registers of the timer share */
    avr_io_write_t write_low[3];    /* libsimavr's own handlers of TCNT1L, OCR1AL, OCR1BL */
    void *write_low_param[3];
};

void counter_install(struct counter *counter, struct chip *chip);

/* The capture unit saw its edge: freezes the count of that very cycle and requests the interrupt. */
void counter_capture(struct counter *counter, uint64_t cycle);

/* The latest cycle, not after `now`, at which the count was zero. */
uint64_t counter_zero_cycle(const struct counter *counter, uint64_t cycle);
#endif
