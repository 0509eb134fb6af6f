#include <string.h>

#include "reader_private.h"
#include "sql.h"
#include "unit_name.h"

static const char run_columns[] =
    "r.run_no, r.epoch, r.start_seq, r.idx, c.name, r.start_ns, r.end_ns, r.start_utc_us, r.end_utc_us, r.end_seq,"
    " r.interrupted, r.request";

static int run_row(sqlite3_stmt *st, struct journal_run *run, struct error *err)
{
    memset(run, 0, sizeof *run);
    run->run_no = sql_int(st, 0);
    run->epoch = (uint64_t)sql_int(st, 1);
    run->start_seq = (uint64_t)sql_int(st, 2);
    run->channel = sql_int32(st, 3);
    sql_text(st, 4, run->channel_name, sizeof run->channel_name);
    run->start_ns = sql_int(st, 5);
    run->end_ns = sql_int(st, 6);
    run->start_utc_us = sql_int(st, 7);
    run->end_utc_us = sql_int(st, 8);
    run->end_seq = (uint64_t)sql_int(st, 9);
    run->interrupted = sql_int(st, 10) != 0;
    const void *bytes = sqlite3_column_blob(st, 11);
    struct reader r = reader_over(bytes, (size_t)sqlite3_column_bytes(st, 11));
    struct input in;
    get_input(&r, &in);
    if (r.bad || in.kind != INPUT_OPERATOR || in.u.operator_.verb != VERB_START)
        return error_set(err, "journal: the request of run %lld is damaged", (long long)run->run_no);
    run->request = in.u.operator_.run;
    return 0;
}

struct last_verdict {
    struct journal_run *run;
};

static int keep_verdict(void *ctx, const struct journal_verdict *v)
{
    struct last_verdict *l = ctx;
    if (!l->run->judged || v->verdict.revision >= l->run->verdict.revision)
        l->run->verdict = v->verdict;
    l->run->judged = true;
    return 0;
}

static int add_verdict(struct journal_reader *r, struct journal_run *run, struct error *err)
{
    struct last_verdict l = {run};
    struct row_filter f = row_filter_any();
    f.run_no = run->run_no;
    return journal_reader_verdicts(r, &f, keep_verdict, &l, err);
}

int journal_reader_run(struct journal_reader *r, int64_t run_no, struct journal_run *run, struct error *err)
{
    char text[512];
    (void)text_format(text, sizeof text,
                      "SELECT %s FROM run_rows r LEFT JOIN channels c ON c.id = r.channel WHERE r.run_no = ?1",
                      run_columns);
    sqlite3_stmt *st = sql_prepare(r->db, text, err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, run_no);
    int rc = sql_next(st, "journal: run", err);
    if (rc == 1 && run_row(st, run, err) != 0)
        rc = -1;
    sqlite3_finalize(st);
    if (rc == 1 && add_verdict(r, run, err) != 0)
        rc = -1;
    return rc;
}

static void filter_text(const struct run_filter *f, char *to, size_t cap)
{
    (void)text_format(to, cap,
                      "SELECT %s FROM run_rows r LEFT JOIN channels c ON c.id = r.channel WHERE r.run_no %s ?1",
                      run_columns, f->newest_first ? "<" : ">");
    if (f->serial != NULL)
        (void)text_append(to, cap, " AND r.serial = ?2");
    if (f->channel != NULL)
        (void)text_append(to, cap, " AND c.name = ?3");
    if (f->certificate != NULL)
        (void)text_append(to, cap,
                          " AND EXISTS (SELECT 1 FROM session_signals s WHERE s.epoch = r.epoch AND s.certificate = ?4"
                          " AND s.channel IN (0, r.channel))");
    if (f->since_utc_us != 0)
        (void)text_append(to, cap, " AND r.start_utc_us >= ?5");
    if (f->until_utc_us != 0)
        (void)text_append(to, cap, " AND r.start_utc_us < ?6");
    if (f->verdict != 0)
        (void)text_append(to, cap,
                          " AND (SELECT v.kind FROM verdict_rows v WHERE v.run_no = r.run_no ORDER BY v.revision DESC"
                          " LIMIT 1) = ?7");
    if (f->open_only)
        (void)text_append(to, cap, " AND r.end_utc_us = 0");
    (void)text_append(to, cap, " ORDER BY r.run_no %s LIMIT 1", f->newest_first ? "DESC" : "ASC");
}

