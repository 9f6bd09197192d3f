/* What does the host ask, and what is it told?  See host.h. */
#include "host.h"

#include "board.h"
#include "clock.h"
#include "inline.h"
#include "inputs.h"
#include "instrument.h"
#include "reset.h"
#include "state.h"
#include "store.h"
#include "uart.h"

void host_begin(uint8_t type)
{
    message_begin(uart_buffer(), type, board.sequence++);
}

INLINE_NEVER void host_send(void)
{
    (void)message_close();
    uart_send(message.line);
}

INLINE_NEVER void host_send_hello(bool answered, uint8_t asked)
{
    const struct message_hello hello = {
        .board_kind = BOARD_KIND,
        .reset_cause = reset_cause(),
        .asked = asked,
        .answered = answered,
        .now = state_now(),
        .board_id = &board.config.board_id,
        .config_generation = &board.store.generation,
    };

    host_begin(WIRE_HELLO);
    message_hello(&hello);
    host_send();
}

INLINE_NEVER static void host_send_result(uint8_t asked, uint8_t request, uint8_t code)
{
    host_begin(WIRE_RESULT);
    message_result(asked, request, code);
    host_send();
}

/* The delimiter leaves at the moment that the frame behind it tells. */
void host_send_pong(void)
{
    tick_advance(&board.clock, uart_send_delimiter());
    board.pong_due = false;
    host_begin(WIRE_PONG);
    message_pong(board.pong_asked, board.pong_received_ticks, &board.clock);
    host_send();
}

static void host_send_config(const struct message_request *request)
{
    uint8_t at;

    if (request->count == 0u || request->count > WIRE_CONFIG_READ_MAX || request->offset > CONFIG_LENGTH
        || request->count > CONFIG_LENGTH - request->offset) {
        host_send_result(request->sequence, request->type, WIRE_BAD_VALUE);
        return;
    }
    host_begin(WIRE_CONFIG_DATA);
    message_config_data(request->sequence, &board.store.generation, CONFIG_LENGTH, request->offset);
    for (at = 0; at < request->count; at++) {
        message_u8(slots_byte(&board.store, &board.config, (uint8_t)(request->offset + at)));
    }
    host_send();
}

/* Answers a request; the line is free. */
static void host_serve(const struct message_request *request, uint8_t code)
{
    if (code == WIRE_OK) {
        switch (request->type) {
        case WIRE_ASK_HELLO:
            host_send_hello(true, request->sequence);
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
            board.stream_wanted = request->on != 0u;
            break;
        case WIRE_CONFIG_READ:
            host_send_config(request);
            return;
        case WIRE_CONFIG_WRITE:
            code = slots_stage(&board.store, request->offset, request->bytes, message_write_bytes(board.decoder.length));
            break;
        case WIRE_CONFIG_COMMIT:
            code = slots_commit(&board.store, request->offset, request->crc);
            break;
        default:
            break;
        }
    }
    if (board.store.work != SLOTS_IDLE) {
        board.request_waits = true;
        return;
    }
    host_send_result(request->sequence, request->type, code);
}

/* Takes received bytes up to the first frame that needs the line.  True when one was answered. */
bool host_receive(void)
{
    uint8_t byte;

    if (board.store.work != SLOTS_IDLE || board.request_waits) {
        return false;                /* the EEPROM cannot be read, and a request's bytes stand in the decoder */
    }
    while (uart_take(&byte)) {
        switch (frame_feed(&board.decoder, byte)) {
        case FRAME_READY: {
            const struct message_request *request = (const struct message_request *)board.decoder.bytes;

            host_serve(request, message_check(request, board.decoder.length));
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

INLINE_NEVER void host_store(void)
{
    const enum slots_work work = board.store.work;

    if (work == SLOTS_IDLE || !store_continue(&board.store, &board.config, &board.stored_code)) {
        return;
    }
    board.stored = board.request_waits;
    if (work == SLOTS_SEALING && board.stored_code == WIRE_OK && !board.store.local) {
        inputs_configure(&board.batch, &board.config);
        instrument_begin();
    }
}

bool host_answer_stored(void)
{
    if (!board.stored) {
        return false;
    }
    board.stored = false;
    board.request_waits = false;
    host_send_result(board.decoder.bytes[1], board.decoder.bytes[0], board.stored_code);
    return true;
}
