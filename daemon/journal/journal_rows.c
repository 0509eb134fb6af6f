#include <math.h>
#include <string.h>

#include "journal_private.h"
#include "sql.h"

enum { CHANNEL_OUT_OF_RANGE = -1 };

/* Floor division: stamps before 1970 must not jump at zero. */
static int64_t floor_div(int64_t a, int64_t b)
{
    int64_t q = a / b;
    return a % b < 0 ? q - 1 : q;
}

static int64_t utc_us_of(const struct journal *j, int64_t stamp_ns)
{
    return floor_div(session_utc_ns(&j->state.session, stamp_ns), 1000);
}

static int place_of(const struct journal *j, int32_t channel)
{
    return channel >= -1 && channel < j->state.channel_count ? channel + 1 : CHANNEL_OUT_OF_RANGE;
}

int journal_load_series(struct journal *j, struct error *err)
{
    static const char *const texts[FEED_COUNT_] = {
        "SELECT nullif(max(ifnull((SELECT max(store_ms) FROM reading_rows WHERE channel = ?1), -9223372036854775807),"
        " ifnull((SELECT max(max_ms) FROM block_parts WHERE channel = ?1), -9223372036854775807)),"
        " -9223372036854775807)",
        "SELECT max(store_ms) FROM event_rows WHERE channel = ?",
        "SELECT max(store_ms) FROM verdict_rows WHERE channel = ?",
    };
    for (int f = 0; f < FEED_COUNT_; f++) {
        sqlite3_stmt *st = sql_prepare(j->db, texts[f], err);
        if (st == NULL)
            return -1;
        int rc = 0;
        for (int i = 0; rc >= 0 && i <= j->state.channel_count; i++) {
            sql_bind_int(st, 1, j->state.channel_ids[i]);
            rc = sql_next(st, "journal: stamps", err);
            struct series *s = &j->state.series[f][i];
            s->last_ms = INT64_MIN;
            s->crowded_to = rc == 1 && sqlite3_column_type(st, 0) != SQLITE_NULL ? sql_int(st, 0) : INT64_MIN;
            sql_done(st);
        }
        sqlite3_finalize(st);
        if (rc < 0)
            return -1;
    }
    return 0;
}

/* The store's stamp of a row: its own millisecond, or the next one that is free in its series. Stamps rise within a
 * session. When the clock was set back between two sessions the new rows keep their true time; those that meet a stamp
 * already taken step aside by milliseconds, so that no store ever overwrites a point. */
static int assign_stamp(struct journal *j, enum feed feed, int place, int64_t utc_us, int64_t *stamp, struct error *err)
{
    static const enum statement taken[FEED_COUNT_] = {ST_READING_TAKEN, ST_EVENT_TAKEN, ST_VERDICT_TAKEN};
    struct series *s = &j->state.series[feed][place];
    int64_t ms = floor_div(utc_us, 1000);
    if (s->last_ms != INT64_MIN && ms <= s->last_ms)
        ms = s->last_ms + 1;
    while (ms <= s->crowded_to) {
        sqlite3_stmt *st = journal_statement(j, taken[feed], err);
        if (st == NULL)
            return -1;
        sql_bind_int(st, 1, j->state.channel_ids[place]);
        sql_bind_int(st, 2, ms);
        int rc = sql_next(st, "journal: stamps", err);
        if (rc == 1)
            sql_done(st);
        if (rc == 0 && feed == FEED_READINGS)
            rc = journal_sealed_stamp(j, j->state.channel_ids[place], ms, err);
        if (rc < 0)
            return -1;
        if (rc == 0)
            break;
        ms++;
    }
    s->last_ms = ms;
    *stamp = ms;
    return 0;
}

static int chain_full(struct error *err)
{
    return error_set(err, "journal: the batch touches too many runs; commit and begin another");
}

