#include "journal_stage.h"

#include <assert.h>
#include <inttypes.h>
#include <math.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

#include "command.h"
#include "control.h"
#include "journal_watch.h"

enum { BATCH_RECORDS_MAX = 5000 };

static const int64_t commit_every_ns = 800000000;
static const int64_t retry_every_ns = 250000000;
static const int64_t housekeep_every_ns = 5000000000;
static const int64_t upkeep_every_ns = 2000000000;          /* a block of readings is sealed at most so often ... */
static const int64_t upkeep_failed_every_ns = 600000000000; /* ... and tried again after this when that failed */
static const int64_t upkeep_idle_every_ns = 30000000000;    /* ... and looked for after this when there was none */

_Static_assert(sizeof(struct register_order) <= RECORD_MAX && sizeof(struct input) <= RECORD_MAX &&
                   sizeof(struct journal_set_aside) <= RECORD_MAX && sizeof(struct journal_notice) <= RECORD_MAX &&
                   sizeof(struct journal_line_minutes) <= RECORD_MAX,
               "a record is larger than the buffer it is taken into");

/* What must be remembered from one record to the next; goes back with a batch that fails. */
struct tracking {
    int64_t run_of[CHANNELS_MAX]; /* open run; 0: none */
    uint64_t last_event;
};

struct journal_stage {
    char said[TEXT_CAP]; /* with the answer to the order that is being done */
    struct journal_stage_setup setup;
    struct tracking committed, working;
    struct input starts[CHANNELS_MAX]; /* latest start order of each channel */
    struct input asked;                /* latest order to queue a run */
    struct input queued[QUEUE_MAX];    /* of those that wait; run number 0: free */
    struct queue_cursor cursor;
    bool in_batch;
    bool urgent;
    bool notices;
    int64_t batch_began_ns;
    int64_t retry_at_ns; /* 0: no failure */
    int64_t housekept_ns;
    int64_t upkeep_at_ns; /* real time at which readings may be sealed next */
    struct journal_watch watch;
    int64_t run_taken; /* last number that the journal gave */
    _Atomic int64_t run_next;
    _Atomic uint64_t commits, failures;
    _Atomic int64_t wal_bytes, file_bytes, used_bytes, free_bytes, longest_commit_ns;
    uint8_t record[RECORD_MAX];
    uint8_t encoded[RECORD_MAX];
};

struct journal_stage *journal_stage_new(const struct journal_stage_setup *setup, struct error *err)
{
    struct journal_stage *s = calloc(1, sizeof *s);
    if (!s) {
        error_set(err, "out of memory");
        return NULL;
    }
    s->setup = *setup;
    atomic_init(&s->run_next, journal_peek_run_no(setup->journal));
    s->run_taken = atomic_load(&s->run_next) - 1;
    return s;
}

void journal_stage_free(struct journal_stage *stage)
{
    free(stage);
}

int64_t journal_stage_next_run_no(struct journal_stage *stage)
{
    if (atomic_load(&stage->setup.state->failed) || atomic_load(&stage->setup.state->space_low))
        return -1;
    return atomic_fetch_add(&stage->run_next, 1);
}

/* The journal has to know of every number that was given out. */
static void take_run_numbers(struct journal_stage *s)
{
    while (s->run_taken < atomic_load(&s->run_next) - 1)
        s->run_taken = journal_next_run_no(s->setup.journal);
}

/* ---- rows of one record ---- */

static void readings_begin(struct journal_reading *m, const struct input *in, int channel, int64_t run_no)
{
    *m = (struct journal_reading){.channel = channel,
                                  .run_no = run_no,
                                  .seq = in->seq,
                                  .stamp_ns = in->u.readings.stamp_ns,
                                  .half_width_ns = in->u.readings.half_width_ns};
    for (int k = 0; k < SIG_KIND_COUNT_; k++)
        m->values[k] = NAN;
}

