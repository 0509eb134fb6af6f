#include <string.h>

#include "journal_private.h"
#include "sql.h"
#include "unit_name.h"

struct plate_binding {
    const struct journal *j;
    const struct unit_plate *plate;
    const char *name; /* of the unit, see unit_name.h */
    const uint8_t *bytes;
    size_t size;
    int32_t version;
    int64_t utc_s;
};

static int put_plate_row(sqlite3_stmt *st, const struct plate_binding *b, struct error *err)
{
    sql_bind_text(st, 1, b->name);
    sql_bind_int(st, 2, b->version);
    sql_bind_int(st, 3, b->utc_s);
    sql_bind_text(st, 4, b->plate->maker);
    sql_bind_text(st, 5, b->plate->model);
    sql_bind_text(st, 6, b->plate->asset);
    sql_bind_bytes(st, 7, b->bytes, b->size);
    sql_bind_int(st, 8, journal_batch_no(b->j));
    return sql_run(st, "journal: unit", err);
}

/* Version of the unit's latest plate (0: none) and whether it says the same. Returns 0 or -1. */
static int latest_plate(struct journal *j, const struct plate_binding *b, int32_t *version, bool *same,
                        struct error *err)
{
    sqlite3_stmt *st = journal_statement(j, ST_PLATE_LATEST, err);
    if (st == NULL)
        return -1;
    sql_bind_text(st, 1, b->name);
    int rc = sql_next(st, "journal: unit", err);
    *version = 0;
    *same = false;
    if (rc == 1) {
        *version = sql_int32(st, 0);
        const void *bytes = sqlite3_column_blob(st, 1);
        *same =
            bytes != NULL && (size_t)sqlite3_column_bytes(st, 1) == b->size && memcmp(bytes, b->bytes, b->size) == 0;
        sql_done(st);
    }
    return rc < 0 ? -1 : 0;
}

static int give_name(struct journal *j, const struct unit_plate *plate, char name[NAME_CAP], struct error *err)
{
    struct unit_queries q = {.alike = journal_statement(j, ST_UNIT_ALIKE, err)};
    q.named = q.alike == NULL ? NULL : journal_statement(j, ST_UNIT_NAMED, err);
    return q.named == NULL ? -1 : unit_name_for(&q, plate, name, err);
}

int journal_put_unit(struct journal *j, const struct unit_plate *plate, int64_t utc_s, int32_t *version,
                     struct error *err)
{
    char name[NAME_CAP] = "";
    return journal_put_plate(j, plate, utc_s, name, version, err);
}

int journal_put_plate(struct journal *j, const struct unit_plate *plate, int64_t utc_s, char name[NAME_CAP],
                      int32_t *version, struct error *err)
{
    if (journal_need_batch(j, err) != 0)
        return -1;
    if (plate->serial[0] == '\0')
        return error_set(err, "journal: a unit needs a serial number");
    if (name[0] == '\0' && give_name(j, plate, name, err) != 0)
        return -1;
    uint8_t bytes[8000];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_unit_plate(&w, plate);
    if (w.bad)
        return error_set(err, "journal: the plate of %s is too long", plate->serial);
    struct plate_binding b = {.j = j, .plate = plate, .name = name, .bytes = bytes, .size = w.used, .utc_s = utc_s};
    int32_t latest = 0;
    bool same = false;
    if (latest_plate(j, &b, &latest, &same, err) != 0)
        return -1;
    b.version = same ? latest : latest + 1;
    if (version != NULL)
        *version = b.version;
    if (same)
        return 0;
    j->others = true;
    sqlite3_stmt *st = journal_statement(j, ST_PLATE, err);
    return st == NULL ? -1 : put_plate_row(st, &b, err);
}

struct inspection_binding {
    const struct journal *j;
    const struct journal_inspection *t;
};

static void bind_inspection(sqlite3_stmt *st, const void *ctx)
{
    const struct inspection_binding *b = ctx;
    sql_bind_text(st, 1, b->t->serial);
    sql_bind_text(st, 2, b->t->kind);
    sql_bind_text(st, 3, b->t->who);
    sql_bind_text(st, 4, b->t->reference);
    sql_bind_int(st, 5, b->t->done_utc_s);
    sql_bind_int(st, 6, b->t->due_utc_s);
    sql_bind_int(st, 7, b->t->passed);
    sql_bind_text(st, 8, b->t->note);
    sql_bind_int(st, 9, journal_batch_no(b->j));
}

int journal_put_inspection(struct journal *j, const struct journal_inspection *t, struct error *err)
{
    if (journal_need_batch(j, err) != 0)
        return -1;
    struct inspection_binding b = {j, t};
    j->others = true;
    return journal_once(j,
                        "INSERT INTO inspections(serial, kind, who, reference, done_utc_s, due_utc_s, passed, note,"
                        " batch) VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
                        bind_inspection, &b, "journal: inspection", err);
}

