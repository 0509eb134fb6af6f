/* What the harness reads back from the journal. */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "digest.h"
#include "harness.h"
#include "journal_read.h"

enum { ENCODED_CAP = 16384 };

static struct journal_reader *open_reader(struct harness *h)
{
    struct error err = {""};
    struct journal_reader *r = journal_reader_open(h->journal_path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    return r;
}

struct event_search {
    enum event_kind kind;
    const char *channel; /* NULL: any */
    bool any_code;
    int32_t code;
    const char *words; /* in its text; NULL: any */
    int count;
    struct event *first, *last;
};

static int look_at_event(void *ctx, const struct journal_event *e)
{
    struct event_search *s = ctx;
    if (e->event.kind != s->kind || (s->channel && strcmp(e->channel, s->channel) != 0) ||
        (!s->any_code && e->event.code != s->code) || (s->words && !strstr(e->event.text, s->words)))
        return 0;
    if (s->last)
        *s->last = e->event;
    if (s->first && !s->count)
        *s->first = e->event;
    s->count++;
    return 0;
}

static int search_events(struct harness *h, struct event_search *s)
{
    struct error err = {""};
    struct row_filter filter = row_filter_any();
    filter.epoch = runtime_epoch(h->rt);
    struct journal_reader *r = open_reader(h);
    ck_assert_msg(journal_reader_events(r, &filter, look_at_event, s, &err) == 0, "%s", err.text);
    journal_reader_close(r);
    return s->count;
}

int harness_count_events(struct harness *h, enum event_kind kind, const char *channel, int32_t code)
{
    struct event_search s = {.kind = kind, .channel = channel, .any_code = code < 0, .code = code};
    return search_events(h, &s);
}

bool harness_find_event(struct harness *h, enum event_kind kind, const char *channel, struct event *found)
{
    struct event_search s = {.kind = kind, .channel = channel, .any_code = true, .first = found};
    return search_events(h, &s) > 0;
}

bool harness_last_event(struct harness *h, enum event_kind kind, const char *channel, const char *words,
                        struct event *found)
{
    struct event_search s = {.kind = kind, .channel = channel, .any_code = true, .words = words, .last = found};
    return search_events(h, &s) > 0;
}

bool harness_verdict(struct harness *h, int64_t run_no, struct verdict *verdict)
{
    struct error err = {""};
    struct journal_run *run = calloc(1, sizeof *run);
    ck_assert_ptr_nonnull(run);
    struct journal_reader *r = open_reader(h);
    int found = journal_reader_run(r, run_no, run, &err);
    ck_assert_msg(found >= 0, "%s", err.text);
    bool judged = found == 1 && run->judged;
    if (judged)
        *verdict = run->verdict;
    journal_reader_close(r);
    free(run);
    return judged;
}

struct digesting {
    struct digest_stream *stream;
    uint8_t bytes[ENCODED_CAP];
};

static int digest_bytes(struct digesting *d, const struct writer *w)
{
    ck_assert(!w->bad);
    return digest_stream_add(d->stream, d->bytes, w->used);
}

static int digest_event(void *ctx, const struct journal_event *e)
{
    struct digesting *d = ctx;
    struct writer w = writer_over(d->bytes, sizeof d->bytes);
    put_event(&w, &e->event);
    return digest_bytes(d, &w);
}

static int digest_verdict(void *ctx, const struct journal_verdict *v)
{
    struct digesting *d = ctx;
    struct writer w = writer_over(d->bytes, sizeof d->bytes);
    put_verdict(&w, &v->verdict);
    return digest_bytes(d, &w);
}

static int digest_input(void *ctx, const struct input *in)
{
    struct digesting *d = ctx;
    struct writer w = writer_over(d->bytes, sizeof d->bytes);
    put_input(&w, in);
    return digest_bytes(d, &w);
}

static void digest_rows(struct harness *h, bool inputs, char hex[65])
{
    struct error err = {""};
    struct digest digest;
    struct digesting *d = calloc(1, sizeof *d);
    ck_assert_ptr_nonnull(d);
    d->stream = digest_stream_new();
    ck_assert_ptr_nonnull(d->stream);
    ck_assert_int_eq(digest_stream_begin(d->stream), 0);
    struct row_filter filter = row_filter_any();
    filter.epoch = runtime_epoch(h->rt);
    struct journal_reader *r = open_reader(h);
    int status = inputs ? journal_reader_inputs(r, filter.epoch, 0, digest_input, d, &err)
                        : journal_reader_events(r, &filter, digest_event, d, &err);
    if (!status && !inputs)
        status = journal_reader_verdicts(r, &filter, digest_verdict, d, &err);
    ck_assert_msg(status == 0, "%s", err.text);
    journal_reader_close(r);
    ck_assert_int_eq(digest_stream_end(d->stream, &digest), 0);
    digest_print(&digest, hex);
    digest_stream_free(d->stream);
    free(d);
}

void harness_event_digest(struct harness *h, char hex[65])
{
    digest_rows(h, false, hex);
}

void harness_input_digest(struct harness *h, char hex[65])
{
    digest_rows(h, true, hex);
}
