#include <string.h>

#include "journal_private.h"
#include "sql.h"

static void bind_session(sqlite3_stmt *st, const void *ctx)
{
    const struct journal *j = ctx;
    const struct journal_session *s = &j->state.session;
    sql_bind_int(st, 1, (int64_t)s->epoch);
    sql_bind_text(st, 2, s->boot_id);
    sql_bind_text(st, 3, s->engine_version);
    sql_bind_text(st, 4, s->program_version);
    sql_bind_int(st, 5, s->anchor_ns);
    sql_bind_int(st, 6, s->anchor_utc_ns);
    sql_bind_int(st, 7, s->boottime_ns);
    sql_bind_real(st, 8, s->rate);
    sql_bind_int(st, 9, s->virtual_clock);
    sql_bind_digest(st, 10, &s->bench);
    sql_bind_int(st, 11, journal_batch_no(j));
}

struct blob_binding {
    const struct digest *digest;
    const void *bytes;
    size_t size;
    int64_t epoch, batch;
    int role;
    const char *name;
};

static void bind_blob(sqlite3_stmt *st, const void *ctx)
{
    const struct blob_binding *b = ctx;
    sql_bind_digest(st, 1, b->digest);
    sql_bind_int(st, 2, (int64_t)b->size);
    sql_bind_bytes(st, 3, b->bytes, b->size);
}

static void bind_session_blob(sqlite3_stmt *st, const void *ctx)
{
    const struct blob_binding *b = ctx;
    sql_bind_int(st, 1, b->epoch);
    sql_bind_int(st, 2, b->role);
    sql_bind_text(st, 3, b->name);
    sql_bind_digest(st, 4, b->digest);
    sql_bind_int(st, 5, b->batch);
}

int journal_keep_blob(struct journal *j, const void *bytes, size_t size, struct digest *digest, struct error *err)
{
    if (digest_of(bytes, size, digest) != 0)
        return error_set(err, "journal: the digest library failed");
    struct blob_binding b = {.digest = digest, .bytes = bytes, .size = size};
    return journal_once(j, "INSERT INTO blobs VALUES(?1, ?2, 0, ?3) ON CONFLICT(digest) DO NOTHING", bind_blob, &b,
                        "journal: blob", err);
}

static int keep_bench(struct journal *j, const struct bench *bench, struct error *err)
{
    size_t size = bench_encode(bench, NULL, 0);
    uint8_t *bytes = sqlite3_malloc64(size);
    if (bytes == NULL)
        return error_set(err, "journal: out of memory");
    int rc = bench_encode(bench, bytes, size) == size ? journal_keep_blob(j, bytes, size, &j->state.session.bench, err)
                                                      : error_set(err, "journal: the bench could not be encoded");
    sqlite3_free(bytes);
    return rc;
}

static int channel_id(struct journal *j, const char *name, int64_t *id, struct error *err)
{
    sqlite3_stmt *put = sql_prepare(j->db, "INSERT INTO channels(name) VALUES(?1) ON CONFLICT(name) DO NOTHING", err);
    sqlite3_stmt *get = put == NULL ? NULL : sql_prepare(j->db, "SELECT id FROM channels WHERE name = ?1", err);
    int rc = -1;
    if (get != NULL) {
        sql_bind_text(put, 1, name);
        sql_bind_text(get, 1, name);
        if (sql_run(put, "journal: channel", err) == 0 && sql_next(get, "journal: channel", err) == 1) {
            *id = sql_int(get, 0);
            rc = 0;
        }
    }
    sqlite3_finalize(put);
    sqlite3_finalize(get);
    return rc;
}

static int put_channels(struct journal *j, const struct bench *bench, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(j->db, "INSERT INTO session_channels VALUES(?1, ?2, ?3)", err);
    int rc = st == NULL ? -1 : 0;
    j->state.channel_ids[0] = 0;
    j->state.channel_count = bench->channel_count;
    for (int i = 0; rc == 0 && i < bench->channel_count; i++) {
        rc = channel_id(j, bench->channels[i].name, &j->state.channel_ids[i + 1], err);
        if (rc != 0)
            break;
        sql_bind_int(st, 1, (int64_t)j->state.session.epoch);
        sql_bind_int(st, 2, i);
        sql_bind_int(st, 3, j->state.channel_ids[i + 1]);
        rc = sql_run(st, "journal: channel", err);
    }
    sqlite3_finalize(st);
    return rc;
}

