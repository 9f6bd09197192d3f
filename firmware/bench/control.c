#define _GNU_SOURCE
#include "control.h"

#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "commands.h"

void control_event(const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    fputs("event ", stdout);
    vprintf(format, arguments);
    va_end(arguments);
    putchar('\n');
    fflush(stdout);
}

bool control_open(struct control *control, const char *path)
{
    control->used = 0;
    control->input = -1;
    if (strcmp(path, "none") == 0) { return true; }
    control->input = strcmp(path, "-") == 0 ? STDIN_FILENO : open(path, O_RDWR | O_CLOEXEC);
    if (control->input < 0) {
        fprintf(stderr, "board: %s: cannot read commands from it: %s\n", path, strerror(errno));
        return false;
    }
    fcntl(control->input, F_SETFL, fcntl(control->input, F_GETFL) | O_NONBLOCK);
    return true;
}

void control_read(struct control *control, struct board *board)
{
    char bytes[1024];
    while (control->input >= 0 && !board->stopped) {
        const ssize_t count = read(control->input, bytes, sizeof bytes);
        if (count < 0) { return; }
        if (count == 0) {
            board->stopped = true;           /* whoever commanded us has gone */
            return;
        }
        for (ssize_t n = 0; n < count; n++) {
            if (bytes[n] == '\n') {
                control->line[control->used] = '\0';
                control->used = 0;
                commands_obey(board, control->line);
            } else if (control->used < sizeof control->line - 1) {
                control->line[control->used++] = bytes[n];
            }
        }
    }
}
