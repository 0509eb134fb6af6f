#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "journal_schema.h"
#include "reader_private.h"
#include "sql.h"

const char reader_event_columns[] =
    "m.row, m.epoch, m.id, m.seq, m.kind, m.idx, m.run_no, m.seen_ns, m.at_ns, m.half_width_ns, m.code, m.code2,"
    " m.value_count, m.value0, m.value1, m.value2, m.value3, m.value4, m.value5, m.value6, m.value7, m.text, m.utc_us,"
    " m.seen_utc_us, m.store_ms, c.name, r.serial";

int reader_event_row(struct journal_reader *r, sqlite3_stmt *st, struct journal_event *row)
{
    (void)r;
    *row = (struct journal_event){0};
    struct event *e = &row->event;
    row->row = sql_int(st, 0);
    row->epoch = (uint64_t)sql_int(st, 1);
    e->id = (uint64_t)sql_int(st, 2);
    e->seq = (uint64_t)sql_int(st, 3);
    e->kind = (enum event_kind)sql_int32(st, 4);
    e->channel = sql_int32(st, 5);
    e->run_no = sql_int(st, 6);
    e->seen_ns = sql_int(st, 7);
    e->at_ns = sql_int(st, 8);
    e->half_width_ns = sql_int(st, 9);
    e->code = sql_int32(st, 10);
    e->code2 = sql_int32(st, 11);
    int32_t count = sql_int32(st, 12);
    e->value_count = count < 0 || count > EVENT_VALUES_MAX ? 0 : count;
    for (int i = 0; i < e->value_count; i++)
        e->values[i] = sql_real(st, 13 + i);
    sql_text(st, 21, e->text, sizeof e->text);
    row->utc_us = sql_int(st, 22);
    row->seen_utc_us = sql_int(st, 23);
    row->store_ms = sql_int(st, 24);
    sql_text(st, 25, row->channel, sizeof row->channel);
    sql_text(st, 26, row->serial, sizeof row->serial);
    return 0;
}

const char reader_verdict_columns[] =
    "m.row, m.epoch, m.seq, m.run_no, m.revision, m.utc_us, m.store_ms, m.rules_version, m.idx, m.procedure, m.kind,"
    " m.basis, m.cause, m.cause_second, m.deviations, m.cycles_valid, m.cycles_void, m.rated_percent_on, m.rated_on_s,"
    " m.commanded_s, m.conducting_s, m.at_rated_s, m.in_band_s, m.percent_on_demanded, m.percent_on_delivered,"
    " m.shutoff_s, m.shutoff_half_width_s, m.reset_s, m.own_percent_on, m.time_uncertainty_s, m.current_a,"
    " m.load_voltage_v, m.supply_v, m.intake_degc, m.drift_k_per_h, m.reason, m.finding, m.run_digest, c.name,"
    " r.serial";

int reader_verdict_row(sqlite3_stmt *st, struct journal_verdict *row)
{
    *row = (struct journal_verdict){0};
    struct verdict *v = &row->verdict;
    row->row = sql_int(st, 0);
    row->epoch = (uint64_t)sql_int(st, 1);
    row->seq = (uint64_t)sql_int(st, 2);
    v->run_no = sql_int(st, 3);
    v->revision = sql_int32(st, 4);
    row->utc_us = sql_int(st, 5);
    row->store_ms = sql_int(st, 6);
    v->rules_version = sql_int32(st, 7);
    v->channel = sql_int32(st, 8);
    v->procedure = (enum procedure)sql_int32(st, 9);
    v->kind = (enum verdict_kind)sql_int32(st, 10);
    v->basis = (enum basis)sql_int32(st, 11);
    v->cause = (enum shutoff_cause)sql_int32(st, 12);
    v->cause_second = (enum shutoff_cause)sql_int32(st, 13);
    v->deviations = (uint32_t)sql_int(st, 14);
    v->cycles_valid = sql_int32(st, 15);
    v->cycles_void = sql_int32(st, 16);
    double *const figures[] = {&v->rated_percent_on,
                               &v->rated_on_s,
                               &v->commanded_s,
                               &v->conducting_s,
                               &v->at_rated_s,
                               &v->in_band_s,
                               &v->percent_on_demanded,
                               &v->percent_on_delivered,
                               &v->shutoff_s,
                               &v->shutoff_half_width_s,
                               &v->reset_s,
                               &v->own_percent_on,
                               &v->time_uncertainty_s,
                               &v->current_a,
                               &v->load_voltage_v,
                               &v->supply_v,
                               &v->intake_degc,
                               &v->drift_k_per_h};
    for (int i = 0; i < (int)(sizeof figures / sizeof figures[0]); i++)
        *figures[i] = sql_real(st, 17 + i);
    sql_text(st, 35, v->reason, sizeof v->reason);
    sql_text(st, 36, v->finding, sizeof v->finding);
    (void)sql_digest(st, 37, &row->run_digest);
    sql_text(st, 38, row->channel, sizeof row->channel);
    sql_text(st, 39, row->serial, sizeof row->serial);
    return 0;
}