/* One row for each channel that the transaction has signals of. */
static int put_readings(struct journal_stage *s, const struct input *in, struct error *err)
{
    const struct input_readings *r = &in->u.readings;
    bool done[BLOCK_ITEMS_MAX] = {false};
    for (int first = 0; first < r->count; first++) {
        if (done[first])
            continue;
        int channel = s->setup.bench->signals[r->items[first].signal].channel;
        struct journal_reading row;
        readings_begin(&row, in, channel, channel >= 0 ? s->working.run_of[channel] : 0);
        bool any = false;
        for (int i = first; i < r->count; i++) {
            const struct bench_signal *signal = &s->setup.bench->signals[r->items[i].signal];
            if (signal->channel != channel)
                continue;
            done[i] = true;
            if (signal->kind == SIG_OTHER)
                continue;
            any = true;
            if (r->items[i].quality == QUALITY_GOOD)
                row.values[signal->kind] = r->items[i].value;
            else
                row.lost |= UINT32_C(1) << signal->kind;
        }
        if (any && journal_put_reading(s->setup.journal, &row, err))
            return -1;
    }
    return 0;
}

static int put_input_record(struct journal_stage *s, size_t size, struct error *err)
{
    struct input in = {0};
    assert(size <= sizeof in);
    memcpy(&in, s->record, size);
    struct writer w = writer_over(s->encoded, sizeof s->encoded);
    put_input(&w, &in);
    if (w.bad)
        return error_set(err, "input %" PRIu64 " does not fit its buffer", in.seq);
    if (journal_put_input(s->setup.journal, in.seq, s->encoded, w.used, err))
        return -1;
    if (in.kind == INPUT_READINGS)
        return put_readings(s, &in, err);
    if (in.kind == INPUT_OPERATOR && in.u.operator_.verb == VERB_START && in.u.operator_.channel >= 0 &&
        in.u.operator_.channel < CHANNELS_MAX)
        s->starts[in.u.operator_.channel] = in;
    if (in.kind == INPUT_OPERATOR && in.u.operator_.verb == VERB_QUEUE)
        s->asked = in;
    return 0;
}

/* Keeps the order of a run that waits until it begins, as the start order that it then is, or goes off the queue. */
static void follow_queue(struct journal_stage *s, const struct event *e)
{
    struct input *slot = NULL;
    for (int i = 0; i < QUEUE_MAX && !slot; i++) /* there already where a batch is put once more */
        if (s->queued[i].u.operator_.run.run_no == e->run_no)
            slot = &s->queued[i];
    for (int i = 0; i < QUEUE_MAX && !slot && e->code == QUEUE_ADDED; i++)
        if (s->queued[i].u.operator_.run.run_no == 0)
            slot = &s->queued[i];
    if (!slot || e->channel < 0 || e->channel >= CHANNELS_MAX)
        return;
    if (e->code == QUEUE_ADDED) {
        *slot = s->asked;
        return;
    }
    if (e->code == QUEUE_BEGUN) {
        s->starts[e->channel] = *slot;
        s->starts[e->channel].u.operator_.verb = VERB_START;
    }
    slot->u.operator_.run.run_no = 0;
}

static int put_event_record(struct journal_stage *s, struct error *err)
{
    struct event e;
    memcpy(&e, s->record, sizeof e);
    struct tracking *t = &s->working;
    bool of_channel = e.channel >= 0 && e.channel < CHANNELS_MAX;
    s->urgent = s->urgent || event_is_urgent(e.kind);
    t->last_event = e.id;
    if (e.kind == EVENT_QUEUE)
        follow_queue(s, &e);
    if (e.kind == EVENT_RUN_START && of_channel && s->starts[e.channel].u.operator_.run.run_no == e.run_no) {
        take_run_numbers(s);
        if (journal_put_run(s->setup.journal, &s->starts[e.channel], e.seen_ns, err))
            return -1;
        t->run_of[e.channel] = e.run_no;
    }
    if (journal_put_event(s->setup.journal, &e, err))
        return -1;
    if (e.kind == EVENT_RUN_END && of_channel && t->run_of[e.channel] == e.run_no && e.run_no) {
        if (journal_end_run(s->setup.journal, e.run_no, e.seq, e.seen_ns, err))
            return -1;
        t->run_of[e.channel] = 0;
    }
    return 0;
}

