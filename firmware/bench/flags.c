#include "flags.h"

#include <stddef.h>

struct pair { struct kind_pair at; avr_int_vector_t *vector[8]; };

static struct pair pairs[KIND_PAIRS + 1];
static unsigned pairs_used;
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
    const uint8_t cleared = ones_written(avr, value) & avr->data[pair->at.flags];
    for (unsigned bit = 0; bit < 8; bit++) {
        if (!(cleared & (1u << bit))) { continue; }
        if (pair->vector[bit] != NULL) { avr_clear_interrupt(avr, pair->vector[bit]); }
        avr->data[pair->at.flags] = (uint8_t)(avr->data[pair->at.flags] & ~(1u << bit));
    }
}

static void write_enables(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    avr->data[address] = value;
    avr->run_cycle_count = 1;      /* come back after this instruction: a flag may have been waiting for it */
}

static void take_pair(struct chip *chip, struct kind_pair at)
{
    struct pair *pair = &pairs[pairs_used++];
    pair->at = at;
    for (unsigned i = 0; i < chip->avr->interrupts.vector_count; i++) {
        avr_int_vector_t *vector = chip->avr->interrupts.vector[i];
        if (vector->raised.reg == at.flags) { pair->vector[vector->raised.bit] = vector; }
    }
}

void flags_install(struct chip *chip)
{
    for (unsigned n = 0; n < KIND_PAIRS && chip->kind->pairs[n].flags != 0; n++) {
        take_pair(chip, chip->kind->pairs[n]);
        chip_watch_write(chip, pairs[n].at.flags, write_flags, &pairs[n]);
        chip_watch_write(chip, pairs[n].at.enables, write_enables, &pairs[n]);
    }
    take_pair(chip, (struct kind_pair){ CHIP_UCSR0A, CHIP_UCSR0B });      /* written through uart.c */
    ee_ready = chip_vector(chip, chip->kind->ee_ready_vector);
}

void flags_request(struct chip *chip)
{
    avr_t *avr = chip->avr;
    for (unsigned n = 0; n < pairs_used; n++) {
        const struct pair *pair = &pairs[n];
        unsigned due = avr->data[pair->at.flags] & avr->data[pair->at.enables];
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
