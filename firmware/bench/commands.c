#define _GNU_SOURCE
#include "commands.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "report.h"

enum { WORDS = 5 };

static void answer(const char *format, ...) __attribute__((format(printf, 1, 2)));
static void answer(const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    vprintf(format, arguments);
    va_end(arguments);
    putchar('\n');
    fflush(stdout);
}

static unsigned long long ull(uint64_t number)
{
    return number;
}

static void do_cycle(struct board *board, char **word)
{
    (void)word;
    answer("ok %llu", ull(board->chip.avr->cycle));
}

static void do_edge(struct board *board, char **word)
{
    uint64_t cycle;
    const bool level = strcmp(word[3], "1") == 0;
    if (!edges_parse_when(&board->edges, word[1], &cycle) || (!level && strcmp(word[3], "0") != 0)
        || !edges_add(&board->edges, cycle, (unsigned)atoi(word[2]), level)) {
        answer("error: write edge WHEN INPUT LEVEL, such as edge +1600 1 0");
        return;
    }
    answer("ok %llu", ull(cycle));
}

static void do_pulse(struct board *board, char **word)
{
    uint64_t cycle;
    const unsigned input = (unsigned)atoi(word[2]);
    const uint64_t width_cycles = strtoull(word[3], NULL, 10);
    if (!edges_parse_when(&board->edges, word[1], &cycle) || width_cycles == 0
        || !edges_add(&board->edges, cycle, input, false)
        || !edges_add(&board->edges, cycle + width_cycles, input, true)) {
        answer("error: write pulse WHEN INPUT WIDTH, such as pulse +1600 1 800");
        return;
    }
    answer("ok %llu", ull(cycle));
}

static void do_play(struct board *board, char **word)
{
    uint64_t cycle;
    if (!edges_parse_when(&board->edges, word[2], &cycle)) {
        answer("error: write play FILE WHEN, such as play edges.txt +16000");
    } else if (edges_playing(&board->edges)) {
        answer("error: edges are still being played; ask \"playing\" and wait for 0");
    } else if (!edges_play(&board->edges, word[1], cycle)) {
        answer("error: %s: cannot read the edges: %s", word[1], strerror(errno));
    } else {
        answer("ok %llu", ull(cycle));
    }
}

static void do_playing(struct board *board, char **word)
{
    (void)word;
    answer("ok %d", edges_playing(&board->edges) ? 1 : 0);
}

static void do_reset(struct board *board, char **word)
{
    (void)word;
    chip_reset(&board->chip, CHIP_RESET_PIN);
    answer("ok %llu", ull(board->chip.avr->cycle));
}

static void do_dip(struct board *board, char **word)
{
    (void)word;
    chip_reset(&board->chip, CHIP_RESET_DIP);
    answer("ok %llu", ull(board->chip.avr->cycle));
}

static void do_hang(struct board *board, char **word)
{
    (void)word;
    board->chip.hung = true;
    board->chip.hung_depth = -1;
    answer("ok %llu", ull(board->chip.avr->cycle));
}

static void do_power(struct board *board, char **word)
{
    if (strcmp(word[1], "off") == 0) {
        chip_power_off(&board->chip);
        eeprom_save(&board->eeprom);
    } else if (strcmp(word[1], "on") == 0) {
        if (board->chip.off) { chip_reset(&board->chip, CHIP_RESET_POWER); }
    } else {
        answer("error: write power off or power on");
        return;
    }
    answer("ok %llu", ull(board->chip.avr->cycle));
}

static void do_unplug(struct board *board, char **word)
{
    (void)word;
    pty_unplug(&board->pty);
    line_host_gone(&board->line);
    answer("ok");
}

static void do_plug(struct board *board, char **word)
{
    (void)word;
    if (board->pty.master >= 0) {
        answer("error: the port is plugged in; unplug it first");
    } else if (!pty_plug(&board->pty)) {
        answer("error: no pseudo-terminal could be had");
    } else {
        answer("ok %s", board->pty.path);
    }
}

