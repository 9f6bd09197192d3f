/* How does the main loop keep interrupts away for a moment, without making an edge wait twice? */
#ifndef LOCK_H
#define LOCK_H

#include <stdint.h>

#include <avr/io.h>

/* Turns interrupts off; gives what lock_end() needs to restore them.  An edge that waits already is let through first:
 * after an interrupt's return the chip runs one instruction of the main loop, and were that the one that turns
 * interrupts off, the edge would wait for the rest of this lock after the whole of that interrupt. */
uint8_t lock_begin(void);

static inline void lock_end(const uint8_t *status)
{
    __asm__ volatile ("" ::: "memory");
    SREG = *status;
}

/* LOCKED { ... } runs with interrupts off. */
#define LOCKED for (uint8_t lock_status __attribute__((cleanup(lock_end))) = lock_begin(), lock_once = 1u; \
                    lock_once != 0u; lock_once = 0u)

#endif