static int put_verdict_record(struct journal_stage *s, struct error *err)
{
    struct verdict_record v;
    memcpy(&v, s->record, sizeof v);
    s->urgent = true;
    return journal_put_verdict(s->setup.journal, &v.verdict, v.seq, v.seen_ns, err);
}

static int put_notice_record(struct journal_stage *s, struct error *err)
{
    struct command c;
    memcpy(&c, s->record, sizeof c);
    s->urgent = true;
    s->notices = true;
    struct journal_notice n = {.urgency = c.code,
                               .channel = c.channel,
                               .run_no = c.channel >= 0 ? s->working.run_of[c.channel] : 0,
                               .made_utc_s = bench_clock_utc_ns(s->setup.clock) / 1000000000,
                               .state = NOTICE_PENDING};
    text_copy(n.text, sizeof n.text, c.text);
    return journal_put_notice(s->setup.journal, &n, err);
}

static int put_record(struct journal_stage *s, const struct queue_record *record, struct error *err)
{
    switch ((enum record_type)record->type) {
    case RECORD_INPUT:
        return put_input_record(s, record->size, err);
    case RECORD_EVENT:
        return put_event_record(s, err);
    case RECORD_VERDICT:
        return put_verdict_record(s, err);
    case RECORD_CARRY: {
        struct input_boot carry;
        memcpy(&carry, s->record, sizeof carry);
        return journal_set_carry(s->setup.journal, &carry, err);
    }
    case RECORD_NOTICE:
        return put_notice_record(s, err);
    }
    return error_set(err, "unknown record %u in the queue", record->type);
}

/* ---- batches ---- */

static void batch_failed(struct journal_stage *s, const struct error *err)
{
    journal_rollback(s->setup.journal);
    atomic_fetch_add(&s->failures, 1);
    if (!atomic_exchange(&s->setup.state->failed, true))
        log_write(s->setup.log, LOG_LEVEL_ERROR, "journal: %s; rows are kept and tried again", err->text);
    s->in_batch = false;
    s->urgent = false;
    s->retry_at_ns = bench_clock_real_ns(s->setup.clock) + retry_every_ns;
}

static int batch_begin(struct journal_stage *s, struct error *err)
{
    s->working = s->committed;
    s->cursor = queue_first(s->setup.records);
    s->notices = false;
    s->urgent = s->retry_at_ns != 0; /* what failed before is tried whole, and at once */
    s->retry_at_ns = 0;
    s->batch_began_ns = bench_clock_real_ns(s->setup.clock);
    if (journal_begin(s->setup.journal, err))
        return -1;
    s->in_batch = true;
    return 0;
}

static int batch_fill(struct journal_stage *s, struct error *err)
{
    struct queue_record record;
    struct queue_cursor next = s->cursor;
    /* A batch ends before an input, since what follows from one input belongs together. */
    while (queue_look(s->setup.records, &next, &record, s->record, sizeof s->record) &&
           (s->cursor.records < BATCH_RECORDS_MAX || record.type != RECORD_INPUT)) {
        if (put_record(s, &record, err))
            return -1;
        s->cursor = next;
    }
    return 0;
}

