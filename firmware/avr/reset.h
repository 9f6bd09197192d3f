/* Why did the board start, and what starts it again when it hangs? */
#ifndef RESET_H
#define RESET_H

#include <stdint.h>

/* WIRE_RESET_... bits of this start; 0: unknown. */
uint8_t reset_cause(void);

/* Once, interrupts off, when the main loop is about to begin; reset_alive() must then come at least once in half a second. */
void reset_watch(void);
void reset_alive(void);

#endif