static void do_supply(struct board *board, char **word)
{
    const int millivolts = atoi(word[1]);
    if (millivolts < 1800 || millivolts > 5500) {
        answer("error: the supply is 1800 to 5500 millivolts");
        return;
    }
    board->chip.avr->vcc = board->chip.avr->avcc = board->chip.avr->aref = (uint32_t)millivolts;
    answer("ok");
}

static void do_ppm(struct board *board, char **word)
{
    char *end;
    const double ppm = strtod(word[1], &end);
    if (*end != '\0' || end == word[1]) {
        answer("error: write ppm NUMBER, such as ppm -3500");
        return;
    }
    pace_set_ppm(&board->pace, board->chip.avr->cycle, ppm);
    answer("ok");
}

static void do_speed(struct board *board, char **word)
{
    double factor;
    if (!pace_parse_speed(word[1], &factor)) {
        answer("error: write speed realtime, speed max or speed NUMBER, such as speed 5");
        return;
    }
    pace_set_speed(&board->pace, board->chip.avr->cycle, factor);
    board->pty.lossy = factor == 1.0;
    answer("ok");
}

static bool parse_hex(const char *text, uint8_t *bytes, size_t room, size_t *count)
{
    const size_t length = strlen(text);
    if (length % 2 != 0 || length / 2 > room) { return false; }
    for (size_t n = 0; n < length / 2; n++) {
        char pair[3] = { text[2 * n], text[2 * n + 1], '\0' };
        char *end;
        bytes[n] = (uint8_t)strtoul(pair, &end, 16);
        if (*end != '\0') { return false; }
    }
    *count = length / 2;
    return true;
}

static void do_noise(struct board *board, char **word)
{
    uint8_t bytes[1024];
    size_t count = 0;
    const bool to_host = strcmp(word[1], "host") == 0;
    if ((!to_host && strcmp(word[1], "board") != 0) || !parse_hex(word[2], bytes, sizeof bytes, &count)) {
        answer("error: write noise host HEX or noise board HEX");
        return;
    }
    if (to_host) {
        for (size_t n = 0; n < count; n++) { pty_byte(&board->pty, bytes[n]); }
    } else {
        line_host_sent(&board->line, bytes, (unsigned)count, board->chip.avr->cycle);
    }
    answer("ok %zu", count);
}

static void do_eeprom(struct board *board, char **word)
{
    if (word[1] != NULL) {
        const unsigned long address = strtoul(word[1], NULL, 0);
        size_t count = 0;
        if (word[2] == NULL || address >= board->eeprom.size_bytes
            || !parse_hex(word[2], board->eeprom.bytes + address, board->eeprom.size_bytes - address, &count)) {
            answer("error: write eeprom, or eeprom ADDRESS HEX");
            return;
        }
        board->eeprom.changed = true;
        answer("ok %zu", count);
        return;
    }
    fputs("ok ", stdout);
    for (unsigned n = 0; n < board->eeprom.size_bytes; n++) { printf("%02x", board->eeprom.bytes[n]); }
    answer("%s", "");
}

static void do_cut(struct board *board, char **word)
{
    static const char *const name[] = { "old", "erased", "half", "new" };
    const unsigned long from_now = strtoul(word[1], NULL, 10);
    for (unsigned n = 0; n < 4; n++) {
        if (strcmp(word[2], name[n]) == 0) {
            board->eeprom.cut_at_write = from_now == 0 ? 0 : board->eeprom.writes + from_now;
            board->eeprom.torn = (enum eeprom_torn)n;
            answer("ok");
            return;
        }
    }
    answer("error: write cut WRITES old|erased|half|new; 0 writes means never");
}

