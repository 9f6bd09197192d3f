/* How does the configuration get into the EEPROM and out of it?  Never waits: a byte takes 3.4 ms to write. */
#ifndef STORE_H
#define STORE_H

#include <stdbool.h>

#include "config.h"

/* Once, at start. */
void store_load(struct config_store *store, struct config *config);

/* Main loop, at every pass while store->writing or the last byte is on its way: true once, when all stands. */
bool store_continue(struct config_store *store);

/* After that: reads back and compares.  Returns a RESULT code. */
uint8_t store_finish(struct config_store *store, struct config *config);

#endif
