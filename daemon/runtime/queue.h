/* A bounded queue of records between threads: many may put, one takes. A record is a type, a stamp and up to some
 * thousand bytes, copied in and out; the queue's memory is allocated once.
 *
 * Full is an answer, never a wait: queue_put returns -1, the refusal is counted, and the caller does what the design
 * says for that queue. Nothing already queued is ever overwritten or merged.
 *
 * The taker may look ahead with a cursor and release what it looked at later, so that records stay in the queue (and
 * queue_oldest keeps telling their age) until they are safe somewhere else. */
#ifndef QUEUE_H
#define QUEUE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct queue;

struct queue_counts {
    uint64_t put;
    uint64_t taken;
    uint64_t refused;  /* since start */
    size_t high_water; /* most bytes ever held */
};

struct queue_record {
    uint32_t type;
    uint32_t size;
    int64_t stamp;
};

struct queue_cursor {
    uint64_t at;
    uint64_t records;
};

/* A queue of size bytes (each record costs its size plus 16). wake_fd is an eventfd that is made readable by each put,
 * or -1; it stays the caller's. NULL when memory is out. */
struct queue *queue_new(size_t size, int wake_fd);
void queue_free(struct queue *q);

/* Put one record. Any thread. 0, or -1 when it does not fit now. */
int queue_put(struct queue *q, uint32_t type, int64_t stamp, const void *bytes, size_t size);

/* For a queue with a single putter: what is put from queue_hold on is seen by the taker at once and together, at
 * queue_show; until then its room is taken and nothing else of it is to be seen. */
void queue_hold(struct queue *q);
void queue_show(struct queue *q);

/* Take the oldest record into `to` of cap bytes. 1: taken, 0: empty. A record larger than cap is a bug of the
 * caller's. One thread. */
int queue_take(struct queue *q, struct queue_record *record, void *to, size_t cap);

/* Look at the record at the cursor and move it on; begin with queue_first. 1: copied, 0: no further record. */
struct queue_cursor queue_first(struct queue *q);
int queue_look(struct queue *q, struct queue_cursor *cursor, struct queue_record *record, void *to, size_t cap);

/* Drop all records before the cursor. */
void queue_release(struct queue *q, const struct queue_cursor *cursor);

/* Is there room for a record of this size? Only the single putter may rely on the answer. */
bool queue_has_room(struct queue *q, size_t size);

/* Stamp of the oldest record; false when empty. */
bool queue_oldest(struct queue *q, int64_t *stamp);

struct queue_counts queue_counts(struct queue *q);

#endif
