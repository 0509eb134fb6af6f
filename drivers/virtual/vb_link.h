/* One connection or terminal of soakbench-virtual: bytes in, requests out of them, answers (spoilt where the scenario
 * says so) at their time. */
#ifndef VB_LINK_H
#define VB_LINK_H

#include <stddef.h>
#include <stdint.h>

#include "vbench.h"

enum { VB_LINK_IN = 600, VB_LINK_OUT = 2048 };

struct vb_link {
    int fd; /* -1: not in use */
    int bus;
    uint8_t in[VB_LINK_IN];
    size_t in_size;
    int64_t last_ns; /* of the last byte that came, real time */
    uint8_t out[VB_LINK_OUT];
    size_t out_size;
    int64_t due_ns;   /* when the output may leave, real time */
    int64_t pause_ns; /* between bytes that dribble; 0: all at once */
};

/* Takes what has come and answers it. 0, or -1 when the other side is gone. */
int vb_link_read(struct vb_link *l, struct vbench *vb, int64_t now_ns);

/* Sends what is due, and ends a serial frame by its silence. 0, or -1 when the other side is gone. */
int vb_link_run(struct vb_link *l, struct vbench *vb, int64_t now_ns);

/* Queues bytes; when the queue is full they are lost, as on a line without flow control. */
void vb_link_say(struct vb_link *l, const void *bytes, size_t size, int64_t due_ns);

/* Real time at which vb_link_run() has something to do; INT64_MAX: nothing. */
int64_t vb_link_due_ns(const struct vb_link *l);

#endif
