#define _GNU_SOURCE
#include "pace.h"

#include <math.h>
#include <time.h>

#include "chip.h"

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

void pace_start(struct pace *pace, bool realtime, double ppm)
{
    pace->realtime = realtime;
    pace->board_hz = hz(ppm);
    pace->anchor_s = 0.0;
    pace->anchor_cycle = 0;
    pace->latest_s = 0.0;
    pace->started_s = pace_clock_s();
}

double pace_now_s(const struct pace *pace, uint64_t cycle)
{
    if (pace->realtime) { return pace_clock_s() - pace->started_s; }
    return pace->anchor_s + ((double)cycle - (double)pace->anchor_cycle) / pace->board_hz;
}

static void anchor(struct pace *pace, uint64_t cycle)
{
    pace->anchor_s = pace->anchor_s + ((double)cycle - (double)pace->anchor_cycle) / pace->board_hz;
    pace->anchor_cycle = cycle;
}

void pace_set_ppm(struct pace *pace, uint64_t cycle, double ppm)
{
    anchor(pace, cycle);
    pace->board_hz = hz(ppm);
}

void pace_set_realtime(struct pace *pace, uint64_t cycle, bool realtime)
{
    anchor(pace, cycle);
    pace->realtime = realtime;
    pace->started_s = pace_clock_s() - pace->anchor_s;
}

uint64_t pace_cycle_at(const struct pace *pace, double seconds)
{
    const double cycle = (double)pace->anchor_cycle + (seconds - pace->anchor_s) * pace->board_hz;
    return cycle > 0.0 ? (uint64_t)llround(cycle) : 0;
}

double pace_ahead_s(struct pace *pace, uint64_t cycle)
{
    const double due_s = pace->anchor_s + ((double)cycle - (double)pace->anchor_cycle) / pace->board_hz;
    const double ahead_s = due_s - (pace_clock_s() - pace->started_s);
    if (-ahead_s > pace->latest_s) { pace->latest_s = -ahead_s; }
    return ahead_s;
}