static int batch_commit(struct journal_stage *s, struct error *err)
{
    int64_t began_ns = bench_clock_real_ns(s->setup.clock);
    if (s->setup.before_commit && s->setup.before_commit(s->setup.ctx))
        return error_set(err, "the disk does not take it");
    if (journal_commit(s->setup.journal, err))
        return -1;
    int64_t took_ns = bench_clock_real_ns(s->setup.clock) - began_ns;
    if (took_ns > atomic_load(&s->longest_commit_ns))
        atomic_store(&s->longest_commit_ns, took_ns);
    s->in_batch = false;
    s->committed = s->working;
    queue_release(s->setup.records, &s->cursor);
    atomic_fetch_add(&s->commits, 1);
    if (atomic_exchange(&s->setup.state->failed, false))
        log_write(s->setup.log, LOG_LEVEL_NOTICE, "journal: the disk takes rows again");
    if (s->committed.last_event)
        atomic_store(&s->setup.state->synced_event, s->committed.last_event);
    if (s->setup.stored)
        s->setup.stored(s->setup.ctx, s->notices);
    return 0;
}

/* Is it time to commit what the batch holds? */
static bool batch_due(const struct journal_stage *s)
{
    int64_t stamp;
    return s->urgent || queue_oldest(s->setup.orders, &stamp) || s->cursor.records >= BATCH_RECORDS_MAX ||
           bench_clock_real_ns(s->setup.clock) - s->batch_began_ns >= commit_every_ns;
}

/* Returns 1 when there may be more, 0 when not, -1 on failure. */
static int run_batch(struct journal_stage *s, bool finish, struct error *err)
{
    int64_t oldest_ns;
    if (!s->in_batch) {
        if (!queue_oldest(s->setup.records, &oldest_ns))
            return 0;
        if (batch_begin(s, err))
            return -1;
    }
    if (batch_fill(s, err))
        return -1;
    if (!finish && !batch_due(s))
        return 0;
    bool full = s->cursor.records >= BATCH_RECORDS_MAX;
    if (batch_commit(s, err))
        return -1;
    return full;
}

/* ---- orders of others ---- */

static int put_addendum(struct journal_stage *s, const struct register_order *order, struct error *err)
{
    struct journal_addendum a = order->addendum;
    if (a.kind == ADDENDUM_CORRECTION)
        return journal_put_correction(s->setup.journal, &a, &order->verdict, bench_clock_now_ns(s->setup.clock), err);
    return journal_put_addendum(s->setup.journal, &a, order->bytes, order->size, err);
}

/* Where the unit is not called by its serial number alone, whoever entered it is told. */
static int put_plate(struct journal_stage *s, const struct register_order *order, struct error *err)
{
    char name[NAME_CAP];
    int32_t version;
    (void)text_copy(name, sizeof name, order->unit);
    if (journal_put_plate(s->setup.journal, &order->plate, order->utc_s, name, &version, err) != 0)
        return -1;
    if (strcmp(name, order->plate.serial) != 0)
        (void)text_format(s->said, sizeof s->said, "Entered as unit %s: another maker's unit has the serial number %s.",
                          name, order->plate.serial);
    return 0;
}

static int put_on_file(struct journal_stage *s, const struct register_order *order, struct error *err)
{
    struct journal *j = s->setup.journal;
    int32_t version;
    switch (order->kind) {
    case REGISTER_PLATE:
        return put_plate(s, order, err);
    case REGISTER_INSPECTION:
        return journal_put_inspection(j, &order->inspection, err);
    case REGISTER_DISPOSITION:
        return journal_put_disposition(j, &order->disposition, err);
    case REGISTER_BASELINE:
        return journal_put_baseline(j, &order->baseline, err);
    case REGISTER_PLATES:
        for (int i = 0; i < order->plate_count; i++)
            if (journal_put_unit(j, &order->plates[i], order->utc_s, &version, err) != 0)
                return -1;
        return 0;
    case REGISTER_ADDENDUM:
        return put_addendum(s, order, err);
    }
    return error_set(err, "unknown kind of entry %d", (int)order->kind);
}

