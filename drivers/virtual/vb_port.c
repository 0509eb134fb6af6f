#define _XOPEN_SOURCE 700 /* posix_openpt and its family */
#include "vb_port.h"

#include <arpa/inet.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

static int unblock(int fd)
{
    int flags = fcntl(fd, F_GETFL);
    return flags < 0 ? -1 : fcntl(fd, F_SETFL, flags | O_NONBLOCK);
}

int vb_port_listen(int *port)
{
    const int on = 1;
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_port = htons((uint16_t)*port)};
    socklen_t size = sizeof at;
    at.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return -1;
    if (setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on) != 0 ||
        bind(fd, (const struct sockaddr *)&at, sizeof at) != 0 || listen(fd, 16) != 0 || unblock(fd) != 0 ||
        getsockname(fd, (struct sockaddr *)&at, &size) != 0) {
        close(fd);
        return -1;
    }
    *port = ntohs(at.sin_port);
    return fd;
}

int vb_port_accept(int listener)
{
    const int on = 1;
    int fd = accept(listener, NULL, NULL);
    if (fd < 0)
        return -1;
    if (unblock(fd) != 0 || fcntl(fd, F_SETFD, FD_CLOEXEC) != 0 ||
        setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on) != 0) {
        close(fd);
        return -1;
    }
    return fd;
}

static int make_raw(int fd)
{
    struct termios t;
    if (tcgetattr(fd, &t) != 0)
        return -1;
    t.c_iflag &= ~(tcflag_t)(IGNBRK | BRKINT | PARMRK | ISTRIP | INLCR | IGNCR | ICRNL | IXON);
    t.c_oflag &= ~(tcflag_t)OPOST;
    t.c_lflag &= ~(tcflag_t)(ECHO | ECHONL | ICANON | ISIG | IEXTEN);
    t.c_cflag = (t.c_cflag & ~(tcflag_t)(CSIZE | PARENB)) | CS8;
    t.c_cc[VMIN] = 1;
    t.c_cc[VTIME] = 0;
    return tcsetattr(fd, TCSANOW, &t);
}

static int make_link(const char *path, const char *link)
{
    struct stat st;
    /* Only ever a link of an earlier run is replaced, no file. */
    if (lstat(link, &st) == 0 && (!S_ISLNK(st.st_mode) || unlink(link) != 0))
        return -1;
    return symlink(path, link);
}

int vb_port_pty(char *path, size_t cap, const char *link, int *other)
{
    int fd = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    *other = -1;
    if (fd < 0)
        return -1;
    if (grantpt(fd) != 0 || unlockpt(fd) != 0)
        goto failed;
    const char *name = ptsname(fd);
    if (!name || strlen(name) >= cap)
        goto failed;
    snprintf(path, cap, "%s", name);
    *other = open(path, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (*other < 0 || make_raw(*other) != 0 || unblock(fd) != 0)
        goto failed;
    if (*link && make_link(path, link) != 0)
        goto failed;
    return fd;
failed:
    if (*other >= 0)
        close(*other);
    *other = -1;
    close(fd);
    return -1;
}
