#define _GNU_SOURCE
#include "pty.h"

#include <asm/termbits.h>      /* termios2 tells the speed as a number; its header excludes <termios.h> */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

enum { BRIDGE_BUFFER = 4096 };           /* what a serial bridge holds for a slow host before it loses bytes */
#define SETTLE_S 0.3                     /* a host that has not made the port raw by then never will */

static bool point_link(const struct pty *pty)
{
    if (pty->link == NULL) { return true; }
    char spare[512];
    snprintf(spare, sizeof spare, "%s.new", pty->link);
    unlink(spare);
    if (symlink(pty->path, spare) != 0 || rename(spare, pty->link) != 0) {
        fprintf(stderr, "board: %s: cannot make the link: %s\n", pty->link, strerror(errno));
        return false;
    }
    return true;
}

static int open_master(char *path, size_t size)
{
    const int master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (master < 0 || grantpt(master) != 0 || unlockpt(master) != 0 || ptsname_r(master, path, size) != 0) {
        fprintf(stderr, "board: no pseudo-terminal: %s\n", strerror(errno));
        if (master >= 0) { close(master); }
        return -1;
    }
    return master;
}

bool pty_plug(struct pty *pty)
{
    char former[sizeof pty->path];
    memcpy(former, pty->path, sizeof former);
    int master = open_master(pty->path, sizeof pty->path);
    if (master >= 0 && strcmp(former, pty->path) == 0) {       /* the system hands out the lowest free name */
        const int other = open_master(pty->path, sizeof pty->path);
        close(master);
        master = other;
    }
    if (master < 0) { return false; }
    const int once = open(pty->path, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (once >= 0) { close(once); }      /* only a port that was open once reports that nobody has it open */
    pty->master = master;
    pty->open = pty->held = false;
    pty->used = 0;
    return point_link(pty);
}

void pty_unplug(struct pty *pty)
{
    if (pty->master < 0) { return; }
    close(pty->master);
    pty->master = -1;
    pty->open = pty->held = false;
    pty->used = 0;
    if (pty->link != NULL) { unlink(pty->link); }
}

static bool is_raw(int fd)
{
    struct termios2 settings;
    return ioctl(fd, TCGETS2, &settings) == 0 && !(settings.c_lflag & (ICANON | ECHO));
}

static void make_raw(int fd)
{
    struct termios2 settings;
    if (ioctl(fd, TCGETS2, &settings) != 0) { return; }
    settings.c_iflag = 0;
    settings.c_oflag = 0;
    settings.c_lflag = 0;
    ioctl(fd, TCSETS2, &settings);
}

bool pty_look(struct pty *pty, double now_s)
{
    if (pty->master < 0) { return false; }
    struct pollfd look = { .fd = pty->master, .events = POLLIN };
    poll(&look, 1, 0);
    const bool held = !(look.revents & POLLHUP);
    if (!held) {
        pty->open = pty->held = false;
        pty->used = 0;
        return false;
    }
    if (!pty->held) {
        pty->held = true;
        pty->held_since_s = now_s;
    }
    if (pty->open) { return false; }
    if (!is_raw(pty->master)) {
        if (now_s - pty->held_since_s < SETTLE_S) { return false; }
        make_raw(pty->master);
    }
    pty->open = true;
    pty->opens++;
    return true;
}

unsigned pty_baud(const struct pty *pty)
{
    struct termios2 settings;
    if (pty->master < 0 || ioctl(pty->master, TCGETS2, &settings) != 0) { return 0; }
    return settings.c_ospeed;
}

size_t pty_read(struct pty *pty, uint8_t *bytes, size_t room)
{
    if (pty->master < 0 || !pty->held || room == 0) { return 0; }
    const ssize_t count = read(pty->master, bytes, room);
    return count > 0 ? (size_t)count : 0;
}

void pty_byte(void *param, uint8_t byte)
{
    struct pty *pty = param;
    if (!pty->open) {
        pty->bytes_unheard++;
    } else if (pty->used < (pty->lossy ? BRIDGE_BUFFER : PTY_BUFFER)) {
        pty->buffer[pty->used++] = byte;
    } else {
        pty->bytes_lost++;
    }
}

void pty_flush(struct pty *pty)
{
    if (pty->master < 0 || !pty->open || pty->used == 0) { return; }
    const ssize_t count = write(pty->master, pty->buffer, pty->used);
    if (count > 0) {
        pty->used -= (size_t)count;
        memmove(pty->buffer, pty->buffer + count, pty->used);
    }
}

bool pty_must_wait(const struct pty *pty)
{
    return !pty->lossy && pty->open && pty->used > PTY_BUFFER / 2;
}
