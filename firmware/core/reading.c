/* What do the blade's speed and the belt's slip read, and is that an alarm?  See reading.h. */
#include "reading.h"

#include "inline.h"
#include "flash.h"
#include "scale.h"

/* millimetres a minute = micrometres a turn * this / ticks a turn: 16,000,000 ticks/s * 60 s/min / 1000 um/mm */
#define READING_TICKS (WIRE_TICK_HZ / 1000u * 60u)
#define READING_LEAST_SHIFT 12u            /* a turn of so few ticks is noise, and its speed no number of 32 bits */
#define READING_PPB 1000000000ul
#define READING_SLIP_MOST 9999
#define READING_STEADY_SHIFT 12u           /* 0.024 %, and ... */
#define READING_STEADY_MM_PER_MIN 9u       /* ... 0.3 of a tenth of a foot: less is not shown */

/* Of the true clock: a fast clock counts more ticks in a turn. */
static uint32_t reading_corrected_um(const struct config *config)
{
    return scale(config->circumference_um, READING_PPB + (uint32_t)config->clock_ppb, READING_PPB);
}

static uint32_t reading_apart(uint32_t one, uint32_t other)
{
    return one > other ? one - other : other - one;
}

/* Against the gear nearest to what is seen. */
static void reading_slip(struct reading *reading, const struct config *config, uint32_t seen)
{
    uint32_t ratio = 0;
    uint32_t off = UINT32_MAX;
    uint8_t gear;

    for (gear = 0; gear < 4u; gear++) {
        const uint32_t its = config->ratio_millionths[gear];
        const uint32_t its_off = reading_apart(its, seen);

        if (its != 0u && its_off < off) {
            ratio = its;
            off = its_off;
        }
    }
    reading->slip_known = seen != 0u && ratio != 0u && config->fast_input != 0u;
    if (reading->slip_known) {
        int16_t slip = READING_SLIP_MOST;

        if (off < seen) {                  /* else 100 % and more */
            off = scale(off, 10000, seen);
            if (off < READING_SLIP_MOST) {
                slip = (int16_t)off;
            }
        }
        reading->slip_hundredths = ratio > seen ? (int16_t)-slip : slip;
    }
}

/* A maximum must stand for some looks. */
static void reading_most(struct reading *reading, uint32_t value)
{
    if (value <= reading->most_mm_per_min) {
        reading->more_looks = 0;
        return;
    }
    if (reading->more_looks == 0u || value < reading->more_mm_per_min) {
        reading->more_mm_per_min = value;
    }
    if (++reading->more_looks >= READING_MOST_LOOKS) {
        reading->most_mm_per_min = reading->more_mm_per_min;
        reading->more_looks = 0;
    }
}

/* An alarm begins when its cause has been there for so many looks, and ends when it has been gone as long. */
static void reading_alarm(struct reading *reading, uint8_t which, bool cause)
{
    static const uint8_t looks[READING_ALARMS] FLASH = { READING_FAST_LOOKS, READING_SLIP_LOOKS, READING_SLOW_LOOKS };
    const uint8_t bit = (uint8_t)(1u << which);

    if (cause == ((reading->alarms & bit) != 0u)) {
        reading->looks[which] = 0;
    } else if (++reading->looks[which] >= flash_byte(&looks[which])) {
        reading->looks[which] = 0;
        reading->alarms ^= bit;
    }
}

INLINE_NEVER void reading_update(struct reading *reading, const struct config *config, struct speed *speed, uint32_t now_ticks)
{
    struct speed_reading told = { SPEED_NO_PULSES, 0, 0 };
    enum reading_state state = READING_NOT_SET;
    uint32_t value = 0;

    if (config->wheel_input != 0u && config->circumference_um != 0u) {
        speed_read(speed, config->wheel_targets, now_ticks, &told);
        if (told.state >= SPEED_TURNING) {
            const uint32_t um = reading_corrected_um(config);
            const uint32_t least_ticks = (um >> READING_LEAST_SHIFT) + 1u;

            if (told.turn_ticks < least_ticks) {
                told.turn_ticks = least_ticks;
            }
            value = scale(um, READING_TICKS, told.turn_ticks);
            if (told.state == SPEED_SLOWER && value < READING_SLOWEST_MM_PER_MIN) {
                told.state = SPEED_NO_PULSES;
                speed_begin(speed);
            }
        }
        state = (enum reading_state)(READING_NO_PULSES + told.state);
    }
    reading->state = state;
    if (reading_apart(value, reading->shown_mm_per_min) > (value >> READING_STEADY_SHIFT) + READING_STEADY_MM_PER_MIN) {
        reading->shown_mm_per_min = value;
    }
    reading->slip_known = false;
    reading_most(reading, state == READING_TURNING ? value : 0u);
    if (state == READING_TURNING) {
        reading_slip(reading, config, told.ratio_millionths);
    }
    reading_alarm(reading, 0, state == READING_TURNING && config->fastest_mm_per_min != 0u && value > config->fastest_mm_per_min);
    reading_alarm(reading, 1, reading->slip_known && config->slip_limit_hundredths != 0u
                              && reading->slip_hundredths > (int16_t)config->slip_limit_hundredths);
    reading_alarm(reading, 2, state == READING_TURNING && value < config->slowest_mm_per_min);
}

INLINE_NEVER void reading_hold(struct reading *reading)
{
    reading->holding = !reading->holding;
    reading->most_mm_per_min = 0;
    reading->more_looks = 0;
}
