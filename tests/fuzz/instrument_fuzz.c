/* What can edges, buttons and any settings do to the firmware's reading, display, rings and batches?
 *
 * An input: settings that are possible, then trains of edges on both inputs, silences, buttons and other settings, in
 * the order of avr/instrument.c.  Whatever comes: no memory is touched that is not its own and no signed number runs
 * over (sanitizers); every scale() is within what scale.h allows, so that it ends and is right; a steady train reads
 * what it is; the display shows characters it has; every batch can be read and every edge is counted once.
 *
 * Built with -Wl,--wrap=scale.  tests/fuzz/test_core.py replays what is kept, and tells how a campaign is run.
 */
#include "fuzz.h"

#include "batch.h"
#include "buttons.h"
#include "display.h"
#include "entry.h"
#include "flood.h"
#include "panel.h"
#include "reading.h"
#include "ring.h"
#include "scale.h"
#include "speed.h"
#include "supply.h"

#define TICKS_PER_MS 16000u
#define LOOK_TICKS (BUTTONS_EVERY_MS * TICKS_PER_MS)
#define LOOKS_MAX 20000u       /* of one input: 100 s */
#define EDGES_MAX 4096u
#define FASTEST_TURN_TICKS 16000u      /* 60,000 turns a minute: what is faster is noise */
#define EEPROM_BYTES 512u

static uint8_t eeprom[EEPROM_BYTES];
static struct slots store;
static struct config config;
static struct speed speed;
static struct reading reading;
static struct display display;
static struct buttons buttons;
static struct entry entry;
static struct ring rings[WIRE_INPUTS];
static struct batch batch;
static uint64_t now;
static uint64_t look_due;
static uint32_t looks;
static uint32_t edges;
static uint32_t put[WIRE_INPUTS];
static uint32_t steady_turn_ticks;     /* of a train that has lasted long enough; 0: none */
static uint8_t at[WIRE_INPUTS];        /* in the rings: what was looked at */
static uint8_t sequence;
static bool twice;                     /* a capture has come twice: batches leave it out, discarding counts it */

uint32_t __real_scale(uint32_t value, uint32_t times, uint32_t by);
uint32_t __wrap_scale(uint32_t value, uint32_t times, uint32_t by);

uint32_t __wrap_scale(uint32_t value, uint32_t times, uint32_t by)
{
    require(by != 0u && by <= SCALE_BY_MAX, "a divisor that scale() does not take");
    if ((uint64_t)value * times / by > UINT32_MAX) {
        (void)fprintf(stderr, "%lu * %lu / %lu\n", (unsigned long)value, (unsigned long)times, (unsigned long)by);
        require(false, "a quotient of more than 32 bits");
    }
    {
        const uint32_t result = __real_scale(value, times, by);

        require(result == (uint64_t)value * times / by, "a wrong quotient");
        return result;
    }
}

static uint8_t read_byte(uint16_t address)
{
    require(address < EEPROM_BYTES, "a read beyond the memory");
    return eeprom[address];
}

static void save(void)
{
    struct slots_next next;
    enum slots_turn turn;

    while ((turn = slots_go_on(&store, &config, &next)) != SLOTS_DONE) {
        if (turn == SLOTS_WRITE) {
            eeprom[next.address] = next.byte;
        }
    }
    require(next.code == WIRE_OK, "settings that were not saved");
}

/* As a host's commit, or as found at the start. */
static void configure(struct input *input)
{
    uint8_t bytes[CONFIG_LENGTH];
    uint16_t crc = WIRE_CRC_INIT;
    uint16_t of;

    input_settings(input, bytes);
    for (of = 0; of < CONFIG_LENGTH; of++) {
        crc = frame_crc(crc, bytes[of]);
    }
    require(slots_stage(&store, 0, bytes, CONFIG_LENGTH) == WIRE_OK, "staging refused");
    save();
    require(slots_commit(&store, CONFIG_LENGTH, crc) == WIRE_OK, "commit refused");
    save();
    speed_begin(&speed);
    steady_turn_ticks = 0;
}

