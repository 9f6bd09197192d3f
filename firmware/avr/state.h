/* What does the board know of itself?  One struct, used by the main loop and by nothing that interrupts it. */
#ifndef STATE_H
#define STATE_H

#include <stdbool.h>
#include <stdint.h>

#include "batch.h"
#include "slots.h"
#include "frame.h"
#include "tick.h"

struct board {
    struct tick clock;
    struct batch batch;
    struct config config;
    struct slots store;
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
    bool request_waits;            /* the decoder's request is answered when the EEPROM has taken it */
    bool stored;                   /* it has, or could not: stored_code tells */
    uint8_t stored_code;
};

extern struct board board;

/* The time now, in board.clock. */
const struct tick *state_now(void);

#endif
