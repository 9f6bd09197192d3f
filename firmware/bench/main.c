/* The emulated board: runs the flashed program with its serial port on a pseudo-terminal. */
#define _GNU_SOURCE
#include <getopt.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "board.h"
#include "control.h"

enum { SLICE_CYCLES = CHIP_HZ / 1000 };      /* between two looks at port, edges and commands */
#define SHORTEST_WAIT_S 0.0002               /* waking more often costs processor time and nobody would notice */
#define BUSY_WAIT_S 0.0005                   /* while the program does not sleep */
#define LONGEST_WAIT_S 0.02

static const char usage[] =
    "usage: board --elf FILE [options]\n"
    "  --elf FILE           the program, as it is flashed\n"
    "  --pty LINK           a name for the serial port that stays when the port changes\n"
    "  --edges FILE|FIFO|-  edges to inject: lines CYCLE INPUT LEVEL, or the binary form\n"
    "  --truth FILE         edges as really injected; FILE.bin for the binary form\n"
    "  --eeprom FILE        keeps the EEPROM\n"
    "  --cut-at-eeprom-write N[:old|erased|half|new]   the supply fails during the Nth byte written\n"
    "  --ppm X              the board's clock is off by so much\n"
    "  --speed realtime|max|N   N times real time; default: realtime\n"
    "  --clock FILE         tells the seconds the board has reached: a double, in native byte order\n"
    "  --boot-loader-ms N   an old boot loader keeps the processor so long after each reset, watchdog running\n"
    "  --reset-on-open      a host that opens the port resets the board\n"
    "  --watch-blocked      also measure how long the main line keeps interrupts off (slower)\n"
    "  --stop-at SECONDS    of board time at nominal frequency\n"
    "  --control -|FIFO|none   where commands come from; default: standard input\n"
    "Example: board --elf ../avr/build/atmega328p.elf --pty /tmp/kerfbeat-board\n";

static struct board board;
static struct control control;

static void on_signal(int number)
{
    (void)number;
    board.stopped = true;
}

struct options {
    const char *elf, *edges, *truth, *eeprom, *control, *clock;
    double ppm, factor;
};

static bool parse_cut(const char *text)
{
    char *end;
    board.eeprom.cut_at_write = strtoull(text, &end, 10);
    static const char *const torn[] = { ":old", ":erased", ":half", ":new" };
    if (*end == '\0') { return true; }
    for (unsigned n = 0; n < 4; n++) {
        if (strcmp(end, torn[n]) == 0) {
            board.eeprom.torn = (enum eeprom_torn)n;
            return true;
        }
    }
    return false;
}

static bool parse_options(int count, char **words, struct options *options)
{
    static const struct option known[] = {
        { "elf", required_argument, NULL, 'e' }, { "pty", required_argument, NULL, 'p' },
        { "edges", required_argument, NULL, 'i' }, { "truth", required_argument, NULL, 't' },
        { "eeprom", required_argument, NULL, 'm' }, { "cut-at-eeprom-write", required_argument, NULL, 'c' },
        { "ppm", required_argument, NULL, 'x' }, { "speed", required_argument, NULL, 's' },
        { "boot-loader-ms", required_argument, NULL, 'b' }, { "reset-on-open", no_argument, NULL, 'r' },
        { "watch-blocked", no_argument, NULL, 'w' }, { "stop-at", required_argument, NULL, 'u' },
        { "control", required_argument, NULL, 'k' }, { "clock", required_argument, NULL, 'l' },
        { "help", no_argument, NULL, 'h' }, { NULL, 0, NULL, 0 }
    };
    board.stop_cycle = UINT64_MAX;
    int option;
    while ((option = getopt_long(count, words, "", known, NULL)) != -1) {
        switch (option) {
        case 'e': options->elf = optarg; break;
        case 'p': board.pty.link = optarg; break;
        case 'i': options->edges = optarg; break;
        case 't': options->truth = optarg; break;
        case 'm': options->eeprom = optarg; break;
        case 'x': options->ppm = atof(optarg); break;
        case 'b': board.chip.boot_cycles = strtoull(optarg, NULL, 10) * (CHIP_HZ / 1000u); break;
        case 'r': board.reset_on_open = true; break;
        case 'w': board.chip.one_at_a_time = true; break;
        case 'u': board.stop_cycle = (uint64_t)(atof(optarg) * CHIP_HZ); break;
        case 'k': options->control = optarg; break;
        case 'l': options->clock = optarg; break;
        case 'h': fputs(usage, stdout); exit(0);
        case 's':
            if (!pace_parse_speed(optarg, &options->factor)) { return false; }
            break;
        case 'c':
            if (!parse_cut(optarg)) { return false; }
            break;
        default: return false;
        }
    }
    return options->elf != NULL && optind == count;
}

