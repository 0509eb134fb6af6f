#define _GNU_SOURCE /* unshare, close_range, pipe2, strerror_r */
#include "loop_disk.h"

#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <linux/fs.h>
#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/mount.h>
#include <sys/wait.h>
#include <unistd.h>

#include "error.h"

static int failed(char *why, size_t cap, const char *what)
{
    char words[128] = "";
    (void)text_format(why, cap, "%s: %s", what, strerror_r(errno, words, sizeof words));
    return -1;
}

/* Runs a program of the system; its words go to `why` when it fails. */
static int run(const char *const argv[], char *why, size_t cap)
{
    int fds[2], status = -1;
    char words[160];
    size_t used = 0;
    if (pipe2(fds, O_CLOEXEC) != 0)
        return failed(why, cap, "pipe");
    pid_t pid = fork();
    if (pid == 0) {
        if (dup2(fds[1], 1) < 0 || dup2(fds[1], 2) < 0)
            _exit(126);
        execv(argv[0], (char *const *)argv);
        _exit(127);
    }
    close(fds[1]);
    for (ssize_t n = 1; n > 0 && used<sizeof words - 1; used += n> 0 ? (size_t)n : 0)
        n = read(fds[0], words + used, sizeof words - 1 - used);
    words[used] = '\0';
    words[strcspn(words, "\n")] = '\0';
    close(fds[0]);
    if (pid < 0 || waitpid(pid, &status, 0) != pid || status != 0) {
        (void)text_format(why, cap, "%s: %s", argv[0], words[0] ? words : "cannot be run");
        return -1;
    }
    return 0;
}

_Noreturn static void wait_and_clear(int pipe_fd, int disk_fd, const char *folder)
{
    char none;
    setsid(); /* a time limit kills the test's process group */
    if (dup2(pipe_fd, 0) < 0 || dup2(disk_fd, 1) < 0)
        _exit(1);
    close_range(2, ~0U, 0);
    while (read(0, &none, 1) > 0)
        ;
    (void)ioctl(1, FITHAW, 0);
    (void)close(1);
    (void)umount2(folder, MNT_DETACH);
    (void)rmdir(folder);
    _exit(0);
}

static int mount_it(struct loop_disk *d, const char *image, char *why, size_t cap)
{
    /* A mount of this process and its children only: it goes when they have gone. */
    if (unshare(CLONE_NEWNS) != 0 || mount("none", "/", NULL, MS_REC | MS_PRIVATE, NULL) != 0) {
        return failed(why, cap, "a mount of one's own");
    }
    const char *const make[] = {"/sbin/mkfs.ext4", "-q", "-F", image, NULL};
    const char *const mount_argv[] = {"/bin/mount", "-o", "loop", image, d->folder, NULL};
    if (run(make, why, cap) != 0 || run(mount_argv, why, cap) != 0)
        return -1;
    d->fd = open(d->folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (d->fd < 0 || ioctl(d->fd, FIFREEZE, 0) != 0 || ioctl(d->fd, FITHAW, 0) != 0) {
        (void)failed(why, cap, "freezing a file system");
        (void)close(d->fd);
        (void)umount2(d->folder, MNT_DETACH);
        return -1;
    }
    return 0;
}

int loop_disk_new(struct loop_disk *d, int megabytes, char *why, size_t cap)
{
    int fds[2];
    char image[PATH_CAP + 8];
    *d = (struct loop_disk){.fd = -1};
    text_copy(d->folder, sizeof d->folder, "/tmp/soakbench-disk-XXXXXX");
    if (!mkdtemp(d->folder))
        return failed(why, cap, d->folder);
    (void)text_format(image, sizeof image, "%s.img", d->folder);
    int fd = open(image, O_CREAT | O_EXCL | O_RDWR | O_CLOEXEC, 0600);
    bool sized = fd >= 0 && ftruncate(fd, (off_t)megabytes * 1024 * 1024) == 0;
    if (fd >= 0)
        close(fd);
    int status = sized ? mount_it(d, image, why, cap) : -1;
    unlink(image); /* the loop device holds it */
    if (status != 0) {
        rmdir(d->folder);
        return -1;
    }
    if (pipe2(fds, O_CLOEXEC) != 0)
        return failed(why, cap, "pipe");
    d->janitor = fork();
    if (d->janitor == 0)
        wait_and_clear(fds[0], d->fd, d->folder);
    close(fds[0]);
    d->janitor_fd = fds[1];
    return 0;
}

void loop_disk_free(struct loop_disk *d)
{
    close(d->fd);
    close(d->janitor_fd);
    waitpid(d->janitor, NULL, 0);
}

void loop_disk_freeze(struct loop_disk *d)
{
    ck_assert_int_eq(ioctl(d->fd, FIFREEZE, 0), 0);
}

void loop_disk_thaw(struct loop_disk *d)
{
    ck_assert_int_eq(ioctl(d->fd, FITHAW, 0), 0);
}