static void filter_bind(sqlite3_stmt *st, const struct run_filter *f, int64_t after)
{
    sql_bind_int(st, 1, after);
    if (f->serial != NULL)
        sql_bind_text(st, 2, f->serial);
    if (f->channel != NULL)
        sql_bind_text(st, 3, f->channel);
    if (f->certificate != NULL)
        sql_bind_text(st, 4, f->certificate);
    if (f->since_utc_us != 0)
        sql_bind_int(st, 5, f->since_utc_us);
    if (f->until_utc_us != 0)
        sql_bind_int(st, 6, f->until_utc_us);
    if (f->verdict != 0)
        sql_bind_int(st, 7, f->verdict);
}

int journal_reader_runs(struct journal_reader *r, const struct run_filter *filter, run_row_fn fn, void *ctx,
                        struct error *err)
{
    static const struct run_filter all = {0};
    const struct run_filter *f = filter != NULL ? filter : &all;
    char text[2048];
    filter_text(f, text, sizeof text);
    sqlite3_stmt *st = sql_prepare(r->db, text, err);
    if (st == NULL)
        return -1;
    int64_t after = f->newest_first ? INT64_MAX : INT64_MIN, left = f->limit > 0 ? f->limit : INT64_MAX;
    int rc = 1;
    while (rc == 1 && left-- > 0) {
        struct journal_run run;
        filter_bind(st, f, after);
        rc = sql_next(st, "journal: runs", err);
        if (rc != 1)
            break;
        int bad = run_row(st, &run, err);
        if (f->newest_first ? sql_int(st, 0) >= after : sql_int(st, 0) <= after)
            bad = error_set(err, "journal: runs out of order: the file is damaged");
        after = sql_int(st, 0);
        sql_done(st); /* before the callback, which may take its time */
        if (bad != 0 || add_verdict(r, &run, err) != 0)
            rc = -1;
        else if (fn(ctx, &run) != 0)
            rc = 0;
    }
    sqlite3_finalize(st);
    return rc < 0 ? -1 : 0;
}

/* A run that was cut off with its session was on-load until its last trace, for all that is known. Fifty runs back:
 * some may have begun and never closed a step. */
int journal_reader_last_load(struct journal_reader *r, const char *serial, int64_t *utc_us, struct error *err)
{
    static const char text[] =
        "WITH u AS (SELECT run_no, end_utc_us, interrupted FROM run_rows WHERE serial = ?1 ORDER BY run_no DESC"
        " LIMIT 50), l AS (SELECT * FROM u WHERE EXISTS(SELECT 1 FROM event_rows e WHERE e.run_no = u.run_no"
        " AND e.kind = ?2)) SELECT ifnull(max(t), 0) FROM (SELECT max(e.seen_utc_us) AS t FROM l"
        " JOIN event_rows e ON e.run_no = l.run_no WHERE e.kind IN (?2, ?3, ?4, ?5)"
        " OR (e.kind = ?6 AND (e.code2 IN (?7, ?8) OR e.code IN (?7, ?8)))"
        " UNION ALL SELECT max(end_utc_us) FROM l WHERE interrupted <> 0)";
    static const int64_t codes[] = {EVENT_STEPS, EVENT_CYCLE,   EVENT_SHUTOFF, EVENT_INTERLOCK,
                                    EVENT_STATE, STATE_SETTING, STATE_ON_LOAD};
    sqlite3_stmt *st = sql_prepare(r->db, text, err);
    if (st == NULL)
        return -1;
    sql_bind_text(st, 1, serial);
    for (size_t i = 0; i < sizeof codes / sizeof codes[0]; i++)
        sql_bind_int(st, 2 + (int)i, codes[i]);
    int rc = sql_next(st, "journal: last load", err);
    if (rc == 1)
        *utc_us = sql_int(st, 0);
    sqlite3_finalize(st);
    return rc < 0 ? -1 : rc == 1 && *utc_us > 0;
}

int journal_reader_shutoffs(struct journal_reader *r, const char *serial, int64_t since_utc_us, int64_t *count,
                            struct error *err)
{
    static const char text[] =
        "SELECT count(*) FROM event_rows e WHERE e.kind = ?2 AND e.seen_utc_us >= ?3 AND e.run_no IN"
        " (SELECT run_no FROM run_rows WHERE serial = ?1 ORDER BY run_no DESC LIMIT 50)";
    sqlite3_stmt *st = sql_prepare(r->db, text, err);
    if (st == NULL)
        return -1;
    sql_bind_text(st, 1, serial);
    sql_bind_int(st, 2, EVENT_SHUTOFF);
    sql_bind_int(st, 3, since_utc_us);
    int rc = sql_next(st, "journal: shutoffs", err);
    if (rc == 1)
        *count = sql_int(st, 0);
    sqlite3_finalize(st);
    return rc < 0 ? -1 : 0;
}

