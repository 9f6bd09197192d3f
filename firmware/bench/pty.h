/* Where does the host find the board's serial port? */
#ifndef BENCH_PTY_H
#define BENCH_PTY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define PTY_BUFFER 65536u

struct pty {
    int master;                       /* -1: unplugged */
    char path[64];
    const char *link;                 /* a name that stays, or NULL */
    bool open;                        /* a host has it open and has made it raw: bytes can be understood */
    bool held;                        /* a host has it open, perhaps still setting it up */
    double held_since_s;
    uint8_t buffer[PTY_BUFFER];       /* to the host */
    size_t used;
    bool lossy;                       /* a slow host loses bytes, as behind a serial bridge; else the board waits */
    uint64_t bytes_lost, bytes_unheard, opens;
};

bool pty_plug(struct pty *pty);       /* opens a new one; the path differs from the one before */
void pty_unplug(struct pty *pty);
/* Looks whether a host has come or gone; returns true when one has just come. */
bool pty_look(struct pty *pty, double now_s);
unsigned pty_baud(const struct pty *pty);
size_t pty_read(struct pty *pty, uint8_t *bytes, size_t room);
void pty_byte(void *pty, uint8_t byte);
void pty_flush(struct pty *pty);
bool pty_must_wait(const struct pty *pty);    /* not lossy, and the host has to read before more can be sent */
#endif
