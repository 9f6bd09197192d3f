/* What has the board counted and measured? */
#ifndef BENCH_REPORT_H
#define BENCH_REPORT_H

#include <stdio.h>

#include "board.h"

/* One JSON object on one line; README.md says what the numbers mean. */
void report_write_json(const struct board *board, FILE *out);
#endif