static bool assemble(const struct options *options)
{
    if (!chip_open(&board.chip, options->elf)) { return false; }
    pace_start(&board.pace, options->factor, options->ppm);
    if (options->clock != NULL && !pace_show(&board.pace, options->clock)) { return false; }
    if (!counters_install(board.counters, &board.chip)) { return false; }
    panel_install(&board.panel, &board.chip);
    pins_install(&board.pins, &board.chip, board.counters);
    uart_install(&board.uart, &board.chip, line_board_sent, &board.line);
    line_install(&board.line, &board.chip, &board.uart, pty_byte, &board.pty);
    edges_install(&board.edges, &board.chip, &board.pins, &board.pace);
    if (!eeprom_install(&board.eeprom, &board.chip, options->eeprom)) { return false; }
    board.pty.master = -1;
    board.pty.lossy = options->factor == 1.0;
    if (!pty_plug(&board.pty)) { return false; }
    if (options->truth != NULL && !edges_write_truth(&board.edges, options->truth)) { return false; }
    chip_reset(&board.chip, CHIP_RESET_POWER);
    if (options->edges != NULL && !edges_play(&board.edges, options->edges, 0)) {
        fprintf(stderr, "board: %s: cannot read the edges\n", options->edges);
        return false;
    }
    const bool edges_on_stdin = options->edges != NULL && strcmp(options->edges, "-") == 0;
    return control_open(&control, edges_on_stdin ? "none" : options->control);
}

static void serve_port(void)
{
    const bool was_held = board.pty.held;
    if (pty_look(&board.pty, pace_clock_s()) && board.reset_on_open) { chip_reset(&board.chip, CHIP_RESET_PIN); }
    if (was_held && !board.pty.held) { line_host_gone(&board.line); }
    line_rest(&board.line);
    if (!board.pty.open) { return; }
    board.line.host_baud = pty_baud(&board.pty);
    board.line.board_hz = board.pace.board_hz;
    uint8_t bytes[512];
    const unsigned room = line_room(&board.line);
    const size_t count = pty_read(&board.pty, bytes, room < sizeof bytes ? room : sizeof bytes);
    if (count > 0) {
        /* a board that is behind its pace must not hear a byte before it was sent, or no clock could be measured */
        const uint64_t now = board.chip.avr->cycle;
        const uint64_t due = pace_cycle_at(&board.pace, pace_now_s(&board.pace, now));
        line_host_sent(&board.line, bytes, (unsigned)count, due > now ? due : now);
    }
    pty_flush(&board.pty);
}

/* How far the board may run before the next look around. */
static uint64_t next_target(void)
{
    const uint64_t now = board.chip.avr->cycle;
    uint64_t target = now + SLICE_CYCLES;
    if (board.pace.factor > 0.0) {
        const uint64_t due = pace_cycle_at(&board.pace, pace_now_s(&board.pace, now));
        if (due < target) { target = due; }
    }
    if (board.pace.factor != 1.0) {
        const uint64_t horizon = edges_horizon_cycle(&board.edges);
        if (horizon < target) { target = horizon; }
    }
    if (board.stop_cycle < target) { target = board.stop_cycle; }
    if (pty_must_wait(&board.pty)) { target = now; }
    return target;
}