void reader_reading_columns(char *to, size_t cap)
{
    char kinds[1024];
    journal_schema_reading_columns(kinds, sizeof kinds, "m.");
    (void)text_format(to, cap,
                      "m.row, m.epoch, m.idx, m.run_no, m.seq, m.utc_us, m.store_ms, m.half_width_us, m.lost, m.back,"
                      " %s",
                      kinds);
}

void reader_reading_plain(sqlite3_stmt *st, struct journal_reading *m)
{
    *m = (struct journal_reading){0};
    m->row = sql_int(st, 0);
    m->epoch = (uint64_t)sql_int(st, 1);
    m->channel = sql_int32(st, 2);
    m->run_no = sql_int(st, 3);
    m->seq = (uint64_t)sql_int(st, 4);
    m->utc_us = sql_int(st, 5);
    m->store_ms = sql_int(st, 6);
    m->half_width_us = sql_int(st, 7);
    m->lost = (uint32_t)sql_int(st, 8);
    m->back = (uint32_t)sql_int(st, 9);
    for (int k = 0; k < SIG_OTHER; k++)
        m->values[k] = sql_real(st, 10 + k);
    m->values[SIG_OTHER] = (double)NAN;
}

int reader_reading_stamp(struct journal_reader *r, struct journal_reading *m, struct error *err)
{
    if (reader_session_of(r, m->epoch, err) != 0)
        return -1;
    m->stamp_ns =
        (int64_t)((uint64_t)m->utc_us * 1000 - (uint64_t)r->session.anchor_utc_ns + (uint64_t)r->session.anchor_ns);
    m->half_width_ns = (int64_t)((uint64_t)m->half_width_us * 1000);
    return 0;
}

/* The common part of the three feeds: a query in chunks by rising row. */
struct feed_query {
    const char *columns, *table, *joins;
    const struct row_filter *filter;
};

static void query_text(const struct feed_query *q, char *to, size_t cap)
{
    const struct row_filter *f = q->filter;
    /* The unary plus keeps the planner on the row number where the run is no help. */
    (void)text_format(to, cap, "SELECT %s FROM %s m %s WHERE m.row > ?1", q->columns, q->table, q->joins);
    if (f->run_no != 0)
        (void)text_append(to, cap, " AND m.run_no = ?3%s",
                          strcmp(q->table, "reading_rows") == 0 ? " AND m.run_no <> 0" : "");
    if (f->until_row != 0)
        (void)text_append(to, cap, " AND m.row <= ?4");
    if (f->channel != CHANNEL_ANY)
        (void)text_append(to, cap, " AND +m.idx = ?5");
    if (f->epoch != 0)
        (void)text_append(to, cap, " AND +m.epoch = ?6");
    if (f->from_utc_us != 0)
        (void)text_append(to, cap, " AND +m.utc_us >= ?7");
    if (f->to_utc_us != 0)
        (void)text_append(to, cap, " AND +m.utc_us < ?8");
    (void)text_append(to, cap, " ORDER BY m.row LIMIT ?2");
}

void reader_bind_filter(sqlite3_stmt *st, const struct row_filter *f, int64_t after, int64_t chunk)
{
    sql_bind_int(st, 1, after);
    sql_bind_int(st, 2, chunk);
    if (f->run_no != 0)
        sql_bind_int(st, 3, f->run_no);
    if (f->until_row != 0)
        sql_bind_int(st, 4, f->until_row);
    if (f->channel != CHANNEL_ANY)
        sql_bind_int(st, 5, f->channel);
    if (f->epoch != 0)
        sql_bind_int(st, 6, (int64_t)f->epoch);
    if (f->from_utc_us != 0)
        sql_bind_int(st, 7, f->from_utc_us);
    if (f->to_utc_us != 0)
        sql_bind_int(st, 8, f->to_utc_us);
}

/* Decodes one row and hands it on. Returns 0 go on, 1 the callback has enough, -1 failed. */
typedef int (*row_step)(struct journal_reader *r, sqlite3_stmt *st, void *ctx, struct error *err);

