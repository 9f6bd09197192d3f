#include "isr.h"

#include <string.h>

void isr_clear(struct isr *isr)
{
    const unsigned depth = isr->depth;
    struct isr kept;
    memcpy(&kept, isr, sizeof kept);
    memset(isr, 0, sizeof *isr);
    memcpy(isr->running, kept.running, sizeof isr->running);
    isr->names = kept.names;
    isr->depth = depth;
    isr->stack_low = UINT16_MAX;
    isr->blocked_since_cycle = ISR_NEVER;
    for (unsigned n = 0; n < ISR_VECTORS; n++) {
        isr->vector[n].shortest_cycles = UINT64_MAX;
        isr->vector[n].flag_cycle = kept.vector[n].flag_cycle;
    }
}

void isr_flag(struct isr *isr, unsigned vector, uint64_t cycle)
{
    isr->vector[vector].flag_cycle = cycle;
}

void isr_enter(struct isr *isr, unsigned vector, uint64_t cycle, uint16_t stack_pointer)
{
    struct isr_vector *v = &isr->vector[vector];
    if (v->flag_cycle != ISR_NEVER && cycle > v->flag_cycle) {
        const uint64_t wait_cycles = cycle - v->flag_cycle;
        if (wait_cycles > v->longest_wait_cycles) { v->longest_wait_cycles = wait_cycles; }
    }
    v->flag_cycle = ISR_NEVER;
    if (stack_pointer < isr->stack_low) { isr->stack_low = stack_pointer; }
    if (isr->depth < ISR_VECTORS) {
        isr->running[isr->depth].vector = vector;
        isr->running[isr->depth].start_cycle = cycle;
        isr->depth++;
    }
}

void isr_leave(struct isr *isr, uint64_t cycle)
{
    if (isr->depth == 0) { return; }
    isr->depth--;
    struct isr_vector *v = &isr->vector[isr->running[isr->depth].vector];
    const uint64_t taken_cycles = cycle - isr->running[isr->depth].start_cycle;
    v->count++;
    v->total_cycles += taken_cycles;
    if (taken_cycles < v->shortest_cycles) { v->shortest_cycles = taken_cycles; }
    if (taken_cycles > v->longest_cycles) {
        v->longest_cycles = taken_cycles;
        v->longest_at_cycle = cycle;
    }
}

void isr_watch_blocked(struct isr *isr, uint64_t cycle, uint32_t pc, int blocked)
{
    if (blocked && isr->depth == 0) {
        if (isr->blocked_since_cycle == ISR_NEVER) { isr->blocked_since_cycle = cycle; }
        return;
    }
    if (isr->blocked_since_cycle != ISR_NEVER) {
        const uint64_t blocked_cycles = cycle - isr->blocked_since_cycle;
        if (blocked_cycles > isr->longest_blocked_cycles) {
            isr->longest_blocked_cycles = blocked_cycles;
            isr->longest_blocked_end_pc = pc;
        }
        isr->blocked_since_cycle = ISR_NEVER;
    }
}

void isr_write_json(const struct isr *isr, FILE *out)
{
    fprintf(out, "{");
    const char *separator = "";
    for (unsigned n = 0; n < ISR_VECTORS; n++) {
        const struct isr_vector *v = &isr->vector[n];
        if (v->count == 0) { continue; }
        fprintf(out, "%s\"%s\":{\"count\":%llu,\"shortest_cycles\":%llu,\"longest_cycles\":%llu,\"mean_cycles\":%.1f,"
                "\"longest_at_cycle\":%llu,\"longest_wait_cycles\":%llu}",
                separator, isr->names[n], (unsigned long long)v->count, (unsigned long long)v->shortest_cycles,
                (unsigned long long)v->longest_cycles, (double)v->total_cycles / (double)v->count,
                (unsigned long long)v->longest_at_cycle, (unsigned long long)v->longest_wait_cycles);
        separator = ",";
    }
    fprintf(out, "}");
}
