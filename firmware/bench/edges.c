#define _GNU_SOURCE
#include "edges.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* Binary files, edges and truth alike: these eight bytes, then little-endian 64-bit words
 * cycle * 8 + input * 2 + level, with input 1 to 3. */
static const char binary_head[8] = { 'K', 'E', 'R', 'F', 'E', 'D', 'G', '1' };

static bool ends_with(const char *text, const char *tail)
{
    const size_t length = strlen(text), tail_length = strlen(tail);
    return length >= tail_length && strcmp(text + length - tail_length, tail) == 0;
}

bool edges_parse_when(const struct edges *edges, const char *text, uint64_t *cycle)
{
    char *end = NULL;
    if (ends_with(text, "s")) {
        const double seconds = strtod(text, &end);
        if (end == text || strcmp(end, "s") != 0 || !(seconds >= 0.0)) { return false; }
        *cycle = pace_cycle_at(edges->pace, seconds);
        return true;
    }
    const bool relative = text[0] == '+';
    const char *digits = text + (relative ? 1 : 0);
    if (digits[0] < '0' || digits[0] > '9') { return false; }
    errno = 0;
    const unsigned long long number = strtoull(digits, &end, 10);
    if (errno != 0 || *end != '\0') { return false; }
    *cycle = number + (relative ? edges->chip->avr->cycle : 0);
    return true;
}

static bool parse_line(const struct edges *edges, const char *line, struct edge *edge, bool *only_time)
{
    char when[64], input[8], level[8];
    const int fields = sscanf(line, "%63s %7s %7s", when, input, level);
    *only_time = fields == 2 && strcmp(input, ".") == 0;
    if (fields < 2 || !edges_parse_when(edges, when, &edge->cycle)) { return false; }
    if (*only_time) { return true; }
    if (fields != 3 || input[1] != '\0' || input[0] < '1' || input[0] > '3') { return false; }
    if (level[1] != '\0' || (level[0] != '0' && level[0] != '1')) { return false; }
    edge->index = (uint8_t)(input[0] - '1');
    edge->level = level[0] == '1';
    return true;
}

static bool blank(const char *line)
{
    return line[strspn(line, " \t\r\n")] == '\0' || line[0] == '#';
}

static bool read_file(struct edges *edges)
{
    if (edges->file_binary) {
        uint8_t word[8];
        if (fread(word, 1, sizeof word, edges->file) != sizeof word) { return false; }
        uint64_t packed = 0;
        for (int n = 7; n >= 0; n--) { packed = packed << 8 | word[n]; }
        const unsigned input = (packed >> 1) & 3u;
        if (input == 0) { edges->bad_lines++; return read_file(edges); }
        edges->file_next = (struct edge){ (packed >> 3) + edges->file_offset_cycle, (uint8_t)(input - 1u),
                                          (packed & 1u) != 0 };
        return true;
    }
    char line[256];
    while (fgets(line, sizeof line, edges->file) != NULL) {
        edges->file_line++;
        if (blank(line)) { continue; }
        bool only_time = false;
        if (parse_line(edges, line, &edges->file_next, &only_time) && !only_time) {
            edges->file_next.cycle += edges->file_offset_cycle;
            return true;
        }
        fprintf(stderr, "board: edges, line %llu: write CYCLE INPUT LEVEL, such as 16000 1 0\n",
                (unsigned long long)edges->file_line);
        edges->bad_lines++;
    }
    return false;
}

static uint64_t next_cycle(const struct edges *edges)
{
    uint64_t cycle = UINT64_MAX;
    if (edges->file_has_next) { cycle = edges->file_next.cycle; }
    if (edges->live.count > 0 && edges->live.heap[0].cycle < cycle) { cycle = edges->live.heap[0].cycle; }
    return cycle;
}

static void note_truth(struct edges *edges, const struct edge *edge)
{
    edges->injected[edge->index]++;
    if (edges->truth == NULL) { return; }
    if (edges->truth_binary) {
        uint64_t packed = edge->cycle << 3 | (uint64_t)(edge->index + 1u) << 1 | (edge->level ? 1u : 0u);
        uint8_t word[8];
        for (int n = 0; n < 8; n++, packed >>= 8) { word[n] = (uint8_t)packed; }
        fwrite(word, 1, sizeof word, edges->truth);
    } else {
        fprintf(edges->truth, "%llu,%u,%u\n", (unsigned long long)edge->cycle, edge->index + 1u, edge->level);
    }
}

static avr_cycle_count_t inject_due(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when;
    struct edges *edges = param;
    uint64_t cycle;
    while ((cycle = next_cycle(edges)) <= avr->cycle) {
        struct edge edge;
        if (edges->file_has_next && edges->file_next.cycle == cycle) {
            edge = edges->file_next;
            edges->file_has_next = read_file(edges);
        } else {
            edge = edge_queue_pop(&edges->live);
        }
        if (edge.cycle < edges->latest_cycle) {
            edges->late++;
            edge.cycle = edges->latest_cycle;      /* the past cannot be changed; the truth says when it really came */
        }
        edges->latest_cycle = edge.cycle;
        if (pins_set(edges->pins, edge.index, edge.level, edge.cycle)) {
            note_truth(edges, &edge);
        } else {
            edges->ignored++;
        }
    }
    if (cycle != UINT64_MAX) { chip_at(edges->chip, cycle, inject_due, edges); }
    return 0;
}

