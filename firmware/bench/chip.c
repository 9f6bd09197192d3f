#include "chip.h"

#include <simavr/sim_core.h>
#include <simavr/sim_elf.h>
#include <simavr/avr_extint.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "flags.h"

enum {
    RUN_LIMIT_CYCLES = 100000   /* libsimavr may run so far without looking at its timers, if none is due */
};

/* libsimavr's callbacks for a run and for a log line carry no parameter. */
static struct chip *running_chip;

static void log_line(avr_t *avr, const int level, const char *format, va_list arguments)
{
    (void)avr;
    if (level != LOG_ERROR) { return; }
    if (running_chip != NULL) { running_chip->faults++; }
    fputs("board: ", stderr);
    vfprintf(stderr, format, arguments);
}

static bool held(const struct chip *chip)
{
    return chip->off || chip->avr->cycle < chip->boot_until_cycle;
}

static void check_sleep(struct chip *chip)
{
    enum { SE = 0x01, SM = 0x0E };
    if (chip->avr->state != cpu_Sleeping) { return; }
    if (!(chip->avr->data[CHIP_SMCR] & SE)) {
        chip->avr->state = cpu_Running;      /* without SE the instruction does nothing */
    } else if (chip->avr->data[CHIP_SMCR] & SM) {
        fprintf(stderr, "board: the program chose a sleep mode that stops the counter\n");
        chip->faults++;
    }
}

static void accept_interrupt(struct chip *chip, bool was_asleep)
{
    avr_t *avr = chip->avr;
    const uint8_t depth = avr->interrupts.running_ptr;
    avr_service_interrupts(avr);
    if (avr->interrupts.running_ptr > depth) {
        if (was_asleep) { avr->cycle += chip->kind->wake_cycles; }
        isr_enter(&chip->isr, avr->interrupts.running[depth]->vector, avr->cycle,
                  (uint16_t)(avr->data[CHIP_SPL] | (avr->data[CHIP_SPH] << 8)));
        avr->cycle += chip->kind->response_cycles;
        avr_cycle_timer_process(avr);        /* what falls into the response comes before the first instruction */
    }
}

/* Time passes without instructions: asleep, in the boot loader's hands or without supply. */
static void jump_to_next_event(struct chip *chip)
{
    avr_t *avr = chip->avr;
    const bool asleep = avr->state == cpu_Sleeping;
    const uint64_t idle_cycles = avr_cycle_timer_process(avr);
    if (asleep && !held(chip)) { flags_request(chip); }
    if (asleep && avr->state != cpu_Sleeping) { return; }
    uint64_t limit_cycle = chip->until_cycle;
    if (!chip->off && chip->boot_until_cycle > avr->cycle && chip->boot_until_cycle < limit_cycle) {
        limit_cycle = chip->boot_until_cycle;
    }
    const uint64_t next_cycle = avr->cycle + (idle_cycles > 0 ? idle_cycles : 1);
    avr->cycle = next_cycle < limit_cycle ? next_cycle : limit_cycle;
    avr_cycle_timer_process(avr);
}

/* As if the main line had come upon an endless loop: `rjmp .`, two cycles.  A new start of the program frees it.  Not
 * where interrupts are off, which would keep the watchdog's away, and the emulator knows no reset by its second time-out. */
static bool goes_round(struct chip *chip)
{
    avr_t *avr = chip->avr;
    if (!chip->hung || !avr->sreg[S_I] || held(chip)) { return false; }
    if (chip->hung_depth < 0) { chip->hung_depth = avr->interrupts.running_ptr; }
    if (avr->interrupts.running_ptr > chip->hung_depth) {      /* an interrupt that never returned has started the program anew */
        chip->hung = false;
        return false;
    }
    avr->state = cpu_Running;
    avr->cycle += 2;
    avr_cycle_timer_process(avr);
    return true;
}

/* One instruction, or a stretch of them up to the next timer; or the jump of a sleeping core to its next event. */
static void step(avr_t *avr)
{
    struct chip *chip = running_chip;
    const bool asleep = avr->state == cpu_Sleeping;
    if (goes_round(chip)) {
        /* time has passed */
    } else if (!held(chip) && !asleep) {
        const uint8_t depth = avr->interrupts.running_ptr;
        const avr_flashaddr_t next_pc = avr_run_one(avr);
        if (avr->interrupt_state == -2) {
            avr->interrupt_state = -1;       /* one instruction after SEI or RETI, not two */
        }
        if (avr->interrupts.running_ptr < depth) { isr_leave(&chip->isr, avr->cycle); }
        if (chip->one_at_a_time) { isr_watch_blocked(&chip->isr, avr->cycle, next_pc, !avr->sreg[S_I]); }
        check_sleep(chip);
        avr_cycle_timer_process(avr);
        avr->pc = next_pc;
    } else {
        jump_to_next_event(chip);
    }
    if (avr->run != step || held(chip)) { return; }      /* the watchdog has bitten, or nobody is at home */
    flags_request(chip);
    if (avr->interrupt_state) { accept_interrupt(chip, asleep); }
}

