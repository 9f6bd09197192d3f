/* Why did the board start, and what starts it again when it hangs?  See reset.h.
 *
 * Old boot loaders leave the watchdog as a watchdog reset left it: on, with its shortest time, and it then resets them
 * again and again.  So the watchdog here never resets the chip: it interrupts, and the interrupt starts the program
 * anew without the loader.  Newer loaders clear the register of reset causes and some hand its value over in r2.  So
 * the first instructions of the program keep both, and switch the watchdog off in case a loader left it on. */
#include "reset.h"

#include <avr/wdt.h>

#include "board.h"

#define RESET_HUNG 0x5Au             /* in reset_key: the watchdog started the program anew */

static uint8_t reset_flags __attribute__((section(".noinit")));
static uint8_t reset_loader __attribute__((section(".noinit")));
static uint8_t reset_key __attribute__((section(".noinit")));
static uint8_t reset_key_inverse __attribute__((section(".noinit")));
static uint8_t reset_hung __attribute__((section(".noinit")));

/* Runs before main() and before the memory is cleared; nothing may use r2 before. */
void reset_early(void) __attribute__((naked, used, section(".init3")));
void reset_early(void)
{
    __asm__ volatile("sts %0, r2" : "=m"(reset_loader));
    reset_flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
    reset_hung = reset_key == RESET_HUNG && reset_key_inverse == (uint8_t)~RESET_HUNG;
    reset_key = 0;
}

uint8_t reset_cause(void)
{
    const uint8_t known = _BV(PORF) | _BV(EXTRF) | _BV(BORF) | _BV(WDRF);
    uint8_t flags = reset_flags;

    if (reset_hung != 0u) {
        return WIRE_RESET_WATCHDOG;
    }
    if (flags == 0u && (reset_loader & (uint8_t)~known) == 0u) {
        flags = reset_loader;        /* a loader has been here */
    }
    return (uint8_t)(((flags & _BV(PORF)) != 0u ? WIRE_RESET_POWER : 0u)
                     | ((flags & _BV(EXTRF)) != 0u ? WIRE_RESET_PIN : 0u)
                     | ((flags & _BV(BORF)) != 0u ? WIRE_RESET_BROWN_OUT : 0u)
                     | ((flags & _BV(WDRF)) != 0u ? WIRE_RESET_WATCHDOG : 0u));
}

void reset_watch(void)
{
    wdt_reset();
    WDTCSR = _BV(WDCE) | _BV(WDE);               /* opens the next four cycles for the change */
    WDTCSR = _BV(WDIE) | _BV(WDE) | _BV(WDP2) | _BV(WDP0);   /* 0.5 s, then the interrupt; a reset only after it */
}

void reset_alive(void)
{
    wdt_reset();
}

/* The main loop has hung.  Everything is set up anew by the start of the program, which interrupts nothing may disturb.
 * Never returns: no budget. */
ISR(WDT_vect, ISR_NAKED)
{
    reset_key = RESET_HUNG;
    reset_key_inverse = (uint8_t)~RESET_HUNG;
    __asm__ volatile("jmp 0");
}
