/* Serves a virtual bench over sockets and pseudo terminals, in one thread, on a scaled clock. */
#ifndef VB_SERVE_H
#define VB_SERVE_H

#include <stdbool.h>

#include "vbench.h"

struct vb_serve;

/* Opens what the scenario's buses ask for. Returns NULL with a reason. The bench stays the caller's. */
struct vb_serve *vb_serve_new(struct vbench *vb, struct vbench_error *err);
void vb_serve_free(struct vb_serve *s);

/* Writes one line a bus, name=port or name=path, to a file that appears all at once (NULL: to stdout). 0
 * or -1. */
int vb_serve_ready(const struct vb_serve *s, const char *path);

/* Serves until the signal descriptor becomes readable. verbose: tells on stdout what happens. 0, or -1 when polling
 * failed. */
int vb_serve_run(struct vb_serve *s, int signal_fd, bool verbose);

#endif