static int put_signals(struct journal *j, const struct bench *bench, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(j->db, "INSERT INTO session_signals VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7)", err);
    int rc = st == NULL ? -1 : 0;
    for (int i = 0; rc == 0 && i < bench->signal_count; i++) {
        const struct bench_signal *s = &bench->signals[i];
        sql_bind_int(st, 1, (int64_t)j->state.session.epoch);
        sql_bind_int(st, 2, i);
        sql_bind_text(st, 3, s->name);
        sql_bind_int(st, 4, (int64_t)s->kind);
        sql_bind_int(st, 5, j->state.channel_ids[s->channel + 1]);
        sql_bind_text(st, 6, dimension_unit(s->dim));
        sql_bind_text(st, 7, s->certificate);
        rc = sql_run(st, "journal: signal", err);
    }
    sqlite3_finalize(st);
    return rc;
}

static void bind_interrupted(sqlite3_stmt *st, const void *ctx)
{
    sql_bind_int(st, 1, journal_batch_no(ctx));
}

/* Runs that an earlier session left open ended with its last trace in the record. */
static int end_left_open(struct journal *j, struct error *err)
{
    static const char text[] =
        "UPDATE run_rows SET interrupted = 1, end_batch = ?1,"
        " end_seq = max(start_seq, ifnull((SELECT max(last_seq) FROM input_blocks b WHERE b.epoch = run_rows.epoch), "
        "0),"
        "  ifnull((SELECT max(last_seq) FROM sealed_inputs b WHERE b.epoch = run_rows.epoch), 0)),"
        " end_utc_us = max(start_utc_us + 1,"
        "  ifnull((SELECT max(utc_us) FROM event_rows e WHERE e.run_no = run_rows.run_no), 0),"
        "  ifnull((SELECT max(utc_us) FROM reading_rows m WHERE m.run_no = run_rows.run_no AND m.run_no <> 0), 0),"
        "  ifnull((SELECT max(max_utc_us) FROM block_parts p WHERE p.run_no = run_rows.run_no), 0))"
        " WHERE end_utc_us = 0";
    static const char clock[] =
        "UPDATE run_rows SET end_ns = (SELECT s.anchor_ns + end_utc_us * 1000 - s.anchor_utc_ns FROM sessions s"
        " WHERE s.epoch = run_rows.epoch) WHERE end_batch = ?1";
    if (journal_once(j, text, bind_interrupted, j, "journal: interrupted runs", err) != 0)
        return -1;
    return journal_once(j, clock, bind_interrupted, j, "journal: interrupted runs", err);
}

int journal_put_session(struct journal *j, const struct journal_session *s, const struct bench *bench,
                        struct error *err)
{
    if (journal_need_batch(j, err) != 0)
        return -1;
    if (s->epoch != journal_next_epoch(j))
        return error_set(err, "journal: the next session is number %llu, not %llu",
                         (unsigned long long)journal_next_epoch(j), (unsigned long long)s->epoch);
    struct journal_state *state = &j->state;
    state->session = *s;
    state->session.ended_clean = false;
    state->session.end_utc_us = 0;
    state->last_seq = 0;
    memset(state->good, 0, sizeof state->good);
    if (end_left_open(j, err) != 0 || keep_bench(j, bench, err) != 0 ||
        journal_once(j,
                     "INSERT INTO sessions(epoch, boot_id, engine_version, program_version, anchor_ns, anchor_utc_ns,"
                     " boottime_ns, rate, virtual, bench, batch) VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
                     bind_session, j, "journal: session", err) != 0 ||
        put_channels(j, bench, err) != 0 || put_signals(j, bench, err) != 0 || journal_load_series(j, err) != 0)
        return -1;
    state->session_open = true;
    j->others = true;
    return 0;
}

static void bind_session_end(sqlite3_stmt *st, const void *ctx)
{
    const struct journal *j = ctx;
    sql_bind_int(st, 1, (int64_t)j->state.session.epoch);
    sql_bind_int(st, 2, j->state.session.end_utc_us);
    sql_bind_int(st, 3, journal_batch_no(j));
}

int journal_end_session(struct journal *j, int64_t end_ns, struct error *err)
{
    if (journal_need_session(j, err) != 0)
        return -1;
    j->state.session.end_utc_us = session_utc_ns(&j->state.session, end_ns) / 1000;
    j->others = true;
    if (journal_once(j, "UPDATE sessions SET ended_clean = 1, end_utc_us = ?2, end_batch = ?3 WHERE epoch = ?1",
                     bind_session_end, j, "journal: end of session", err) != 0)
        return -1;
    j->state.session_open = false;
    j->state.last_ended_clean = true;
    return 0;
}