static void press(uint8_t pressed)
{
    const uint8_t events = buttons_look(&buttons, pressed);
    struct config_change change = { config.unit, 0, 0 };
    bool save_it = false;

    if (entry.open) {
        save_it = entry_press(&entry, events, &change);
    } else if ((events & BUTTONS_SET_LONG) != 0u) {
        entry_open(&entry, &config);
    } else {
        if ((events & BUTTONS_HOLD) != 0u) {
            reading_hold(&reading);
        }
        if ((events & BUTTONS_UNIT) != 0u) {
            change.unit ^= 1u;
            save_it = true;
        }
    }
    if (save_it) {
        slots_change(&store, &config, &change);
        save();
        if (change.wheel_targets != 0u) {
            speed_begin(&speed);
            steady_turn_ticks = 0;
        }
    }
}

static void check_reading(void)
{
    require(reading.state <= READING_SLOWER, "no such state");
    require(reading.alarms < 1u << READING_ALARMS, "no such alarm");
    require(reading.slip_hundredths >= -9999 && reading.slip_hundredths <= 9999, "a slip beyond what is shown");
    if (reading.state == READING_TURNING && steady_turn_ticks != 0u) {
        /* the number falls as soon as silence makes it, before the reading is SLOWER */
        const bool may_fall = (uint32_t)now - speed.now.ticks > SPEED_SILENT_TICKS;
        struct speed copy = speed;
        struct speed_reading told;

        speed_read(&copy, config.wheel_targets, (uint32_t)now, &told);
        if (told.turn_ticks != steady_turn_ticks) {
            (void)fprintf(stderr, "%lu for %lu, %u targets\n", (unsigned long)told.turn_ticks,
                          (unsigned long)steady_turn_ticks, config.wheel_targets);
        }
        require(told.turn_ticks == steady_turn_ticks || (may_fall && told.turn_ticks > steady_turn_ticks), "a steady train reads another speed");
    }
}

static void show(void)
{
    uint16_t wait_us;
    uint16_t nibbles = 0;
    uint8_t character;

    if (looks % 320u == 0u) {
        display_renew(&display);
    }
    panel_show(&display, &reading, &config, &entry, (looks & 4u) != 0u);
    while (display_next(&display, &wait_us) != DISPLAY_NONE) {
        require(++nibbles < 200u, "a display without end");
    }
    for (character = 0; character < DISPLAY_CHARACTERS; character++) {
        const uint8_t shown = display.text[character] & (uint8_t)~DISPLAY_DIRTY;

        require(shown >= ' ' && shown < 0x7Fu, "no such character");
    }
}

static void take_moment(struct batch_moment *moment)
{
    uint8_t heads[WIRE_INPUTS];
    const struct batch_moment of_now = { { (uint32_t)now, (uint32_t)(now >> 32) }, { 0 }, { 0 } };
    const bool may_open = batch_may_open(&batch, rings, of_now.now.low, heads);
    uint8_t input;

    *moment = of_now;
    for (input = 0; input < WIRE_INPUTS; input++) {
        moment->head[input] = rings[input].head;
    }
    if (may_open && batch_open(rings, moment, heads)) {
        batch_take_lost(rings, moment);
    }
}

/* Reads the batch as a host does, and sees that its numbers go on. */
static void send_batch(void)
{
    uint8_t line[FRAME_LINE_MAX];
    struct batch_moment moment;
    struct frame_cobs cobs = { 0, false };
    uint16_t crc = WIRE_CRC_INIT;
    uint8_t frame[FRAME_LINE_MAX];
    uint32_t age;
    size_t shift;
    uint8_t length = 0;
    uint8_t of = 0;

    (void)batch_waiting(rings, (uint32_t)now, &age);
    require(age <= TICK_SHORT_MASK, "an age of more than a second");
    take_moment(&moment);
    batch_write(&batch, rings, &moment, line, sequence++);
    shift = (size_t)(message.line - line);
    require(shift + (size_t)message_close() <= sizeof line, "a batch beyond the line's buffer");
    do {
        if (frame_cobs_feed(&cobs, message.line[of], &frame[length]) == FRAME_COBS_BYTE) {
            length++;
        }
    } while (message.line[of++] != WIRE_DELIMITER);
    require(length <= WIRE_FRAME_MAX && frame[0] == WIRE_BATCH, "a batch too long, or none");
    for (of = 0; of + FRAME_CRC_BYTES < length; of++) {
        crc = frame_crc(crc, frame[of]);
    }
    require(frame[of] == (uint8_t)crc && frame[of + 1u] == crc >> 8, "a batch with a wrong CRC");
    require(((uint64_t)batch.base.high << 32 | batch.base.low) <= now, "complete beyond now");
}

