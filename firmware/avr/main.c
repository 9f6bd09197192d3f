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
#include "inline.h"
#include "inputs.h"
#include "message.h"
#include "reset.h"
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

struct board {
    struct tick clock;
    struct batch batch;
    struct config config;
    struct config_store store;
    struct frame_decoder decoder;
    uint32_t batch_sent_ticks;
    uint32_t status_sent_ticks;
    uint16_t damaged;              /* frames of the host */
    uint8_t sequence;
    bool fast;                     /* the line */
    bool stream_wanted;
    bool streaming;                /* false until a moment at which no loss is waiting */
    bool hello_due;                /* unasked, after the reset */
    bool pong_due;
    uint8_t pong_asked;
    uint32_t pong_received_ticks;
    bool commit_due;               /* a commit is being written */
    uint8_t commit_asked;
};

static struct board board;

INLINE_NEVER static const struct tick *main_now(void)
{
    tick_advance(&board.clock, clock_now());
    return &board.clock;
}

INLINE_NEVER static void main_begin(struct message *message, uint8_t type)
{
    message_begin(message, uart_buffer(), type, board.sequence++);
}

INLINE_NEVER static void main_send(struct message *message)
{
    (void)message_close(message);
    uart_send(message->line);
}

INLINE_NEVER static void main_send_hello(bool answered, uint8_t asked)
{
    struct message message;
    const struct message_hello hello = {
        .board_kind = BOARD_KIND,
        .reset_cause = reset_cause(),
        .asked = asked,
        .answered = answered,
        .board_id = board.config.board_id,
        .config_generation = board.store.generation,
    };

    main_begin(&message, WIRE_HELLO);
    message_hello(&message, &hello, main_now());
    main_send(&message);
}

INLINE_NEVER static void main_send_result(uint8_t asked, uint8_t request, uint8_t code)
{
    struct message message;

    main_begin(&message, WIRE_RESULT);
    message_result(&message, asked, request, code);
    main_send(&message);
}

INLINE_NEVER static void main_send_status(void)
{
    struct message message;
    const uint8_t flags = (uint8_t)(board.store.flags | (board.streaming ? WIRE_FLAG_STREAMING : 0u));
    uint8_t input;

    main_begin(&message, WIRE_STATUS);
    message_tick(&message, main_now());
    message_u8(&message, flags);
    message_u16(&message, supply_mv(ADC, BOARD_REFERENCE_MV));
    message_u16(&message, board.damaged);
    for (input = 0; input < WIRE_INPUTS; input++) {
        message_u32(&message, board.batch.input[input].overruns);
        message_u16(&message, inputs_flood[input].count);
        message_u32(&message, batch_take_shortest(&board.batch, input));
    }
    ADCSRA |= _BV(ADSC);           /* the reading of the next status */
    main_send(&message);
}

INLINE_NEVER static bool main_send_masked(void)
{
    struct message message;
    uint8_t input;

    for (input = 0; input < WIRE_INPUTS; input++) {
        struct flood *flood = &inputs_flood[input];

        if (flood->report) {
            const struct tick *now = main_now();
            const struct tick from = tick_before(now, flood->from_ticks);
            const struct tick until = tick_before(now, flood->until_ticks);

            flood->report = false;
            batch_release(&board.batch, input);
            if (board.streaming) {
                main_begin(&message, WIRE_MASKED);
                message_masked(&message, input, &from, &until);
                main_send(&message);
                return true;
            }
        }
    }
    return false;
}

/* The delimiter leaves at the moment that the frame behind it tells. */
INLINE_NEVER static void main_send_pong(void)
{
    struct message message;
    struct tick answer;
    struct tick ping;

    tick_advance(&board.clock, uart_send_delimiter());
    answer = board.clock;
    ping = tick_before(&answer, board.pong_received_ticks);
    board.pong_due = false;
    main_begin(&message, WIRE_PONG);
    message_pong(&message, board.pong_asked, &ping, &answer);
    main_send(&message);
}

INLINE_NEVER static void main_send_config(const struct message_request *request)
{
    struct message message;
    uint8_t bytes[CONFIG_LENGTH];

    if (request->count == 0u || request->offset > CONFIG_LENGTH
        || request->count > CONFIG_LENGTH - request->offset) {
        main_send_result(request->sequence, request->type, WIRE_BAD_VALUE);
        return;
    }
    config_pack(&board.config, bytes);
    main_begin(&message, WIRE_CONFIG_DATA);
    message_config_data(&message, request->sequence, board.store.generation, bytes, CONFIG_LENGTH,
                        (uint8_t)request->offset, request->count);
    main_send(&message);
}

