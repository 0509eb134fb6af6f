#include "uplink_batch.h"

#include <string.h>

struct filler {
    struct uplink_batch *b;
    struct journal_reader *r;
    const struct batch_limits *limits;
    struct error *err;
    bool failed;
};

static void set_refused(struct uplink_batch *b, enum feed feed, int64_t row, const char *words, size_t begin)
{
    struct refused_line *x = &b->refused[b->refused_count++];
    *x = (struct refused_line){.feed = feed, .row = row};
    (void)text_format(x->words, sizeof x->words, "not sent: %s", words);
    (void)text_format(x->line, sizeof x->line, "%.*s", (int)(b->text.used - begin - 1), b->text.text + begin);
}

/* Takes in the line that a renderer has just appended behind begin. Returns other than 0 when the batch is full. */
static int take_line(struct filler *f, enum feed feed, int64_t row, int64_t store_ms, size_t begin, int rendered)
{
    struct uplink_batch *b = f->b;
    struct error words = {""};
    b->last[feed] = row;
    if (rendered < 0) {
        f->failed = true;
        (void)error_set(f->err, "uplink: out of memory");
        return 1;
    }
    if (rendered == 0)
        return 0;
    if (line_check(b->text.text + begin, b->text.used - begin - 1, &words) != 0) {
        set_refused(b, feed, row, words.text, begin);
        b->text.used = begin;
        return b->refused_count == REFUSED_MAX;
    }
    if (b->feed_lines[feed] == 0 || store_ms < b->first_ms[feed])
        b->first_ms[feed] = store_ms;
    if (b->feed_lines[feed] == 0 || store_ms > b->last_ms[feed])
        b->last_ms[feed] = store_ms;
    b->feed_lines[feed]++;
    b->lines++;
    b->only_feed = feed;
    b->only_row = row;
    b->only_ms = store_ms;
    return b->lines >= f->limits->lines || b->text.used >= f->limits->bytes;
}

static int take_event(void *ctx, const struct journal_event *e)
{
    struct filler *f = ctx;
    size_t begin = f->b->text.used;
    int n = line_put_event(&f->b->text, f->limits->bench, e, f->limits->with_text);
    return take_line(f, FEED_EVENTS, e->row, e->store_ms, begin, n);
}

static int take_verdict(void *ctx, const struct journal_verdict *v)
{
    struct filler *f = ctx;
    size_t begin = f->b->text.used;
    int n = line_put_verdict(&f->b->text, f->limits->bench, v, f->limits->with_text);
    return take_line(f, FEED_VERDICTS, v->row, v->store_ms, begin, n);
}

static const char *channel_name(struct filler *f, uint64_t epoch, int32_t channel)
{
    struct uplink_batch *b = f->b;
    if (channel < 0 || channel >= CHANNELS_MAX)
        return "";
    if (b->name_epoch != epoch) {
        memset(b->known, 0, sizeof b->known);
        b->name_epoch = epoch;
    }
    if (!b->known[channel]) {
        if (journal_reader_channel_name(f->r, epoch, channel, b->names[channel], f->err) < 0)
            f->failed = true;
        b->known[channel] = !f->failed;
    }
    return b->names[channel];
}

static int take_reading(void *ctx, const struct journal_reading *m)
{
    struct filler *f = ctx;
    size_t begin = f->b->text.used;
    const char *name = channel_name(f, m->epoch, m->channel);
    if (f->failed)
        return 1;
    int n = line_put_reading(&f->b->text, f->limits->bench, name, m);
    return take_line(f, FEED_READINGS, m->row, m->store_ms, begin, n);
}

int uplink_batch_fill(struct uplink_batch *b, struct journal_reader *r, const int64_t after[FEED_COUNT_],
                      const struct batch_limits *limits, struct error *err)
{
    static const enum feed order[FEED_COUNT_] = {FEED_EVENTS, FEED_VERDICTS, FEED_READINGS};
    struct filler f = {b, r, limits, err, false};
    line_text_clear(&b->text);
    b->lines = 0;
    b->refused_count = 0;
    memset(b->feed_lines, 0, sizeof b->feed_lines);
    memcpy(b->last, after, sizeof b->last);
    for (int i = 0; i < FEED_COUNT_; i++) {
        if (b->lines >= limits->lines || b->text.used >= limits->bytes || b->refused_count == REFUSED_MAX)
            break;
        struct row_filter filter = row_filter_any();
        filter.after_row = after[order[i]];
        /* One more than there is room for would only be read to be thrown away. */
        filter.limit = limits->lines - b->lines;
        int rc = order[i] == FEED_EVENTS     ? journal_reader_events(r, &filter, take_event, &f, err)
                 : order[i] == FEED_VERDICTS ? journal_reader_verdicts(r, &filter, take_verdict, &f, err)
                                             : journal_reader_readings(r, &filter, take_reading, &f, err);
        if (rc != 0 || f.failed)
            return -1;
    }
    return 0;
}
