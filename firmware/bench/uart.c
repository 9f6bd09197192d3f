#include "uart.h"

enum { RXC = 0x80, TXC = 0x40, UDRE = 0x20, FE = 0x10, DOR = 0x08, U2X = 0x02, MPCM = 0x01 };       /* UCSR0A */
enum { RXEN = 0x10, TXEN = 0x08, UCSZ2 = 0x04 };                                                     /* UCSR0B */

unsigned uart_bit_cycles(const struct uart *uart)
{
    const uint8_t *data = uart->chip->avr->data;
    const unsigned divisor = data[CHIP_UBRR0L] | ((data[CHIP_UBRR0H] & 0x0Fu) << 8);
    return (divisor + 1u) * ((data[CHIP_UCSR0A] & U2X) ? 8u : 16u);
}

bool uart_listens(const struct uart *uart)
{
    return (uart->chip->avr->data[CHIP_UCSR0B] & RXEN) != 0;
}

static unsigned frame_bits(const struct uart *uart)
{
    const uint8_t c = uart->chip->avr->data[CHIP_UCSR0C];
    const unsigned data_bits = 5u + ((c >> 1) & 3u);
    return 1u + data_bits + ((c & 0x20u) ? 1u : 0u) + ((c & 0x08u) ? 2u : 1u);
}

static void set_status(struct uart *uart, uint8_t set, uint8_t cleared)
{
    avr_t *avr = uart->chip->avr;
    avr->data[CHIP_UCSR0A] = (uint8_t)((avr->data[CHIP_UCSR0A] & ~cleared) | set);
    avr->run_cycle_count = 1;
}

/* Flag off: also takes back a request that has not been served. */
static void withdraw(struct uart *uart, unsigned vector, uint8_t flag)
{
    avr_clear_interrupt(uart->chip->avr, chip_vector(uart->chip, vector));
    set_status(uart, 0, flag);
}

static avr_cycle_count_t shift_done(avr_t *avr, avr_cycle_count_t when, void *param);

static void start_shifting(struct uart *uart, uint8_t byte, uint64_t cycle)
{
    uart->shifting = true;
    uart->shift_byte = byte;
    uart->shift_start_cycle = cycle;
    uart->shift_end_cycle = cycle + (uint64_t)uart_bit_cycles(uart) * frame_bits(uart);
    chip_at(uart->chip, uart->shift_end_cycle, shift_done, uart);
}

static avr_cycle_count_t shift_done(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr;
    (void)when;
    struct uart *uart = param;
    uart->shifting = false;
    uart->bytes_sent++;
    uart->sent(uart->sent_param, uart->shift_byte, uart->shift_start_cycle, uart_bit_cycles(uart));
    if (uart->buffered) {
        uart->buffered = false;
        start_shifting(uart, uart->buffer_byte, uart->shift_end_cycle);
        set_status(uart, UDRE, 0);
    } else {
        set_status(uart, TXC, 0);
    }
    return 0;
}

static void write_data(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)address;
    struct uart *uart = param;
    if (!(avr->data[CHIP_UCSR0B] & TXEN) || !(avr->data[CHIP_UCSR0A] & UDRE)) {
        uart->writes_ignored++;      /* the data sheet: writes without UDRE are ignored */
        return;
    }
    if (!uart->shifting) {
        start_shifting(uart, value, avr->cycle);
    } else {
        uart->buffered = true;
        uart->buffer_byte = value;
        withdraw(uart, uart->chip->kind->udre_vector, UDRE);
    }
}

static void show_next(struct uart *uart)
{
    if (uart->waiting == 0) {
        withdraw(uart, uart->chip->kind->rx_vector, RXC | FE | DOR);
    } else {
        set_status(uart, RXC | (uart->received[0].framing_error ? FE : 0), uart->received[0].framing_error ? 0 : FE);
    }
}

static uint8_t read_data(avr_t *avr, avr_io_addr_t address, void *param)
{
    (void)address;
    struct uart *uart = param;
    if (uart->waiting == 0) { return avr->data[CHIP_UDR0]; }
    const uint8_t byte = uart->received[0].byte;
    uart->received[0] = uart->received[1];
    uart->received[1] = uart->received[2];
    uart->waiting--;
    set_status(uart, 0, DOR);
    show_next(uart);
    return byte;
}

void uart_receive(struct uart *uart, uint8_t byte, bool framing_error)
{
    if (!uart_listens(uart)) { return; }
    if (uart->waiting == 3) {
        uart->bytes_overrun++;
        set_status(uart, DOR, 0);
        return;
    }
    uart->bytes_received++;
    uart->received[uart->waiting].byte = byte;
    uart->received[uart->waiting].framing_error = framing_error;
    uart->waiting++;
    show_next(uart);
}

static void write_status(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct uart *uart = param;
    const uint8_t writable = U2X | MPCM;
    avr->data[address] = (uint8_t)((avr->data[address] & ~writable) | (value & writable));
    if (value & TXC) { withdraw(uart, uart->chip->kind->tx_vector, TXC); }
}

static void write_control(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct uart *uart = param;
    avr->data[address] = value;
    if (!(value & RXEN)) {
        uart->waiting = 0;
        show_next(uart);
    }
    avr->run_cycle_count = 1;      /* come back after this instruction: a flag may have been waiting for its enable */
}

static void write_plain(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    avr->data[address] = value;
}

static void restart(void *param)
{
    struct uart *uart = param;
    uint8_t *data = uart->chip->avr->data;
    if (uart->shifting) {
        /* the line falls back to rest in the middle of the byte: its remaining bits read one */
        const double bit_cycles = (double)(uart->shift_end_cycle - uart->shift_start_cycle) / 10.0;
        const double gone = (double)(uart->chip->avr->cycle - uart->shift_start_cycle) / bit_cycles;
        const unsigned whole_bits = gone < 1.0 ? 0u : (gone > 9.0 ? 8u : (unsigned)(gone - 1.0));
        uart->sent(uart->sent_param, (uint8_t)(uart->shift_byte | (0xFFu << whole_bits)), uart->shift_start_cycle,
                   bit_cycles);
    }
    uart->shifting = uart->buffered = false;
    uart->waiting = 0;
    data[CHIP_UCSR0A] = UDRE;
    data[CHIP_UCSR0B] = 0;
    data[CHIP_UCSR0C] = 0x06;
    data[CHIP_UBRR0L] = data[CHIP_UBRR0H] = 0;
}

void uart_install(struct uart *uart, struct chip *chip,
                  void (*sent)(void *param, uint8_t byte, uint64_t start_cycle, double bit_cycles), void *param)
{
    uart->chip = chip;
    uart->sent = sent;
    uart->sent_param = param;
    chip_watch_read(chip, CHIP_UDR0, read_data, uart);
    chip_watch_write(chip, CHIP_UDR0, write_data, uart);
    chip_watch_read(chip, CHIP_UCSR0A, NULL, NULL);
    chip_watch_write(chip, CHIP_UCSR0A, write_status, uart);
    chip_watch_write(chip, CHIP_UCSR0B, write_control, uart);
    chip_watch_write(chip, CHIP_UCSR0C, write_plain, uart);
    chip_watch_write(chip, CHIP_UBRR0L, write_plain, uart);
    chip_watch_write(chip, CHIP_UBRR0H, write_plain, uart);
    chip_on_reset(chip, restart, uart);
}