static int put_order(struct journal_stage *s, const struct queue_record *record, struct error *err)
{
    struct journal *j = s->setup.journal;
    switch ((enum journal_order)record->type) {
    case ORDER_REGISTER: {
        struct register_order order;
        memcpy(&order, s->record, sizeof order);
        return put_on_file(s, &order, err);
    }
    case ORDER_NOTICE: {
        struct journal_notice n;
        memcpy(&n, s->record, sizeof n);
        return journal_update_notice(j, &n, err);
    }
    case ORDER_CURSOR: {
        struct journal_cursor c;
        memcpy(&c, s->record, sizeof c);
        return journal_put_cursor(j, &c, err);
    }
    case ORDER_SET_ASIDE: {
        struct journal_set_aside a;
        memcpy(&a, s->record, sizeof a);
        return journal_put_set_aside(j, &a, err);
    }
    case ORDER_LINES: {
        struct journal_line_minutes lines;
        memcpy(&lines, s->record, sizeof lines);
        return journal_put_lines(j, &lines, err);
    }
    }
    return error_set(err, "unknown order %u", record->type);
}

static void answer_order(struct journal_stage *s, const struct queue_record *record, int status,
                         const struct error *err)
{
    if (record->type != ORDER_REGISTER) {
        if (status)
            log_write(s->setup.log, LOG_LEVEL_ERROR, "journal: %s", err->text);
        return;
    }
    struct register_order order;
    memcpy(&order, s->record, sizeof order);
    free(order.bytes);
    s->setup.answer(s->setup.ctx, order.request, status ? 1 : 2, status ? err->text : s->said);
    if (order.kind == REGISTER_PLATES)
        free(order.plates);
}

/* Each order is a batch of its own, so that one which cannot be stored holds up nothing else. */
static void run_orders(struct journal_stage *s)
{
    struct queue_record record;
    for (int i = 0; i < 64 && queue_take(s->setup.orders, &record, s->record, sizeof s->record); i++) {
        struct error err = {0};
        int status = journal_begin(s->setup.journal, &err);
        s->said[0] = '\0';
        if (!status)
            status = put_order(s, &record, &err);
        if (!status && s->setup.before_commit && s->setup.before_commit(s->setup.ctx))
            status = error_set(&err, "the disk does not take it");
        if (!status)
            status = journal_commit(s->setup.journal, &err);
        if (status)
            journal_rollback(s->setup.journal);
        answer_order(s, &record, status, &err);
    }
}

static void housekeep(struct journal_stage *s, int64_t now_ns)
{
    struct error err = {0};
    struct journal_stats stats;
    if (now_ns - s->housekept_ns < housekeep_every_ns && s->housekept_ns)
        return;
    s->housekept_ns = now_ns;
    if (journal_checkpoint(s->setup.journal, false, &err))
        log_write(s->setup.log, LOG_LEVEL_WARN, "journal: %s", err.text);
    if (journal_get_stats(s->setup.journal, &stats, &err)) {
        log_write(s->setup.log, LOG_LEVEL_WARN, "journal: %s", err.text);
        return;
    }
    atomic_store(&s->wal_bytes, stats.wal_bytes);
    atomic_store(&s->file_bytes, stats.file_bytes);
    atomic_store(&s->used_bytes, stats.used_bytes);
    atomic_store(&s->free_bytes, stats.free_bytes);
    journal_watch_wal(&s->watch, &s->setup, &stats);
    journal_watch_check(&s->watch, &s->setup);
    bool low = stats.free_bytes >= 0 && stats.free_bytes < s->setup.free_floor_bytes;
    if (low != atomic_exchange(&s->setup.state->space_low, low))
        log_write(s->setup.log, low ? LOG_LEVEL_ERROR : LOG_LEVEL_NOTICE, "journal: %" PRId64 " MB free on its disk%s",
                  stats.free_bytes / 1000000, low ? ", less than the floor: runs end" : " again");
}

