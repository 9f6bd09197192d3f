/* Does the emulated board do what the chip's data sheet says?  A program that measures it from inside.
 *
 * One letter in, a few raw bytes out; test_harness.py knows the letters. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <stdint.h>

struct record { uint8_t what, overflow_pending; uint16_t wraps, count; };
static volatile struct record records[200];
static volatile uint8_t used;
static volatile uint16_t wraps;
static volatile uint8_t busy;
volatile uint16_t int0_count;
static uint8_t reset_flags __attribute__((section(".noinit")));

void keep_reset_flags(void) __attribute__((naked, used, section(".init3")));
void keep_reset_flags(void)
{
    reset_flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

static void note(uint8_t what, uint8_t overflow_pending, uint16_t count)
{
    if (used < 200) {
        records[used].what = what;
        records[used].overflow_pending = overflow_pending;
        records[used].wraps = wraps;
        records[used].count = count;
        used++;
    }
}

/* Reads the counter as its second instruction, so that the latency can be told from the data sheet. */
ISR(INT0_vect, ISR_NAKED)
{
    __asm__ volatile(
        "push r24\n\t"
        "lds r24, 0x84\n\t"
        "sts int0_count, r24\n\t"
        "lds r24, 0x85\n\t"
        "sts int0_count+1, r24\n\t"
        "pop r24\n\t"
        "reti");
}

ISR(TIMER1_CAPT_vect) { const uint16_t edge = ICR1; note('c', TIFR1 & _BV(TOV1), edge); }
ISR(TIMER1_OVF_vect) { wraps++; }

static void send(uint8_t byte)
{
    while (!(UCSR0A & _BV(UDRE0))) { }
    UDR0 = byte;
}

static void send16(uint16_t word)
{
    send((uint8_t)word);
    send((uint8_t)(word >> 8));
}

static uint16_t now(void)
{
    const uint8_t kept = SREG;
    cli();
    const uint16_t count = TCNT1;
    SREG = kept;
    return count;
}

static void dump(void)
{
    send(used);
    for (uint8_t n = 0; n < used; n++) {
        send(records[n].what);
        send(records[n].overflow_pending);
        send16(records[n].wraps);
        send16(records[n].count);
    }
    used = 0;
}

/* From the first byte written to the moment the buffer is free for the third: the length of one byte. */
static uint16_t byte_time(void)
{
    while (!(UCSR0A & _BV(UDRE0))) { }
    UCSR0A |= _BV(TXC0);
    UDR0 = 0x55;
    while (!(UCSR0A & _BV(TXC0))) { }
    cli();
    UDR0 = 0x55;
    const uint16_t begin = TCNT1;
    UDR0 = 0x55;
    while (!(UCSR0A & _BV(UDRE0))) { }
    const uint16_t end = TCNT1;
    sei();
    return end - begin;
}

static void obey(uint8_t letter)
{
    switch (letter) {
    case 'd': dump(); break;
    case 'i': send16(int0_count); break;
    case 'm': send(reset_flags); break;
    case 'y': busy = 1; break;
    case 'z': busy = 0; break;
    case 'k': TIMSK1 = 0; EIMSK = 0; TIFR1 = 0xFF; EIFR = 0xFF; break;         /* mask all, flags down */
    case 'K': TIMSK1 = _BV(ICIE1) | _BV(TOIE1); EIMSK = _BV(INT0); break;
    case 'f': send(TIFR1); send(EIFR); break;
    case 'w': { const uint8_t one = _BV(ICF1); TIFR1 = one; EIFR = _BV(INTF1); break; }
    case 'W': __asm__ volatile("sbi 0x16, 5"); break;                          /* ICF1 by SBI */
    case 'n': TCCR1B |= _BV(ICNC1); break;
    case 'N': TCCR1B &= (uint8_t)~_BV(ICNC1); break;
    case 'u': UBRR0 = 1; UCSR0A &= (uint8_t)~_BV(U2X0); break;                  /* 500,000 baud without doubling */
    case 'U': UBRR0 = 3; UCSR0A |= _BV(U2X0); break;                            /* and with */
    case 's': UBRR0 = 16; UCSR0A |= _BV(U2X0); break;                           /* 117,647 for 115,200 */
    case 't': send16(byte_time()); break;
    case 'e': {
        const uint16_t begin = now();
        eeprom_write_byte((uint8_t *)7, 0xA7);
        eeprom_busy_wait();
        send16(now() - begin);
        send(eeprom_read_byte((uint8_t *)7));
        break;
    }
    case 'G':                                                                  /* a byte after the next fall of INT1 */
        while (!(EIFR & _BV(INTF1))) { }
        EIFR = _BV(INTF1);
        send(0x55);
        break;
    case 'o':                                                                  /* 120,000 bytes that count */
        for (uint32_t n = 0; n < 120000ul; n++) { send((uint8_t)n); }
        break;
    case 'x': wdt_enable(WDTO_15MS); for (;;) { } break;
    default: send('?'); break;
    }
}

int main(void)
{
    UBRR0 = 3;
    UCSR0A = _BV(U2X0);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
    EICRA = _BV(ISC01) | _BV(ISC11);
    EIMSK = _BV(INT0);
    TCCR1B = _BV(CS10);
    TIMSK1 = _BV(ICIE1) | _BV(TOIE1);
    sei();
    set_sleep_mode(SLEEP_MODE_IDLE);
    for (;;) {
        if (UCSR0A & _BV(RXC0)) { obey(UDR0); }
        UCSR0B |= _BV(RXCIE0);
        if (!busy && !(UCSR0A & _BV(RXC0))) { sleep_mode(); }
    }
}

/* Only to wake: the byte stays where it is. */
ISR(USART_RX_vect) { UCSR0B &= (uint8_t)~_BV(RXCIE0); }
