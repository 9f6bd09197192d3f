/* Which clock cycle of the board belongs to which true second? */
#ifndef BENCH_PACE_H
#define BENCH_PACE_H

#include <stdbool.h>
#include <stdint.h>

struct pace {
    double factor;                  /* times real time, or the most of it; 0: as fast as it can */
    double board_hz;                /* nominal frequency, off by the stated ppm */
    double anchor_s;                /* true seconds since the start ... */
    uint64_t anchor_cycle;          /* ... at which the board stood at this cycle */
    double started_s;               /* system's monotonic clock at the anchor */
    double latest_s;                /* how far the board was ever behind its pace */
    volatile double *shown;         /* a file in memory that tells the seconds the board has reached, or NULL */
};

/* "realtime" (1), "max" (0) or a number; false if it is none of them. */
bool pace_parse_speed(const char *text, double *factor);
void pace_start(struct pace *pace, double factor, double ppm);
/* True seconds since the start: the system's clock times the factor, or the board's own progress at its fastest. */
double pace_now_s(const struct pace *pace, uint64_t cycle);
void pace_set_ppm(struct pace *pace, uint64_t cycle, double ppm);
void pace_set_speed(struct pace *pace, uint64_t cycle, double factor);
uint64_t pace_cycle_at(const struct pace *pace, double seconds);
/* Seconds of the system's clock until the board may reach this cycle; negative if it is late. */
double pace_ahead_s(struct pace *pace, uint64_t cycle);
/* Tells how far the board has come.  Other than in real time a delay is forgiven: nobody waits for it to catch up. */
void pace_reached(struct pace *pace, uint64_t cycle);
bool pace_show(struct pace *pace, const char *path);
double pace_clock_s(void);
#endif
