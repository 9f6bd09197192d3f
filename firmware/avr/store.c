/* How does the configuration get into the EEPROM and out of it?  See store.h. */
#include "store.h"

#include "board.h"
#include "lock.h"

bool store_busy(void)
{
    return (EECR & _BV(EEPE)) != 0u;
}

static uint8_t store_read(uint16_t address)
{
    EEAR = address;
    EECR |= _BV(EERE);
    return EEDR;
}

void store_load(struct slots *store, struct config *config)
{
    while (store_busy()) {          /* only a write cut off by a restart: 3.4 ms at most */
    }
    slots_load(store, store_read, config);
}

bool store_continue(struct slots *store, struct config *config, uint8_t *code)
{
    struct slots_next next = { 0, 0, 0 };

    if (store_busy()) {
        return false;
    }
    switch (slots_go_on(store, config, &next)) {
    case SLOTS_WRITE:
        EEAR = next.address;
        EEDR = next.byte;
        LOCKED {      /* the second bit must follow the first within four cycles */
            EECR |= _BV(EEMPE);
            EECR |= _BV(EEPE);
        }
        return false;
    case SLOTS_DONE:
        *code = next.code;
        return true;
    default:
        return false;
    }
}
