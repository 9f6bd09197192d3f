/* What does the board do, all day?  It starts, says hello, and then goes round one loop: masks, requests, frames, sleep.
 *
 * While a frame is on the line the next is made; what it is to be is chosen in this order: an answer, the end of a
 * mask, the status, a batch.  Nothing here waits. */
#include <avr/sleep.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "batch.h"
#include "board.h"
#include "clock.h"
#include "config.h"
#include "flash.h"
#include "host.h"
#include "inline.h"
#include "inputs.h"
#include "instrument.h"
#include "message.h"
#include "reset.h"
#include "state.h"
#include "store.h"
#include "supply.h"
#include "uart.h"

#define MAIN_TICKS_PER_MS (F_CPU / 1000u)

/* A batch leaves when its first pulse is this old.  It must be off the line 20 ms after that pulse, behind one other
 * frame: 2.6 ms each at the fast rate, 11.4 ms at the slow one. */
#define MAIN_BATCH_AGE_FAST_TICKS (12u * MAIN_TICKS_PER_MS)
#define MAIN_BATCH_AGE_SLOW_TICKS (6u * MAIN_TICKS_PER_MS)
#define MAIN_BATCH_IDLE_TICKS (95u * MAIN_TICKS_PER_MS)     /* behind one other frame, still within 100 ms */
#define MAIN_BATCH_FULL_BYTES (24u * RING_SLOT_BYTES)       /* half a frame, half a ring */
#define MAIN_STATUS_TICKS (1000u * MAIN_TICKS_PER_MS)

struct board board;

const struct tick *state_now(void)
{
    tick_advance(&board.clock, clock_now());
    return &board.clock;
}

INLINE_NEVER static void main_send_status(void)
{
    const uint8_t flags = (uint8_t)(board.store.flags | (board.streaming ? WIRE_FLAG_STREAMING : 0u));
    uint8_t input;

    host_begin(WIRE_STATUS);
    message_tick(state_now());
    message_u8(flags);
    message_u16(supply_mv(ADC, BOARD_REFERENCE_MV));
    message_u16(board.damaged);
    for (input = 0; input < WIRE_INPUTS; input++) {
        message_u32_at(&board.batch.input[input].overruns);
        message_u16(inputs_flood[input].count);
        message_u32(batch_take_shortest(&board.batch, input));
    }
    ADCSRA |= _BV(ADSC);           /* the reading of the next status */
    host_send();
}

static bool main_send_masked(void)
{
    uint8_t input;

    for (input = 0; input < WIRE_INPUTS; input++) {
        struct flood *flood = &inputs_flood[input];

        INLINE_POINTER(flood);
        if (flood->state == FLOOD_ENDED) {
            flood->state = FLOOD_OPEN;
            batch_release(&board.batch, input);
            if (board.streaming) {
                host_begin(WIRE_MASKED);
                message_masked(input, state_now(), flood->from_ticks, flood->until_ticks);
                host_send();
                return true;
            }
        }
    }
    return false;
}

/* While nobody listens the rings are emptied; the change to streaming is made at such a moment. */
static void main_discard(void)
{
    struct batch_moment moment;

    if (!inputs_moment(&moment, &board.batch, &board.clock)) {
        return;
    }
    batch_discard(&board.batch, inputs_rings, &moment);
    board.streaming = board.stream_wanted && !inputs_any_closed();
    board.batch_sent_ticks = moment.now.low;
}

INLINE_NEVER static void main_send_batch(void)
{
    struct batch_moment moment;
    uint32_t oldest_age_ticks;
    const uint32_t now_ticks = clock_now();
    const uint8_t waiting = batch_waiting(inputs_rings, now_ticks, &oldest_age_ticks);
    const uint32_t due_age_ticks = board.fast ? MAIN_BATCH_AGE_FAST_TICKS : MAIN_BATCH_AGE_SLOW_TICKS;

    if (!board.fast && uart_sending() && waiting < MAIN_BATCH_FULL_BYTES) {
        return;                    /* waiting behind another frame on the slow line only makes a batch older */
    }
    if (waiting < MAIN_BATCH_FULL_BYTES && oldest_age_ticks < due_age_ticks
        && now_ticks - board.batch_sent_ticks < MAIN_BATCH_IDLE_TICKS) {
        return;
    }
    if (!inputs_moment(&moment, &board.batch, &board.clock)) {
        return;
    }
    batch_write(&board.batch, inputs_rings, &moment, uart_buffer(), board.sequence++);
    host_send();
    board.batch_sent_ticks = now_ticks;
}

/* Chooses what goes on the line next; the line is free. */
INLINE_NEVER static void main_speak(void)
{
    if (board.pong_due) {
        if (uart_idle()) {
            host_send_pong();
        }
        return;
    }
    if (board.hello_due) {
        board.hello_due = false;
        host_send_hello(false, 0);
        return;
    }
    if (host_receive() || host_answer_stored() || main_send_masked()) {
        return;
    }
    if (state_now()->low - board.status_sent_ticks >= MAIN_STATUS_TICKS) {
        board.status_sent_ticks += MAIN_STATUS_TICKS;
        main_send_status();
        return;
    }
    if (board.streaming) {
        main_send_batch();
    }
}

static void main_start(void)
{
    static const uint8_t latency_ticks[WIRE_INPUTS] FLASH = BOARD_LATENCIES_TICKS;

    cli();
    store_load(&board.store, &board.config);
    batch_init(&board.batch, latency_ticks);
    clock_start();
    board.fast = board.config.baud == CONFIG_BAUD_FAST;
    ADMUX = BOARD_SUPPLY_CHANNEL;
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
    ADCSRA |= _BV(ADSC);
    inputs_configure(&board.batch, &board.config);
    instrument_start();
    board.hello_due = true;
    set_sleep_mode(SLEEP_MODE_IDLE);
    reset_watch();
    uart_start(board.fast);      /* last: the receiver holds three bytes, 0.06 ms of a host that talks already */
    sei();
}

int main(void)
{
    main_start();
    for (;;) {
        reset_alive();
        inputs_watch(&board.batch);
        host_store();
        instrument_go_on();
        if (board.streaming && !board.stream_wanted) {
            board.streaming = false;
        }
        if (!board.streaming) {
            main_discard();
        }
        if (uart_buffer() != NULL) {
            main_speak();
        }
        sleep_mode();                /* any interrupt ends it; the flood window's comes every 0.5 ms */
    }
}
