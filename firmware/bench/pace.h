/* Which clock cycle of the board belongs to which true second? */
#ifndef BENCH_PACE_H
#define BENCH_PACE_H

#include <stdbool.h>
#include <stdint.h>

struct pace {
    bool realtime;
    double board_hz;                /* nominal frequency, off by the stated ppm */
    double anchor_s;                /* true seconds since the start ... */
    uint64_t anchor_cycle;          /* ... at which the board stood at this cycle */
    double started_s;               /* system's monotonic clock at true second 0 */
    double latest_s;                /* how far the board was ever behind in real time */
};

void pace_start(struct pace *pace, bool realtime, double ppm);
/* True seconds since the start: the system's clock in real time, the board's own progress otherwise. */
double pace_now_s(const struct pace *pace, uint64_t cycle);
void pace_set_ppm(struct pace *pace, uint64_t cycle, double ppm);
void pace_set_realtime(struct pace *pace, uint64_t cycle, bool realtime);
uint64_t pace_cycle_at(const struct pace *pace, double seconds);
/* Seconds until the board may reach this cycle; negative if it is late. */
double pace_ahead_s(struct pace *pace, uint64_t cycle);
double pace_clock_s(void);
#endif