/* Everything that is due in the main loop, up to now. */
static void go_on(void)
{
    const uint8_t wheel = config.wheel_input;
    const uint8_t fast = config.fast_input;
    uint8_t input;

    for (input = 1; input <= WIRE_INPUTS; input++) {
        const struct ring *ring = &rings[input - 1u];
        const bool is_wheel = input == wheel;

        for (; at[input - 1u] != ring->head; at[input - 1u] = ring_next(at[input - 1u])) {
            const uint32_t ticks = tick_of_short((uint32_t)now, ring_short_at(ring, at[input - 1u]));

            if (is_wheel) {
                speed_edge(&speed, config.wheel_targets, ticks);
            } else if (input == fast) {
                speed_fast_edge(&speed, config.fast_targets, ticks);
            }
        }
        if (is_wheel && ring->closed != 0u) {
            speed_begin(&speed);
            steady_turn_ticks = 0;
        }
    }
}

static void wait_until(uint64_t then, uint8_t pressed)
{
    while (look_due < then && looks < LOOKS_MAX) {     /* an edge comes after the batch of its moment */
        now = look_due;
        look_due += LOOK_TICKS;
        looks++;
        go_on();
        press(pressed);
        if (looks % (READING_EVERY_MS / BUTTONS_EVERY_MS) == 0u) {
            reading_update(&reading, &config, &speed, (uint32_t)now);
            check_reading();
            send_batch();
            if (entry.idle < UINT16_MAX && ++entry.idle >= ENTRY_LEAVE_LOOKS) {
                entry.open = false;
            }
            show();
        }
    }
    now = then;
    if (look_due <= now) {
        look_due = now + LOOK_TICKS;               /* enough looks for one input */
    }
}

/* `captures`: 2 when a second edge took the place of the first while that was being read, and tells its time again. */
static void edge(uint8_t input, uint64_t ticks, uint8_t captures)
{
    struct ring *ring = &rings[input];

    wait_until(ticks, 0);
    edges++;
    put[input]++;
    ring_put(ring, (uint16_t)ticks, (uint8_t)(ticks >> 16));
    if (captures > 1u) {
        const uint16_t dropped = ring->dropped;

        ring_put(ring, (uint16_t)ticks, (uint8_t)(ticks >> 16));
        put[input] += ring->dropped != dropped;
        twice = true;
    }
    go_on();
    if (ring->closed != 0u) {
        send_batch();
    }
}

/* From a tick to a minute, each size as likely. */
static uint32_t period(struct input *input)
{
    const uint8_t bits = input_u8(input) % 30u;

    return (1ul << bits) + (input_u32(input) & ((1ul << bits) - 1u));
}

static void train(struct input *input)
{
    const uint8_t what = input_u8(input);
    const uint32_t wheel_ticks = period(input);
    const uint32_t fast_ticks = period(input);
    const uint16_t count = (uint16_t)(input_u8(input) * 4u);
    const uint64_t begun = now;
    uint64_t wheel_due = now + wheel_ticks;
    uint64_t fast_due = now + fast_ticks;
    uint16_t sent = 0;
    uint32_t turns = 0;
    uint8_t target = 0;

    steady_turn_ticks = 0;
    while (sent < count && edges < EDGES_MAX && looks < LOOKS_MAX) {
        if ((what & 1u) != 0u && config.wheel_input != 0u && (wheel_due <= fast_due || (what & 2u) == 0u)) {
            edge((uint8_t)(config.wheel_input - 1u), wheel_due, 1);
            wheel_due += wheel_ticks;
            sent++;
            target++;
            if (target >= config.wheel_targets) {
                target = 0;
                turns++;
            }
            /* four turns, of which the first only tell how long a gap is, and a window with its mark */
            if (turns > 4u && now - begun > 4u * wheel_ticks + SPEED_LATEST_TICKS + SPEED_MARKS * SPEED_APART_TICKS) {
                const uint64_t turn = (uint64_t)wheel_ticks * config.wheel_targets;

                steady_turn_ticks = turn >= FASTEST_TURN_TICKS && turn <= UINT32_MAX ? (uint32_t)turn : 0u;
            }
        } else if ((what & 2u) != 0u && config.fast_input != 0u) {
            edge((uint8_t)(config.fast_input - 1u), fast_due, 1);
            fast_due += fast_ticks;
            sent++;
        } else {
            return;
        }
    }
}

