#define _GNU_SOURCE
#include "kinds.h"

#include <fcntl.h>
#include <gelf.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

/* Data-space addresses from the register summaries, vectors from the interrupt tables of the data sheets (DS40002061 for
 * the ATmega328P, DS40002211 for the ATmega2560); test_harness.py compares them with avr-libc's headers. */
static const struct kind kinds[] = {
    {
        .mcu = "atmega328p", .response_cycles = 4, .wake_cycles = 4, .sram = 0x100, .eeprom_bytes = 1024,
        .pairs = {
            { /* TIFR1 */ 0x36, /* TIMSK1 */ 0x6F }, { /* EIFR */ 0x3C, /* EIMSK */ 0x3D },
            { /* TIFR0 */ 0x35, /* TIMSK0 */ 0x6E }, { /* TIFR2 */ 0x37, /* TIMSK2 */ 0x70 },
            { /* PCIFR */ 0x3B, /* PCICR */ 0x68 }
        },
        .captures = {
            { '1', /* TCCR1B */ 0x81, /* TIFR1 */ 0x36, /* TCNT1L */ 0x84, /* ICR1L */ 0x86,
              { /* OCR1AL */ 0x88, /* OCR1BL */ 0x8A }, /* TIMER1_CAPT */ 10 }
        },
        .inputs = {
            { 'B', 0, /* PINB */ 0x23, 0, 0, 0, 0, /* TIMER1_CAPT */ 10 },
            { 'D', 2, /* PIND */ 0x29, -1, 0, /* EICRA */ 0x69, 0, /* INT0 */ 1 },
            { 'D', 3, /* PIND */ 0x29, -1, 1, /* EICRA */ 0x69, 2, /* INT1 */ 2 }
        },
        .display = {
            { 'D', 4, /* PIND */ 0x29 }, { 'D', 5, /* PIND */ 0x29 }, { 'D', 6, /* PIND */ 0x29 }, { 'D', 7, /* PIND */ 0x29 },
            { 'C', 0, /* PINC */ 0x26 }, { 'C', 1, /* PINC */ 0x26 }
        },
        .buttons = { { 'B', 1, /* PINB */ 0x23 }, { 'B', 2, /* PINB */ 0x23 }, { 'B', 3, /* PINB */ 0x23 } },
        .alarm = { 'B', 4, /* PINB */ 0x23 },
        .rx_vector = 18, .udre_vector = 19, .tx_vector = 20, .ee_ready_vector = 22,
        .vectors = {
            "RESET", "INT0", "INT1", "PCINT0", "PCINT1", "PCINT2", "WDT", "TIMER2_COMPA", "TIMER2_COMPB", "TIMER2_OVF",
            "TIMER1_CAPT", "TIMER1_COMPA", "TIMER1_COMPB", "TIMER1_OVF", "TIMER0_COMPA", "TIMER0_COMPB", "TIMER0_OVF",
            "SPI_STC", "USART_RX", "USART_UDRE", "USART_TX", "ADC", "EE_READY", "ANALOG_COMP", "TWI", "SPM_READY"
        }
    },
    {
        .mcu = "atmega2560", .response_cycles = 5, .wake_cycles = 5, .sram = 0x200, .eeprom_bytes = 4096,
        .pairs = {
            { /* TIFR5 */ 0x3A, /* TIMSK5 */ 0x73 }, { /* TIFR4 */ 0x39, /* TIMSK4 */ 0x72 },
            { /* EIFR */ 0x3C, /* EIMSK */ 0x3D }, { /* TIFR0 */ 0x35, /* TIMSK0 */ 0x6E },
            { /* TIFR1 */ 0x36, /* TIMSK1 */ 0x6F }, { /* TIFR2 */ 0x37, /* TIMSK2 */ 0x70 },
            { /* TIFR3 */ 0x38, /* TIMSK3 */ 0x71 }, { /* PCIFR */ 0x3B, /* PCICR */ 0x68 }
        },
        .captures = {
            { '4', /* TCCR4B */ 0xA1, /* TIFR4 */ 0x39, /* TCNT4L */ 0xA4, /* ICR4L */ 0xA6,
              { /* OCR4AL */ 0xA8, /* OCR4BL */ 0xAA, /* OCR4CL */ 0xAC }, /* TIMER4_CAPT */ 41 },
            { '5', /* TCCR5B */ 0x121, /* TIFR5 */ 0x3A, /* TCNT5L */ 0x124, /* ICR5L */ 0x126,
              { /* OCR5AL */ 0x128, /* OCR5BL */ 0x12A, /* OCR5CL */ 0x12C }, /* TIMER5_CAPT */ 46 }
        },
        .inputs = {
            { 'L', 0, /* PINL */ 0x109, 0, 0, 0, 0, /* TIMER4_CAPT */ 41 },
            { 'L', 1, /* PINL */ 0x109, 1, 0, 0, 0, /* TIMER5_CAPT */ 46 },
            { 'E', 5, /* PINE */ 0x2C, -1, 5, /* EICRB */ 0x6A, 2, /* INT5 */ 6 }
        },
        .display = {
            { 'G', 5, /* PING */ 0x32 }, { 'E', 3, /* PINE */ 0x2C }, { 'H', 3, /* PINH */ 0x100 }, { 'H', 4, /* PINH */ 0x100 },
            { 'F', 0, /* PINF */ 0x2F }, { 'F', 1, /* PINF */ 0x2F }
        },
        .buttons = { { 'H', 6, /* PINH */ 0x100 }, { 'B', 4, /* PINB */ 0x23 }, { 'B', 5, /* PINB */ 0x23 } },
        .alarm = { 'B', 6, /* PINB */ 0x23 },
        .rx_vector = 25, .udre_vector = 26, .tx_vector = 27, .ee_ready_vector = 30,
        .vectors = {
            "RESET", "INT0", "INT1", "INT2", "INT3", "INT4", "INT5", "INT6", "INT7", "PCINT0", "PCINT1", "PCINT2", "WDT",
            "TIMER2_COMPA", "TIMER2_COMPB", "TIMER2_OVF", "TIMER1_CAPT", "TIMER1_COMPA", "TIMER1_COMPB", "TIMER1_COMPC",
            "TIMER1_OVF", "TIMER0_COMPA", "TIMER0_COMPB", "TIMER0_OVF", "SPI_STC", "USART0_RX", "USART0_UDRE",
            "USART0_TX", "ANALOG_COMP", "ADC", "EE_READY", "TIMER3_CAPT", "TIMER3_COMPA", "TIMER3_COMPB",
            "TIMER3_COMPC", "TIMER3_OVF", "USART1_RX", "USART1_UDRE", "USART1_TX", "TWI", "SPM_READY", "TIMER4_CAPT",
            "TIMER4_COMPA", "TIMER4_COMPB", "TIMER4_COMPC", "TIMER4_OVF", "TIMER5_CAPT", "TIMER5_COMPA",
            "TIMER5_COMPB", "TIMER5_COMPC", "TIMER5_OVF", "USART2_RX", "USART2_UDRE", "USART2_TX", "USART3_RX",
            "USART3_UDRE", "USART3_TX"
        }
    }
};

