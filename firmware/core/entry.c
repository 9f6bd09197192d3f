/* How does somebody tell the board the wheel's diameter and targets, with buttons and without a host?  See entry.h. */
#include "entry.h"
#include "inline.h"

#include "buttons.h"
#include "scale.h"

/* pi in millionths, times 100 um in a tenth of a millimetre */
#define ENTRY_PI_100_MILLIONTHS 314159265ul
#define ENTRY_MILLION 1000000ul

INLINE_NEVER static void entry_split(uint8_t *digits, uint8_t count, uint16_t value)
{
    while (count-- != 0u) {
        const uint16_t tenth = scale_tenth(value);

        digits[count] = (uint8_t)(value - tenth * 10u);
        value = tenth;
    }
}

static uint16_t entry_join(const uint8_t *digits, uint8_t count)
{
    uint16_t value = 0;

    while (count-- != 0u) {
        value = (uint16_t)(value * 10u + *digits++);
    }
    return value;
}

void entry_open(struct entry *entry, const struct config *config)
{
    uint32_t tenths = 0;

    if (config->circumference_um < 0xFFFFul * 314u) {      /* else more than five digits */
        tenths = scale(config->circumference_um + ENTRY_PI_100_MILLIONTHS / ENTRY_MILLION / 2u, ENTRY_MILLION,
                       ENTRY_PI_100_MILLIONTHS);
    }
    entry_split(entry->digits, ENTRY_DIAMETER_DIGITS, (uint16_t)tenths);
    entry_split(&entry->digits[ENTRY_DIAMETER_DIGITS], ENTRY_DIGITS - ENTRY_DIAMETER_DIGITS, config->wheel_targets);
    entry->at = 0;
    entry->idle = 0;
    entry->open = true;
}

bool entry_press(struct entry *entry, uint8_t events, struct config_change *change)
{
    uint8_t *digit = &entry->digits[entry->at];

    if (events != 0u) {
        entry->idle = 0;
    }
    if ((events & BUTTONS_UNIT) != 0u) {
        *digit = *digit >= 9u ? 0u : (uint8_t)(*digit + 1u);
    }
    if ((events & BUTTONS_HOLD) != 0u) {
        entry->at = entry->at + 1u >= ENTRY_DIGITS ? 0u : (uint8_t)(entry->at + 1u);
    }
    if ((events & BUTTONS_SET_LONG) == 0u) {
        return false;
    }
    change->wheel_targets = (uint8_t)entry_join(&entry->digits[ENTRY_DIAMETER_DIGITS], ENTRY_DIGITS - ENTRY_DIAMETER_DIGITS);
    change->circumference_um = scale(entry_join(entry->digits, ENTRY_DIAMETER_DIGITS), ENTRY_PI_100_MILLIONTHS, ENTRY_MILLION);
    if (change->wheel_targets == 0u || change->wheel_targets > CONFIG_TARGETS_MAX
        || change->circumference_um < CONFIG_CIRCUMFERENCE_MIN_UM
        || change->circumference_um > CONFIG_CIRCUMFERENCE_MAX_UM) {
        return false;                      /* nothing that could be saved: it stays open */
    }
    entry->open = false;
    return true;
}
