#include "line.h"

#include <math.h>

enum { FRAME_BITS = 10 };                     /* start, eight data, stop: the only form either side uses */
#define TOLERANCE 0.03                        /* of the bit: an 8N1 receiver copes with about 4.5 % in all */

static const int RESTING = 0x1FF;             /* "a byte" whose start bit is high too */

static bool level_in_frame(int byte, double into_bits)
{
    if (byte == RESTING || into_bits < 0.0 || into_bits >= 9.0) { return true; }
    const int bit = (int)into_bits;
    return bit > 0 && ((byte >> (bit - 1)) & 1);
}

/* Takes the samples that fall before `end`, while `byte` is on the line from `start`. */
static void take_samples(struct sampler *s, int byte, double start, double sender_bit, double end)
{
    while (s->busy) {
        const double at = s->edge_cycle + (s->samples + 0.5) * s->bit_cycles;
        if (at >= end) { return; }
        const bool level = level_in_frame(byte, (at - start) / sender_bit);
        if (s->samples == 0 && level) {
            s->busy = false;                  /* too short for a start bit */
        } else if (s->samples == FRAME_BITS - 1) {
            s->busy = false;
            s->emit(s->param, (uint8_t)(s->bits >> 1), !level, at);
        } else {
            s->bits |= (unsigned)level << s->samples;
            s->samples++;
        }
        s->search_cycle = at;
    }
}

static void hear_frame(struct sampler *s, uint8_t byte, double start, double sender_bit)
{
    const double end = start + FRAME_BITS * sender_bit;
    take_samples(s, RESTING, start, sender_bit, start);
    take_samples(s, byte, start, sender_bit, end);
    bool before = true;
    for (int bit = 0; bit < FRAME_BITS && !s->busy; bit++) {
        const double edge = start + bit * sender_bit;
        const bool level = level_in_frame(byte, bit + 0.5);
        if (before && !level && edge >= s->search_cycle) {
            s->busy = true;
            s->edge_cycle = edge;
            s->samples = 0;
            s->bits = 0;
            take_samples(s, byte, start, sender_bit, end);
            if (!s->busy) {                   /* a whole frame of the faster receiver fitted in: look on behind it */
                bit = (int)floor((s->search_cycle - start) / sender_bit);
                before = level_in_frame(byte, bit + 0.5);
                continue;
            }
        }
        before = level;
    }
}

static bool same_baud(double one, double other)
{
    return fabs(one / other - 1.0) <= TOLERANCE;
}

static double host_bit_cycles(const struct line *line)
{
    return line->host_baud == 0 ? uart_bit_cycles(line->uart) : line->board_hz / line->host_baud;
}

static void host_hears_byte(void *param, uint8_t byte, bool framing_error, double cycle)
{
    (void)framing_error;                      /* a terminal passes the byte on unless told otherwise */
    (void)cycle;
    struct line *line = param;
    line->to_host(line->to_host_param, byte);
}

static void board_hears_byte(void *param, uint8_t byte, bool framing_error, double cycle)
{
    (void)cycle;
    uart_receive(((struct line *)param)->uart, byte, framing_error);
}

void line_board_sent(void *param, uint8_t byte, uint64_t start_cycle, double bit_cycles)
{
    struct line *line = param;
    if (same_baud(host_bit_cycles(line), bit_cycles)) {
        line->host_hears.busy = false;
        line->to_host(line->to_host_param, byte);
        return;
    }
    line->garbled_to_host++;
    line->host_hears.bit_cycles = host_bit_cycles(line);
    hear_frame(&line->host_hears, byte, (double)start_cycle, bit_cycles);
}

static avr_cycle_count_t host_byte_done(avr_t *avr, avr_cycle_count_t when, void *param);

/* The board has a byte half a bit before the host has sent all of it: in the middle of the stop bit. */
static void start_next(struct line *line, uint64_t earliest_cycle)
{
    if (line->used == 0) { return; }
    line->sending = true;
    line->send_start_cycle = earliest_cycle;
    line->send_end_cycle = earliest_cycle + (uint64_t)llround((FRAME_BITS - 0.5) * host_bit_cycles(line));
    chip_at(line->chip, line->send_end_cycle, host_byte_done, line);
}

static avr_cycle_count_t host_byte_done(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr;
    (void)when;
    struct line *line = param;
    const uint8_t byte = line->from_host[line->head];
    line->head = (line->head + 1u) % LINE_QUEUE;
    line->used--;
    line->sending = false;
    const double board_bit = uart_bit_cycles(line->uart);
    if (same_baud(host_bit_cycles(line), board_bit)) {
        line->board_hears.busy = false;
        uart_receive(line->uart, byte, false);
    } else {
        line->garbled_to_board++;
        line->board_hears.bit_cycles = board_bit;
        hear_frame(&line->board_hears, byte, (double)line->send_start_cycle, host_bit_cycles(line));
    }
    start_next(line, line->send_end_cycle + (uint64_t)llround(0.5 * host_bit_cycles(line)));
    return 0;
}

void line_rest(struct line *line)
{
    const struct uart *uart = line->uart;
    const double now = (double)line->chip->avr->cycle;
    const double board_rests_until = uart->shifting ? (double)uart->shift_start_cycle : now;
    const double host_rests_until = line->sending ? (double)line->send_start_cycle : now;
    take_samples(&line->host_hears, RESTING, 0.0, 1.0, board_rests_until);
    take_samples(&line->board_hears, RESTING, 0.0, 1.0, host_rests_until);
}

unsigned line_room(const struct line *line)
{
    return LINE_QUEUE - line->used;
}

void line_host_sent(struct line *line, const uint8_t *bytes, unsigned count, uint64_t cycle)
{
    for (unsigned n = 0; n < count && line->used < LINE_QUEUE; n++) {
        line->from_host[(line->head + line->used) % LINE_QUEUE] = bytes[n];
        line->used++;
    }
    if (!line->sending) {
        const uint64_t rest_cycle = line->send_end_cycle + (uint64_t)llround(0.5 * host_bit_cycles(line));
        start_next(line, cycle > rest_cycle ? cycle : rest_cycle);
    }
}

void line_host_gone(struct line *line)
{
    avr_cycle_timer_cancel(line->chip->avr, host_byte_done, line);
    line->used = 0;
    line->sending = false;
}

static void restart(void *param)
{
    struct line *line = param;
    if (line->sending) { chip_at(line->chip, line->send_end_cycle, host_byte_done, line); }
}

void line_install(struct line *line, struct chip *chip, struct uart *uart,
                  void (*to_host)(void *param, uint8_t byte), void *param)
{
    line->chip = chip;
    line->uart = uart;
    line->board_hz = CHIP_HZ;
    line->to_host = to_host;
    line->to_host_param = param;
    line->host_hears.emit = host_hears_byte;
    line->board_hears.emit = board_hears_byte;
    line->host_hears.param = line->board_hears.param = line;
    chip_on_reset(chip, restart, line);
}