/* Answers a request; the line is free. */
INLINE_NEVER static void main_serve(const struct message_request *request, uint8_t code)
{
    if (code == WIRE_OK) {
        switch (request->type) {
        case WIRE_ASK_HELLO:
            main_send_hello(true, request->sequence);
            return;
        case WIRE_PING: {
            uint32_t received_short;

            if (uart_delimiter_short(&received_short)) {
                board.pong_due = true;
                board.pong_asked = request->sequence;
                board.pong_received_ticks = tick_of_short(clock_now(), received_short);
            }
            return;
        }
        case WIRE_STREAM:
            board.stream_wanted = request->stream_on;
            break;
        case WIRE_CONFIG_READ:
            main_send_config(request);
            return;
        case WIRE_CONFIG_WRITE:
            code = config_stage(&board.store, request->offset, request->bytes, request->count);
            break;
        case WIRE_CONFIG_COMMIT:
            if (board.commit_due) {
                code = WIRE_NOT_SAVED;
            } else {
                code = config_commit(&board.store, request->length, request->crc);
            }
            if (code == WIRE_OK) {
                board.commit_due = true;
                board.commit_asked = request->sequence;
                return;              /* answered when it is written */
            }
            break;
        default:
            break;
        }
    }
    main_send_result(request->sequence, request->type, code);
}

/* Takes received bytes up to the first frame that needs the line.  True when one was answered. */
INLINE_NEVER static bool main_receive(void)
{
    uint8_t byte;

    while (uart_take(&byte)) {
        switch (frame_feed(&board.decoder, byte)) {
        case FRAME_READY: {
            struct message_request request;
            const uint8_t code = message_parse(board.decoder.bytes, board.decoder.length, &request);

            main_serve(&request, code);
            return true;
        }
        case FRAME_DAMAGED:
            if (board.damaged != UINT16_MAX) {
                board.damaged++;
            }
            break;
        case FRAME_NONE:
            break;
        }
    }
    return false;
}

INLINE_NEVER static bool main_commit(void)
{
    if (!board.commit_due || !store_continue(&board.store)) {
        return false;
    }
    {
        const uint8_t code = store_finish(&board.store, &board.config);

        if (code == WIRE_OK) {
            inputs_configure(&board.batch, &board.config);
        }
        board.commit_due = false;
        main_send_result(board.commit_asked, WIRE_CONFIG_COMMIT, code);
    }
    return true;
}

/* While nobody listens the rings are emptied; the change to streaming is made at such a moment. */
INLINE_NEVER static void main_discard(void)
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
    struct message message;
    struct batch_moment moment;
    uint32_t oldest_age_ticks;
    const uint32_t now_ticks = clock_now();
    const uint8_t waiting = batch_waiting(inputs_rings, now_ticks, &oldest_age_ticks);

    if (!board.fast && uart_sending() && waiting < MAIN_BATCH_FULL_BYTES) {
        return;                    /* waiting behind another frame on the slow line only makes a batch older */
    }
    if (waiting < MAIN_BATCH_FULL_BYTES && oldest_age_ticks < (board.fast ? MAIN_BATCH_AGE_FAST_TICKS : MAIN_BATCH_AGE_SLOW_TICKS)
        && now_ticks - board.batch_sent_ticks < MAIN_BATCH_IDLE_TICKS) {
        return;
    }
    if (!inputs_moment(&moment, &board.batch, &board.clock)) {
        return;
    }
    batch_write(&board.batch, inputs_rings, &moment, &message, uart_buffer(), board.sequence++);
    main_send(&message);
    board.batch_sent_ticks = now_ticks;
}

/* Chooses what goes on the line next; the line is free. */
INLINE_NEVER static void main_speak(void)
{
    if (board.pong_due) {
        if (uart_idle()) {
            main_send_pong();
        }
        return;
    }
    if (board.hello_due) {
        board.hello_due = false;
        main_send_hello(false, 0);
        return;
    }
    if (main_receive() || main_commit() || main_send_masked()) {
        return;
    }
    if (main_now()->low - board.status_sent_ticks >= MAIN_STATUS_TICKS) {
        board.status_sent_ticks += MAIN_STATUS_TICKS;
        main_send_status();
        return;
    }
    if (board.streaming) {
        main_send_batch();
    }
}

INLINE_NEVER static void main_start(void)
{
    static const uint16_t latency_ticks[WIRE_INPUTS] = { 0, BOARD_LATENCY_TICKS, BOARD_LATENCY_TICKS };

    cli();
    store_load(&board.store, &board.config);
    batch_init(&board.batch, latency_ticks);
    clock_start();
    board.fast = board.config.baud == CONFIG_BAUD_FAST;
    uart_start(board.fast);
    ADMUX = _BV(REFS0) | _BV(MUX3) | _BV(MUX2) | _BV(MUX1);     /* the reference, measured against the supply */
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
    ADCSRA |= _BV(ADSC);
    inputs_configure(&board.batch, &board.config);
    board.hello_due = true;
    set_sleep_mode(SLEEP_MODE_IDLE);
    reset_watch();
    sei();
}

int main(void)
{
    main_start();
    for (;;) {
        reset_alive();
        inputs_watch(&board.batch);
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
