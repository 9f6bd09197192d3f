/* How does the emulated chip run: instructions, interrupts, sleep, resets, power?
 *
 * libsimavr supplies the instruction set, the timers' counting and the interrupt queue.  Where release 1.6 departs
 * from the data sheet, this folder corrects it; README.md lists every departure. */
#ifndef BENCH_CHIP_H
#define BENCH_CHIP_H

#include <stdbool.h>
#include <stdint.h>

#include <simavr/sim_avr.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>

#include "isr.h"
#include "kinds.h"

#define CHIP_HZ 16000000u
#define CHIP_LISTENERS 8u

/* data-space addresses that are the same in every chip of kinds.c (register summaries of the data sheets) */
enum {
    CHIP_EIFR = 0x3C, CHIP_EECR = 0x3F, CHIP_EEDR = 0x40, CHIP_EEARL = 0x41, CHIP_EEARH = 0x42,
    CHIP_SMCR = 0x53, CHIP_MCUSR = 0x54, CHIP_SPL = 0x5D, CHIP_SPH = 0x5E,
    CHIP_UCSR0A = 0xC0, CHIP_UCSR0B = 0xC1, CHIP_UCSR0C = 0xC2, CHIP_UBRR0L = 0xC4, CHIP_UBRR0H = 0xC5,
    CHIP_UDR0 = 0xC6
};

enum chip_reset_cause { CHIP_RESET_POWER = 0x01, CHIP_RESET_PIN = 0x02, CHIP_RESET_DIP = 0x04,   /* MCUSR bits */
                        CHIP_RESET_WATCHDOG = 0x08 };

struct chip {
    avr_t *avr;
    const struct kind *kind;
    struct isr isr;
    uint64_t until_cycle;             /* a sleeping core may not jump past it */
    uint64_t boot_cycles;             /* a boot loader holds the core so long after each reset, watchdog running */
    uint64_t boot_until_cycle;
    bool off;                         /* no supply */
    bool hung;                        /* the main line goes round on the spot; interrupts still run, ... */
    int hung_depth;                   /* ... on top of so many that never returned; below 0: not looked at yet */
    bool one_at_a_time;               /* look after every instruction: slower, and sees how long interrupts are off */
    unsigned resets_pin, resets_watchdog, resets_power;
    unsigned faults;                  /* things a sound program never does: invalid opcode, bad address, wrong sleep */
    struct { void (*restart)(void *); void *param; } listener[CHIP_LISTENERS];
    unsigned listeners;
};

/* Loads the ELF and applies the first power-on; says why on stderr when it cannot. */
bool chip_open(struct chip *chip, const char *elf_path);
void chip_close(struct chip *chip);

/* Called after every reset, before the first instruction: peripheral models set their registers and timers here,
 * since a reset wipes both. */
void chip_on_reset(struct chip *chip, void (*restart)(void *), void *param);

void chip_run_until(struct chip *chip, uint64_t cycle);
void chip_reset(struct chip *chip, enum chip_reset_cause cause);
void chip_power_off(struct chip *chip);

/* Calls `timer` at the absolute cycle, or at once if that has passed.  A timer must take the cycle from its own
 * state, not from its argument: the core only looks between instructions. */
void chip_at(struct chip *chip, uint64_t cycle, avr_cycle_timer_t timer, void *param);

avr_int_vector_t *chip_vector(const struct chip *chip, unsigned number);
void chip_watch_write(struct chip *chip, uint16_t address, avr_io_write_t write, void *param);
void chip_watch_read(struct chip *chip, uint16_t address, avr_io_read_t read, void *param);
#endif
