/* What makes up the emulated board? */
#ifndef BENCH_BOARD_H
#define BENCH_BOARD_H

#include "chip.h"
#include "counter.h"
#include "edges.h"
#include "eeprom.h"
#include "line.h"
#include "pace.h"
#include "panel.h"
#include "pins.h"
#include "pty.h"
#include "uart.h"

struct board {
    struct chip chip;
    struct counter counters[KIND_CAPTURES];
    struct pins pins;
    struct uart uart;
    struct line line;
    struct pty pty;
    struct eeprom eeprom;
    struct edges edges;
    struct pace pace;
    struct panel panel;
    uint64_t stop_cycle;
    bool reset_on_open;            /* a host that opens the port pulls the reset line, as common boards wire it */
    bool stopped;
};
#endif
