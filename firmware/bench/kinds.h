/* Which chips can the emulated board be, and where do their registers, vectors and pins lie? */
#ifndef BENCH_KINDS_H
#define BENCH_KINDS_H

#include <stdbool.h>
#include <stdint.h>

enum { KIND_INPUTS = 3, KIND_CAPTURES = 2, KIND_COMPARES = 3, KIND_PAIRS = 8, KIND_VECTORS = 57,
       KIND_DISPLAY_PINS = 6, KIND_BUTTONS = 3 };

/* A flag and its enable have the same bit number in these two registers.  flags 0: no more of them. */
struct kind_pair { uint16_t flags, enables; };

/* A 16-bit timer with an input that captures.  timer 0: the chip has no more that the board uses. */
struct kind_capture {
    uint32_t timer;                            /* its digit */
    uint16_t control, flags, count, capture;   /* TCCRnB, TIFRn, TCNTnL, ICRnL */
    uint16_t compare[KIND_COMPARES];           /* OCRnAL and so on; 0: none */
    unsigned vector;
};

/* A pin of the board's three inputs. */
struct kind_input {
    uint32_t port;
    uint8_t bit;
    uint16_t pin;                              /* PINx */
    int capture;                               /* which of the captures it feeds, or -1: an external interrupt */
    unsigned number;                           /* of the external interrupt */
    uint16_t sense;                            /* EICRx, and where the two bits of this interrupt begin in it */
    unsigned sense_shift;
    unsigned vector;
};

/* A pin of the front: PINx; DDRx and PORTx follow it. */
struct kind_pin { uint32_t port; uint8_t bit; uint16_t pin; };

struct kind {
    const char *mcu;                           /* as avr-gcc, libsimavr and the ELF name it */
    unsigned response_cycles;                  /* from acceptance to the vector (data sheet, "Interrupt Response Time"), */
    unsigned wake_cycles;                      /* and so much before it out of sleep (same section) */
    uint16_t sram;
    unsigned eeprom_bytes;
    struct kind_pair pairs[KIND_PAIRS];
    struct kind_capture captures[KIND_CAPTURES];
    struct kind_input inputs[KIND_INPUTS];
    struct kind_pin display[KIND_DISPLAY_PINS]; /* D4 to D7, RS, E */
    struct kind_pin buttons[KIND_BUTTONS];     /* unit, hold, set */
    struct kind_pin alarm;
    unsigned rx_vector, udre_vector, tx_vector, ee_ready_vector;
    const char *vectors[KIND_VECTORS];         /* names, by number; 0 is reset */
};

/* The kind that the ELF says it was built for; NULL, said on stderr, if it is no ELF or none of ours. */
const struct kind *kind_of_elf(const char *path);
#endif
