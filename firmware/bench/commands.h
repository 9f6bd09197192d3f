/* What does each command do, and what does it answer? */
#ifndef BENCH_COMMANDS_H
#define BENCH_COMMANDS_H

#include "board.h"

/* Obeys one line and answers on standard output: "ok ..." or "error: ...".  The line is taken apart. */
void commands_obey(struct board *board, char *line);
#endif
