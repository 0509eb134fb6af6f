#include "vb_serve.h"

#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "vb_frame.h"
#include "vb_link.h"
#include "vb_port.h"
#include "vb_world.h"

enum { LINKS = 96, POLL_MS = 20 };

struct vb_serve {
    struct vbench *vb;
    int64_t start_ns;
    int listener[BUSES_MAX], port[BUSES_MAX], other[BUSES_MAX];
    char path[BUSES_MAX][64];
    size_t told;
    struct vb_link link[LINKS];
};

static int64_t monotonic_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * VB_S + t.tv_nsec;
}

static struct vb_link *free_link(struct vb_serve *s)
{
    for (int i = 0; i < LINKS; i++)
        if (s->link[i].fd < 0)
            return &s->link[i];
    return NULL;
}

static void open_link(struct vb_serve *s, int fd, int bus)
{
    struct vb_link *l = free_link(s);
    if (!l) {
        close(fd); /* full: the newcomer is turned away */
        return;
    }
    memset(l, 0, sizeof *l);
    l->fd = fd;
    l->bus = bus;
}

static void close_link(struct vb_link *l)
{
    if (l->fd >= 0)
        close(l->fd);
    l->fd = -1;
}

static int open_bus(struct vb_serve *s, int b)
{
    struct vb_bus *bus = &s->vb->bus[b];
    if (bus->kind == VB_MODBUS_TCP || bus->kind == VB_TEXT_TCP) {
        s->port[b] = s->port[b] ? s->port[b] : bus->port;
        s->listener[b] = vb_port_listen(&s->port[b]);
        return s->listener[b] < 0 ? -1 : 0;
    }
    int fd = vb_port_pty(s->path[b], sizeof s->path[b], bus->link, &s->other[b]);
    if (fd < 0)
        return -1;
    open_link(s, fd, b);
    return 0;
}

struct vb_serve *vb_serve_new(struct vbench *vb, struct vbench_error *err)
{
    struct vb_serve *s = calloc(1, sizeof *s);
    if (!s) {
        snprintf(err->text, sizeof err->text, "out of memory");
        return NULL;
    }
    s->vb = vb;
    for (int i = 0; i < LINKS; i++)
        s->link[i].fd = -1;
    for (int b = 0; b < BUSES_MAX; b++)
        s->listener[b] = s->other[b] = -1;
    for (int b = 0; b < vb->bus_count; b++) {
        if (open_bus(s, b) == 0)
            continue;
        snprintf(err->text, sizeof err->text, "bus %s: %s", vb->bus[b].name, strerror(errno));
        vb_serve_free(s);
        return NULL;
    }
    s->start_ns = monotonic_ns();
    vbench_start(vb, 0);
    return s;
}

static void close_bus(struct vb_serve *s, int b)
{
    for (int i = 0; i < LINKS; i++)
        if (s->link[i].fd >= 0 && s->link[i].bus == b)
            close_link(&s->link[i]);
    if (s->listener[b] >= 0)
        close(s->listener[b]);
    if (s->other[b] >= 0)
        close(s->other[b]);
    if (*s->vb->bus[b].link && s->path[b][0])
        unlink(s->vb->bus[b].link);
    s->listener[b] = s->other[b] = -1;
    s->path[b][0] = '\0';
}

void vb_serve_free(struct vb_serve *s)
{
    for (int b = 0; b < s->vb->bus_count; b++)
        close_bus(s, b);
    free(s);
}

static int list_buses(const struct vb_serve *s, FILE *f)
{
    for (int b = 0; b < s->vb->bus_count; b++) {
        if (s->listener[b] >= 0)
            fprintf(f, "%s=%d\n", s->vb->bus[b].name, s->port[b]);
        else
            fprintf(f, "%s=%s\n", s->vb->bus[b].name, s->path[b]);
    }
    return fflush(f) != 0 || ferror(f) ? -1 : 0;
}

int vb_serve_ready(const struct vb_serve *s, const char *path)
{
    char part[PATH_CAP + 8];
    if (!path)
        return list_buses(s, stdout);
    if (snprintf(part, sizeof part, "%s.part", path) >= (int)sizeof part)
        return -1;
    FILE *f = fopen(part, "w");
    if (!f)
        return -1;
    int bad = list_buses(s, f);
    if (fclose(f) != 0 || bad || rename(part, path) != 0)
        return -1;
    return 0;
}

