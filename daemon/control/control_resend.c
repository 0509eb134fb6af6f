/* uplink-resend: from which rows on the stores get everything again. */
#include <string.h>

#include "server.h"

struct first_row {
    int64_t row;
};

static int keep_event(void *ctx, const struct journal_event *e)
{
    ((struct first_row *)ctx)->row = e->row;
    return 1;
}

static int keep_verdict(void *ctx, const struct journal_verdict *v)
{
    ((struct first_row *)ctx)->row = v->row;
    return 1;
}

static int keep_reading(void *ctx, const struct journal_reading *m)
{
    ((struct first_row *)ctx)->row = m->row;
    return 1;
}

/* The first row of each feed that the filter lets through; -1 where there is none. */
static int first_rows(struct journal_reader *r, const struct row_filter *filter, int64_t from[FEED_COUNT_],
                      struct error *err)
{
    struct first_row event = {-1}, verdict = {-1}, reading = {-1};
    if (journal_reader_events(r, filter, keep_event, &event, err) != 0 ||
        journal_reader_verdicts(r, filter, keep_verdict, &verdict, err) != 0 ||
        journal_reader_readings(r, filter, keep_reading, &reading, err) != 0)
        return -1;
    from[FEED_EVENTS] = event.row;
    from[FEED_VERDICTS] = verdict.row;
    from[FEED_READINGS] = reading.row;
    return 0;
}

int server_read_uplink_resend(struct doing *d)
{
    char store[NAME_CAP] = "", who[NAME_CAP];
    int64_t since_s = 0;
    const int64_t *from = d->from;
    struct row_filter filter = row_filter_any();
    struct error err = {{0}};
    filter.limit = 1;
    int run = field_integer(d->body, "run", 1, INT64_MAX, &filter.run_no, &d->err);
    int since = server_date(d, "since", &since_s);
    if (run < 0 || since < 0 || server_who(d, who) != 0 ||
        field_text(d->body, "store", store, sizeof store, &d->err) < 0)
        return -1;
    if ((run > 0) == (since > 0))
        return protocol_fail(&d->err, "run", "\"run\":12 or \"since\":\"2026-03-01\".",
                             "say from which run or from which date on");
    filter.from_utc_us = since_s * 1000000;
    struct journal_reader *r = server_reader(d);
    if (r == NULL)
        return -1;
    if (first_rows(r, &filter, d->from, &err) != 0)
        return server_journal_failed(d, &err);
    if (from[FEED_EVENTS] < 0 && from[FEED_VERDICTS] < 0 && from[FEED_READINGS] < 0)
        return protocol_fail(&d->err, run > 0 ? "run" : "since", "soakbench run list shows what there is.",
                             "nothing is on record from there on");
    return 0;
}

int server_do_uplink_resend(struct doing *d)
{
    char store[NAME_CAP] = "", text[TEXT_CAP];
    if (field_text(d->body, "store", store, sizeof store, &d->err) < 0)
        return -1;
    int stores = d->c->hooks.resend ? d->c->hooks.resend(d->c->hooks.ctx, store, d->from) : 0;
    if (stores == 0)
        return protocol_fail(&d->err, "store", "Its stores are in the configuration.", "this bench has no such store");
    (void)text_format(text, sizeof text, "%d store%s will get everything from there on again", stores,
                      stores == 1 ? "" : "s");
    return server_done_text(d, text);
}
