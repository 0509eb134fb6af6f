#include "chain.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Numbers in front of the encodings; part of the record's format. */
enum {
    OTHER_SESSION = 1,
    OTHER_SESSION_END,
    OTHER_BLOB,
    OTHER_CHANNEL,
    OTHER_SIGNAL,
    OTHER_RUN_START,
    OTHER_RUN_END,
    OTHER_PLATE,
    OTHER_INSPECTION,
    OTHER_DISPOSITION,
    OTHER_BASELINE,
    OTHER_REMOVAL,
    OTHER_ADDENDUM
};

struct part {
    struct digest_stream *stream;
    int64_t count; /* rows; 0: stream not begun */
    struct digest digest;
    bool stood_in; /* count and digest are of rows that are gone */
};

struct chain_run {
    int64_t run_no;
    struct part parts[CHAIN_PART_COUNT_];
    struct digest seal;
};

struct chain {
    struct chain_run runs[CHAIN_RUNS_MAX];
    int run_count;
    int last; /* run of the row before: rows of one run come together */
    struct part inputs;
    struct digest_stream *work;
};

struct chain *chain_new(void)
{
    struct chain *c = calloc(1, sizeof *c);
    if (c == NULL)
        return NULL;
    c->work = digest_stream_new();
    c->inputs.stream = digest_stream_new();
    if (c->work == NULL || c->inputs.stream == NULL) {
        chain_free(c);
        return NULL;
    }
    return c;
}

void chain_free(struct chain *c)
{
    if (c == NULL)
        return;
    for (int i = 0; i < CHAIN_RUNS_MAX; i++)
        for (int p = 0; p < CHAIN_PART_COUNT_; p++)
            digest_stream_free(c->runs[i].parts[p].stream);
    digest_stream_free(c->inputs.stream);
    digest_stream_free(c->work);
    free(c);
}

static void part_begin(struct part *p)
{
    p->count = 0;
    p->stood_in = false;
}

void chain_begin(struct chain *c)
{
    for (int i = 0; i < c->run_count; i++)
        for (int p = 0; p < CHAIN_PART_COUNT_; p++)
            part_begin(&c->runs[i].parts[p]);
    c->run_count = 0;
    c->last = 0;
    part_begin(&c->inputs);
}

bool chain_used(const struct chain *c)
{
    return c->run_count > 0 || c->inputs.count > 0;
}

static struct chain_run *run_of(struct chain *c, int64_t run_no)
{
    if (c->last < c->run_count && c->runs[c->last].run_no == run_no)
        return &c->runs[c->last];
    for (int i = 0; i < c->run_count; i++) {
        if (c->runs[i].run_no == run_no) {
            c->last = i;
            return &c->runs[i];
        }
    }
    if (c->run_count == CHAIN_RUNS_MAX)
        return NULL;
    c->last = c->run_count++;
    c->runs[c->last].run_no = run_no;
    return &c->runs[c->last];
}

static int part_add(struct part *p, const void *bytes, size_t size)
{
    if (p->stream == NULL)
        p->stream = digest_stream_new();
    if (p->stream == NULL || (p->count == 0 && digest_stream_begin(p->stream) != 0))
        return -1;
    /* The length in front keeps rows apart: no two lists of rows give the same bytes. */
    uint8_t head[4];
    struct writer w = writer_over(head, sizeof head);
    put_u32(&w, (uint32_t)size);
    if (digest_stream_add(p->stream, head, sizeof head) != 0 || digest_stream_add(p->stream, bytes, size) != 0)
        return -1;
    p->count++;
    return 0;
}

static int add_row(struct chain *c, int64_t run_no, enum chain_part part, const struct writer *w)
{
    struct chain_run *run = run_of(c, run_no);
    return run == NULL || w->bad ? -1 : part_add(&run->parts[part], w->bytes, w->used);
}

int chain_add_event(struct chain *c, const struct journal_event *e)
{
    uint8_t bytes[1024];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_i64(&w, e->row);
    put_u64(&w, e->epoch);
    put_event(&w, &e->event);
    put_i64(&w, e->utc_us);
    put_i64(&w, e->seen_utc_us);
    put_i64(&w, e->store_ms);
    return add_row(c, e->event.run_no, CHAIN_EVENTS, &w);
}