int journal_put_blob(struct journal *j, enum blob_role role, const char *name, const void *bytes, size_t size,
                     struct digest *digest, struct error *err)
{
    if (journal_need_session(j, err) != 0)
        return -1;
    struct digest d;
    if (journal_keep_blob(j, bytes, size, &d, err) != 0)
        return -1;
    struct blob_binding b = {.digest = &d,
                             .epoch = (int64_t)j->state.session.epoch,
                             .batch = journal_batch_no(j),
                             .role = (int)role,
                             .name = name};
    j->others = true;
    if (journal_once(j, "INSERT OR REPLACE INTO session_blobs VALUES(?1, ?2, ?3, ?4, ?5)", bind_session_blob, &b,
                     "journal: blob", err) != 0)
        return -1;
    if (digest != NULL)
        *digest = d;
    return 0;
}

struct run_binding {
    const struct journal *j;
    const struct journal_run *run;
    const uint8_t *request;
    size_t request_size;
    int64_t channel_id;
};

static void bind_run(sqlite3_stmt *st, const void *ctx)
{
    const struct run_binding *b = ctx;
    const struct journal_run *r = b->run;
    sql_bind_int(st, 1, r->run_no);
    sql_bind_int(st, 2, (int64_t)r->epoch);
    sql_bind_int(st, 3, (int64_t)r->start_seq);
    sql_bind_int(st, 4, b->channel_id);
    sql_bind_int(st, 5, r->channel);
    sql_bind_text(st, 6, r->request.serial);
    sql_bind_int(st, 7, r->request.plate_version);
    sql_bind_int(st, 8, (int64_t)r->request.procedure);
    sql_bind_text(st, 9, r->request.who);
    sql_bind_int(st, 10, r->start_ns);
    sql_bind_int(st, 11, r->start_utc_us);
    sql_bind_bytes(st, 12, b->request, b->request_size);
    sql_bind_int(st, 13, journal_batch_no(b->j));
}

int journal_put_run(struct journal *j, const struct input *start, int64_t start_ns, struct error *err)
{
    if (journal_need_session(j, err) != 0)
        return -1;
    const struct input_operator *o = &start->u.operator_;
    if (start->kind != INPUT_OPERATOR || o->verb != VERB_START || o->channel < 0 ||
        o->channel >= j->state.channel_count || o->run.run_no <= 0)
        return error_set(err, "journal: this input starts no run");
    struct journal_run run = {.run_no = o->run.run_no,
                              .epoch = j->state.session.epoch,
                              .start_seq = start->seq,
                              .channel = o->channel,
                              .request = o->run,
                              .start_ns = start_ns,
                              .start_utc_us = session_utc_ns(&j->state.session, start_ns) / 1000};
    uint8_t bytes[2048];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_input(&w, start);
    if (w.bad)
        return error_set(err, "journal: the request of run %lld is too long", (long long)run.run_no);
    if (run.run_no >= j->next_run_no) {
        j->next_run_no = run.run_no + 1;
        j->run_no_dirty = true;
    }
    struct run_binding b = {j, &run, bytes, w.used, j->state.channel_ids[o->channel + 1]};
    j->others = true;
    return journal_once(j,
                        "INSERT INTO run_rows(run_no, epoch, start_seq, channel, idx, serial, plate_version, procedure,"
                        " who, start_ns, start_utc_us, request, batch) VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10,"
                        " ?11, ?12, ?13)",
                        bind_run, &b, "journal: run", err);
}

static void bind_run_end(sqlite3_stmt *st, const void *ctx)
{
    const struct run_binding *b = ctx;
    sql_bind_int(st, 1, b->run->run_no);
    sql_bind_int(st, 2, b->run->end_ns);
    sql_bind_int(st, 3, b->run->end_utc_us);
    sql_bind_int(st, 4, (int64_t)b->run->end_seq);
    sql_bind_int(st, 5, journal_batch_no(b->j));
}

int journal_end_run(struct journal *j, int64_t run_no, uint64_t end_seq, int64_t end_ns, struct error *err)
{
    if (journal_need_session(j, err) != 0)
        return -1;
    struct journal_run run = {.run_no = run_no,
                              .end_seq = end_seq,
                              .end_ns = end_ns,
                              .end_utc_us = session_utc_ns(&j->state.session, end_ns) / 1000};
    struct run_binding b = {.j = j, .run = &run};
    j->others = true;
    if (journal_once(j,
                     "UPDATE run_rows SET end_ns = ?2, end_utc_us = ?3, end_seq = ?4, end_batch = ?5 WHERE run_no = ?1"
                     " AND end_utc_us = 0",
                     bind_run_end, &b, "journal: end of run", err) != 0)
        return -1;
    if (sqlite3_changes(j->db) != 1)
        return error_set(err, "journal: run %lld is not open", (long long)run_no);
    return 0;
}
