/* How does a test of the core say what it found?
 *
 * Each file beside this one is one program with one test(): built for this machine with sanitizers, and for the board's
 * processor.  Both run the same checks; ROUNDS says how many random ones, since the small one is slow. */
#ifndef REPORT_H
#define REPORT_H

#include <stdbool.h>
#include <stdint.h>

#ifdef __AVR__
#define ROUNDS(pc, avr) (avr)
#else
#define ROUNDS(pc, avr) (pc)
#endif

void test(void);

void report_check(bool passed, uint16_t line);

#define CHECK(condition) report_check((condition), (uint16_t)__LINE__)

/* The same numbers on both machines (Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8(14), 2003). */
uint32_t report_random(void);

#endif
