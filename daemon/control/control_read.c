/* Requests that need the record. A disk that hangs holds whoever reads from it, so that nothing is read in the server's
 * thread: such a request waits in a list, control_read_once reads for it, in a thread of its own, and the server's
 * thread finishes it. All lists are bounded; what does not fit is answered "busy" at once, so that a client whose reads
 * hang can still send an order to end over the same connection. */
#include <errno.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "server.h"

static void read_free(struct read_job *job)
{
    if (!job)
        return;
    json_decref((json_t *)job->d.body);
    json_decref(job->d.result);
    free(job->d.order);
    free(job->d.file);
    free(job);
}

static void append(struct read_list *list, struct read_job *job)
{
    job->next = NULL;
    if (list->last)
        list->last->next = job;
    else
        list->first = job;
    list->last = job;
}

static struct read_job *take(struct control *c, struct read_list *list)
{
    pthread_mutex_lock(&c->lock);
    struct read_job *job = list->first;
    if (job) {
        list->first = job->next;
        if (!list->first)
            list->last = NULL;
    }
    pthread_mutex_unlock(&c->lock);
    return job;
}

/* Puts it on the list of what is to be read. Returns -1 when there are too many. */
static int put_to_read(struct control *c, struct read_job *job)
{
    int result = -1;
    pthread_mutex_lock(&c->lock);
    if (c->read_count < READS_MAX) {
        c->read_count++;
        append(&c->to_read, job);
        result = 0;
    }
    pthread_mutex_unlock(&c->lock);
    if (result == 0)
        server_wake(c->read_fd);
    return result;
}

/* Ends the request unless what was done with it left it to engine or journal thread. */
static void finish(struct control *c, struct pending *p, struct doing *d, int result)
{
    uint64_t request = p->request;
    if (result != 0)
        server_send(c, p->client, protocol_refused(p->id, &d->err, NULL));
    if (p->request == request && (result != 0 || !d->handed_on))
        server_forget(c, p);
}

static void finish_request(struct control *c, struct pending *p, struct doing *d, int result)
{
    server_from_reading(c, p);
    p->asked_ns = c->hooks.real_ns(c->hooks.ctx); /* what comes now has its own time limit */
    d->pending = p;
    finish(c, p, d, result == 0 ? d->finish(d) : result);
}

/* The channel that a start names; -1: none, or none of this bench, and the reading says so. */
static int32_t channel_named(const struct doing *d)
{
    const char *name = json_string_value(json_object_get(d->body, "channel"));
    return name ? bench_channel_find(d->c->hooks.bench, name) : -1;
}

int server_read(struct doing *d, int (*read)(struct doing *d), int (*finish_by)(struct doing *d))
{
    struct control *c = d->c;
    if (c->clients[d->client].reading >= READS_A_CLIENT_MAX)
        return server_busy(d, "the reader of the record");
    struct read_job *job = calloc(1, sizeof *job);
    struct pending *p = job ? server_begin(d) : NULL;
    if (!p) {
        free(job);
        return job ? -1 : server_busy(d, "the daemon");
    }
    d->finish = finish_by;
    job->d = *d;
    job->d.body = json_incref((json_t *)d->body);
    job->d.pending = NULL;
    job->request = p->request;
    job->read = read;
    p->channel = channel_named(d);
    if (put_to_read(c, job) != 0) {
        server_forget(c, p);
        read_free(job);
        return server_busy(d, "the reader of the record");
    }
    server_to_reading(c, p);
    return 0;
}

int server_read_lines(struct control *c, const struct pending *p, int (*read)(struct doing *d))
{
    struct read_job *job = calloc(1, sizeof *job);
    if (!job)
        return -1;
    job->d = (struct doing){.c = c, .client = p->client, .id = p->id, .verb = p->verb, .run_no = p->run_no};
    job->request = p->request;
    job->read = read;
    job->lines = true;
    if (put_to_read(c, job) == 0)
        return 0;
    read_free(job);
    return -1;
}

bool control_read_once(struct control *c, int timeout_ms)
{
    struct pollfd fd = {.fd = c->read_fd, .events = POLLIN};
    struct read_job *job = take(c, &c->to_read);
    if (!job && timeout_ms > 0) {
        uint64_t count;
        if (poll(&fd, 1, timeout_ms) > 0)
            (void)!read(c->read_fd, &count, sizeof count);
        job = take(c, &c->to_read);
    }
    if (!job)
        return false;
    job->result = job->read(&job->d);
    pthread_mutex_lock(&c->lock);
    append(&c->read_done, job);
    pthread_mutex_unlock(&c->lock);
    control_wake(c);
    return true;
}

void control_read_wake(struct control *c)
{
    server_wake(c->read_fd);
}

void server_take_reads(struct control *c)
{
    struct read_job *job;
    while ((job = take(c, &c->read_done)) != NULL) {
        pthread_mutex_lock(&c->lock);
        c->read_count--;
        pthread_mutex_unlock(&c->lock);
        struct pending *p = server_find(c, job->request);
        if (p && !server_client_is_there(c, p)) {
            server_forget(c, p);
        } else if (p && job->lines) {
            server_take_lines(c, p, job->d.result);
            job->d.result = NULL;
        } else if (p && p->reading) { /* else its time is over, or nobody is there to be answered */
            finish_request(c, p, &job->d, job->result);
        }
        read_free(job);
    }
}

void server_drop_reads(struct control *c)
{
    struct read_job *job;
    while ((job = take(c, &c->to_read)) != NULL || (job = take(c, &c->read_done)) != NULL)
        read_free(job);
}