static double wait_s(void)
{
    const avr_t *avr = board.chip.avr;
    if (board.pace.factor == 0.0) { return LONGEST_WAIT_S; }
    double wait = BUSY_WAIT_S;
    if (board.chip.off || avr->state == cpu_Sleeping) {
        const avr_cycle_timer_slot_p next = avr->cycle_timers.timer;
        wait = next != NULL ? pace_ahead_s(&board.pace, next->when) : LONGEST_WAIT_S;
    }
    const double longest = board.pace.factor == 1.0 ? LONGEST_WAIT_S : BUSY_WAIT_S;      /* its clock must not stand */
    if (wait < SHORTEST_WAIT_S) { wait = SHORTEST_WAIT_S; }
    return wait > longest ? longest : wait;
}

static void wait_for_something(void)
{
    struct pollfd look[3];
    nfds_t count = 0;
    double wait = wait_s();
    if (control.input >= 0) { look[count++] = (struct pollfd){ .fd = control.input, .events = POLLIN }; }
    if (board.edges.stream >= 0) { look[count++] = (struct pollfd){ .fd = board.edges.stream, .events = POLLIN }; }
    if (board.pty.master >= 0 && board.pty.open) {
        short events = line_room(&board.line) > 0 ? POLLIN : 0;
        if (board.pty.used > 0) { events |= POLLOUT; }
        look[count++] = (struct pollfd){ .fd = board.pty.master, .events = events };
    } else if (wait > 0.005) {
        wait = 0.005;                        /* nothing tells us that a host opens the port */
    }
    const struct timespec limit = { .tv_nsec = (long)(wait * 1e9) };
    ppoll(look, count, &limit, NULL);
}

static void run(void)
{
    unsigned watchdog_resets = 0;
    while (!board.stopped && board.chip.avr->cycle < board.stop_cycle) {
        const uint64_t before = board.chip.avr->cycle;
        const uint64_t target = next_target();
        if (target > before) { chip_run_until(&board.chip, target); }
        pace_reached(&board.pace, board.chip.avr->cycle);
        if (board.eeprom.cut) {
            board.eeprom.cut = false;
            chip_power_off(&board.chip);
            eeprom_save(&board.eeprom);
            control_event("cut %llu", (unsigned long long)board.eeprom.writes);
        }
        if (board.chip.resets_watchdog != watchdog_resets) {
            watchdog_resets = board.chip.resets_watchdog;
            control_event("watchdog %llu", (unsigned long long)board.chip.avr->cycle);
        }
        if (board.chip.avr->state == cpu_Crashed) {
            control_event("crashed %llu", (unsigned long long)board.chip.avr->cycle);
            board.stopped = true;
        }
        serve_port();
        edges_read_stream(&board.edges);
        control_read(&control, &board);
        if (!board.stopped && (target <= before || (board.pace.factor > 0.0 && target < before + SLICE_CYCLES))) {
            wait_for_something();
        }
    }
}

int main(int count, char **words)
{
    struct options options = { .control = "-", .factor = 1.0 };
    if (!parse_options(count, words, &options)) {
        fputs(usage, stderr);
        return 2;
    }
    signal(SIGINT, on_signal);
    signal(SIGTERM, on_signal);
    if (!assemble(&options)) { return 1; }
    printf("ready %s\n", board.pty.path);
    fflush(stdout);
    run();
    const bool crashed = board.chip.avr->state == cpu_Crashed;
    pty_flush(&board.pty);
    const bool saved = eeprom_save(&board.eeprom);
    edges_close(&board.edges);
    pty_unplug(&board.pty);
    chip_close(&board.chip);
    return crashed || !saved ? 1 : 0;
}
