#include "chain_rows.h"

#include "sql.h"

typedef int (*feed_fn)(sqlite3_stmt *st, struct chain *c);

static int feed_session(sqlite3_stmt *st, struct chain *c)
{
    struct journal_session s = {0};
    s.epoch = (uint64_t)sql_int(st, 0);
    sql_text(st, 1, s.boot_id, sizeof s.boot_id);
    sql_text(st, 2, s.engine_version, sizeof s.engine_version);
    sql_text(st, 3, s.program_version, sizeof s.program_version);
    s.anchor_ns = sql_int(st, 4);
    s.anchor_utc_ns = sql_int(st, 5);
    s.boottime_ns = sql_int(st, 6);
    s.rate = sql_real(st, 7);
    s.virtual_clock = sql_int(st, 8) != 0;
    (void)sql_digest(st, 9, &s.bench);
    return chain_add_session(c, &s);
}

static int feed_channel(sqlite3_stmt *st, struct chain *c)
{
    char name[NAME_CAP];
    sql_text(st, 2, name, sizeof name);
    return chain_add_channel(c, (uint64_t)sql_int(st, 0), sql_int32(st, 1), name);
}

static int feed_signal(sqlite3_stmt *st, struct chain *c)
{
    char name[NAME_CAP], unit[NAME_CAP], certificate[NAME_CAP];
    sql_text(st, 2, name, sizeof name);
    sql_text(st, 4, unit, sizeof unit);
    sql_text(st, 5, certificate, sizeof certificate);
    return chain_add_signal(c, (uint64_t)sql_int(st, 0), sql_int32(st, 1), name, sql_int32(st, 3), unit, certificate);
}

static int feed_blob(sqlite3_stmt *st, struct chain *c)
{
    char name[PATH_CAP];
    struct digest d;
    sql_text(st, 2, name, sizeof name);
    (void)sql_digest(st, 3, &d);
    return chain_add_session_blob(c, (uint64_t)sql_int(st, 0), (enum blob_role)sql_int32(st, 1), name, &d);
}

static int feed_run_start(sqlite3_stmt *st, struct chain *c)
{
    struct journal_run r = {0};
    r.run_no = sql_int(st, 0);
    r.epoch = (uint64_t)sql_int(st, 1);
    r.start_seq = (uint64_t)sql_int(st, 2);
    r.channel = sql_int32(st, 3);
    sql_text(st, 4, r.request.serial, sizeof r.request.serial);
    r.request.plate_version = sql_int32(st, 5);
    r.request.procedure = (enum procedure)sql_int32(st, 6);
    sql_text(st, 7, r.request.who, sizeof r.request.who);
    r.start_ns = sql_int(st, 8);
    r.start_utc_us = sql_int(st, 9);
    const void *bytes = sqlite3_column_blob(st, 10);
    return chain_add_run_start(c, &r, bytes, (size_t)sqlite3_column_bytes(st, 10));
}

static int feed_run_end(sqlite3_stmt *st, struct chain *c)
{
    struct journal_run r = {0};
    r.run_no = sql_int(st, 0);
    r.end_ns = sql_int(st, 1);
    r.end_utc_us = sql_int(st, 2);
    r.end_seq = (uint64_t)sql_int(st, 3);
    r.interrupted = sql_int(st, 4) != 0;
    return chain_add_run_end(c, &r);
}

static int feed_plate(sqlite3_stmt *st, struct chain *c)
{
    const void *bytes = sqlite3_column_blob(st, 2);
    return chain_add_plate(c, sql_int32(st, 0), sql_int(st, 1), bytes, (size_t)sqlite3_column_bytes(st, 2));
}

static int feed_inspection(sqlite3_stmt *st, struct chain *c)
{
    struct journal_inspection t = {0};
    sql_text(st, 0, t.serial, sizeof t.serial);
    sql_text(st, 1, t.kind, sizeof t.kind);
    sql_text(st, 2, t.who, sizeof t.who);
    sql_text(st, 3, t.reference, sizeof t.reference);
    t.done_utc_s = sql_int(st, 4);
    t.due_utc_s = sql_int(st, 5);
    t.passed = sql_int(st, 6) != 0;
    sql_text(st, 7, t.note, sizeof t.note);
    return chain_add_inspection(c, &t);
}

static int feed_disposition(sqlite3_stmt *st, struct chain *c)
{
    struct journal_disposition d = {0};
    sql_text(st, 0, d.serial, sizeof d.serial);
    sql_text(st, 1, d.to, sizeof d.to);
    sql_text(st, 2, d.who, sizeof d.who);
    d.utc_s = sql_int(st, 3);
    d.next_due_utc_s = sql_int(st, 4);
    d.run_no = sql_int(st, 5);
    sql_text(st, 6, d.note, sizeof d.note);
    return chain_add_disposition(c, &d);
}

static int feed_baseline(sqlite3_stmt *st, struct chain *c)
{
    struct journal_baseline b = {0};
    sql_text(st, 0, b.serial, sizeof b.serial);
    b.run_no = sql_int(st, 1);
    sql_text(st, 2, b.who, sizeof b.who);
    b.utc_s = sql_int(st, 3);
    return chain_add_baseline(c, &b);
}

const char addendum_columns[] = "id, run_no, utc_s, kind, who, name, note, revision, size, digest";