static struct journal_upkeep upkeep_wanted(const struct journal_stage *s)
{
    const struct journal_keeping *k = &s->setup.keeping;
    int64_t utc_ns = bench_clock_utc_ns(s->setup.clock);
    return (struct journal_upkeep){.seal_before_utc_us = k->plain_ns > 0 ? (utc_ns - k->plain_ns) / 1000 : 0,
                                   .remove_before_utc_us = k->keep_ns > 0 ? (utc_ns - k->keep_ns) / 1000 : 0,
                                   .max_bytes = k->max_bytes,
                                   .utc_s = utc_ns / 1000000000,
                                   .stores = k->stores,
                                   .store_count = k->store_count};
}

/* One small step, and only while nothing waits for the disk: what is sealed is days old and can wait. */
static void upkeep(struct journal_stage *s, int64_t now_ns)
{
    struct error err = {0};
    int64_t waiting_ns;
    if (now_ns < s->upkeep_at_ns || queue_oldest(s->setup.records, &waiting_ns) ||
        queue_oldest(s->setup.orders, &waiting_ns) || atomic_load(&s->setup.state->space_low))
        return;
    struct journal_upkeep u = upkeep_wanted(s);
    int done = journal_maintain(s->setup.journal, &u, &err);
    if (done < 0)
        log_write(s->setup.log, LOG_LEVEL_WARN, "journal: sealing and retention wait for now: %s", err.text);
    if (done == 0)
        journal_watch_size(&s->watch, &s->setup);
    s->upkeep_at_ns = bench_clock_real_ns(s->setup.clock) + (done < 0    ? upkeep_failed_every_ns
                                                             : done == 0 ? upkeep_idle_every_ns
                                                                         : upkeep_every_ns);
}

bool journal_stage_run(struct journal_stage *stage)
{
    struct error err = {0};
    int64_t now_ns = bench_clock_real_ns(stage->setup.clock);
    if (stage->retry_at_ns > now_ns)
        return false;
    int more = run_batch(stage, false, &err);
    if (more < 0) {
        batch_failed(stage, &err);
        return false;
    }
    if (!stage->in_batch) {
        run_orders(stage);
        housekeep(stage, now_ns);
        upkeep(stage, now_ns);
    }
    return more > 0;
}

int64_t journal_stage_next_real_ns(const struct journal_stage *stage)
{
    if (stage->retry_at_ns)
        return stage->retry_at_ns;
    if (stage->in_batch)
        return stage->batch_began_ns + commit_every_ns;
    return stage->housekept_ns + housekeep_every_ns;
}

int journal_stage_finish(struct journal_stage *stage, int64_t end_ns, struct error *err)
{
    int more = 1;
    while (more > 0)
        more = run_batch(stage, true, err);
    if (more < 0) {
        batch_failed(stage, err);
        return -1;
    }
    run_orders(stage);
    if (journal_begin(stage->setup.journal, err))
        return -1;
    if (journal_end_session(stage->setup.journal, end_ns, err) || journal_commit(stage->setup.journal, err)) {
        journal_rollback(stage->setup.journal);
        return -1;
    }
    return 0;
}

struct journal_stage_counts journal_stage_counts(const struct journal_stage *stage)
{
    return (struct journal_stage_counts){.commits = atomic_load(&stage->commits),
                                         .failures = atomic_load(&stage->failures),
                                         .wal_bytes = atomic_load(&stage->wal_bytes),
                                         .file_bytes = atomic_load(&stage->file_bytes),
                                         .used_bytes = atomic_load(&stage->used_bytes),
                                         .free_bytes = atomic_load(&stage->free_bytes),
                                         .longest_commit_ns = atomic_load(&stage->longest_commit_ns)};
}

void journal_stage_tell(struct journal_stage *stage, const char *text)
{
    if (atomic_load(&stage->watch.check_told))
        return;
    text_copy(stage->watch.check_words, sizeof stage->watch.check_words, text);
    atomic_store(&stage->watch.check_told, true);
}