/* An input is masked after its last edge; what is complete waits there, unless a loss is told. */
static void mask(struct input *input)
{
    const uint8_t masked = input_u8(input) % WIRE_INPUTS;
    struct flood flood = { 0 };
    uint64_t masked_from;
    const uint32_t before = batch.input[0].overruns + batch.input[1].overruns + batch.input[2].overruns;
    const uint32_t mask_ticks = config.mask_ms * TICKS_PER_MS;

    steady_turn_ticks = 0;
    flood_renew(&flood, config.flood_edges);
    while (!flood_spend(&flood)) {
        edge(masked, now + 1u + input_u8(input) * 100u, 1);
    }
    masked_from = now;
    flood_begin(&flood, (uint32_t)now);
    batch_hold(&batch, masked, flood.from_ticks);
    wait_until(now + (uint64_t)input_u8(input) * TICKS_PER_MS, 0);
    require(flood_over(&flood, (uint32_t)now, mask_ticks) == ((uint32_t)now - flood.from_ticks >= mask_ticks), "mask");
    flood_end(&flood, (uint32_t)now);
    require(((uint64_t)batch.base.high << 32 | batch.base.low) <= masked_from
            || before != batch.input[0].overruns + batch.input[1].overruns + batch.input[2].overruns,
            "complete beyond a mask");
    batch_release(&batch, masked);
}

/* Nobody listens. */
static void discard(void)
{
    struct batch_moment moment;
    uint8_t input;

    for (input = 0; input < WIRE_INPUTS; input++) {
        (void)batch_take_shortest(&batch, input);
    }
    if (!twice) {
        take_moment(&moment);
        batch_discard(&batch, rings, &moment);
    }
}

static void read_supply(struct input *input)
{
    const uint16_t reading_adc = input_u16(input) % 1024u;
    const uint32_t reference_mv = 1000u + input_u8(input);
    const uint32_t supply = reading_adc == 0u ? 0u : reference_mv * 1024u / reading_adc;

    require(supply_mv(reading_adc, reference_mv) == (supply > 8191u ? 8191u : supply), "another supply");
}

static void step(struct input *input)
{
    switch (input_u8(input) % 9u) {
    case 0:
    case 1:
        train(input);
        break;
    case 2:
        wait_until(now + period(input), 0);
        break;
    case 3: {
        const uint8_t pressed = input_u8(input) & 7u;

        wait_until(now + (uint64_t)(1u + input_u8(input)) * 2u * LOOK_TICKS, pressed);
        break;
    }
    case 4:
        steady_turn_ticks = 0;
        edge(input_u8(input) % WIRE_INPUTS, now + 1u, input_u8(input) % 2u + 1u);
        break;
    case 5:
        mask(input);
        break;
    case 6:
        read_supply(input);
        break;
    case 7:
        discard();
        break;
    default:
        configure(input);
        break;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const uint8_t latency_ticks[WIRE_INPUTS] = { 0, 0, 0 };
    struct input input = { data, size };
    uint8_t which;

    memset(eeprom, 0xFF, sizeof eeprom);
    memset(&speed, 0, sizeof speed);
    memset(&reading, 0, sizeof reading);
    memset(&buttons, 0, sizeof buttons);
    memset(&entry, 0, sizeof entry);
    memset(rings, 0, sizeof rings);
    memset(put, 0, sizeof put);
    memset(at, 0, sizeof at);
    memset(&batch, 0, sizeof batch);
    now = (uint64_t)input_u8(&input) << 24;
    look_due = now + LOOK_TICKS;
    looks = edges = steady_turn_ticks = 0;
    twice = false;
    batch_init(&batch, latency_ticks);
    batch.base.low = (uint32_t)now;
    slots_load(&store, read_byte, &config);
    display_begin(&display);
    speed_begin(&speed);
    configure(&input);
    while (input.left > 0u && looks < LOOKS_MAX && edges < EDGES_MAX) {
        step(&input);
    }
    for (which = 0; which < 20u; which++) {
        wait_until(now + 50u * TICKS_PER_MS, 0);
        send_batch();
    }
    for (which = 0; which < WIRE_INPUTS; which++) {
        require(batch.input[which].count == put[which], "an edge that was not told, or told twice");
    }
    return 0;
}
