/* What does the board do for somebody who has no host: display, buttons, alarm? */
#ifndef INSTRUMENT_H
#define INSTRUMENT_H

/* Once, interrupts off, the configuration loaded. */
void instrument_start(void);

/* The configuration has changed: what was measured with the old one is forgotten. */
void instrument_begin(void);

/* At every pass of the main loop, before edges are taken from the rings. */
void instrument_go_on(void);

#endif
