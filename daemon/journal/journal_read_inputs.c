#include <stdlib.h>

#include "input_walk.h"
#include "sql.h"

int reader_each_input(const struct input_part *part, raw_input_fn fn, void *ctx)
{
    struct reader r = reader_over(part->bytes, part->size);
    while (r.at < r.size) {
        uint32_t n = get_u32(&r);
        if (fn(ctx, r.bytes + r.at, n) != 0)
            return 1;
        r.at += n;
    }
    return 0;
}

struct input_step {
    input_row_fn fn;
    void *ctx;
    uint64_t until_seq;
    bool bad;
    struct input in;
};

static int step_input(void *ctx, const uint8_t *bytes, size_t size)
{
    struct input_step *s = ctx;
    struct reader r = reader_over(bytes, size);
    get_input(&r, &s->in);
    if (r.bad || r.at != r.size) {
        s->bad = true;
        return 1;
    }
    if (s->until_seq != 0 && s->in.seq > s->until_seq)
        return 1;
    return s->fn(s->ctx, &s->in);
}

/* Did retention take out any input up to until_seq (0: any)? The engine has to be fed from the first one on. */
static int tell_removed(struct journal_reader *r, uint64_t epoch, uint64_t until_seq, struct error *err)
{
    if (r->schema < 3)
        return 0;
    sqlite3_stmt *st = sql_prepare(r->db,
                                   "SELECT min(first), max(last), strftime('%Y-%m-%d', max(utc_s), 'unixepoch') FROM"
                                   " removals WHERE what = ?1 AND epoch = ?2 AND (first <= ?3 OR ?3 = 0)",
                                   err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, REMOVAL_INPUTS);
    sql_bind_int(st, 2, (int64_t)epoch);
    sql_bind_int(st, 3, (int64_t)until_seq);
    int rc = sql_next(st, "journal: removals", err);
    if (rc == 1 && sqlite3_column_type(st, 0) != SQLITE_NULL) {
        char day[16];
        sql_text(st, 2, day, sizeof day);
        rc = error_set(
            err,
            "the input log of session %llu is no longer there: retention removed inputs %lld to %lld on %s, so "
            "nothing of it can be replayed or judged again from here on; records, verdicts and digests stand, "
            "and a backup made before that day still has it",
            (unsigned long long)epoch, (long long)sql_int(st, 0), (long long)sql_int(st, 1), day);
    }
    sqlite3_finalize(st);
    return rc < 0 ? -1 : 0;
}

int journal_reader_inputs(struct journal_reader *r, uint64_t epoch, uint64_t until_seq, input_row_fn fn, void *ctx,
                          struct error *err)
{
    if (tell_removed(r, epoch, until_seq, err) != 0)
        return -1;
    struct input_step *s = calloc(1, sizeof *s);
    struct input_walk *w = input_walk_new(r, err);
    int rc = s == NULL ? error_set(err, "journal: out of memory") : w == NULL ? -1 : 0;
    if (rc == 0) {
        *s = (struct input_step){.fn = fn, .ctx = ctx, .until_seq = until_seq};
        input_walk_from(w, epoch, 0);
    }
    struct input_part part;
    while (rc == 0 && (rc = input_walk_next(w, &part, err)) == 1)
        rc = part.bytes == NULL ? -1 : reader_each_input(&part, step_input, s);
    if (s != NULL && s->bad)
        rc = error_set(err, "journal: an input of session %llu cannot be read back", (unsigned long long)epoch);
    input_walk_free(w);
    free(s);
    return rc < 0 ? -1 : 0;
}
