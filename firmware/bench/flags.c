#include "flags.h"

#include <stddef.h>

/* In each of these pairs a flag and its enable have the same bit number (register summary of the data sheet). */
struct pair { uint16_t flags, enables; avr_int_vector_t *vector[8]; };

enum { GROUPS_WRITTEN = 5, GROUPS = 6 };
static struct pair pairs[GROUPS] = {
    { CHIP_TIFR1, CHIP_TIMSK1, {NULL} }, { CHIP_EIFR, CHIP_EIMSK, {NULL} }, { CHIP_TIFR0, CHIP_TIMSK0, {NULL} },
    { CHIP_TIFR2, CHIP_TIMSK2, {NULL} }, { CHIP_PCIFR, CHIP_PCICR, {NULL} },
    { CHIP_UCSR0A, CHIP_UCSR0B, {NULL} }      /* its registers are written through uart.c */
};
static avr_int_vector_t *ee_ready;

/* SBI and CBI act on one bit of a flag register and leave the others alone (data sheet, "Register Summary", notes);
 * libsimavr hands us the whole byte it would have written. */
static uint8_t ones_written(const avr_t *avr, uint8_t value)
{
    const uint16_t opcode = (uint16_t)(avr->flash[avr->pc] | (avr->flash[avr->pc + 1] << 8));
    if ((opcode & 0xFF00u) == 0x9A00u) { return (uint8_t)(1u << (opcode & 7u)); }
    if ((opcode & 0xFF00u) == 0x9800u) { return 0; }
    return value;
}

/* A one clears its own flag and nothing else. */
static void write_flags(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)address;
    const struct pair *pair = param;
    const uint8_t cleared = ones_written(avr, value) & avr->data[pair->flags];
    for (unsigned bit = 0; bit < 8; bit++) {
        if (!(cleared & (1u << bit))) { continue; }
        if (pair->vector[bit] != NULL) { avr_clear_interrupt(avr, pair->vector[bit]); }
        avr->data[pair->flags] = (uint8_t)(avr->data[pair->flags] & ~(1u << bit));
    }
}

static void write_enables(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    avr->data[address] = value;
    avr->run_cycle_count = 1;      /* come back after this instruction: a flag may have been waiting for it */
}

void flags_install(struct chip *chip)
{
    for (unsigned n = 0; n < GROUPS; n++) {
        struct pair *pair = &pairs[n];
        for (unsigned i = 0; i < chip->avr->interrupts.vector_count; i++) {
            avr_int_vector_t *vector = chip->avr->interrupts.vector[i];
            if (vector->raised.reg == pair->flags) { pair->vector[vector->raised.bit] = vector; }
        }
        if (n < GROUPS_WRITTEN) {
            chip_watch_write(chip, pair->flags, write_flags, pair);
            chip_watch_write(chip, pair->enables, write_enables, pair);
        }
    }
    ee_ready = chip_vector(chip, CHIP_VECTOR_EE_READY);
}

void flags_request(struct chip *chip)
{
    avr_t *avr = chip->avr;
    for (unsigned n = 0; n < GROUPS; n++) {
        const struct pair *pair = &pairs[n];
        unsigned due = avr->data[pair->flags] & avr->data[pair->enables];
        for (unsigned bit = 0; due != 0; bit++, due >>= 1) {
            avr_int_vector_t *vector = pair->vector[bit];
            if ((due & 1u) && vector != NULL && !vector->pending) { avr_raise_interrupt(avr, vector); }
        }
    }
    enum { EEPE = 0x02, EERIE = 0x08 };
    if ((avr->data[CHIP_EECR] & (EERIE | EEPE)) == EERIE && ee_ready != NULL && !ee_ready->pending) {
        avr_raise_interrupt(avr, ee_ready);
    }
}