int chain_add_reading(struct chain *c, const struct journal_reading *m)
{
    uint8_t bytes[512];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_i64(&w, m->row);
    put_u64(&w, m->epoch);
    put_i32(&w, m->channel);
    put_u64(&w, m->seq);
    put_i64(&w, m->utc_us);
    put_i64(&w, m->store_ms);
    put_i64(&w, m->half_width_us);
    put_u32(&w, m->lost);
    put_u32(&w, m->back);
    for (int k = 0; k < SIG_OTHER; k++) {
        if (isnan(m->values[k]))
            continue;
        put_u8(&w, (uint8_t)k);
        put_f64(&w, m->values[k]);
    }
    return add_row(c, m->run_no, CHAIN_READINGS, &w);
}

int chain_add_verdict(struct chain *c, const struct journal_verdict *v)
{
    uint8_t bytes[1024];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_i64(&w, v->row);
    put_u64(&w, v->epoch);
    put_u64(&w, v->seq);
    put_i64(&w, v->utc_us);
    put_i64(&w, v->store_ms);
    put_bytes(&w, v->run_digest.bytes, DIGEST_SIZE);
    put_verdict(&w, &v->verdict);
    return add_row(c, v->verdict.run_no, CHAIN_VERDICTS, &w);
}

int chain_add_input(struct chain *c, uint64_t epoch, const void *bytes, size_t size)
{
    (void)epoch; /* part of the head */
    return part_add(&c->inputs, bytes, size);
}

int chain_add_session(struct chain *c, const struct journal_session *s)
{
    uint8_t bytes[512];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_u8(&w, OTHER_SESSION);
    put_u64(&w, s->epoch);
    put_text(&w, s->boot_id);
    put_text(&w, s->engine_version);
    put_text(&w, s->program_version);
    put_i64(&w, s->anchor_ns);
    put_i64(&w, s->anchor_utc_ns);
    put_i64(&w, s->boottime_ns);
    put_f64(&w, s->rate);
    put_bool(&w, s->virtual_clock);
    put_bytes(&w, s->bench.bytes, DIGEST_SIZE);
    return add_row(c, 0, CHAIN_OTHERS, &w);
}

int chain_add_session_end(struct chain *c, const struct journal_session *s)
{
    uint8_t bytes[64];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_u8(&w, OTHER_SESSION_END);
    put_u64(&w, s->epoch);
    put_bool(&w, s->ended_clean);
    put_i64(&w, s->end_utc_us);
    return add_row(c, 0, CHAIN_OTHERS, &w);
}

int chain_add_session_blob(struct chain *c, uint64_t epoch, enum blob_role role, const char *name,
                           const struct digest *d)
{
    uint8_t bytes[512];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_u8(&w, OTHER_BLOB);
    put_u64(&w, epoch);
    put_u32(&w, (uint32_t)role);
    put_text(&w, name);
    put_bytes(&w, d->bytes, DIGEST_SIZE);
    return add_row(c, 0, CHAIN_OTHERS, &w);
}

int chain_add_channel(struct chain *c, uint64_t epoch, int32_t idx, const char *name)
{
    uint8_t bytes[128];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_u8(&w, OTHER_CHANNEL);
    put_u64(&w, epoch);
    put_i32(&w, idx);
    put_text(&w, name);
    return add_row(c, 0, CHAIN_OTHERS, &w);
}

int chain_add_signal(struct chain *c, uint64_t epoch, int32_t idx, const char *name, int32_t kind, const char *unit,
                     const char *certificate)
{
    uint8_t bytes[256];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_u8(&w, OTHER_SIGNAL);
    put_u64(&w, epoch);
    put_i32(&w, idx);
    put_text(&w, name);
    put_i32(&w, kind);
    put_text(&w, unit);
    put_text(&w, certificate);
    return add_row(c, 0, CHAIN_OTHERS, &w);
}

int chain_add_run_start(struct chain *c, const struct journal_run *r, const void *request, size_t request_size)
{
    uint8_t bytes[2048];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_u8(&w, OTHER_RUN_START);
    put_i64(&w, r->run_no);
    put_u64(&w, r->epoch);
    put_u64(&w, r->start_seq);
    put_i32(&w, r->channel);
    put_text(&w, r->request.serial);
    put_i32(&w, r->request.plate_version);
    put_u32(&w, (uint32_t)r->request.procedure);
    put_text(&w, r->request.who);
    put_i64(&w, r->start_ns);
    put_i64(&w, r->start_utc_us);
    put_bytes(&w, request, request_size);
    return add_row(c, r->run_no, CHAIN_OTHERS, &w);
}

