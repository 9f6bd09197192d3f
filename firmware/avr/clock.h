/* What time is it, in ticks of the board? */
#ifndef CLOCK_H
#define CLOCK_H

#include <stdint.h>

#include "tick.h"

/* Once, interrupts off. */
void clock_start(void);

/* 32-bit time, and that of a counter reading just taken; interrupts must be off (the counter is read through a register
 * shared with the interrupts). */
uint32_t clock_now_locked(void);
uint32_t clock_of_locked(uint16_t low);

/* 32-bit time; main loop. */
uint32_t clock_now(void);

#endif