static void rearm(void *param)
{
    struct edges *edges = param;
    const uint64_t cycle = next_cycle(edges);
    if (cycle != UINT64_MAX) { chip_at(edges->chip, cycle, inject_due, edges); }
}

static void begin_now(struct edges *edges)
{
    const uint64_t now = edges->chip->avr->cycle;
    if (edges->latest_cycle < now) { edges->latest_cycle = now; }
}

bool edges_add(struct edges *edges, uint64_t cycle, unsigned input, bool level)
{
    if (input < 1 || input > PINS) { return false; }
    begin_now(edges);
    edge_queue_push(&edges->live, (struct edge){ cycle, (uint8_t)(input - 1u), level });
    rearm(edges);
    return true;
}

bool edges_play(struct edges *edges, const char *path, uint64_t offset_cycle)
{
    struct stat status;
    const bool standard_input = strcmp(path, "-") == 0;
    if (standard_input || (stat(path, &status) == 0 && S_ISFIFO(status.st_mode))) {
        if (edges->stream >= 0) { return false; }
        edges->stream = standard_input ? STDIN_FILENO : open(path, O_RDWR | O_NONBLOCK | O_CLOEXEC);
        if (edges->stream < 0) { return false; }
        fcntl(edges->stream, F_SETFL, fcntl(edges->stream, F_GETFL) | O_NONBLOCK);
        return true;
    }
    if (edges_playing(edges)) { return false; }
    if (edges->file != NULL) { fclose(edges->file); }
    edges->file = fopen(path, "rb");
    if (edges->file == NULL) { return false; }
    char head[sizeof binary_head];
    edges->file_binary = fread(head, 1, sizeof head, edges->file) == sizeof head
                         && memcmp(head, binary_head, sizeof head) == 0;
    if (!edges->file_binary) { rewind(edges->file); }
    edges->file_line = 0;
    edges->file_offset_cycle = offset_cycle;
    edges->file_has_next = read_file(edges);
    begin_now(edges);
    rearm(edges);
    return true;
}

bool edges_playing(const struct edges *edges)
{
    return edges->file_has_next || edges->live.count > 0;
}

static void take_stream_line(struct edges *edges, const char *line)
{
    if (blank(line)) { return; }
    struct edge edge;
    bool only_time = false;
    if (!parse_line(edges, line, &edge, &only_time)) {
        fprintf(stderr, "board: live edges: \"%s\": write CYCLE INPUT LEVEL, such as 16000 1 0\n", line);
        edges->bad_lines++;
        return;
    }
    if (edge.cycle > edges->told_until_cycle) { edges->told_until_cycle = edge.cycle; }
    if (!only_time) { edges_add(edges, edge.cycle, edge.index + 1u, edge.level); }
}

void edges_read_stream(struct edges *edges)
{
    char bytes[4096];
    for (;;) {
        if (edges->stream < 0) { return; }
        const ssize_t count = read(edges->stream, bytes, sizeof bytes);
        if (count < 0) { return; }
        if (count == 0) {
            edges->stream = -1;              /* the end: nothing more will come */
            return;
        }
        for (ssize_t n = 0; n < count; n++) {
            if (bytes[n] == '\n') {
                edges->stream_line[edges->stream_used] = '\0';
                take_stream_line(edges, edges->stream_line);
                edges->stream_used = 0;
            } else if (edges->stream_used < sizeof edges->stream_line - 1) {
                edges->stream_line[edges->stream_used++] = bytes[n];
            }
        }
    }
}

uint64_t edges_horizon_cycle(const struct edges *edges)
{
    return edges->stream < 0 ? UINT64_MAX : edges->told_until_cycle;
}

bool edges_write_truth(struct edges *edges, const char *path)
{
    edges->truth = fopen(path, "wb");
    if (edges->truth == NULL) {
        fprintf(stderr, "board: %s: cannot write the truth: %s\n", path, strerror(errno));
        return false;
    }
    edges->truth_binary = ends_with(path, ".bin");
    if (edges->truth_binary) {
        fwrite(binary_head, 1, sizeof binary_head, edges->truth);
    } else {
        fputs("cycle,input,level\n", edges->truth);
    }
    return true;
}

void edges_install(struct edges *edges, struct chip *chip, struct pins *pins, struct pace *pace)
{
    edges->chip = chip;
    edges->pins = pins;
    edges->pace = pace;
    edges->stream = -1;
    chip_on_reset(chip, rearm, edges);
}

void edges_close(struct edges *edges)
{
    if (edges->truth != NULL) { fclose(edges->truth); }
    if (edges->file != NULL) { fclose(edges->file); }
    free(edges->live.heap);
}
