/* How long does each interrupt take, and how long did it wait? */
#ifndef BENCH_ISR_H
#define BENCH_ISR_H

#include <stdint.h>
#include <stdio.h>

#include "kinds.h"

#define ISR_VECTORS KIND_VECTORS
#define ISR_NEVER UINT64_MAX

struct isr_vector {
    uint64_t count, total_cycles;
    uint64_t shortest_cycles, longest_cycles;   /* acceptance (the response included) to the end of reti */
    uint64_t longest_at_cycle;
    uint64_t flag_cycle;                        /* when its flag was raised, ISR_NEVER if unknown */
    uint64_t longest_wait_cycles;               /* flag to acceptance */
};

struct isr {
    const char *const *names;
    struct isr_vector vector[ISR_VECTORS];
    struct { unsigned vector; uint64_t start_cycle; } running[ISR_VECTORS];
    unsigned depth;
    uint16_t stack_low;                         /* lowest stack pointer seen at an interrupt */
    uint64_t blocked_since_cycle, longest_blocked_cycles, longest_blocked_end_pc;   /* main line with interrupts off */
};

void isr_clear(struct isr *isr);
void isr_flag(struct isr *isr, unsigned vector, uint64_t cycle);
void isr_enter(struct isr *isr, unsigned vector, uint64_t cycle, uint16_t stack_pointer);
void isr_leave(struct isr *isr, uint64_t cycle);
/* Told after each instruction (one at a time) whether the main line has interrupts off. */
void isr_watch_blocked(struct isr *isr, uint64_t cycle, uint32_t pc, int blocked);
void isr_write_json(const struct isr *isr, FILE *out);
#endif
