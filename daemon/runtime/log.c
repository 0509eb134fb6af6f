#include "log.h"

#include <poll.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include "error.h"
#include "queue.h"

enum { LINE_CAP = 1024, RING_BYTES = 256 * 1024, REMEMBERED = 64 };

static const int64_t repeat_window_ns = INT64_C(10000000000);

/* A line printed lately: its hash, when it was printed, and how often it came again since. */
struct remembered {
    uint64_t hash;
    int64_t printed_ns;
    unsigned held_back;
};

struct log {
    const struct bench_clock *clock;
    int fd;
    enum log_level level;
    bool prefix_levels;
    int wake_fd;
    struct queue *ring;
    pthread_mutex_t mutex; /* guards remembered */
    struct remembered remembered[REMEMBERED];
    uint64_t dropped_told;
    pthread_t thread;
    bool started;
    atomic_bool stop;
};

struct log *log_new(const struct bench_clock *clock, int fd, enum log_level level, int prefix_levels)
{
    struct log *log = calloc(1, sizeof *log);
    if (!log)
        return NULL;
    log->clock = clock;
    log->fd = fd;
    log->level = level;
    log->prefix_levels = prefix_levels;
    atomic_init(&log->stop, false);
    log->wake_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    log->ring = log->wake_fd < 0 ? NULL : queue_new(RING_BYTES, log->wake_fd);
    if (!log->ring || pthread_mutex_init(&log->mutex, NULL)) {
        queue_free(log->ring);
        if (log->wake_fd >= 0)
            close(log->wake_fd);
        free(log);
        return NULL;
    }
    return log;
}

static void write_all(int fd, const char *text, size_t size)
{
    while (size) {
        ssize_t n = write(fd, text, size);
        if (n <= 0)
            return; /* nowhere left to complain */
        text += n;
        size -= (size_t)n;
    }
}

void log_drain(struct log *log)
{
    static const int syslog_level[] = {3, 4, 5, 6, 7};
    char line[LINE_CAP];
    char out[LINE_CAP + 16];
    struct queue_record record;
    while (queue_take(log->ring, &record, line, sizeof line)) {
        int n = log->prefix_levels
                    ? snprintf(out, sizeof out, "<%d>%.*s\n", syslog_level[record.type], (int)record.size, line)
                    : snprintf(out, sizeof out, "%.*s\n", (int)record.size, line);
        if (n > 0)
            write_all(log->fd, out, (size_t)n < sizeof out ? (size_t)n : sizeof out - 1);
    }
    uint64_t dropped = queue_counts(log->ring).refused;
    if (dropped != log->dropped_told) {
        int n =
            snprintf(out, sizeof out, "log: %llu lines dropped\n", (unsigned long long)(dropped - log->dropped_told));
        if (n > 0)
            write_all(log->fd, out, (size_t)n);
        log->dropped_told = dropped;
    }
}

static void *writer_thread(void *arg)
{
    struct log *log = arg;
    while (!atomic_load(&log->stop)) {
        struct pollfd p = {.fd = log->wake_fd, .events = POLLIN};
        if (poll(&p, 1, 1000) > 0) {
            uint64_t count;
            if (read(log->wake_fd, &count, sizeof count) < 0)
                continue;
        }
        log_drain(log);
    }
    return NULL;
}

int log_start(struct log *log)
{
    if (pthread_create(&log->thread, NULL, writer_thread, log))
        return -1;
    log->started = true;
    return 0;
}

void log_free(struct log *log)
{
    if (!log)
        return;
    atomic_store(&log->stop, true);
    if (log->started) {
        uint64_t one = 1;
        if (write(log->wake_fd, &one, sizeof one) < 0)
            log->stop = true; /* the thread looks once a second anyway */
        pthread_join(log->thread, NULL);
    }
    log_drain(log);
    queue_free(log->ring);
    close(log->wake_fd);
    pthread_mutex_destroy(&log->mutex);
    free(log);
}

static uint64_t text_hash(const char *text)
{
    uint64_t h = UINT64_C(14695981039346656037);
    for (; *text; text++)
        h = (h ^ (uint8_t)*text) * UINT64_C(1099511628211);
    return h ? h : 1;
}

/* The place of a line in the memory: its own, else the one whose line was printed longest ago. */
static struct remembered *remembered_slot(struct log *log, uint64_t hash)
{
    struct remembered *oldest = &log->remembered[0];
    for (int i = 0; i < REMEMBERED; i++) {
        struct remembered *slot = &log->remembered[i];
        if (slot->hash == hash)
            return slot;
        if (slot->printed_ns < oldest->printed_ns)
            oldest = slot;
    }
    return oldest;
}

/* Shall the line be printed? Gives how many of its kind were held back before. */
static bool may_print(struct log *log, const char *line, unsigned *held_back)
{
    uint64_t hash = text_hash(line);
    int64_t now_ns = bench_clock_real_ns(log->clock);
    bool print = true;
    *held_back = 0;
    pthread_mutex_lock(&log->mutex);
    struct remembered *slot = remembered_slot(log, hash);
    if (slot->hash == hash && now_ns - slot->printed_ns < repeat_window_ns) {
        slot->held_back++;
        print = false;
    } else {
        if (slot->hash == hash)
            *held_back = slot->held_back;
        *slot = (struct remembered){.hash = hash, .printed_ns = now_ns};
    }
    pthread_mutex_unlock(&log->mutex);
    return print;
}

void log_write(struct log *log, enum log_level level, const char *format, ...)
{
    if (!log || level > log->level)
        return;
    char line[LINE_CAP - 64];
    va_list args;
    va_start(args, format);
    /* The analyzer of clang 14 does not see that va_start began args, here or in every caller. */
    int n = vsnprintf(line, sizeof line, format, args); /* NOLINT(clang-analyzer-valist.Uninitialized) */
    va_end(args);
    if (n < 0)
        return;
    unsigned held_back;
    if (!may_print(log, line, &held_back))
        return;
    char full[LINE_CAP];
    text_copy(full, sizeof full, line);
    if (held_back)
        text_append(full, sizeof full, " (and %u times before)", held_back);
    queue_put(log->ring, (uint32_t)level, 0, full, strlen(full));
}
