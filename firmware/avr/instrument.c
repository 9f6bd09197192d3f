/* What does the board do for somebody who has no host: display, buttons, alarm?  See instrument.h.
 *
 * A pass does little: it looks at the edges that have come, and at one of the other things that may be due.  The longest is a look at
 * the reading, 2 ms of divisions, ten times a second; the rings hold what comes meanwhile. */
#include "instrument.h"
#include "inline.h"

#include "board.h"
#include "buttons.h"
#include "clock.h"
#include "display.h"
#include "entry.h"
#include "inputs.h"
#include "panel.h"
#include "reading.h"
#include "speed.h"
#include "state.h"

/* Looks and waits are counted in 8 us, 128 ticks: 16 bits hold 0.5 s of them. */
#define INSTRUMENT_EIGHTS(us) ((uint16_t)((us) / 8u + 1u))       /* no less than so many microseconds */
#define INSTRUMENT_LOOK (BUTTONS_EVERY_MS * 1000u / 8u)
#define INSTRUMENT_LOOKS (READING_EVERY_MS / BUTTONS_EVERY_MS)
#define INSTRUMENT_RENEW 64u                 /* readings, 6.4 s, until the display is set up again */

static struct speed speed;
static struct reading reading;
static struct display display;
static struct buttons buttons;
static struct entry entry;
static uint16_t look;                        /* when the last look was due */
static uint16_t display_given;               /* when the last nibble was given, and how long to let pass */
static uint16_t display_wait;
static uint8_t looks;                        /* since the last reading */
static uint8_t readings;                     /* since the display was set up */
static uint8_t presses_wait;                 /* until the EEPROM has taken what it is at */
static uint8_t wheel_at;                     /* in the inputs' rings: what was looked at */
static uint8_t fast_at;

void instrument_begin(void)
{
    speed_begin(&speed);
    if (board.config.wheel_input != 0u) {
        wheel_at = inputs_rings[board.config.wheel_input - 1u].head;
    }
    if (board.config.fast_input != 0u) {
        fast_at = inputs_rings[board.config.fast_input - 1u].head;
    }
}

void instrument_start(void)
{
    board_panel_start();
    display_begin(&display);
    display_wait = INSTRUMENT_EIGHTS(DISPLAY_POWER_UP_US);
    instrument_begin();
}

/* Edges that have come since the last pass.  A ring is far from full in a pass, so that none is overwritten unseen. */
static void instrument_take(uint8_t input, uint8_t *at, uint8_t targets, void (*take)(struct speed *, uint8_t, uint32_t))
{
    const struct ring *ring;
    uint32_t now_ticks;
    uint8_t head;

    if (input == 0u) {
        return;
    }
    ring = &inputs_rings[input - 1u];
    head = ring->head;
    if (*at == head) {
        return;
    }
    now_ticks = clock_now();
    do {
        take(&speed, targets, tick_of_short(now_ticks, ring_short_at(ring, *at)));
        *at = ring_next(*at);
    } while (*at != head);
    if (ring->closed != 0u || inputs_flood[input - 1u].state == FLOOD_MASKED) {
        speed_begin(&speed);                 /* edges were lost */
    }
}

static void instrument_obey(uint8_t events)
{
    const uint8_t saving = entry.open ? BUTTONS_SET_LONG : BUTTONS_UNIT;
    struct config_change change = { .unit = board.config.unit };
    bool save = false;

    events ^= presses_wait;                  /* two presses of UNIT are none */
    presses_wait = 0;
    if (board.store.work != SLOTS_IDLE) {
        presses_wait = events & saving;
        events ^= presses_wait;
    }
    if (entry.open) {
        save = entry_press(&entry, events, &change);
    } else if ((events & BUTTONS_SET_LONG) != 0u) {
        entry_open(&entry, &board.config);
    } else {
        if ((events & BUTTONS_HOLD) != 0u) {
            reading_hold(&reading);
        }
        if ((events & BUTTONS_UNIT) != 0u) {
            change.unit ^= 1u;
            save = true;
        }
    }
    if (save) {
        slots_change(&board.store, &board.config, &change);
        if (change.wheel_targets != 0u) {
            instrument_begin();
        }
    }
}

static void instrument_look(void)
{
    instrument_obey(buttons_look(&buttons, board_buttons()));
    looks++;
    if (looks == INSTRUMENT_LOOKS) {
        looks = 0;
        reading_update(&reading, &board.config, &speed, clock_now());
        board_alarm(reading.alarms != 0u);
    } else if (looks == 1u) {
        readings++;
        if (++entry.idle >= ENTRY_LEAVE_LOOKS) {
            entry.open = false;
        }
        if (readings == INSTRUMENT_RENEW) {
            readings = 0;
            display_renew(&display);
        }
        panel_show(&display, &reading, &board.config, &entry, (readings & 4u) != 0u);
    }
}

void instrument_go_on(void)
{
    uint16_t now;

    instrument_take(board.config.wheel_input, &wheel_at, board.config.wheel_targets, speed_edge);
    instrument_take(board.config.fast_input, &fast_at, board.config.fast_targets, speed_fast_edge);
    now = (uint16_t)((clock_now() << 1) >> 8);
    if ((uint16_t)(now - look) >= INSTRUMENT_LOOK) {
        look = (uint16_t)(look + INSTRUMENT_LOOK);
        instrument_look();
    } else if ((uint16_t)(now - display_given) > display_wait) {
        uint16_t wait_us;
        const uint8_t nibble = display_next(&display, &wait_us);

        if (nibble != DISPLAY_NONE) {
            board_display_put(nibble);
        }
        display_given = now;
        display_wait = INSTRUMENT_EIGHTS(wait_us);
    }
}