void addendum_row(sqlite3_stmt *st, struct journal_addendum *a)
{
    *a = (struct journal_addendum){0};
    a->id = sql_int(st, 0);
    a->run_no = sql_int(st, 1);
    a->utc_s = sql_int(st, 2);
    a->kind = (enum addendum_kind)sql_int32(st, 3);
    sql_text(st, 4, a->who, sizeof a->who);
    sql_text(st, 5, a->name, sizeof a->name);
    sql_text(st, 6, a->note, sizeof a->note);
    a->revision = sql_int32(st, 7);
    a->size = sql_int(st, 8);
    (void)sql_digest(st, 9, &a->digest);
}

static int feed_addendum(sqlite3_stmt *st, struct chain *c)
{
    struct journal_addendum a;
    addendum_row(st, &a);
    return chain_add_addendum(c, &a);
}

void removal_row(sqlite3_stmt *st, struct journal_removal *g)
{
    *g = (struct journal_removal){0};
    g->id = sql_int(st, 0);
    g->utc_s = sql_int(st, 1);
    g->cause = (enum removal_cause)sql_int32(st, 2);
    g->what = (enum removal_what)sql_int32(st, 3);
    g->epoch = (uint64_t)sql_int(st, 4);
    g->first = sql_int(st, 5);
    g->last = sql_int(st, 6);
    g->count = sql_int(st, 7);
    g->min_utc_us = sql_int(st, 8);
    g->max_utc_us = sql_int(st, 9);
    g->first_batch = sql_int(st, 10);
    g->last_batch = sql_int(st, 11);
    (void)sql_digest(st, 12, &g->parts);
    (void)sql_digest(st, 13, &g->seconds);
}

static int feed_removal(sqlite3_stmt *st, struct chain *c)
{
    struct journal_removal g;
    removal_row(st, &g);
    return chain_add_removal(c, &g);
}

static int feed_session_end(sqlite3_stmt *st, struct chain *c)
{
    struct journal_session s = {0};
    s.epoch = (uint64_t)sql_int(st, 0);
    s.ended_clean = sql_int(st, 1) != 0;
    s.end_utc_us = sql_int(st, 2);
    return chain_add_session_end(c, &s);
}

static const struct {
    const char *text;
    feed_fn feed;
    int since; /* version of the tables */
} feeds[] = {
    {"SELECT epoch, boot_id, engine_version, program_version, anchor_ns, anchor_utc_ns, boottime_ns, rate, virtual,"
     " bench FROM sessions WHERE batch = ?1 ORDER BY epoch",
     feed_session, 1},
    {"SELECT s.epoch, s.idx, c.name FROM session_channels s JOIN channels c ON c.id = s.id WHERE s.epoch IN"
     " (SELECT epoch FROM sessions WHERE batch = ?1) ORDER BY s.epoch, s.idx",
     feed_channel, 1},
    {"SELECT s.epoch, s.idx, s.name, s.kind, s.unit, s.certificate FROM session_signals s WHERE s.epoch IN"
     " (SELECT epoch FROM sessions WHERE batch = ?1) ORDER BY s.epoch, s.idx",
     feed_signal, 1},
    {"SELECT epoch, role, name, digest FROM session_blobs WHERE batch = ?1 ORDER BY epoch, role, name", feed_blob, 1},
    {"SELECT run_no, epoch, start_seq, idx, serial, plate_version, procedure, who, start_ns, start_utc_us, request"
     " FROM run_rows WHERE batch = ?1 ORDER BY run_no",
     feed_run_start, 1},
    {"SELECT run_no, end_ns, end_utc_us, end_seq, interrupted FROM run_rows WHERE end_batch = ?1 ORDER BY run_no",
     feed_run_end, 1},
    {"SELECT version, utc_s, bytes FROM plate_rows WHERE batch = ?1 ORDER BY serial, version", feed_plate, 1},
    {"SELECT serial, kind, who, reference, done_utc_s, due_utc_s, passed, note FROM inspections WHERE batch = ?1"
     " ORDER BY id",
     feed_inspection, 1},
    {"SELECT serial, destination, who, utc_s, next_due_utc_s, run_no, note FROM dispositions WHERE batch = ?1 ORDER BY"
     " id",
     feed_disposition, 1},
    {"SELECT serial, run_no, who, utc_s FROM baselines WHERE batch = ?1 ORDER BY id", feed_baseline, 1},
    {"SELECT id, run_no, utc_s, kind, who, name, note, revision, size, digest FROM addenda WHERE batch = ?1 ORDER BY"
     " id",
     feed_addendum, 3},
    {"SELECT * FROM removals WHERE batch = ?1 ORDER BY id", feed_removal, 3},
    {"SELECT epoch, ended_clean, end_utc_us FROM sessions WHERE end_batch = ?1 ORDER BY epoch", feed_session_end, 1},
};

int chain_feed_others(sqlite3 *db, int schema, int64_t batch, struct chain *c, struct error *err)
{
    for (size_t i = 0; i < sizeof feeds / sizeof feeds[0]; i++) {
        if (feeds[i].since > schema)
            continue;
        sqlite3_stmt *st = sql_prepare(db, feeds[i].text, err);
        if (st == NULL)
            return -1;
        sql_bind_int(st, 1, batch);
        int rc;
        while ((rc = sql_next(st, "journal: chain", err)) == 1) {
            if (feeds[i].feed(st, c) != 0) {
                rc = error_set(err, "journal: a batch touches too many runs for its chain");
                break;
            }
        }
        sqlite3_finalize(st);
        if (rc != 0)
            return -1;
    }
    return 0;
}
