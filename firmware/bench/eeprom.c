#include "eeprom.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

enum { EEPM = 0x30, EERIE = 0x08, EEMPE = 0x04, EEPE = 0x02, EERE = 0x01 };
enum { ARMED_CYCLES = 4 };
/* Programming times, data sheet, "EEPROM Mode Bits": 3.4 ms for erase and write, 1.8 ms for either alone.
 * The processor halts 2 cycles for a write and 4 for a read. */
enum { BOTH_CYCLES = 54400, ONE_CYCLES = 28800, WRITE_HALT_CYCLES = 2, READ_HALT_CYCLES = 4 };

static avr_cycle_count_t write_done(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when;
    (void)param;
    avr->data[CHIP_EECR] = (uint8_t)(avr->data[CHIP_EECR] & ~EEPE);
    return 0;
}

static void begin_write(struct eeprom *eeprom, unsigned address)
{
    avr_t *avr = eeprom->chip->avr;
    const unsigned mode = ((unsigned)avr->data[CHIP_EECR] & EEPM) >> 4;       /* 0 both, 1 erase, 2 write (clears bits only) */
    const uint8_t old = eeprom->bytes[address];
    const uint8_t value = avr->data[CHIP_EEDR];
    const uint8_t new = mode == 1 ? 0xFF : (mode == 2 ? (uint8_t)(old & value) : value);
    eeprom->writes++;
    eeprom->changed = true;
    if (eeprom->writes == eeprom->cut_at_write) {
        const uint8_t left[] = { [EEPROM_OLD] = old, [EEPROM_ERASED] = 0xFF, [EEPROM_HALF] = (uint8_t)(new | 0x5A),
                                 [EEPROM_NEW] = new };
        eeprom->bytes[address] = left[eeprom->torn];
        eeprom->cut = true;
        avr->run_cycle_count = 1;
        eeprom->chip->until_cycle = avr->cycle;       /* not one instruction more */
        return;
    }
    eeprom->bytes[address] = new;
    avr->data[CHIP_EECR] = (uint8_t)((avr->data[CHIP_EECR] | EEPE) & ~EEMPE);
    eeprom->armed = false;
    avr->cycle += WRITE_HALT_CYCLES;
    eeprom->done_cycle = avr->cycle + (mode == 0 ? BOTH_CYCLES : ONE_CYCLES);
    chip_at(eeprom->chip, eeprom->done_cycle, write_done, eeprom);
}

static void write_control(avr_t *avr, avr_io_addr_t register_address, uint8_t value, void *param)
{
    struct eeprom *eeprom = param;
    const bool busy = (avr->data[register_address] & EEPE) != 0;
    const bool armed = eeprom->armed && avr->cycle <= eeprom->disarm_cycle;
    const unsigned address = (avr->data[CHIP_EEARL] | ((unsigned)avr->data[CHIP_EEARH] << 8)) & (eeprom->size_bytes - 1u);
    uint8_t now = (uint8_t)(value & EERIE);
    now |= busy ? (avr->data[register_address] & (EEPM | EEPE)) : (value & EEPM);
    avr->data[register_address] = now;
    if ((value & EEMPE) && !armed) {
        eeprom->armed = true;
        eeprom->disarm_cycle = avr->cycle + ARMED_CYCLES;
    }
    if ((value & EEPE) && armed && !busy) { begin_write(eeprom, address); }
    if ((value & EERE) && !busy) {
        avr->data[CHIP_EEDR] = eeprom->bytes[address];
        avr->cycle += READ_HALT_CYCLES;
    }
    avr->run_cycle_count = 1;         /* EERIE may have let a waiting interrupt in */
}

static uint8_t read_control(avr_t *avr, avr_io_addr_t register_address, void *param)
{
    struct eeprom *eeprom = param;
    if (eeprom->armed && avr->cycle > eeprom->disarm_cycle) { eeprom->armed = false; }
    return (uint8_t)((avr->data[register_address] & ~EEMPE) | (eeprom->armed ? EEMPE : 0));
}

static void restart(void *param)
{
    struct eeprom *eeprom = param;
    eeprom->armed = false;            /* a write under way goes on through a reset, but the register shows none */
}

bool eeprom_install(struct eeprom *eeprom, struct chip *chip, const char *path)
{
    eeprom->chip = chip;
    eeprom->path = path;
    eeprom->size_bytes = chip->kind->eeprom_bytes;
    memset(eeprom->bytes, 0xFF, sizeof eeprom->bytes);
    chip_watch_write(chip, CHIP_EECR, write_control, eeprom);
    chip_watch_read(chip, CHIP_EECR, read_control, eeprom);
    chip_on_reset(chip, restart, eeprom);
    if (path == NULL) { return true; }
    FILE *file = fopen(path, "rb");
    if (file == NULL) {
        if (errno == ENOENT) { return true; }
        fprintf(stderr, "board: %s: cannot read the EEPROM file: %s\n", path, strerror(errno));
        return false;
    }
    const size_t count = fread(eeprom->bytes, 1, eeprom->size_bytes, file);
    fclose(file);
    if (count != eeprom->size_bytes) {
        fprintf(stderr, "board: %s: an EEPROM file has %u bytes, this one %zu\n", path, eeprom->size_bytes, count);
        return false;
    }
    return true;
}

bool eeprom_save(struct eeprom *eeprom)
{
    if (eeprom->path == NULL || !eeprom->changed) { return true; }
    char spare[512];
    snprintf(spare, sizeof spare, "%s.new", eeprom->path);
    FILE *file = fopen(spare, "wb");
    if (file != NULL) {
        const bool written = fwrite(eeprom->bytes, 1, eeprom->size_bytes, file) == eeprom->size_bytes;
        if (fclose(file) == 0 && written && rename(spare, eeprom->path) == 0) {
            eeprom->changed = false;
            return true;
        }
    }
    fprintf(stderr, "board: %s: cannot save the EEPROM: %s\n", eeprom->path, strerror(errno));
    return false;
}