/* avr-libc's start code leaves a note in each ELF that names the chip. */
static const struct kind *kind_in_note(Elf *elf)
{
    size_t names;
    if (elf_getshdrstrndx(elf, &names) != 0) { return NULL; }
    for (Elf_Scn *section = elf_nextscn(elf, NULL); section != NULL; section = elf_nextscn(elf, section)) {
        GElf_Shdr header;
        if (gelf_getshdr(section, &header) == NULL) { continue; }
        const char *name = elf_strptr(elf, names, header.sh_name);
        if (name == NULL || strcmp(name, ".note.gnu.avr.deviceinfo") != 0) { continue; }
        const Elf_Data *data = elf_rawdata(section, NULL);
        for (unsigned n = 0; data != NULL && n < sizeof kinds / sizeof kinds[0]; n++) {
            if (memmem(data->d_buf, data->d_size, kinds[n].mcu, strlen(kinds[n].mcu) + 1) != NULL) { return &kinds[n]; }
        }
    }
    return NULL;
}

const struct kind *kind_of_elf(const char *path)
{
    const struct kind *kind = NULL;
    Elf *elf = NULL;
    elf_version(EV_CURRENT);
    const int file = open(path, O_RDONLY | O_CLOEXEC);
    if (file >= 0) { elf = elf_begin(file, ELF_C_READ, NULL); }
    if (elf == NULL || elf_kind(elf) != ELF_K_ELF) {
        fprintf(stderr, "board: %s: not an AVR program in ELF form; build the firmware first (make in firmware/)\n", path);
    } else {
        kind = kind_in_note(elf);
        if (kind == NULL) {
            fprintf(stderr, "board: %s: was not built for a chip that the emulated board knows:", path);
            for (unsigned n = 0; n < sizeof kinds / sizeof kinds[0]; n++) { fprintf(stderr, " %s", kinds[n].mcu); }
            fputs("\n", stderr);
        }
    }
    if (elf != NULL) { elf_end(elf); }
    if (file >= 0) { close(file); }
    return kind;
}
