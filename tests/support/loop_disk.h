/* A file system of a test's own, in a file behind a loop device, that can be frozen: what writes to it hangs until it
 * is thawed, as on a disk that has gone away. Needs the rights to mount. A process of its own thaws and takes it away
 * when the test's process has ended, however it ended. */
#ifndef LOOP_DISK_H
#define LOOP_DISK_H

#include <stdbool.h>
#include <stddef.h>

#include "capacity.h"

struct loop_disk {
    char folder[PATH_CAP]; /* where it is mounted */
    int fd;                /* of that folder */
    int janitor_fd;
    int janitor;
};

/* Returns 0; -1 with the reason when this computer or this user cannot do it. */
int loop_disk_new(struct loop_disk *d, int megabytes, char *why, size_t cap);
void loop_disk_free(struct loop_disk *d);

/* Both fail the test when they fail. */
void loop_disk_freeze(struct loop_disk *d);
void loop_disk_thaw(struct loop_disk *d);

#endif
