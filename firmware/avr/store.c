/* How does the configuration get into the EEPROM and out of it?  See store.h. */
#include "store.h"

#include <util/atomic.h>

#include "board.h"

static bool store_busy(void)
{
    return (EECR & _BV(EEPE)) != 0u;
}

static void store_read(uint8_t slot, uint8_t bytes[CONFIG_SLOT_BYTES])
{
    uint8_t at;

    while (store_busy()) {          /* only a write cut off by a restart: 3.4 ms at most */
    }
    for (at = 0; at < CONFIG_SLOT_BYTES; at++) {
        EEAR = (uint16_t)(config_address(slot) + at);
        EECR |= _BV(EERE);
        bytes[at] = EEDR;
    }
}

void store_load(struct config_store *store, struct config *config)
{
    uint8_t slots[CONFIG_SLOTS][CONFIG_SLOT_BYTES];
    uint8_t slot;

    for (slot = 0; slot < CONFIG_SLOTS; slot++) {
        store_read(slot, slots[slot]);
    }
    config_load(store, (const uint8_t (*)[CONFIG_SLOT_BYTES])slots, config);
}

bool store_continue(struct config_store *store)
{
    uint16_t address;
    uint8_t byte;

    if (store_busy()) {
        return false;
    }
    if (store->writing == 0u) {
        return true;
    }
    config_next_write(store, &address, &byte);
    EEAR = address;
    EEDR = byte;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {          /* the second bit must follow the first within four cycles */
        EECR |= _BV(EEMPE);
        EECR |= _BV(EEPE);
    }
    return false;
}

uint8_t store_finish(struct config_store *store, struct config *config)
{
    uint8_t bytes[CONFIG_SLOT_BYTES];

    store_read(store->next_slot, bytes);
    return config_finish(store, bytes, config);
}
