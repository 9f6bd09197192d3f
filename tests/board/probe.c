/* Does the emulated board do what the chip's data sheet says?  A program that measures it from inside.
 *
 * One letter in, a few raw bytes out; test_harness.py knows the letters. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <stdint.h>

#ifdef __AVR_ATmega2560__           /* timer 4 captures on input 1, INT5 is input 3 */
#define COUNT TCNT4
#define COUNT_LOW "0xA4"
#define COUNT_HIGH "0xA5"
#define CAPTURED ICR4
#define CAPTURE_VECT TIMER4_CAPT_vect
#define OVERFLOW_VECT TIMER4_OVF_vect
#define TIMER_FLAGS TIFR4
#define TIMER_FLAGS_SBI "0x19"
#define TIMER_ENABLES TIMSK4
#define TIMER_CONTROL TCCR4B
#define EXTERNAL_VECT INT5_vect
#define EXTERNAL INT5
#define EXTERNAL_OTHER INT4
#define RECEIVED_VECT USART0_RX_vect
#define FALLING_EDGES() (EICRB = _BV(ISC51) | _BV(ISC41))
#else
#define COUNT TCNT1
#define COUNT_LOW "0x84"
#define COUNT_HIGH "0x85"
#define CAPTURED ICR1
#define CAPTURE_VECT TIMER1_CAPT_vect
#define OVERFLOW_VECT TIMER1_OVF_vect
#define TIMER_FLAGS TIFR1
#define TIMER_FLAGS_SBI "0x16"
#define TIMER_ENABLES TIMSK1
#define TIMER_CONTROL TCCR1B
#define EXTERNAL_VECT INT0_vect
#define EXTERNAL INT0
#define EXTERNAL_OTHER INT1
#define RECEIVED_VECT USART_RX_vect
#define FALLING_EDGES() (EICRA = _BV(ISC01) | _BV(ISC11))
#endif

struct record { uint8_t what, overflow_pending; uint16_t wraps, count; };
static volatile struct record records[200];
static volatile uint8_t used;
static volatile uint16_t wraps;
static volatile uint8_t busy;
volatile uint16_t external_count;
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
ISR(EXTERNAL_VECT, ISR_NAKED)
{
    __asm__ volatile(
        "push r24\n\t"
        "lds r24, " COUNT_LOW "\n\t"
        "sts external_count, r24\n\t"
        "lds r24, " COUNT_HIGH "\n\t"
        "sts external_count+1, r24\n\t"
        "pop r24\n\t"
        "reti");
}

ISR(CAPTURE_VECT) { const uint16_t edge = CAPTURED; note('c', TIMER_FLAGS & _BV(TOV1), edge); }
ISR(OVERFLOW_VECT) { wraps++; }

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
    const uint16_t count = COUNT;
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
    const uint16_t begin = COUNT;
    UDR0 = 0x55;
    while (!(UCSR0A & _BV(UDRE0))) { }
    const uint16_t end = COUNT;
    sei();
    return end - begin;
}

static void obey(uint8_t letter)
{
    switch (letter) {
    case 'd': dump(); break;
    case 'i': send16(external_count); break;
    case 'm': send(reset_flags); break;
    case 'y': busy = 1; break;
    case 'z': busy = 0; break;
    case 'k': TIMER_ENABLES = 0; EIMSK = 0; TIMER_FLAGS = 0xFF; EIFR = 0xFF; break;         /* mask all, flags down */
    case 'K': TIMER_ENABLES = _BV(ICIE1) | _BV(TOIE1); EIMSK = _BV(EXTERNAL); break;
    case 'f': send(TIMER_FLAGS); send(EIFR); break;
    case 'w': { const uint8_t one = _BV(ICF1); TIMER_FLAGS = one; EIFR = _BV(EXTERNAL_OTHER); break; }
    case 'W': __asm__ volatile("sbi " TIMER_FLAGS_SBI ", 5"); break;                          /* ICF1 by SBI */
    case 'n': TIMER_CONTROL |= _BV(ICNC1); break;
    case 'N': TIMER_CONTROL &= (uint8_t)~_BV(ICNC1); break;
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
    case 'G':                                                                  /* a byte after the next fall of the other */
        while (!(EIFR & _BV(EXTERNAL_OTHER))) { }
        EIFR = _BV(EXTERNAL_OTHER);
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
    FALLING_EDGES();
    EIMSK = _BV(EXTERNAL);
    TIMER_CONTROL = _BV(CS10);
    TIMER_ENABLES = _BV(ICIE1) | _BV(TOIE1);
    sei();
    set_sleep_mode(SLEEP_MODE_IDLE);
    for (;;) {
        if (UCSR0A & _BV(RXC0)) { obey(UDR0); }
        UCSR0B |= _BV(RXCIE0);
        if (!busy && !(UCSR0A & _BV(RXC0))) { sleep_mode(); }
    }
}

/* Only to wake: the byte stays where it is. */
ISR(RECEIVED_VECT) { UCSR0B &= (uint8_t)~_BV(RXCIE0); }
