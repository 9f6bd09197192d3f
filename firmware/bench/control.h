/* Where do commands come from while the board runs?
 *
 * One command a line; one answer a line: "ok ..." or "error: ...".  Lines that begin with "event" come unasked.
 * README.md lists the commands. */
#ifndef BENCH_CONTROL_H
#define BENCH_CONTROL_H

#include "board.h"

struct control {
    int input;                     /* -1: none */
    char line[4096];
    size_t used;
};

/* "-" is standard input, "none" nothing, else a FIFO to read from.  Answers go to standard output. */
bool control_open(struct control *control, const char *path);
void control_read(struct control *control, struct board *board);
void control_event(const char *format, ...) __attribute__((format(printf, 1, 2)));
#endif
