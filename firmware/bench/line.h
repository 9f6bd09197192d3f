/* What arrives at the other end of the serial line, and when, if both ends have their own baud? */
#ifndef BENCH_LINE_H
#define BENCH_LINE_H

#include "uart.h"

#define LINE_QUEUE 4096u

/* A receiver that samples a waveform in the middle of its own bits. */
struct sampler {
    double bit_cycles;               /* its own */
    double search_cycle;             /* looks for the next falling edge from here */
    bool busy;
    double edge_cycle;               /* where the start bit began */
    unsigned samples, bits;
    void (*emit)(void *param, uint8_t byte, bool framing_error, double cycle);
    void *param;
};

struct line {
    struct chip *chip;
    struct uart *uart;
    unsigned host_baud;              /* what the host set; 0: unknown, taken as equal to the board's */
    double board_hz;                 /* true clock of the board, for the length of the host's bits in board cycles */
    uint8_t from_host[LINE_QUEUE];   /* written by the host, waiting for the line */
    unsigned head, used;
    bool sending;                    /* a byte from the host is on the line */
    uint64_t send_start_cycle, send_end_cycle;
    struct sampler host_hears, board_hears;
    void (*to_host)(void *param, uint8_t byte);
    void *to_host_param;
    uint64_t garbled_to_host, garbled_to_board;      /* bytes that met a receiver at another baud */
};

void line_install(struct line *line, struct chip *chip, struct uart *uart,
                  void (*to_host)(void *param, uint8_t byte), void *param);

/* The uart's `sent` callback; `param` is the line. */
void line_board_sent(void *param, uint8_t byte, uint64_t start_cycle, double bit_cycles);

/* Where a receiver at another baud is in the middle of a byte: the line has rested since, so it hears the end. */
void line_rest(struct line *line);

unsigned line_room(const struct line *line);
/* The host wrote these bytes; the line carries them from `cycle` on, or when it is free. */
void line_host_sent(struct line *line, const uint8_t *bytes, unsigned count, uint64_t cycle);
/* The host has gone: what it wrote and the line has not carried is gone too. */
void line_host_gone(struct line *line);
#endif
