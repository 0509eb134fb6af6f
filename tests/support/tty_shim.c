/* What a pseudo terminal lacks and a serial port has: lines of the modem, parity, bits and stop bits that stay as they
 * were set. Calls of the C library are answered here and handed on to the kernel; linked into a test, or loaded in
 * front of a program (LD_PRELOAD). The environment says what the port is like: SOAKBENCH_TTY=keeps (a full port) or
 * drops (a driver that takes every setting and keeps no parity). */
#define _GNU_SOURCE
#include <errno.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <termios.h>
#include <unistd.h>

#include "tty_room.h"

enum { PORTS = 8 };

/* A port keeps its settings however it is opened: by device, in the memory of the process. */
static struct {
    dev_t device;
    tcflag_t kept;
} ports[PORTS];
static int modem_calls;

static const tcflag_t frame_flags = CSIZE | CSTOPB | PARENB | PARODD;

int tty_shim_modem_calls(void)
{
    return modem_calls;
}

/* The place of a port's frame flags; NULL when it is no terminal, or there is no room. */
static tcflag_t *kept_of(int fd)
{
    struct stat st;
    if (fstat(fd, &st) != 0 || !S_ISCHR(st.st_mode))
        return NULL;
    for (int i = 0; i < PORTS; i++) {
        if (ports[i].device == 0) {
            ports[i].device = st.st_rdev;
            ports[i].kept = CS8;
        }
        if (ports[i].device == st.st_rdev)
            return &ports[i].kept;
    }
    return NULL;
}

static int keeps(void)
{
    const char *kind = getenv("SOAKBENCH_TTY");
    return kind != NULL && strcmp(kind, "keeps") == 0;
}

int ioctl(int fd, unsigned long request, ...)
{
    va_list list;
    va_start(list, request);
    void *argument = va_arg(list, void *);
    va_end(list);
    long result = syscall(SYS_ioctl, fd, request, argument);
    bool modem = request == TIOCMGET || request == TIOCMSET || request == TIOCMBIS || request == TIOCMBIC;
    if (!modem || result == 0 || (errno != ENOTTY && errno != EINVAL))
        return (int)result;
    modem_calls++;
    if (request == TIOCMGET)
        *(int *)argument = TIOCM_CTS | TIOCM_DSR | TIOCM_CAR;
    return 0;
}

int tcgetattr(int fd, struct termios *tio)
{
    /* The kernel's own structure ends before the speeds of the C library's. */
    struct {
        tcflag_t iflag, oflag, cflag, lflag;
        cc_t line, cc[19];
    } kernel;
    if (syscall(SYS_ioctl, fd, TCGETS, &kernel) != 0)
        return -1;
    memset(tio, 0, sizeof *tio);
    tio->c_iflag = kernel.iflag;
    tio->c_oflag = kernel.oflag;
    tio->c_cflag = kernel.cflag;
    tio->c_lflag = kernel.lflag;
    memcpy(tio->c_cc, kernel.cc, sizeof kernel.cc);
    tio->c_ispeed = tio->c_ospeed = kernel.cflag & (CBAUD | CBAUDEX);
    const tcflag_t *kept = keeps() ? kept_of(fd) : NULL;
    if (kept != NULL)
        tio->c_cflag = (tio->c_cflag & ~frame_flags) | *kept;
    return 0;
}

int tcsetattr(int fd, int when, const struct termios *tio)
{
    struct {
        tcflag_t iflag, oflag, cflag, lflag;
        cc_t line, cc[19];
    } kernel = {.iflag = tio->c_iflag, .oflag = tio->c_oflag, .cflag = tio->c_cflag, .lflag = tio->c_lflag};
    memcpy(kernel.cc, tio->c_cc, sizeof kernel.cc);
    if (syscall(SYS_ioctl, fd, when == TCSANOW ? TCSETS : when == TCSADRAIN ? TCSETSW : TCSETSF, &kernel) != 0)
        return -1;
    tcflag_t *kept = kept_of(fd);
    if (kept != NULL)
        *kept = tio->c_cflag & frame_flags;
    return 0;
}
