#include "queue.h"

#include <assert.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct queue {
    pthread_mutex_t mutex;
    int wake_fd;
    size_t size;
    uint64_t head;  /* bytes ever put; position = head % size */
    uint64_t shown; /* ... of them the taker sees: fewer than head while held */
    bool held;
    uint64_t tail; /* bytes ever released */
    struct queue_counts counts;
    uint8_t *bytes;
};

struct queue *queue_new(size_t size, int wake_fd)
{
    struct queue *q = calloc(1, sizeof *q);
    if (!q)
        return NULL;
    q->bytes = malloc(size);
    if (!q->bytes || pthread_mutex_init(&q->mutex, NULL)) {
        free(q->bytes);
        free(q);
        return NULL;
    }
    q->size = size;
    q->wake_fd = wake_fd;
    return q;
}

void queue_free(struct queue *q)
{
    if (!q)
        return;
    pthread_mutex_destroy(&q->mutex);
    free(q->bytes);
    free(q);
}

static void lock(struct queue *q)
{
    int failed = pthread_mutex_lock(&q->mutex);
    assert(!failed);
    (void)failed;
}

static void unlock(struct queue *q)
{
    pthread_mutex_unlock(&q->mutex);
}

static void copy_in(struct queue *q, uint64_t at, const void *from, size_t n)
{
    size_t start = (size_t)(at % q->size);
    size_t first = n < q->size - start ? n : q->size - start;
    memcpy(q->bytes + start, from, first);
    memcpy(q->bytes, (const uint8_t *)from + first, n - first);
}

static void copy_out(const struct queue *q, uint64_t at, void *to, size_t n)
{
    size_t start = (size_t)(at % q->size);
    size_t first = n < q->size - start ? n : q->size - start;
    memcpy(to, q->bytes + start, first);
    memcpy((uint8_t *)to + first, q->bytes, n - first);
}

static bool fits(const struct queue *q, size_t size)
{
    return sizeof(struct queue_record) + size <= q->size - (size_t)(q->head - q->tail);
}

static void wake_taker(struct queue *q)
{
    uint64_t one = 1;
    /* The descriptor's counter cannot overflow in practice, and a full one is readable anyway. */
    if (q->wake_fd >= 0 && write(q->wake_fd, &one, sizeof one) < 0)
        return;
}

int queue_put(struct queue *q, uint32_t type, int64_t stamp, const void *bytes, size_t size)
{
    struct queue_record record = {.type = type, .size = (uint32_t)size, .stamp = stamp};
    int status = -1;
    lock(q);
    if (fits(q, size)) {
        copy_in(q, q->head, &record, sizeof record);
        if (size)
            copy_in(q, q->head + sizeof record, bytes, size);
        q->head += sizeof record + size;
        q->shown = q->held ? q->shown : q->head;
        q->counts.put++;
        size_t held = (size_t)(q->head - q->tail);
        if (held > q->counts.high_water)
            q->counts.high_water = held;
        status = 0;
    } else {
        q->counts.refused++;
    }
    bool wake = status == 0 && !q->held;
    unlock(q);
    if (wake)
        wake_taker(q);
    return status;
}

void queue_hold(struct queue *q)
{
    lock(q);
    q->held = true;
    unlock(q);
}

void queue_show(struct queue *q)
{
    lock(q);
    bool wake = q->shown < q->head;
    q->shown = q->head;
    q->held = false;
    unlock(q);
    if (wake)
        wake_taker(q);
}

/* With the lock held: copy the record at `at`. Returns its whole length, or 0 when there is none. */
static size_t look_at(const struct queue *q, uint64_t at, struct queue_record *record, void *to, size_t cap)
{
    if (at >= q->shown)
        return 0;
    copy_out(q, at, record, sizeof *record);
    assert(record->size <= cap);
    if (record->size > cap)
        abort();
    if (record->size)
        copy_out(q, at + sizeof *record, to, record->size);
    return sizeof *record + record->size;
}

int queue_take(struct queue *q, struct queue_record *record, void *to, size_t cap)
{
    lock(q);
    size_t length = look_at(q, q->tail, record, to, cap);
    q->tail += length;
    if (length)
        q->counts.taken++;
    unlock(q);
    return length > 0;
}

struct queue_cursor queue_first(struct queue *q)
{
    lock(q);
    struct queue_cursor cursor = {.at = q->tail};
    unlock(q);
    return cursor;
}

int queue_look(struct queue *q, struct queue_cursor *cursor, struct queue_record *record, void *to, size_t cap)
{
    lock(q);
    size_t length = look_at(q, cursor->at, record, to, cap);
    unlock(q);
    cursor->at += length;
    cursor->records += length > 0;
    return length > 0;
}

void queue_release(struct queue *q, const struct queue_cursor *cursor)
{
    lock(q);
    assert(cursor->at >= q->tail && cursor->at <= q->shown);
    q->tail = cursor->at;
    q->counts.taken += cursor->records;
    unlock(q);
}

bool queue_has_room(struct queue *q, size_t size)
{
    lock(q);
    bool room = fits(q, size);
    unlock(q);
    return room;
}

bool queue_oldest(struct queue *q, int64_t *stamp)
{
    bool any = false;
    lock(q);
    if (q->tail < q->shown) {
        struct queue_record record;
        copy_out(q, q->tail, &record, sizeof record);
        *stamp = record.stamp;
        any = true;
    }
    unlock(q);
    return any;
}

struct queue_counts queue_counts(struct queue *q)
{
    lock(q);
    struct queue_counts counts = q->counts;
    unlock(q);
    return counts;
}