static void after_reset(struct chip *chip, uint8_t cause)
{
    avr_t *avr = chip->avr;
    avr->data[CHIP_MCUSR] = cause;
    avr->run_cycle_limit = chip->one_at_a_time ? 1 : RUN_LIMIT_CYCLES;
    chip->boot_until_cycle = avr->cycle + chip->boot_cycles;
    chip->hung = false;
    chip->isr.depth = 0;
    chip->isr.blocked_since_cycle = ISR_NEVER;
    for (unsigned n = 0; n < chip->listeners; n++) { chip->listener[n].restart(chip->listener[n].param); }
}

void chip_run_until(struct chip *chip, uint64_t cycle)
{
    avr_t *avr = chip->avr;
    chip->until_cycle = cycle;
    while (avr->cycle < chip->until_cycle && avr->state != cpu_Crashed && avr->state != cpu_Done) {
        if (avr->run == step) {
            step(avr);
        } else {
            const uint8_t kept = avr->data[CHIP_MCUSR];
            avr->run(avr);                   /* libsimavr's watchdog resets from here, and puts our step back */
            chip->resets_watchdog++;
            after_reset(chip, kept | CHIP_RESET_WATCHDOG);
        }
    }
}

/* SRAM wakes with arbitrary contents; a fixed odd pattern finds a program that relies on zeros. */
static void spoil_sram(const struct chip *chip)
{
    avr_t *avr = chip->avr;
    uint32_t state = 0x2545F491u;
    for (unsigned address = chip->kind->sram; address <= avr->ramend; address++) {
        state = state * 1664525u + 1013904223u;
        avr->data[address] = (uint8_t)(state >> 24);
    }
}

void chip_reset(struct chip *chip, enum chip_reset_cause cause)
{
    avr_t *avr = chip->avr;
    if (chip->off && cause != CHIP_RESET_POWER) { return; }
    uint8_t kept = avr->data[CHIP_MCUSR];    /* flags stay until the program or a power-on clears them */
    if (cause == CHIP_RESET_POWER) {
        kept = 0;
        chip->resets_power++;
        spoil_sram(chip);
    } else if (cause == CHIP_RESET_PIN) {
        chip->resets_pin++;
    }
    chip->off = false;
    avr->run = step;
    avr_reset(avr);
    after_reset(chip, kept | (uint8_t)cause);
}

void chip_power_off(struct chip *chip)
{
    if (chip->off) { return; }
    chip->off = true;
    chip->avr->run = step;
    avr_reset(chip->avr);
    after_reset(chip, 0);
}

void chip_on_reset(struct chip *chip, void (*restart)(void *), void *param)
{
    if (chip->listeners == CHIP_LISTENERS) { abort(); }
    chip->listener[chip->listeners].restart = restart;
    chip->listener[chip->listeners].param = param;
    chip->listeners++;
}

void chip_at(struct chip *chip, uint64_t cycle, avr_cycle_timer_t timer, void *param)
{
    const uint64_t now = chip->avr->cycle;
    avr_cycle_timer_register(chip->avr, cycle > now ? cycle - now : 0, timer, param);
}

avr_int_vector_t *chip_vector(const struct chip *chip, unsigned number)
{
    for (unsigned n = 0; n < chip->avr->interrupts.vector_count; n++) {
        if (chip->avr->interrupts.vector[n]->vector == number) { return chip->avr->interrupts.vector[n]; }
    }
    return NULL;
}

void chip_watch_write(struct chip *chip, uint16_t address, avr_io_write_t write, void *param)
{
    chip->avr->io[AVR_DATA_TO_IO(address)].w.c = write;
    chip->avr->io[AVR_DATA_TO_IO(address)].w.param = param;
}

void chip_watch_read(struct chip *chip, uint16_t address, avr_io_read_t read, void *param)
{
    chip->avr->io[AVR_DATA_TO_IO(address)].r.c = read;
    chip->avr->io[AVR_DATA_TO_IO(address)].r.param = param;
}

bool chip_open(struct chip *chip, const char *elf_path)
{
    running_chip = chip;
    avr_global_logger_set(log_line);
    chip->kind = kind_of_elf(elf_path);
    if (chip->kind == NULL) { return false; }
    elf_firmware_t firmware;
    memset(&firmware, 0, sizeof firmware);
    if (elf_read_firmware(elf_path, &firmware) != 0 || firmware.flash == NULL) {
        fprintf(stderr, "board: %s: not an AVR program in ELF form; build the firmware first (make in firmware/)\n",
                elf_path);
        return false;
    }
    chip->avr = avr_make_mcu_by_name(chip->kind->mcu);
    if (chip->avr == NULL) {
        fprintf(stderr, "board: this libsimavr does not know the %s\n", chip->kind->mcu);
        return false;
    }
    avr_init(chip->avr);
    chip->avr->log = LOG_ERROR;
    firmware.frequency = CHIP_HZ;
    avr_load_firmware(chip->avr, &firmware);
    chip->avr->vcc = chip->avr->avcc = chip->avr->aref = 5000;
    chip->isr.names = chip->kind->vectors;
    chip->isr.depth = 0;
    for (unsigned n = 0; n < ISR_VECTORS; n++) { chip->isr.vector[n].flag_cycle = ISR_NEVER; }
    isr_clear(&chip->isr);
    flags_install(chip);
    return true;
}

void chip_close(struct chip *chip)
{
    avr_terminate(chip->avr);
    running_chip = NULL;
}