struct disposition_binding {
    const struct journal *j;
    const struct journal_disposition *d;
};

static void bind_disposition(sqlite3_stmt *st, const void *ctx)
{
    const struct disposition_binding *b = ctx;
    sql_bind_text(st, 1, b->d->serial);
    sql_bind_text(st, 2, b->d->to);
    sql_bind_text(st, 3, b->d->who);
    sql_bind_int(st, 4, b->d->utc_s);
    sql_bind_int(st, 5, b->d->next_due_utc_s);
    sql_bind_int(st, 6, b->d->run_no);
    sql_bind_text(st, 7, b->d->note);
    sql_bind_int(st, 8, journal_batch_no(b->j));
}

int journal_put_disposition(struct journal *j, const struct journal_disposition *d, struct error *err)
{
    if (journal_need_batch(j, err) != 0)
        return -1;
    struct disposition_binding b = {j, d};
    j->others = true;
    return journal_once(j,
                        "INSERT INTO dispositions(serial, destination, who, utc_s, next_due_utc_s, run_no, note, batch)"
                        " VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
                        bind_disposition, &b, "journal: disposition", err);
}

struct baseline_binding {
    const struct journal *j;
    const struct journal_baseline *b;
};

static void bind_baseline(sqlite3_stmt *st, const void *ctx)
{
    const struct baseline_binding *b = ctx;
    sql_bind_text(st, 1, b->b->serial);
    sql_bind_int(st, 2, b->b->run_no);
    sql_bind_text(st, 3, b->b->who);
    sql_bind_int(st, 4, b->b->utc_s);
    sql_bind_int(st, 5, journal_batch_no(b->j));
}

int journal_put_baseline(struct journal *j, const struct journal_baseline *baseline, struct error *err)
{
    if (journal_need_batch(j, err) != 0)
        return -1;
    struct baseline_binding b = {j, baseline};
    j->others = true;
    return journal_once(j, "INSERT INTO baselines(serial, run_no, who, utc_s, batch) VALUES(?1, ?2, ?3, ?4, ?5)",
                        bind_baseline, &b, "journal: baseline", err);
}

int journal_put_cursor(struct journal *j, const struct journal_cursor *c, struct error *err)
{
    if (journal_need_batch(j, err) != 0)
        return -1;
    sqlite3_stmt *st = journal_statement(j, ST_CURSOR, err);
    if (st == NULL)
        return -1;
    for (int f = 0; f < FEED_COUNT_; f++) {
        if (c->settled[f] > c->sent[f] || c->settled[f] < 0)
            return error_set(err, "journal: store %s: settled %lld lies beyond sent %lld", c->store,
                             (long long)c->settled[f], (long long)c->sent[f]);
        sql_bind_text(st, 1, c->store);
        sql_bind_int(st, 2, f);
        sql_bind_int(st, 3, c->sent[f]);
        sql_bind_int(st, 4, c->settled[f]);
        if (sql_run(st, "journal: cursor", err) != 0)
            return -1;
    }
    return 0;
}

static void bind_set_aside(sqlite3_stmt *st, const void *ctx)
{
    const struct journal_set_aside *a = ctx;
    sql_bind_text(st, 1, a->store);
    sql_bind_int(st, 2, (int64_t)a->feed);
    sql_bind_int(st, 3, a->row);
    sql_bind_int(st, 4, a->utc_ms);
    sql_bind_text(st, 5, a->answer);
    sql_bind_text(st, 6, a->line);
}

int journal_put_set_aside(struct journal *j, const struct journal_set_aside *a, struct error *err)
{
    if (journal_need_batch(j, err) != 0)
        return -1;
    /* A line met again after a rewind is the same line: kept once. */
    return journal_once(j,
                        "INSERT INTO set_aside(store, feed, row, utc_ms, answer, line) SELECT ?1, ?2, ?3, ?4, ?5, ?6"
                        " WHERE NOT EXISTS (SELECT 1 FROM set_aside WHERE store = ?1 AND feed = ?2 AND row = ?3)",
                        bind_set_aside, a, "journal: line set aside", err);
}

static void bind_kept(sqlite3_stmt *st, const void *ctx)
{
    const int64_t *kept = ctx;
    sql_bind_int(st, 1, *kept);
}

static void bind_line(sqlite3_stmt *st, const void *ctx)
{
    const struct journal_line_minute *m = ctx;
    const int64_t counts[] = {m->transactions, m->timeouts,   m->bad_checksums, m->bad_answers, m->wrong_servers,
                              m->exceptions,   m->links_lost, m->not_sent,      m->losses,      m->polls_missed};
    const double figures[] = {m->p50_ms, m->p99_ms, m->longest_ms, m->busy_pct, m->line_pct};
    int at = 1;
    sql_bind_int(st, at++, m->utc_s);
    sql_bind_real(st, at++, m->seconds);
    sql_bind_text(st, at++, m->bus);
    sql_bind_text(st, at++, m->device);
    for (size_t i = 0; i < sizeof counts / sizeof counts[0]; i++)
        sql_bind_int(st, at++, counts[i]);
    for (size_t i = 0; i < sizeof figures / sizeof figures[0]; i++)
        sql_bind_real(st, at++, figures[i]); /* NAN: NULL */
}