static int unit_row(sqlite3_stmt *st, struct journal_unit *u, struct error *err)
{
    memset(u, 0, sizeof *u);
    sql_text(st, 3, u->name, sizeof u->name);
    u->version = sql_int32(st, 0);
    u->utc_s = sql_int(st, 1);
    const void *bytes = sqlite3_column_blob(st, 2);
    struct reader r = reader_over(bytes, (size_t)sqlite3_column_bytes(st, 2));
    get_unit_plate(&r, &u->plate);
    return r.bad ? error_set(err, "journal: the plate of a unit is damaged") : 0;
}

int journal_reader_unit(struct journal_reader *r, const char *serial, int32_t version, struct journal_unit *u,
                        struct error *err)
{
    sqlite3_stmt *st =
        sql_prepare(r->db,
                    "SELECT version, utc_s, bytes, serial FROM plate_rows WHERE serial = ?1 AND (?2 = 0 OR"
                    " version = ?2) ORDER BY version DESC LIMIT 1",
                    err);
    if (st == NULL)
        return -1;
    sql_bind_text(st, 1, serial);
    sql_bind_int(st, 2, version);
    int rc = sql_next(st, "journal: unit", err);
    if (rc == 1 && unit_row(st, u, err) != 0)
        rc = -1;
    sqlite3_finalize(st);
    return rc;
}

int journal_reader_find_unit(struct journal_reader *r, const char *called, char name[NAME_CAP], struct error *err)
{
    struct unit_queries q = {.alike = sql_prepare(r->db, unit_alike_text, err)};
    q.named = q.alike == NULL ? NULL : sql_prepare(r->db, unit_named_text, err);
    int rc = q.named == NULL ? -1 : unit_name_find(&q, called, name, err);
    sqlite3_finalize(q.alike);
    sqlite3_finalize(q.named);
    return rc;
}

int journal_reader_units(struct journal_reader *r, const char *after, unit_row_fn fn, void *ctx, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(
        r->db,
        "SELECT version, utc_s, bytes, serial FROM plate_rows p WHERE serial > ?1 AND version = (SELECT max(version)"
        " FROM plate_rows x WHERE x.serial = p.serial) ORDER BY serial",
        err);
    if (st == NULL)
        return -1;
    sql_bind_text(st, 1, after != NULL ? after : "");
    int rc;
    while ((rc = sql_next(st, "journal: units", err)) == 1) {
        struct journal_unit u;
        if (unit_row(st, &u, err) != 0) {
            rc = -1;
            break;
        }
        if (fn(ctx, &u) != 0) {
            rc = 0;
            break;
        }
    }
    sqlite3_finalize(st);
    return rc;
}

int journal_reader_inspections(struct journal_reader *r, const char *serial, inspection_row_fn fn, void *ctx,
                               struct error *err)
{
    sqlite3_stmt *st = sql_prepare(r->db,
                                   "SELECT serial, kind, who, reference, done_utc_s, due_utc_s, passed, note FROM"
                                   " inspections WHERE serial = ?1 ORDER BY done_utc_s DESC, id DESC",
                                   err);
    if (st == NULL)
        return -1;
    sql_bind_text(st, 1, serial);
    int rc;
    while ((rc = sql_next(st, "journal: inspections", err)) == 1) {
        struct journal_inspection t = {0};
        sql_text(st, 0, t.serial, sizeof t.serial);
        sql_text(st, 1, t.kind, sizeof t.kind);
        sql_text(st, 2, t.who, sizeof t.who);
        sql_text(st, 3, t.reference, sizeof t.reference);
        t.done_utc_s = sql_int(st, 4);
        t.due_utc_s = sql_int(st, 5);
        t.passed = sql_int(st, 6) != 0;
        sql_text(st, 7, t.note, sizeof t.note);
        if (fn(ctx, &t) != 0) {
            rc = 0;
            break;
        }
    }
    sqlite3_finalize(st);
    return rc;
}

int journal_reader_dispositions(struct journal_reader *r, const char *serial, disposition_row_fn fn, void *ctx,
                                struct error *err)
{
    sqlite3_stmt *st = sql_prepare(r->db,
                                   "SELECT serial, destination, who, utc_s, next_due_utc_s, run_no, note FROM"
                                   " dispositions WHERE ?1 IS NULL OR serial = ?1 ORDER BY id DESC",
                                   err);
    if (st == NULL)
        return -1;
    if (serial != NULL)
        sql_bind_text(st, 1, serial);
    int rc;
    while ((rc = sql_next(st, "journal: dispositions", err)) == 1) {
        struct journal_disposition d = {0};
        sql_text(st, 0, d.serial, sizeof d.serial);
        sql_text(st, 1, d.to, sizeof d.to);
        sql_text(st, 2, d.who, sizeof d.who);
        d.utc_s = sql_int(st, 3);
        d.next_due_utc_s = sql_int(st, 4);
        d.run_no = sql_int(st, 5);
        sql_text(st, 6, d.note, sizeof d.note);
        if (fn(ctx, &d) != 0) {
            rc = 0;
            break;
        }
    }
    sqlite3_finalize(st);
    return rc;
}

