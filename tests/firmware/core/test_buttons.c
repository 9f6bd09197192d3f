/* Is one press one event, however the contacts bounce, and a long one told from a short one? */
#include "buttons.h"
#include "report.h"

static struct buttons buttons;
static uint16_t events[4];

static void look(uint8_t pressed, uint16_t times)
{
    while (times-- != 0u) {
        const uint8_t come = buttons_look(&buttons, pressed);
        uint8_t bit;

        for (bit = 0; bit < 4u; bit++) {
            events[bit] = (uint16_t)(events[bit] + (come >> bit & 1u));
        }
    }
}

static void clear(void)
{
    uint8_t bit;

    look(0, 20);
    for (bit = 0; bit < 4u; bit++) {
        events[bit] = 0;
    }
}

void test(void)
{
    uint16_t n;

    clear();
    look(0, 100);
    CHECK((events[0] | events[1] | events[2] | events[3]) == 0u);
    for (n = 0; n < ROUNDS(400, 200); n++) {
        const uint8_t button = (uint8_t)(1u << n % 3u);
        uint8_t bounce;

        clear();
        for (bounce = 0; bounce < 12u; bounce++) {             /* never the same for 25 ms */
            look((report_random() & 1u) != 0u ? button : 0u, (uint16_t)(report_random() % 2u + 1u));
            look((bounce & 1u) != 0u ? button : 0u, 1);
        }
        look(button, 30);
        for (bounce = 0; bounce < 12u; bounce++) {
            look((bounce & 1u) != 0u ? button : 0u, 2);
        }
        look(0, 20);
        CHECK(events[n % 3u] == 1u);                           /* once, and nothing else */
        CHECK(events[0] + events[1] + events[2] == 1u && events[3] == 0u);
        CHECK(buttons.down == 0u);
    }
    clear();
    look(BUTTONS_SET, BUTTONS_LONG - 10u);                     /* 2 s less 50 ms */
    CHECK(events[2] == 1u && events[3] == 0u);
    look(BUTTONS_SET, 20);
    CHECK(events[3] == 1u);
    look(BUTTONS_SET, 2000);
    CHECK(events[3] == 1u);                                    /* once */
    clear();
    look(BUTTONS_SET, 300);
    look(0, 20);
    look(BUTTONS_SET, 300);
    CHECK(events[2] == 2u && events[3] == 0u);                 /* two short ones make no long one */
    clear();
    look(BUTTONS_UNIT | BUTTONS_HOLD, 30);
    CHECK(events[0] == 1u && events[1] == 1u);
}
