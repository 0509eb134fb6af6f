#define _GNU_SOURCE /* unshare, posix_openpt */
#include "tty_room.h"

#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mount.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <unistd.h>

#include "error.h"

enum { ROOM_PATH = 128 };

static const char *const nodes[] = {"null", "zero", "full", "random", "urandom", "tty"};

static int give_reason(char *why, size_t cap, const char *what, const char *path)
{
    (void)text_format(why, cap, "%s %s: %s", what, path, strerror(errno));
    return -1;
}

static int write_line(const char *path, const char *line)
{
    int fd = open(path, O_WRONLY | O_CLOEXEC);
    if (fd < 0)
        return -1;
    bool ok = write(fd, line, strlen(line)) == (ssize_t)strlen(line);
    (void)close(fd);
    return ok ? 0 : -1;
}

/* A mount namespace; where that takes more rights than we have, inside a user namespace of our own. */
static int own_namespace(void)
{
    if (unshare(CLONE_NEWNS) == 0)
        return 0;
    char uid[32], gid[32];
    (void)text_format(uid, sizeof uid, "0 %u 1", (unsigned)getuid());
    (void)text_format(gid, sizeof gid, "0 %u 1", (unsigned)getgid());
    return unshare(CLONE_NEWUSER | CLONE_NEWNS) != 0 || write_line("/proc/self/setgroups", "deny") != 0 ||
                   write_line("/proc/self/uid_map", uid) != 0 || write_line("/proc/self/gid_map", gid) != 0
               ? -1
               : 0;
}

/* An empty file at path with another bound over it. */
static int bind_file(const char *from, const char *path)
{
    int fd = open(path, O_CREAT | O_WRONLY | O_CLOEXEC, 0600);
    if (fd < 0 || close(fd) != 0)
        return -1;
    return mount(from, path, NULL, MS_BIND, NULL);
}

/* A /dev of our own, made below a folder and then put over the other. */
static int own_dev(char *why, size_t cap)
{
    char base[] = "/tmp/soakbench-dev-XXXXXX", from[ROOM_PATH], path[ROOM_PATH];
    if (mkdtemp(base) == NULL || mount("none", base, "tmpfs", 0, "size=1m,mode=755") != 0)
        return give_reason(why, cap, "cannot mount memory at", base);
    /* Pseudo terminals of its own as well: the kernel finds them by the place of /dev/ptmx. */
    (void)text_format(path, sizeof path, "%s/pts", base);
    if (mkdir(path, 0755) != 0 || mount("none", path, "devpts", 0, "newinstance,ptmxmode=0666,mode=0600") != 0)
        return give_reason(why, cap, "cannot mount terminals at", path);
    (void)text_format(path, sizeof path, "%s/ptmx", base);
    if (symlink("pts/ptmx", path) != 0)
        return give_reason(why, cap, "cannot make", path);
    (void)text_format(path, sizeof path, "%s/shm", base);
    if (mkdir(path, 0755) != 0 || mount("/dev/shm", path, NULL, MS_BIND | MS_REC, NULL) != 0)
        return give_reason(why, cap, "cannot bind", "/dev/shm");
    for (size_t i = 0; i < sizeof nodes / sizeof nodes[0]; i++) {
        (void)text_format(from, sizeof from, "/dev/%s", nodes[i]);
        (void)text_format(path, sizeof path, "%s/%s", base, nodes[i]);
        if (bind_file(from, path) != 0)
            return give_reason(why, cap, "cannot bind", from);
    }
    (void)text_format(path, sizeof path, "%s/serial", base);
    (void)text_format(from, sizeof from, "%s/serial/by-id", base);
    if (mkdir(path, 0755) != 0 || mkdir(from, 0755) != 0)
        return give_reason(why, cap, "cannot make", from);
    if (mount(base, "/dev", NULL, MS_MOVE, NULL) != 0)
        return give_reason(why, cap, "cannot put over /dev:", base);
    (void)rmdir(base);
    return 0;
}

int tty_room_enter(char *why, size_t cap)
{
    if (own_namespace() != 0 || mount("none", "/", NULL, MS_REC | MS_PRIVATE, NULL) != 0)
        return give_reason(why, cap, "no right to a mount namespace of its own", "");
    if (own_dev(why, cap) != 0)
        return -1;
    if (mount("none", "/sys/class/tty", "tmpfs", 0, "size=1m") != 0)
        return give_reason(why, cap, "cannot mount memory at", "/sys/class/tty");
    return 0;
}

static void names_of(const char *name, const char *by_id, char dev[ROOM_PATH], char sys[ROOM_PATH],
                     char link[ROOM_PATH])
{
    (void)text_format(dev, ROOM_PATH, "/dev/%s", name);
    (void)text_format(sys, ROOM_PATH, "/sys/class/tty/%s", name);
    (void)text_format(link, ROOM_PATH, "/dev/serial/by-id/%s", by_id);
}

static int pull_names(const char *dev, const char *sys, const char *link)
{
    /* Whoever still has it open keeps what he has. */
    int failed = umount2(dev, MNT_DETACH) != 0;
    failed |= unlink(dev) != 0;
    failed |= unlink(sys) != 0;
    failed |= unlink(link) != 0;
    return failed ? -1 : 0;
}

int tty_room_plug(const char *name, const char *by_id)
{
    char dev[ROOM_PATH], sys[ROOM_PATH], link[ROOM_PATH], to[ROOM_PATH];
    names_of(name, by_id, dev, sys, link);
    (void)pull_names(dev, sys, link); /* of a test that failed */
    int fd = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
    ck_assert_msg(fd >= 0 && grantpt(fd) == 0 && unlockpt(fd) == 0, "%s", strerror(errno));
    ck_assert_int_eq(chmod(ptsname(fd), 0666), 0);
    ck_assert_msg(bind_file(ptsname(fd), dev) == 0, "%s: %s", dev, strerror(errno));
    (void)text_format(to, sizeof to, "../../devices/virtual/tty/%s", name);
    ck_assert_int_eq(symlink(to, sys), 0);
    (void)text_format(to, sizeof to, "../../%s", name);
    ck_assert_int_eq(symlink(to, link), 0);
    return fd;
}

void tty_room_pull(const char *name, const char *by_id, int far_fd)
{
    char dev[ROOM_PATH], sys[ROOM_PATH], link[ROOM_PATH];
    names_of(name, by_id, dev, sys, link);
    ck_assert_int_eq(close(far_fd), 0);
    ck_assert_msg(pull_names(dev, sys, link) == 0, "%s: %s", dev, strerror(errno));
}
