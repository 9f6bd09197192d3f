/* How does the configuration get into the EEPROM and out of it?  Never waits: a byte takes 3.4 ms to write. */
#ifndef STORE_H
#define STORE_H

#include <stdbool.h>
#include <stdint.h>

#include "slots.h"

/* Once, at start. */
void store_load(struct slots *store, struct config *config);

/* A byte is being written: nothing can be read. */
bool store_busy(void);

/* Main loop, at every pass while store->work is not SLOTS_IDLE: true once, when it is done; `code` is then a RESULT code. */
bool store_continue(struct slots *store, struct config *config, uint8_t *code);

#endif