/* A vanished adapter takes its descriptors along, and comes back under the same name. */
static void vanish_and_return(struct vb_serve *s)
{
    for (int b = 0; b < s->vb->bus_count; b++) {
        bool gone = vb_bus_gone(s->vb, b);
        if (gone && !s->vb->bus[b].gone)
            close_bus(s, b);
        if (gone || !s->vb->bus[b].gone || open_bus(s, b) == 0)
            s->vb->bus[b].gone = gone;
    }
}

static void speak_up(struct vb_serve *s)
{
    char line[160];
    int64_t sent_ns;
    for (int b = 0; b < s->vb->bus_count; b++)
        while (s->vb->bus[b].line_count > 0 &&
               vbench_listen(s->vb, s->vb->bus[b].name, line, sizeof line - 2, &sent_ns) == 1) {
            size_t n = strlen(line);
            memcpy(line + n, "\r\n", 2);
            for (int i = 0; i < LINKS; i++)
                if (s->link[i].fd >= 0 && s->link[i].bus == b)
                    vb_link_say(&s->link[i], line, n + 2, monotonic_ns());
        }
}

static void tell(struct vb_serve *s)
{
    const struct vbench *vb = s->vb;
    if (s->told < vb->forgotten)
        s->told = vb->forgotten;
    for (; s->told < vb->forgotten + vb->happened; s->told++) {
        const struct vbench_happening *one = &vb->happening[s->told - vb->forgotten];
        printf("%10.3f s %s %s\n", (double)one->at_ns / 1e9,
               one->channel >= 0 ? vb->channel[one->channel].name : "bench", vbench_trip_name(one->what));
    }
    fflush(stdout);
}

static int wait_ms(const struct vb_serve *s)
{
    int64_t now = monotonic_ns(), wait = POLL_MS * VB_MS;
    for (int i = 0; i < LINKS; i++) {
        int64_t due = s->link[i].fd >= 0 ? vb_link_due_ns(&s->link[i]) : VB_NEVER;
        if (due != VB_NEVER && due - now < wait)
            wait = due > now ? due - now : 0;
    }
    return (int)((wait + VB_MS - 1) / VB_MS);
}

static void advance(struct vb_serve *s)
{
    vbench_advance(s->vb, (int64_t)((double)(monotonic_ns() - s->start_ns) * s->vb->rate));
}

/* Fills the poll set: the signal, listeners, links; who[] says which link or (negative) which bus. */
static nfds_t poll_set(const struct vb_serve *s, struct pollfd *p, int *who, int signal_fd)
{
    nfds_t n = 0;
    p[n] = (struct pollfd){.fd = signal_fd, .events = POLLIN};
    who[n++] = LINKS;
    for (int b = 0; b < s->vb->bus_count; b++) {
        if (s->listener[b] < 0)
            continue;
        p[n] = (struct pollfd){.fd = s->listener[b], .events = POLLIN};
        who[n++] = -1 - b;
    }
    for (int i = 0; i < LINKS; i++) {
        if (s->link[i].fd < 0)
            continue;
        p[n] = (struct pollfd){.fd = s->link[i].fd, .events = POLLIN};
        who[n++] = i;
    }
    return n;
}

int vb_serve_run(struct vb_serve *s, int signal_fd, bool verbose)
{
    struct pollfd p[1 + BUSES_MAX + LINKS];
    int who[1 + BUSES_MAX + LINKS];
    for (;;) {
        nfds_t n = poll_set(s, p, who, signal_fd);
        if (poll(p, n, wait_ms(s)) < 0 && errno != EINTR)
            return -1;
        advance(s);
        if (p[0].revents)
            return 0;
        for (nfds_t i = 1; i < n; i++) {
            if (!p[i].revents)
                continue;
            if (who[i] < 0) {
                int fd = vb_port_accept(p[i].fd);
                if (fd >= 0)
                    open_link(s, fd, -1 - who[i]);
            } else if (vb_link_read(&s->link[who[i]], s->vb, monotonic_ns()) != 0) {
                close_link(&s->link[who[i]]);
            }
        }
        vanish_and_return(s);
        speak_up(s);
        for (int i = 0; i < LINKS; i++)
            if (s->link[i].fd >= 0 && vb_link_run(&s->link[i], s->vb, monotonic_ns()) != 0)
                close_link(&s->link[i]);
        if (verbose)
            tell(s);
    }
}