int chain_add_run_end(struct chain *c, const struct journal_run *r)
{
    uint8_t bytes[128];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_u8(&w, OTHER_RUN_END);
    put_i64(&w, r->run_no);
    put_i64(&w, r->end_ns);
    put_i64(&w, r->end_utc_us);
    put_u64(&w, r->end_seq);
    put_bool(&w, r->interrupted);
    return add_row(c, r->run_no, CHAIN_OTHERS, &w);
}

int chain_add_plate(struct chain *c, int32_t version, int64_t utc_s, const void *plate, size_t plate_size)
{
    uint8_t bytes[8192];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_u8(&w, OTHER_PLATE);
    put_i32(&w, version);
    put_i64(&w, utc_s);
    put_bytes(&w, plate, plate_size);
    return add_row(c, 0, CHAIN_OTHERS, &w);
}

int chain_add_inspection(struct chain *c, const struct journal_inspection *t)
{
    uint8_t bytes[1024];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_u8(&w, OTHER_INSPECTION);
    put_text(&w, t->serial);
    put_text(&w, t->kind);
    put_text(&w, t->who);
    put_text(&w, t->reference);
    put_i64(&w, t->done_utc_s);
    put_i64(&w, t->due_utc_s);
    put_bool(&w, t->passed);
    put_text(&w, t->note);
    return add_row(c, 0, CHAIN_OTHERS, &w);
}

int chain_add_disposition(struct chain *c, const struct journal_disposition *d)
{
    uint8_t bytes[1024];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_u8(&w, OTHER_DISPOSITION);
    put_text(&w, d->serial);
    put_text(&w, d->to);
    put_text(&w, d->who);
    put_i64(&w, d->utc_s);
    put_i64(&w, d->next_due_utc_s);
    put_i64(&w, d->run_no);
    put_text(&w, d->note);
    return add_row(c, 0, CHAIN_OTHERS, &w);
}

int chain_add_baseline(struct chain *c, const struct journal_baseline *b)
{
    uint8_t bytes[256];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_u8(&w, OTHER_BASELINE);
    put_text(&w, b->serial);
    put_i64(&w, b->run_no);
    put_text(&w, b->who);
    put_i64(&w, b->utc_s);
    return add_row(c, 0, CHAIN_OTHERS, &w);
}

int chain_add_addendum(struct chain *c, const struct journal_addendum *a)
{
    uint8_t bytes[1024];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_u8(&w, OTHER_ADDENDUM);
    put_i64(&w, a->id);
    put_i64(&w, a->run_no);
    put_i64(&w, a->utc_s);
    put_u32(&w, (uint32_t)a->kind);
    put_text(&w, a->who);
    put_text(&w, a->name);
    put_text(&w, a->note);
    put_i32(&w, a->revision);
    put_i64(&w, a->size);
    put_bytes(&w, a->digest.bytes, DIGEST_SIZE);
    return add_row(c, a->run_no, CHAIN_OTHERS, &w);
}

int chain_add_removal(struct chain *c, const struct journal_removal *g)
{
    uint8_t bytes[256];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_u8(&w, OTHER_REMOVAL);
    put_i64(&w, g->id);
    put_i64(&w, g->utc_s);
    put_u32(&w, (uint32_t)g->cause);
    put_u32(&w, (uint32_t)g->what);
    put_u64(&w, g->epoch);
    put_i64(&w, g->first);
    put_i64(&w, g->last);
    put_i64(&w, g->count);
    put_i64(&w, g->min_utc_us);
    put_i64(&w, g->max_utc_us);
    put_i64(&w, g->first_batch);
    put_i64(&w, g->last_batch);
    put_bytes(&w, g->parts.bytes, DIGEST_SIZE);
    put_bytes(&w, g->seconds.bytes, DIGEST_SIZE);
    return add_row(c, 0, CHAIN_OTHERS, &w);
}

