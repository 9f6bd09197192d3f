/* What does the program read from a 16-bit counter and its capture register? */
#ifndef BENCH_COUNTER_H
#define BENCH_COUNTER_H

#include "chip.h"

struct counter {
    struct chip *chip;
    const struct kind_capture *at;               /* its registers */
    avr_timer_t *timer;
    uint16_t capture;                            /* ICRn */
    uint8_t temporary;                           /* TEMP: the one high-byte latch all 16-bit registers of the timer share */
    avr_io_write_t write_low[1 + KIND_COMPARES]; /* libsimavr's own handlers of TCNTnL, OCRnAL and so on */
    void *write_low_param[1 + KIND_COMPARES];
    avr_io_write_t write_control;                /* and of TCCRnB */
    void *write_control_param;
};

/* Takes over every timer of the chip's kind that captures. */
bool counters_install(struct counter counters[KIND_CAPTURES], struct chip *chip);

/* The capture unit saw its edge: freezes the count of that very cycle and requests the interrupt. */
void counter_capture(struct counter *counter, uint64_t cycle);

/* The latest cycle, not after `now`, at which the count was zero. */
uint64_t counter_zero_cycle(const struct counter *counter, uint64_t cycle);
#endif