int journal_put_lines(struct journal *j, const struct journal_line_minutes *lines, struct error *err)
{
    if (journal_need_batch(j, err) != 0)
        return -1;
    for (int i = 0; i < lines->count && i < LINE_MINUTES_MAX; i++)
        if (journal_once(
                j,
                "INSERT INTO line_minutes(utc_s, seconds, bus, device, transactions, timeouts, bad_checksums,"
                " bad_answers, wrong_servers, exceptions, links_lost, not_sent, losses, polls_missed, p50_ms,"
                " p99_ms, longest_ms, busy_pct, line_pct)"
                " VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19)",
                bind_line, &lines->rows[i], "journal: figures of a line", err) != 0)
            return -1;
    const int64_t kept = LINE_MINUTES_KEPT;
    return journal_once(j, "DELETE FROM line_minutes WHERE id <= (SELECT max(id) FROM line_minutes) - ?1", bind_kept,
                        &kept, "journal: old figures of lines", err);
}

static void bind_notice(sqlite3_stmt *st, const void *ctx)
{
    const struct journal_notice *n = ctx;
    sql_bind_int(st, 1, n->urgency);
    sql_bind_int(st, 2, n->channel);
    sql_bind_int(st, 3, n->run_no);
    sql_bind_int(st, 4, n->made_utc_s);
    sql_bind_int(st, 5, (int64_t)n->state);
    sql_bind_int(st, 6, n->attempts);
    sql_bind_int(st, 7, n->tried_utc_s);
    sql_bind_text(st, 8, n->target);
    sql_bind_text(st, 9, n->text);
    sql_bind_text(st, 10, n->answer);
}

int journal_put_notice(struct journal *j, struct journal_notice *n, struct error *err)
{
    if (journal_need_batch(j, err) != 0 ||
        journal_once(j,
                     "INSERT INTO notices(urgency, channel, run_no, made_utc_s, state, attempts, tried_utc_s, target,"
                     " text, answer) VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
                     bind_notice, n, "journal: notice", err) != 0)
        return -1;
    n->id = sqlite3_last_insert_rowid(j->db);
    return 0;
}

static void bind_notice_update(sqlite3_stmt *st, const void *ctx)
{
    const struct journal_notice *n = ctx;
    sql_bind_int(st, 1, n->id);
    sql_bind_int(st, 2, (int64_t)n->state);
    sql_bind_int(st, 3, n->attempts);
    sql_bind_int(st, 4, n->tried_utc_s);
    sql_bind_text(st, 5, n->answer);
}

int journal_update_notice(struct journal *j, const struct journal_notice *n, struct error *err)
{
    if (journal_need_batch(j, err) != 0 ||
        journal_once(j, "UPDATE notices SET state = ?2, attempts = ?3, tried_utc_s = ?4, answer = ?5 WHERE id = ?1",
                     bind_notice_update, n, "journal: notice", err) != 0)
        return -1;
    return sqlite3_changes(j->db) == 1 ? 0 : error_set(err, "journal: there is no notice %lld", (long long)n->id);
}

int journal_set_carry(struct journal *j, const struct input_boot *carry, struct error *err)
{
    if (journal_need_batch(j, err) != 0)
        return -1;
    uint8_t bytes[8192];
    struct writer w = writer_over(bytes, sizeof bytes);
    struct input in = {.kind = INPUT_BOOT, .u.boot = *carry};
    put_input(&w, &in);
    sqlite3_stmt *st = journal_statement(j, ST_META_SET, err);
    if (st == NULL)
        return -1;
    if (w.bad)
        return error_set(err, "journal: the carry of the session is too long");
    sql_bind_text(st, 1, "carry");
    sql_bind_bytes(st, 2, w.bytes, w.used);
    return sql_run(st, "journal: carry", err);
}

int journal_get_carry(struct journal *j, struct input_boot *carry, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(j->db, "SELECT value FROM meta WHERE key = 'carry'", err);
    if (st == NULL)
        return -1;
    int rc = sql_next(st, "journal: carry", err);
    if (rc == 1) {
        const void *bytes = sqlite3_column_blob(st, 0);
        struct reader r = reader_over(bytes, (size_t)sqlite3_column_bytes(st, 0));
        struct input in;
        get_input(&r, &in);
        if (r.bad || in.kind != INPUT_BOOT)
            rc = error_set(err, "journal: what was carried over from the last session is damaged");
        else
            *carry = in.u.boot;
    }
    sqlite3_finalize(st);
    return rc;
}