static int part_close(struct part *p)
{
    if (p->stood_in)
        return 0;
    memset(&p->digest, 0, sizeof p->digest);
    return p->count == 0 ? 0 : digest_stream_end(p->stream, &p->digest);
}

static int by_run(const void *a, const void *b)
{
    const struct chain_run *x = a, *y = b;
    return x->run_no < y->run_no ? -1 : x->run_no > y->run_no;
}

int chain_close(struct chain *c)
{
    qsort(c->runs, (size_t)c->run_count, sizeof c->runs[0], by_run);
    int rc = part_close(&c->inputs);
    for (int i = 0; i < c->run_count; i++)
        for (int p = 0; p < CHAIN_PART_COUNT_; p++)
            if (part_close(&c->runs[i].parts[p]) != 0)
                rc = -1;
    return rc;
}

int chain_stand_in(struct chain *c, int64_t run_no, enum chain_part part, const struct chain_gone *gone)
{
    struct chain_run *run = part == CHAIN_PART_COUNT_ ? NULL : run_of(c, run_no);
    if (part != CHAIN_PART_COUNT_ && run == NULL)
        return -1;
    struct part *p = run == NULL ? &c->inputs : &run->parts[part];
    if (part_close(p) != 0)
        return -1;
    bool same = p->count == gone->rest_count && memcmp(&p->digest, &gone->rest_digest, sizeof p->digest) == 0;
    p->count = gone->count;
    p->digest = gone->digest;
    p->stood_in = true;
    return same ? 0 : 1;
}

void chain_part(struct chain *c, int64_t run_no, enum chain_part part, int64_t *count, struct digest *digest)
{
    struct part *p = &c->inputs;
    *count = 0;
    memset(digest, 0, sizeof *digest);
    if (part != CHAIN_PART_COUNT_) {
        int i = 0;
        while (i < c->run_count && c->runs[i].run_no != run_no)
            i++;
        if (i == c->run_count)
            return;
        p = &c->runs[i].parts[part];
    }
    *count = p->count;
    *digest = p->digest;
}

int chain_runs(const struct chain *c)
{
    return c->run_count;
}

int64_t chain_run_no(const struct chain *c, int i)
{
    return c->runs[i].run_no;
}

int64_t chain_count(const struct chain *c, int i, enum chain_part part)
{
    return c->runs[i].parts[part].count;
}

int chain_seal(struct chain *c, int i, int64_t batch, const struct digest *before, struct digest *seal)
{
    struct chain_run *run = &c->runs[i];
    uint8_t bytes[256];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_bytes(&w, before->bytes, DIGEST_SIZE);
    put_i64(&w, run->run_no);
    put_i64(&w, batch);
    for (int p = 0; p < CHAIN_PART_COUNT_; p++)
        put_i64(&w, run->parts[p].count);
    for (int p = 0; p < CHAIN_PART_COUNT_; p++)
        put_bytes(&w, run->parts[p].digest.bytes, DIGEST_SIZE);
    if (w.bad || digest_of(w.bytes, w.used, &run->seal) != 0)
        return -1;
    *seal = run->seal;
    return 0;
}

int chain_head(struct chain *c, int64_t batch, uint64_t epoch, const struct digest *before, struct digest *head)
{
    uint8_t bytes[DIGEST_SIZE + 8];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_bytes(&w, before->bytes, DIGEST_SIZE);
    put_i64(&w, batch);
    uint8_t middle[DIGEST_SIZE + 16];
    struct writer m = writer_over(middle, sizeof middle);
    put_u64(&m, epoch);
    put_i64(&m, c->inputs.count);
    put_bytes(&m, c->inputs.digest.bytes, DIGEST_SIZE);
    if (digest_stream_begin(c->work) != 0 || digest_stream_add(c->work, bytes, w.used) != 0 ||
        digest_stream_add(c->work, middle, m.used) != 0)
        return -1;
    for (int i = 0; i < c->run_count; i++) {
        w = writer_over(bytes, sizeof bytes);
        put_i64(&w, c->runs[i].run_no);
        put_bytes(&w, c->runs[i].seal.bytes, DIGEST_SIZE);
        if (digest_stream_add(c->work, bytes, w.used) != 0)
            return -1;
    }
    return digest_stream_end(c->work, head);
}