/* Returns 0 all handed out, 1 the callback had enough, -1. */
static int feed_rows(struct journal_reader *r, const struct feed_query *q, row_step step, void *ctx, struct error *err)
{
    char text[4096];
    query_text(q, text, sizeof text);
    sqlite3_stmt *st = sql_prepare(r->db, text, err);
    if (st == NULL)
        return -1;
    int64_t left = q->filter->limit > 0 ? q->filter->limit : INT64_MAX;
    int64_t after = q->filter->after_row;
    int rc = 0;
    bool more = true;
    while (more && rc == 0 && left > 0) {
        int64_t chunk = left < READ_CHUNK ? left : READ_CHUNK, seen = 0;
        reader_bind_filter(st, q->filter, after, chunk);
        int got;
        while ((got = sql_next(st, "journal: rows", err)) == 1) {
            /* A damaged index can hand out the same rows again and again. */
            bool rising = sql_int(st, 0) > after;
            after = sql_int(st, 0);
            seen++;
            rc = rising ? step(r, st, ctx, err) : error_set(err, "journal: rows out of order: the file is damaged");
            if (rc != 0)
                break;
        }
        sql_done(st);
        if (got < 0)
            rc = -1;
        left -= seen;
        more = seen == chunk;
    }
    sqlite3_finalize(st);
    return rc;
}

static const char joins_text[] = "LEFT JOIN channels c ON c.id = m.channel LEFT JOIN run_rows r ON r.run_no = m.run_no";
static const struct row_filter no_filter = {.channel = CHANNEL_ANY};

struct event_step {
    event_row_fn fn;
    void *ctx;
};

static int step_event(struct journal_reader *r, sqlite3_stmt *st, void *ctx, struct error *err)
{
    (void)err;
    struct event_step *s = ctx;
    struct journal_event e;
    (void)reader_event_row(r, st, &e);
    return s->fn(s->ctx, &e) != 0;
}

int journal_reader_events(struct journal_reader *r, const struct row_filter *filter, event_row_fn fn, void *ctx,
                          struct error *err)
{
    struct event_step s = {fn, ctx};
    struct feed_query q = {reader_event_columns, "event_rows", joins_text, filter != NULL ? filter : &no_filter};
    return feed_rows(r, &q, step_event, &s, err) < 0 ? -1 : 0;
}

struct verdict_step {
    verdict_row_fn fn;
    void *ctx;
};

static int step_verdict(struct journal_reader *r, sqlite3_stmt *st, void *ctx, struct error *err)
{
    (void)r;
    (void)err;
    struct verdict_step *s = ctx;
    struct journal_verdict v;
    (void)reader_verdict_row(st, &v);
    return s->fn(s->ctx, &v) != 0;
}

int journal_reader_verdicts(struct journal_reader *r, const struct row_filter *filter, verdict_row_fn fn, void *ctx,
                            struct error *err)
{
    struct verdict_step s = {fn, ctx};
    struct feed_query q = {reader_verdict_columns, "verdict_rows", joins_text, filter != NULL ? filter : &no_filter};
    return feed_rows(r, &q, step_verdict, &s, err) < 0 ? -1 : 0;
}

struct reading_step {
    struct reading_walk *walk;
    int64_t seen;
};

static int step_reading(struct journal_reader *r, sqlite3_stmt *st, void *ctx, struct error *err)
{
    struct reading_step *s = ctx;
    struct journal_reading m;
    reader_reading_plain(st, &m);
    if (reader_reading_stamp(r, &m, err) != 0)
        return -1;
    s->walk->after = m.row;
    s->seen++;
    return s->walk->fn(s->walk->ctx, &m) != 0;
}

static int plain_chunk(struct journal_reader *r, struct reading_walk *w, struct error *err)
{
    struct reading_step s = {.walk = w};
    struct row_filter filter = *w->filter;
    filter.after_row = w->after;
    filter.limit = w->left < READ_CHUNK ? w->left : READ_CHUNK;
    char columns[1500];
    reader_reading_columns(columns, sizeof columns);
    struct feed_query q = {columns, "reading_rows", "", &filter};
    int rc = feed_rows(r, &q, step_reading, &s, err);
    w->left -= s.seen;
    return rc != 0 ? rc : s.seen < filter.limit;
}

int journal_reader_readings(struct journal_reader *r, const struct row_filter *filter, reading_row_fn fn, void *ctx,
                            struct error *err)
{
    const struct row_filter *f = filter != NULL ? filter : &no_filter;
    struct reading_walk w = {
        .filter = f, .after = f->after_row, .left = f->limit > 0 ? f->limit : INT64_MAX, .fn = fn, .ctx = ctx};
    if (r->schema >= 2)
        return reader_walk(r, &w, plain_chunk, err);
    int rc = 0;
    while (rc == 0 && w.left > 0)
        rc = plain_chunk(r, &w, err);
    return rc < 0 ? -1 : 0;
}
