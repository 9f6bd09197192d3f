/* Which edge comes next, from a file, a live stream or a command, and which really happened? */
#ifndef BENCH_EDGES_H
#define BENCH_EDGES_H

#include <stdio.h>

#include "edge_queue.h"
#include "pace.h"
#include "pins.h"

struct edges {
    struct chip *chip;
    struct pins *pins;
    struct pace *pace;
    struct edge_queue live;          /* from the stream and from commands */
    FILE *file;                      /* a recorded train of edges, in order */
    bool file_binary, file_has_next;
    uint64_t file_offset_cycle, file_line;
    struct edge file_next;
    int stream;                      /* a live train: descriptor, or -1 */
    char stream_line[256];
    size_t stream_used;
    uint64_t latest_cycle;           /* of the edges injected: none may come before it any more */
    uint64_t told_until_cycle;       /* the stream has said everything up to here */
    FILE *truth;
    bool truth_binary;
    uint64_t injected[PINS], ignored, late, bad_lines;
};

void edges_install(struct edges *edges, struct chip *chip, struct pins *pins, struct pace *pace);
bool edges_write_truth(struct edges *edges, const char *path);
/* Plays a file from the given cycle on; a FIFO or "-" (standard input) is a live stream of absolute cycles. */
bool edges_play(struct edges *edges, const char *path, uint64_t offset_cycle);
bool edges_playing(const struct edges *edges);
bool edges_add(struct edges *edges, uint64_t cycle, unsigned input, bool level);
/* Reads what the live stream has; parses WHEN: a cycle, "+CYCLES" from now or "SECONDSs" of true time. */
void edges_read_stream(struct edges *edges);
bool edges_parse_when(const struct edges *edges, const char *text, uint64_t *cycle);
/* The board may not run past this cycle before the stream has said more. */
uint64_t edges_horizon_cycle(const struct edges *edges);
void edges_close(struct edges *edges);
#endif
