#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "input_walk.h"
#include "journal_schema.h"
#include "reader_private.h"
#include "sql.h"

struct unpacking {
    struct journal_reader *from;
    sqlite3 *db;
    sqlite3_stmt *put;
    int64_t count;
    struct error *err;
    bool failed;
    /* name of the channel of the row before */
    int32_t channel;
    char name[NAME_CAP];
};

static int make_table(sqlite3 *db, struct error *err)
{
    char text[2048];
    (void)text_format(
        text, sizeof text,
        "PRAGMA journal_mode = DELETE; BEGIN; CREATE TABLE readings(row INTEGER PRIMARY KEY, epoch INTEGER,"
        " channel TEXT, run_no INTEGER, stamp_us INTEGER, store_ms INTEGER, half_width_us INTEGER,"
        " lost INTEGER, back INTEGER");
    for (int k = 0; k < SIG_OTHER; k++)
        (void)text_append(text, sizeof text, ", %s REAL", signal_kind_name((enum signal_kind)k));
    (void)text_append(text, sizeof text,
                      "); CREATE TABLE inputs(seq INTEGER PRIMARY KEY, seen_us INTEGER, kind TEXT, bytes BLOB)");
    return sql_exec(db, text, err);
}

static sqlite3_stmt *prepare_put(sqlite3 *db, struct error *err)
{
    char text[512] = "INSERT INTO readings VALUES(?,?,?,?,?,?,?,?,?";
    for (int k = 0; k < SIG_OTHER; k++)
        (void)text_append(text, sizeof text, ",?");
    (void)text_append(text, sizeof text, ")");
    return sql_prepare(db, text, err);
}

static int put_reading(void *ctx, const struct journal_reading *m)
{
    struct unpacking *u = ctx;
    u->failed = true;
    if (u->count == 0 || m->channel != u->channel) {
        u->name[0] = '\0';
        if (m->channel >= 0 && journal_reader_channel_name(u->from, m->epoch, m->channel, u->name, u->err) < 0)
            return 1;
        u->channel = m->channel;
    }
    sql_bind_int(u->put, 1, m->row);
    sql_bind_int(u->put, 2, (int64_t)m->epoch);
    sql_bind_text(u->put, 3, u->name);
    const int64_t whole[] = {m->run_no, m->utc_us, m->store_ms, m->half_width_us, m->lost, m->back};
    for (int i = 0; i < 6; i++)
        sql_bind_int(u->put, 4 + i, whole[i]);
    for (int k = 0; k < SIG_OTHER; k++)
        sql_bind_real(u->put, 10 + k, m->values[k]);
    if (sql_run(u->put, "unpack: reading", u->err) != 0)
        return 1;
    u->count++;
    u->failed = false;
    return 0;
}

struct input_copy {
    struct unpacking *u;
    sqlite3_stmt *put;
    uint64_t until;
    struct error *err;
    bool failed;
};

static int put_input_row(void *ctx, const uint8_t *bytes, size_t size)
{
    struct input_copy *c = ctx;
    uint64_t seq;
    int64_t seen_ns;
    if (input_head(bytes, size, &seq, &seen_ns) != 0 || seq > c->until)
        return 1;
    sql_bind_int(c->put, 1, (int64_t)seq);
    sql_bind_int(c->put, 2, session_utc_ns(&c->u->from->session, seen_ns) / 1000);
    sql_bind_text(c->put, 3, input_kind_name((enum input_kind)bytes[16]));
    sql_bind_bytes(c->put, 4, bytes, size);
    c->failed = sql_run(c->put, "unpack: input", c->err) != 0;
    return c->failed;
}

/* The inputs from the one that started the run to its last. */
static int copy_inputs(struct unpacking *u, const struct journal_run *run, struct error *err)
{
    struct input_copy c = {.u = u, .until = run->end_seq != 0 ? run->end_seq : UINT64_MAX, .err = err};
    struct input_walk *w = input_walk_new(u->from, err);
    c.put = w == NULL ? NULL : sql_prepare(u->db, "INSERT INTO inputs VALUES(?,?,?,?)", err);
    int rc = c.put == NULL ? -1 : reader_session_of(u->from, run->epoch, err);
    if (rc == 0)
        input_walk_from(w, run->epoch, run->start_seq - 1);
    struct input_part part;
    while (rc == 0 && (rc = input_walk_next(w, &part, err)) == 1)
        rc = part.bytes == NULL ? -1 : reader_each_input(&part, put_input_row, &c);
    sqlite3_finalize(c.put);
    input_walk_free(w);
    return rc < 0 || c.failed ? -1 : 0;
}

/* The run's other rows as their views show them. */
static int copy_views(struct unpacking *u, int64_t run_no, struct error *err)
{
    static const char *const views[] = {"runs", "events", "verdicts"};
    sqlite3_stmt *st = sql_prepare(u->db, "ATTACH ?1 AS record", err);
    if (st == NULL)
        return -1;
    sql_bind_text(st, 1, u->from->path);
    int rc = sql_run(st, "unpack: the journal", err);
    sqlite3_finalize(st);
    for (int i = 0; rc == 0 && i < 3; i++) {
        char text[160];
        (void)text_format(text, sizeof text, "CREATE TABLE %s AS SELECT * FROM record.%s WHERE run_no = %lld", views[i],
                          views[i], (long long)run_no);
        rc = sql_exec(u->db, text, err);
    }
    return rc == 0 ? sql_exec(u->db, "DETACH record", err) : -1;
}

static int fill(struct unpacking *u, const struct journal_run *run, struct error *err)
{
    struct row_filter f = row_filter_any();
    f.run_no = run->run_no;
    if (copy_views(u, run->run_no, err) != 0 || make_table(u->db, err) != 0)
        return -1;
    u->put = prepare_put(u->db, err);
    if (u->put == NULL || journal_reader_readings(u->from, &f, put_reading, u, err) != 0 || u->failed ||
        copy_inputs(u, run, err) != 0)
        return -1;
    return sql_exec(u->db, "COMMIT", err);
}

static int unpack_run(struct journal_reader *r, const struct journal_run *run, const char *to, int64_t *count,
                      struct error *err)
{
    char part[PATH_CAP + 8];
    if (strlen(to) >= PATH_CAP || text_format(part, sizeof part, "%s.part", to) != 0)
        return error_set(err, "the path %s is too long", to);
    if (access(to, F_OK) == 0)
        return error_set(err, "%s is there already and is not overwritten: name another file", to);
    (void)unlink(part); /* what an interrupted one left */
    struct unpacking u = {.from = r, .err = err};
    int rc = 0;
    if (sqlite3_open(part, &u.db) != SQLITE_OK)
        rc = error_set(err, "%s cannot be made", part);
    if (rc == 0)
        rc = fill(&u, run, err);
    (void)sqlite3_finalize(u.put);
    (void)sqlite3_close_v2(u.db);
    if (rc == 0 && rename(part, to) != 0)
        rc = error_set(err, "%s: cannot be put in its place", to);
    if (rc != 0)
        (void)unlink(part);
    *count = u.count;
    return rc;
}

int journal_unpack(struct journal_reader *r, int64_t run_no, const char *to, int64_t *count, struct error *err)
{
    struct journal_run *run = malloc(sizeof *run);
    int rc = run == NULL ? error_set(err, "journal: out of memory") : journal_reader_run(r, run_no, run, err);
    *count = 0;
    if (rc == 0)
        rc = error_set(err, "there is no run %lld in this journal", (long long)run_no);
    else if (rc == 1)
        rc = unpack_run(r, run, to, count, err);
    free(run);
    return rc;
}