int journal_put_event(struct journal *j, const struct event *e, struct error *err)
{
    if (journal_need_session(j, err) != 0)
        return -1;
    int place = place_of(j, e->channel);
    if (place < 0 || e->value_count < 0 || e->value_count > EVENT_VALUES_MAX)
        return error_set(err, "journal: event %llu names channel %d, which the session does not have",
                         (unsigned long long)e->id, e->channel);
    struct journal_event row = {.row = j->state.rows[FEED_EVENTS] + 1,
                                .epoch = j->state.session.epoch,
                                .utc_us = utc_us_of(j, e->at_ns),
                                .seen_utc_us = utc_us_of(j, e->seen_ns),
                                .event = *e};
    sqlite3_stmt *st = journal_statement(j, ST_EVENT, err);
    if (st == NULL || assign_stamp(j, FEED_EVENTS, place, row.utc_us, &row.store_ms, err) != 0)
        return -1;
    const int64_t front[] = {
        row.row,    (int64_t)row.epoch, (int64_t)e->id, (int64_t)e->seq, (int64_t)e->kind, j->state.channel_ids[place],
        e->channel, e->run_no,          e->seen_ns,     e->at_ns,        e->half_width_ns, e->code,
        e->code2,   e->value_count};
    int at = 1;
    for (size_t i = 0; i < sizeof front / sizeof front[0]; i++)
        sql_bind_int(st, at++, front[i]);
    for (int i = 0; i < EVENT_VALUES_MAX; i++)
        sql_bind_real(st, at++, i < e->value_count ? e->values[i] : (double)NAN);
    sql_bind_text(st, at++, e->text);
    sql_bind_int(st, at++, row.utc_us);
    sql_bind_int(st, at++, row.seen_utc_us);
    sql_bind_int(st, at, row.store_ms);
    if (sql_run(st, "journal: event", err) != 0)
        return -1;
    if (chain_add_event(j->chain, &row) != 0)
        return chain_full(err);
    j->state.rows[FEED_EVENTS] = row.row;
    return 0;
}

static int bind_reading(struct journal *j, const struct journal_reading *m, int place, struct error *err)
{
    sqlite3_stmt *st = journal_statement(j, ST_READING, err);
    if (st == NULL)
        return -1;
    const int64_t front[] = {m->row,           (int64_t)m->epoch, j->state.channel_ids[place],
                             m->channel,       m->run_no,         (int64_t)m->seq,
                             m->utc_us,        m->store_ms,       m->half_width_us,
                             (int64_t)m->lost, (int64_t)m->back};
    int at = 1;
    for (size_t i = 0; i < sizeof front / sizeof front[0]; i++)
        sql_bind_int(st, at++, front[i]);
    for (int k = 0; k < SIG_OTHER; k++)
        sql_bind_real(st, at++, m->values[k]);
    return sql_run(st, "journal: reading", err);
}

int journal_put_reading(struct journal *j, const struct journal_reading *m, struct error *err)
{
    if (journal_need_session(j, err) != 0)
        return -1;
    int place = place_of(j, m->channel);
    if (place < 0)
        return error_set(err, "journal: a reading names channel %d, which the session does not have", m->channel);
    struct journal_reading row = *m;
    row.row = j->state.rows[FEED_READINGS] + 1;
    row.epoch = j->state.session.epoch;
    row.utc_us = utc_us_of(j, m->stamp_ns);
    /* Rounded up: a half-width never reads smaller than it was. */
    row.half_width_us = (m->half_width_ns + 999) / 1000;
    uint32_t good = 0;
    for (int k = 0; k < SIG_OTHER; k++) {
        if (isfinite(row.values[k]))
            good |= UINT32_C(1) << k;
        else
            row.values[k] = (double)NAN;
        if (row.values[k] == 0.0)
            row.values[k] = 0.0; /* SQLite keeps no sign of zero in a REAL column */
    }
    row.lost &= ~good & ((UINT32_C(1) << SIG_OTHER) - 1);
    row.back = good & ~j->state.good[place];
    if (assign_stamp(j, FEED_READINGS, place, row.utc_us, &row.store_ms, err) != 0 ||
        bind_reading(j, &row, place, err) != 0)
        return -1;
    if (chain_add_reading(j->chain, &row) != 0)
        return chain_full(err);
    j->state.good[place] = (j->state.good[place] | good) & ~row.lost;
    j->state.rows[FEED_READINGS] = row.row;
    return 0;
}

/* Digest of the run's chain as it stands in the committed record. */
static int run_digest_before(struct journal *j, int64_t run_no, struct digest *d, struct error *err)
{
    sqlite3_stmt *st = journal_statement(j, ST_LAST_SEAL, err);
    if (st == NULL)
        return -1;
    memset(d, 0, sizeof *d);
    sql_bind_int(st, 1, run_no);
    int rc = sql_next(st, "journal: seal", err);
    if (rc == 1) {
        (void)sql_digest(st, 0, d);
        sql_done(st);
    }
    return rc < 0 ? -1 : 0;
}

