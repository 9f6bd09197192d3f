/* How does the main loop keep interrupts away for a moment?  See lock.h. */
#include "lock.h"

#include <avr/interrupt.h>

#include "board.h"
#include "inline.h"

INLINE_NEVER uint8_t lock_begin(void)
{
    const uint8_t status = SREG;

    cli();
    while ((status & _BV(SREG_I)) != 0u && BOARD_EDGE_WAITS()) {
        sei();
        __asm__ volatile ("nop");                /* the chip takes an interrupt one instruction after sei */
        cli();
    }
    return status;
}