static void do_display(struct board *board, char **word)
{
    if (word[1] == NULL) {
        fputs("ok ", stdout);
        lcd_write_json(&board->panel.lcd, stdout);
        answer("%s", "");
    } else if (strcmp(word[1], "unplug") == 0 || strcmp(word[1], "plug") == 0) {
        panel_plug(&board->panel, word[1][0] == 'p');
        answer("ok");
    } else if (strcmp(word[1], "log") == 0 && word[2] != NULL) {
        if (panel_log(&board->panel, word[2])) {
            answer("ok");
        } else {
            answer("error: %s: cannot be written", word[2]);
        }
    } else {
        answer("error: write display, display log FILE, display unplug or display plug");
    }
}

static void do_button(struct board *board, char **word)
{
    const bool down = strcmp(word[2], "down") == 0;
    const uint64_t cycles = word[3] != NULL ? strtoull(word[3], NULL, 10) : 0;
    if ((!down && strcmp(word[2], "up") != 0) || !panel_press(&board->panel, word[1], down, cycles)) {
        answer("error: write button unit|hold|set down [CYCLES], or up");
        return;
    }
    answer("ok %llu", ull(board->chip.avr->cycle));
}

static void do_alarm(struct board *board, char **word)
{
    (void)word;
    answer("ok %d %llu", board->panel.alarm ? 1 : 0, ull(board->panel.alarm_changes));
}

static void do_isr(struct board *board, char **word)
{
    if (strcmp(word[1], "clear") != 0) {
        answer("error: write isr clear");
        return;
    }
    isr_clear(&board->chip.isr);
    answer("ok");
}

static void do_stats(struct board *board, char **word)
{
    (void)word;
    fputs("ok ", stdout);
    report_write_json(board, stdout);
    answer("%s", "");
}

static void do_flush(struct board *board, char **word)
{
    (void)word;
    if (board->edges.truth != NULL) { fflush(board->edges.truth); }
    if (board->panel.log != NULL) { fflush(board->panel.log); }
    answer(eeprom_save(&board->eeprom) ? "ok" : "error: the EEPROM file cannot be written");
}

static void do_stop(struct board *board, char **word)
{
    (void)word;
    board->stopped = true;
    answer("ok");
}

static const struct command {
    const char *name;
    unsigned fewest, most;          /* words after the name */
    void (*act)(struct board *board, char **word);
} commands[] = {
    { "cycle", 0, 0, do_cycle }, { "edge", 3, 3, do_edge }, { "pulse", 3, 3, do_pulse }, { "play", 2, 2, do_play },
    { "playing", 0, 0, do_playing }, { "reset", 0, 0, do_reset }, { "dip", 0, 0, do_dip }, { "hang", 0, 0, do_hang },
    { "power", 1, 1, do_power },
    { "unplug", 0, 0, do_unplug }, { "plug", 0, 0, do_plug }, { "supply", 1, 1, do_supply }, { "ppm", 1, 1, do_ppm },
    { "speed", 1, 1, do_speed }, { "noise", 2, 2, do_noise }, { "eeprom", 0, 2, do_eeprom }, { "cut", 2, 2, do_cut },
    { "display", 0, 2, do_display }, { "button", 2, 3, do_button }, { "alarm", 0, 0, do_alarm },
    { "isr", 1, 1, do_isr }, { "stats", 0, 0, do_stats }, { "flush", 0, 0, do_flush }, { "stop", 0, 0, do_stop }
};

void commands_obey(struct board *board, char *line)
{
    char *word[WORDS + 1] = { NULL };
    unsigned count = 0;
    char *rest = NULL;
    for (char *w = strtok_r(line, " \t\r", &rest); w != NULL && count < WORDS; w = strtok_r(NULL, " \t\r", &rest)) {
        word[count++] = w;
    }
    if (count == 0) { return; }
    for (size_t n = 0; n < sizeof commands / sizeof commands[0]; n++) {
        if (strcmp(commands[n].name, word[0]) != 0) { continue; }
        if (count - 1 < commands[n].fewest || count - 1 > commands[n].most) {
            answer("error: %s takes %u to %u words", word[0], commands[n].fewest, commands[n].most);
        } else {
            commands[n].act(board, word);
        }
        return;
    }
    answer("error: no command \"%s\"; firmware/bench/README.md lists them", word[0]);
}