static void bind_verdict(sqlite3_stmt *st, const struct journal_verdict *row, int64_t channel_id)
{
    const struct verdict *v = &row->verdict;
    const int64_t front[] = {row->row,          (int64_t)row->epoch,   (int64_t)row->seq,
                             v->run_no,         v->revision,           row->utc_us,
                             row->store_ms,     v->rules_version,      channel_id,
                             v->channel,        (int64_t)v->procedure, (int64_t)v->kind,
                             (int64_t)v->basis, (int64_t)v->cause,     (int64_t)v->cause_second,
                             v->deviations,     v->cycles_valid,       v->cycles_void};
    const double figures[] = {
        v->rated_percent_on, v->rated_on_s,          v->commanded_s,          v->conducting_s, v->at_rated_s,
        v->in_band_s,        v->percent_on_demanded, v->percent_on_delivered, v->shutoff_s,    v->shutoff_half_width_s,
        v->reset_s,          v->own_percent_on,      v->time_uncertainty_s,   v->current_a,    v->load_voltage_v,
        v->supply_v,         v->intake_degc,         v->drift_k_per_h};
    int at = 1;
    for (size_t i = 0; i < sizeof front / sizeof front[0]; i++)
        sql_bind_int(st, at++, front[i]);
    for (size_t i = 0; i < sizeof figures / sizeof figures[0]; i++)
        sql_bind_real(st, at++, figures[i]);
    sql_bind_text(st, at++, v->reason);
    sql_bind_text(st, at++, v->finding);
    sql_bind_digest(st, at, &row->run_digest);
}

int journal_put_verdict(struct journal *j, const struct verdict *v, uint64_t seq, int64_t at_ns, struct error *err)
{
    if (journal_need_session(j, err) != 0)
        return -1;
    int place = place_of(j, v->channel);
    if (place < 0)
        return error_set(err, "journal: a verdict names channel %d, which the session does not have", v->channel);
    struct journal_verdict row = {.row = j->state.rows[FEED_VERDICTS] + 1,
                                  .epoch = j->state.session.epoch,
                                  .seq = seq,
                                  .utc_us = utc_us_of(j, at_ns),
                                  .verdict = *v};
    if (run_digest_before(j, v->run_no, &row.run_digest, err) != 0 ||
        assign_stamp(j, FEED_VERDICTS, place, row.utc_us, &row.store_ms, err) != 0)
        return -1;
    sqlite3_stmt *st = journal_statement(j, ST_VERDICT, err);
    if (st == NULL)
        return -1;
    bind_verdict(st, &row, j->state.channel_ids[place]);
    if (sql_run(st, "journal: verdict", err) != 0)
        return -1;
    if (chain_add_verdict(j->chain, &row) != 0)
        return chain_full(err);
    j->state.rows[FEED_VERDICTS] = row.row;
    return 0;
}

int journal_put_input(struct journal *j, uint64_t seq, const void *bytes, size_t size, struct error *err)
{
    if (journal_need_session(j, err) != 0)
        return -1;
    if (seq <= j->state.last_seq)
        return error_set(err, "journal: input %llu comes after input %llu", (unsigned long long)seq,
                         (unsigned long long)j->state.last_seq);
    if (size + 4 > INPUT_BLOCK_CAP)
        return error_set(err, "journal: an input of %zu bytes is too long", size);
    if (j->raw_used + size + 4 > INPUT_BLOCK_CAP && journal_flush_inputs(j, err) != 0)
        return -1;
    struct writer w = writer_over(j->raw + j->raw_used, INPUT_BLOCK_CAP - j->raw_used);
    put_u32(&w, (uint32_t)size);
    put_bytes(&w, bytes, size);
    if (chain_add_input(j->chain, j->state.session.epoch, bytes, size) != 0)
        return error_set(err, "journal: the digest library failed");
    if (j->raw_count == 0)
        j->raw_first = seq;
    j->raw_last = seq;
    j->raw_count++;
    j->raw_used += w.used;
    j->state.last_seq = seq;
    return 0;
}

int journal_flush_inputs(struct journal *j, struct error *err)
{
    if (j->raw_count == 0)
        return 0;
    /* Level 1: a second's inputs must not hold up the commit; what is gained above it is small on blocks this size. */
    size_t packed = ZSTD_compressCCtx(j->zstd, j->packed, j->packed_cap, j->raw, j->raw_used, 1);
    bool plain = ZSTD_isError(packed) || packed >= j->raw_used;
    sqlite3_stmt *st = journal_statement(j, ST_INPUT, err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, (int64_t)j->state.session.epoch);
    sql_bind_int(st, 2, (int64_t)j->raw_first);
    sql_bind_int(st, 3, (int64_t)j->raw_last);
    sql_bind_int(st, 4, j->raw_count);
    sql_bind_int(st, 5, plain ? INPUT_CODEC_PLAIN : INPUT_CODEC_ZSTD);
    sql_bind_int(st, 6, (int64_t)j->raw_used);
    sql_bind_bytes(st, 7, plain ? j->raw : j->packed, plain ? j->raw_used : packed);
    sql_bind_int(st, 8, journal_batch_no(j));
    if (sql_run(st, "journal: inputs", err) != 0)
        return -1;
    j->raw_used = 0;
    j->raw_count = 0;
    return 0;
}