int journal_reader_baseline(struct journal_reader *r, const char *serial, struct journal_baseline *b, struct error *err)
{
    sqlite3_stmt *st =
        sql_prepare(r->db, "SELECT run_no, who, utc_s FROM baselines WHERE serial = ?1 ORDER BY id DESC LIMIT 1", err);
    if (st == NULL)
        return -1;
    sql_bind_text(st, 1, serial);
    int rc = sql_next(st, "journal: baseline", err);
    if (rc == 1) {
        *b = (struct journal_baseline){.run_no = sql_int(st, 0), .utc_s = sql_int(st, 2)};
        (void)text_copy(b->serial, sizeof b->serial, serial);
        sql_text(st, 1, b->who, sizeof b->who);
    }
    sqlite3_finalize(st);
    return rc;
}

int journal_reader_cursor(struct journal_reader *r, const char *store, struct journal_cursor *c, struct error *err)
{
    memset(c, 0, sizeof *c);
    (void)text_copy(c->store, sizeof c->store, store);
    sqlite3_stmt *st = sql_prepare(r->db, "SELECT feed, sent, settled FROM cursors WHERE store = ?1", err);
    if (st == NULL)
        return -1;
    sql_bind_text(st, 1, store);
    int rc, found = 0;
    while ((rc = sql_next(st, "journal: cursor", err)) == 1) {
        int64_t feed = sql_int(st, 0);
        if (feed < 0 || feed >= FEED_COUNT_)
            continue;
        c->sent[feed] = sql_int(st, 1);
        c->settled[feed] = sql_int(st, 2);
        found = 1;
    }
    sqlite3_finalize(st);
    return rc < 0 ? -1 : found;
}

int journal_reader_set_aside(struct journal_reader *r, const char *store, set_aside_row_fn fn, void *ctx,
                             struct error *err)
{
    sqlite3_stmt *st = sql_prepare(
        r->db, "SELECT id, store, feed, row, utc_ms, answer, line FROM set_aside WHERE store = ?1 ORDER BY id", err);
    if (st == NULL)
        return -1;
    sql_bind_text(st, 1, store);
    int rc;
    while ((rc = sql_next(st, "journal: lines set aside", err)) == 1) {
        struct journal_set_aside a = {0};
        a.id = sql_int(st, 0);
        sql_text(st, 1, a.store, sizeof a.store);
        a.feed = (enum feed)sql_int32(st, 2);
        a.row = sql_int(st, 3);
        a.utc_ms = sql_int(st, 4);
        sql_text(st, 5, a.answer, sizeof a.answer);
        sql_text(st, 6, a.line, sizeof a.line);
        if (fn(ctx, &a) != 0) {
            rc = 0;
            break;
        }
    }
    sqlite3_finalize(st);
    return rc;
}

int journal_reader_notices(struct journal_reader *r, bool pending_only, notice_row_fn fn, void *ctx, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(r->db,
                                   "SELECT id, urgency, channel, run_no, made_utc_s, state, attempts, tried_utc_s,"
                                   " target, text, answer FROM notices WHERE ?1 = 0 OR state = 0 ORDER BY id",
                                   err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, pending_only);
    int rc;
    while ((rc = sql_next(st, "journal: notices", err)) == 1) {
        struct journal_notice n = {0};
        n.id = sql_int(st, 0);
        n.urgency = sql_int32(st, 1);
        n.channel = sql_int32(st, 2);
        n.run_no = sql_int(st, 3);
        n.made_utc_s = sql_int(st, 4);
        n.state = (enum notice_state)sql_int32(st, 5);
        n.attempts = sql_int32(st, 6);
        n.tried_utc_s = sql_int(st, 7);
        sql_text(st, 8, n.target, sizeof n.target);
        sql_text(st, 9, n.text, sizeof n.text);
        sql_text(st, 10, n.answer, sizeof n.answer);
        if (fn(ctx, &n) != 0) {
            rc = 0;
            break;
        }
    }
    sqlite3_finalize(st);
    return rc;
}
