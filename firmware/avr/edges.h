/* What does the hardware of the three inputs do at an edge?  The interrupts, and how an input is switched.
 *
 * Each board's folder answers with an edges.c of its own.  Its interrupts put the time of an edge into inputs_rings and
 * spend one edge of inputs_flood (inputs.h); an input whose allowance is spent they switch off. */
#ifndef EDGES_H
#define EDGES_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"

/* An input's pin, and the edge that is the pulse, by its CONFIG_MODE_...; it is off then, and the main loop knows it. */
void edges_configure(uint8_t input, uint8_t mode);

/* Interrupts off: lets an input fire again; what it saw while it was off is forgotten. */
void edges_listen(uint8_t input);

/* False when the input's interrupt has switched it off, or nobody has switched it on. */
bool edges_listening(uint8_t input);

/* The input is off, and the main loop knows it. */
void edges_know_silent(uint8_t input);

/* Interrupts off: is every edge whose time is fixed in its ring, and is every input that has switched itself off known
 * to be off? */
bool edges_settled(void);

/* For edges_configure(): makes the pin an input, with the chip's pull-up if the mode says so. */
static inline void edges_pin(volatile uint8_t *direction, volatile uint8_t *port, uint8_t pin, uint8_t mode)
{
    *direction &= (uint8_t)~pin;
    if ((mode & CONFIG_MODE_PULL_UP) != 0u) {
        *port |= pin;
    } else {
        *port &= (uint8_t)~pin;
    }
}

#endif
