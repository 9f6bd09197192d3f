#define _GNU_SOURCE
#include "pace.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <time.h>
#include <unistd.h>

#include "chip.h"

#define FORGIVEN_S 0.001             /* later than that, and the pace begins anew from here */

double pace_clock_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static double hz(double ppm)
{
    return CHIP_HZ * (1.0 + 1e-6 * ppm);
}

bool pace_parse_speed(const char *text, double *factor)
{
    char *end = NULL;
    if (strcmp(text, "realtime") == 0) {
        *factor = 1.0;
    } else if (strcmp(text, "max") == 0) {
        *factor = 0.0;
    } else {
        *factor = strtod(text, &end);
        return end != text && *end == '\0' && *factor > 0.0 && *factor <= 1000.0;
    }
    return true;
}

void pace_start(struct pace *pace, double factor, double ppm)
{
    pace->factor = factor;
    pace->board_hz = hz(ppm);
    pace->anchor_s = 0.0;
    pace->anchor_cycle = 0;
    pace->latest_s = 0.0;
    pace->started_s = pace_clock_s();
}

static double cycle_to_s(const struct pace *pace, uint64_t cycle)
{
    return pace->anchor_s + ((double)cycle - (double)pace->anchor_cycle) / pace->board_hz;
}

double pace_now_s(const struct pace *pace, uint64_t cycle)
{
    if (pace->factor == 0.0) { return cycle_to_s(pace, cycle); }
    return pace->anchor_s + pace->factor * (pace_clock_s() - pace->started_s);
}

/* What is due by now at the old pace is not forgiven: the board catches up at the new one. */
static void anchor(struct pace *pace, uint64_t cycle)
{
    const double now_s = pace_now_s(pace, cycle);
    pace->anchor_cycle = pace_cycle_at(pace, now_s);
    pace->anchor_s = now_s;
    pace->started_s = pace_clock_s();
}

void pace_set_ppm(struct pace *pace, uint64_t cycle, double ppm)
{
    anchor(pace, cycle);
    pace->board_hz = hz(ppm);
}

void pace_set_speed(struct pace *pace, uint64_t cycle, double factor)
{
    anchor(pace, cycle);
    pace->factor = factor;
}

uint64_t pace_cycle_at(const struct pace *pace, double seconds)
{
    const double cycle = (double)pace->anchor_cycle + (seconds - pace->anchor_s) * pace->board_hz;
    return cycle > 0.0 ? (uint64_t)llround(cycle) : 0;
}

double pace_ahead_s(struct pace *pace, uint64_t cycle)
{
    const double ahead_s = (cycle_to_s(pace, cycle) - pace_now_s(pace, cycle)) / pace->factor;
    if (-ahead_s > pace->latest_s) { pace->latest_s = -ahead_s; }
    return ahead_s;
}

void pace_reached(struct pace *pace, uint64_t cycle)
{
    if (pace->shown != NULL) { *pace->shown = cycle_to_s(pace, cycle); }
    if (pace->factor == 0.0 || pace->factor == 1.0) { return; }
    const double late_s = -pace_ahead_s(pace, cycle);
    if (late_s > FORGIVEN_S) { pace->started_s += late_s; }
}

bool pace_show(struct pace *pace, const char *path)
{
    const int file = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0644);
    if (file >= 0 && ftruncate(file, sizeof(double)) == 0) {
        void *memory = mmap(NULL, sizeof(double), PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
        if (memory != MAP_FAILED) { pace->shown = memory; }
    }
    if (file >= 0) { close(file); }
    if (pace->shown == NULL) { fprintf(stderr, "board: %s: cannot show the clock: %s\n", path, strerror(errno)); }
    return pace->shown != NULL;
}
