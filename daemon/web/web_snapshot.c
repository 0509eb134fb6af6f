#include "web_snapshot.h"

#include <pthread.h>
#include <stdbool.h>
#include <stdlib.h>
#include <time.h>

#include "capacity.h"
#include "model_json.h"
#include "protocol.h"
#include "web_link.h"

enum { ASK_TIMEOUT_MS = 2000 };

struct web_snapshot {
    char socket_path[PATH_CAP];
    int period_ms;
    pthread_t thread;
    pthread_mutex_t mutex;
    pthread_cond_t ended;
    bool end;
    uint64_t sequence;
    int64_t fetched_ms; /* 0: never */
    bool reachable;
    struct error trouble;
    json_t *status, *counters, *bench; /* replaced, never changed */
};

static int64_t now_ms(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

/* The "result" of an answer, or NULL with err. */
static json_t *result_of(struct web_snapshot *s, enum protocol_verb verb, struct error *err)
{
    json_t *answer = web_link_ask(s->socket_path, protocol_request(verb, 1), 0, ASK_TIMEOUT_MS, err);
    json_t *result = json_incref(json_object_get(answer, "result"));
    if (answer != NULL && result == NULL)
        (void)error_set(err, "the daemon refused to tell its state");
    json_decref(answer);
    return result;
}

static void fetch(struct web_snapshot *s)
{
    struct error err = {{0}};
    json_t *status = result_of(s, DO_STATUS, &err);
    json_t *counters = status != NULL ? result_of(s, DO_COUNTERS, &err) : NULL;
    /* A bench changes only with a start of the daemon, and a start shows as a time without answers. */
    json_t *bench = status != NULL && (!s->reachable || s->bench == NULL) ? result_of(s, DO_BENCH, &err) : NULL;
    if (bench != NULL)
        (void)json_object_del(bench, "encoded");
    (void)pthread_mutex_lock(&s->mutex);
    s->reachable = status != NULL;
    if (status != NULL) {
        json_decref(s->status);
        s->status = status;
        s->sequence++;
        s->fetched_ms = now_ms();
        if (counters != NULL) {
            json_decref(s->counters);
            s->counters = counters;
        }
        if (bench != NULL) {
            json_decref(s->bench);
            s->bench = bench;
        }
    } else {
        s->trouble = err;
    }
    (void)pthread_mutex_unlock(&s->mutex);
}

static void *fetch_on(void *ctx)
{
    struct web_snapshot *s = ctx;
    bool end = false;
    while (!end) {
        fetch(s);
        struct timespec until;
        (void)clock_gettime(CLOCK_REALTIME, &until);
        until.tv_nsec += (long)(s->period_ms % 1000) * 1000000;
        until.tv_sec += s->period_ms / 1000 + until.tv_nsec / 1000000000;
        until.tv_nsec %= 1000000000;
        (void)pthread_mutex_lock(&s->mutex);
        while (!s->end && pthread_cond_timedwait(&s->ended, &s->mutex, &until) == 0)
            ;
        end = s->end;
        (void)pthread_mutex_unlock(&s->mutex);
    }
    return NULL;
}

struct web_snapshot *web_snapshot_new(const char *socket_path, int period_ms, struct error *err)
{
    struct web_snapshot *s = calloc(1, sizeof *s);
    if (s == NULL || text_copy(s->socket_path, sizeof s->socket_path, socket_path) != 0) {
        free(s);
        (void)error_set(err, "memory is short, or the socket's path is too long");
        return NULL;
    }
    s->period_ms = period_ms;
    (void)error_set(&s->trouble, "the daemon has not answered yet");
    bool mutex = pthread_mutex_init(&s->mutex, NULL) == 0;
    bool cond = mutex && pthread_cond_init(&s->ended, NULL) == 0;
    if (cond && pthread_create(&s->thread, NULL, fetch_on, s) == 0)
        return s;
    if (cond)
        (void)pthread_cond_destroy(&s->ended);
    if (mutex)
        (void)pthread_mutex_destroy(&s->mutex);
    free(s);
    (void)error_set(err, "no thread could be started");
    return NULL;
}

void web_snapshot_free(struct web_snapshot *s)
{
    if (s == NULL)
        return;
    (void)pthread_mutex_lock(&s->mutex);
    s->end = true;
    (void)pthread_cond_signal(&s->ended);
    (void)pthread_mutex_unlock(&s->mutex);
    (void)pthread_join(s->thread, NULL);
    (void)pthread_cond_destroy(&s->ended);
    (void)pthread_mutex_destroy(&s->mutex);
    json_decref(s->status);
    json_decref(s->counters);
    json_decref(s->bench);
    free(s);
}

json_t *web_snapshot_get(struct web_snapshot *s)
{
    (void)pthread_mutex_lock(&s->mutex);
    json_int_t age = s->fetched_ms == 0 ? -1 : (json_int_t)(now_ms() - s->fetched_ms);
    json_t *copy = json_pack("{s:I, s:I, s:b, s:o, s:O?, s:O?}", "sequence", (json_int_t)s->sequence, "age_ms", age,
                             "reachable", (int)s->reachable, "trouble", json_text(s->reachable ? "" : s->trouble.text),
                             "status", s->status, "counters", s->counters);
    (void)pthread_mutex_unlock(&s->mutex);
    return copy;
}

json_t *web_snapshot_bench(struct web_snapshot *s)
{
    (void)pthread_mutex_lock(&s->mutex);
    json_t *copy = json_deep_copy(s->bench);
    (void)pthread_mutex_unlock(&s->mutex);
    return copy;
}
