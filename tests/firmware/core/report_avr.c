/* Tells on the line, 500,000 baud, once the test has run: the same words as report_pc.c. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

#include "report.h"

#define FAILURES_KEPT 8u

static uint32_t checks;
static uint16_t failures;
static uint16_t lines[FAILURES_KEPT];

void report_check(bool passed, uint16_t line)
{
    checks++;
    if (!passed) {
        if (failures < FAILURES_KEPT) {
            lines[failures] = line;
        }
        failures++;
    }
}

static void tell_byte(uint8_t byte)
{
    while ((UCSR0A & _BV(UDRE0)) == 0u) {
    }
    UDR0 = byte;
}

static void tell(const char *word, uint32_t number)
{
    uint32_t unit = 1000000000ul;

    while (*word != '\0') {
        tell_byte((uint8_t)*word++);
    }
    for (; unit != 0u; unit /= 10u) {
        tell_byte((uint8_t)('0' + number / unit % 10u));
    }
    tell_byte('\n');
}

int main(void)
{
    uint8_t at;

    UCSR0A = _BV(U2X0);
    UBRR0 = 3;
    UCSR0B = _BV(TXEN0) | _BV(RXEN0);
    while ((UCSR0A & _BV(RXC0)) == 0u) {         /* any byte starts the test: then somebody listens */
    }
    test();
    for (at = 0; at < failures && at < FAILURES_KEPT; at++) {
        tell("failed ", lines[at]);
    }
    tell("done ", checks);
    for (;;) {
        sleep_enable();
        sei();
        sleep_cpu();
    }
}
