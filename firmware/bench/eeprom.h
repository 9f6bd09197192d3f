/* What does the EEPROM keep, also when the supply fails in the middle of a write? */
#ifndef BENCH_EEPROM_H
#define BENCH_EEPROM_H

#include "chip.h"

#define EEPROM_MOST_BYTES 4096u

enum eeprom_torn { EEPROM_OLD, EEPROM_ERASED, EEPROM_HALF, EEPROM_NEW };    /* what a cut write leaves in its byte */

struct eeprom {
    struct chip *chip;
    unsigned size_bytes;               /* a power of two */
    uint8_t bytes[EEPROM_MOST_BYTES];
    const char *path;                  /* NULL: kept in memory only */
    bool changed;                      /* since it was last saved */
    bool armed;                        /* EEMPE */
    uint64_t disarm_cycle, done_cycle;
    uint64_t writes;
    uint64_t cut_at_write;             /* the supply fails during this write, counted from 1; 0: never */
    enum eeprom_torn torn;
    bool cut;                          /* it has just failed */
};

bool eeprom_install(struct eeprom *eeprom, struct chip *chip, const char *path);
bool eeprom_save(struct eeprom *eeprom);
#endif
