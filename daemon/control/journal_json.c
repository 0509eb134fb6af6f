#include "journal_json.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "bench_use.h"
#include "json_build.h"
#include "model_json.h"
#include "utc.h"

/* A page under construction. */
struct page {
    json_t *list;
    const struct bench *bench;
    int64_t last_row, limit, count;
    bool more, failed;
};

static int append(struct page *page, json_t *item)
{
    if (json_array_append_new(page->list, item) != 0) {
        page->failed = true;
        return 1;
    }
    page->count++;
    return 0;
}

/* The page as {"key":[...]}, or NULL with err when reading or building failed. */
static json_t *finish(struct page *page, const char *key, int read_result, struct error *err)
{
    if (read_result < 0 || page->failed || !page->list) {
        if (read_result >= 0)
            error_set(err, "memory is short");
        json_decref(page->list);
        return NULL;
    }
    struct json_build b = build_begin();
    build_add(&b, key, page->list);
    json_t *object = build_end(&b);
    if (!object)
        error_set(err, "memory is short");
    return object;
}

static void add_utc_us(struct json_build *b, const char *key, int64_t utc_us)
{
    build_utc(b, key, utc_us * 1000);
}

static void add_date(struct json_build *b, const char *key, int64_t utc_s)
{
    char text[UTC_CAP];
    utc_print_date(text, sizeof text, utc_s);
    build_add(b, key, utc_s == 0 ? json_null() : json_string(text));
}

json_t *run_to_json(const struct journal_run *run)
{
    const struct run_request *q = &run->request;
    struct json_build b = build_begin();
    build_integer(&b, "run", run->run_no);
    build_text(&b, "channel", run->channel_name);
    build_text(&b, "unit", q->serial);
    build_integer(&b, "plate_version", q->plate_version);
    build_add(&b, "point", rating_point_to_json(&q->point));
    build_text(&b, "procedure", procedure_name(q->procedure));
    build_integer(&b, "cycles", q->cycles);
    build_figure(&b, "soak_s", (double)q->soak_ns / 1e9);
    build_flag(&b, "to_equilibrium", q->to_equilibrium);
    build_text(&b, "start_condition", start_condition_name(q->start));
    build_text(&b, "who", q->who);
    build_flag(&b, "setup_confirmed", q->setup_confirmed);
    build_flag(&b, "unattended", q->unattended);
    build_text(&b, "accepted", q->accepts);
    add_date(&b, "safety_test", q->safety_test_utc_s);
    add_utc_us(&b, "started", run->start_utc_us);
    add_utc_us(&b, "ended", run->end_utc_us);
    build_flag(&b, "interrupted", run->interrupted);
    build_integer(&b, "epoch", (int64_t)run->epoch);
    build_add(&b, "judgement", run->judged ? verdict_to_json(&run->verdict) : json_null());
    return build_end(&b);
}

json_t *unit_to_json(const struct journal_unit *unit)
{
    struct json_build b = {.object = plate_to_json(&unit->plate)};
    b.bad = !b.object;
    build_text(&b, "unit", unit->name);
    build_integer(&b, "plate_version", unit->version);
    add_date(&b, "entered", unit->utc_s);
    return build_end(&b);
}

json_t *inspection_to_json(const struct journal_inspection *t)
{
    struct json_build b = build_begin();
    build_text(&b, "unit", t->serial);
    build_text(&b, "kind", t->kind);
    build_flag(&b, "passed", t->passed);
    build_text(&b, "who", t->who);
    build_text(&b, "reference", t->reference);
    add_date(&b, "done", t->done_utc_s);
    add_date(&b, "due", t->due_utc_s);
    build_text(&b, "note", t->note);
    return build_end(&b);
}

json_t *journal_event_to_json(const struct journal_event *e, const struct bench *bench)
{
    struct json_build b = {.object = event_to_json(&e->event, bench)};
    b.bad = !b.object;
    build_integer(&b, "row", e->row);
    add_utc_us(&b, "utc", e->utc_us);
    build_text(&b, "channel", e->channel);
    build_text(&b, "unit", e->serial);
    return build_end(&b);
}

json_t *journal_verdict_to_json(const struct journal_verdict *v)
{
    char digest[DIGEST_HEX_CAP];
    digest_print(&v->run_digest, digest);
    struct json_build b = {.object = verdict_to_json(&v->verdict)};
    b.bad = !b.object;
    add_utc_us(&b, "utc", v->utc_us);
    build_text(&b, "channel", v->channel);
    build_text(&b, "unit", v->serial);
    build_text(&b, "digest", digest);
    return build_end(&b);
}

static int add_run(void *ctx, const struct journal_run *run)
{
    return append(ctx, run_to_json(run));
}

static int add_unit(void *ctx, const struct journal_unit *unit)
{
    struct page *page = ctx;
    page->more = page->count == page->limit;
    return page->more || append(page, unit_to_json(unit));
}

static int add_inspection(void *ctx, const struct journal_inspection *t)
{
    struct page *page = ctx;
    return append(page, inspection_to_json(t)) || page->count >= JOURNAL_PAGE_MAX;
}

static int add_verdict(void *ctx, const struct journal_verdict *v)
{
    return append(ctx, journal_verdict_to_json(v));
}

static int add_event(void *ctx, const struct journal_event *e)
{
    struct page *page = ctx;
    if (page->count >= page->limit) {
        page->more = true;
        return 1;
    }
    page->last_row = e->row;
    return append(page, journal_event_to_json(e, page->bench));
}

json_t *runs_to_json(struct journal_reader *r, const struct run_filter *filter, struct error *err)
{
    struct run_filter bounded = *filter;
    if (bounded.limit <= 0 || bounded.limit > JOURNAL_PAGE_MAX)
        bounded.limit = JOURNAL_PAGE_MAX;
    struct page page = {.list = json_array()};
    int result = page.list ? journal_reader_runs(r, &bounded, add_run, &page, err) : 0;
    return finish(&page, "runs", result, err);
}

static int add_addendum(void *ctx, const struct journal_addendum *a)
{
    char digest[DIGEST_HEX_CAP] = "";
    struct json_build b = build_begin();
    if (a->kind == ADDENDUM_FILE)
        digest_print(&a->digest, digest);
    build_text(&b, "kind", addendum_kind_name(a->kind));
    add_utc_us(&b, "utc", a->utc_s * 1000000);
    build_text(&b, "who", a->who);
    build_text(&b, "name", a->name);
    build_text(&b, "note", a->note);
    build_integer(&b, "revision", a->revision);
    build_integer(&b, "size", a->size);
    build_text(&b, "digest", digest);
    return append(ctx, build_end(&b));
}

/* What the run took of the bench. */
static json_t *use_to_json(struct journal_reader *r, const struct journal_run *run, struct error *err)
{
    struct row_filter filter = row_filter_any();
    struct bench_use use;
    struct json_build b = build_begin();
    filter.run_no = run->run_no;
    if (bench_use_load(r, &filter, &use, err) != 0)
        b.bad = true;
    double on_load_s = 0, load_j = 0;
    int64_t closings = 0;
    for (size_t i = 0; i < use.count; i++) {
        on_load_s += use.channels[i].on_load_s;
        load_j += use.channels[i].load_j;
        closings += channel_use_most_closings(&use.channels[i]);
    }
    build_figure(&b, "held_s", run->end_utc_us ? (double)(run->end_utc_us - run->start_utc_us) / 1e6 : NAN);
    build_figure(&b, "on_load_s", on_load_s);
    build_figure(&b, "load_wh", load_j / 3600);
    build_integer(&b, "closings", closings);
    bench_use_free(&use);
    return build_end(&b);
}

json_t *run_detail_to_json(struct journal_reader *r, int64_t run_no, bool *found, struct error *err)
{
    struct journal_run *run = calloc(1, sizeof *run);
    struct page page = {.list = json_array()};
    json_t *object = NULL;
    *found = true;
    if (!run || !page.list) {
        error_set(err, "memory is short");
        goto out;
    }
    int result = journal_reader_run(r, run_no, run, err);
    if (result <= 0) {
        *found = result != 0;
        goto out;
    }
    struct row_filter filter = row_filter_any();
    filter.run_no = run_no;
    filter.limit = JOURNAL_PAGE_MAX;
    result = journal_reader_verdicts(r, &filter, add_verdict, &page, err);
    object = finish(&page, "verdicts", result, err);
    page.list = NULL;
    if (object) {
        struct digest digest;
        char text[DIGEST_HEX_CAP] = "";
        if (journal_reader_run_digest(r, run_no, &digest, err) == 1)
            digest_print(&digest, text);
        struct json_build b = {.object = object};
        build_add(&b, "run", run_to_json(run));
        build_text(&b, "digest", text);
        page.list = json_array();
        if (!page.list || journal_reader_addenda(r, run_no, add_addendum, &page, err) != 0)
            b.bad = true;
        build_add(&b, "addenda", page.list);
        page.list = NULL;
        build_add(&b, "use", use_to_json(r, run, err));
        object = build_end(&b);
    }
out:
    json_decref(page.list);
    free(run);
    return object;
}

/* Events name channels, devices and signals of their own session's bench. */
static struct bench *session_bench(struct journal_reader *r, int64_t run_no)
{
    struct journal_run *run = calloc(1, sizeof *run);
    struct bench *bench = calloc(1, sizeof *bench);
    bool have = run && bench && run_no != 0 && journal_reader_run(r, run_no, run, NULL) == 1 &&
                journal_reader_bench(r, run->epoch, bench, NULL) == 1;
    free(run);
    if (!have) {
        free(bench);
        bench = NULL;
    }
    return bench;
}

json_t *events_to_json(struct journal_reader *r, int64_t run_no, int64_t after, int64_t limit, struct error *err)
{
    struct bench *bench = session_bench(r, run_no);
    struct page page = {.list = json_array(), .bench = bench, .last_row = after, .limit = limit};
    if (page.limit <= 0 || page.limit > JOURNAL_PAGE_MAX)
        page.limit = JOURNAL_PAGE_MAX;
    struct row_filter filter = row_filter_any();
    filter.run_no = run_no;
    filter.after_row = after;
    filter.limit = page.limit + 1;
    int result = page.list ? journal_reader_events(r, &filter, add_event, &page, err) : 0;
    json_t *object = finish(&page, "events", result, err);
    free(bench);
    if (!object)
        return NULL;
    struct json_build b = {.object = object};
    build_integer(&b, "last_row", page.last_row);
    build_flag(&b, "more", page.more);
    return build_end(&b);
}

json_t *units_to_json(struct journal_reader *r, const char *after, int64_t limit, struct error *err)
{
    struct page page = {.list = json_array(), .limit = limit};
    int result = page.list ? journal_reader_units(r, after, add_unit, &page, err) : 0;
    struct json_build b = {.object = finish(&page, "units", result, err)};
    if (!b.object)
        return NULL;
    build_flag(&b, "more", page.more);
    return build_end(&b);
}

static int add_disposition(void *ctx, const struct journal_disposition *d)
{
    struct page *page = ctx;
    struct json_build b = build_begin();
    build_text(&b, "to", d->to);
    build_text(&b, "who", d->who);
    add_date(&b, "date", d->utc_s);
    add_date(&b, "due", d->next_due_utc_s);
    build_integer(&b, "run", d->run_no);
    build_text(&b, "note", d->note);
    return append(page, build_end(&b)) || page->count >= JOURNAL_PAGE_MAX;
}

/* Adds where the unit was sent, and its baseline, to a unit's detail. */
static int add_whereabouts(struct json_build *b, struct journal_reader *r, const char *serial, struct error *err)
{
    struct page page = {.list = json_array()};
    struct journal_baseline baseline = {0};
    int result = page.list ? journal_reader_dispositions(r, serial, add_disposition, &page, err) : 0;
    int found = result == 0 ? journal_reader_baseline(r, serial, &baseline, err) : -1;
    if (page.failed)
        b->bad = true;
    build_add(b, "dispositions", page.list);
    build_add(b, "baseline_run", found == 1 ? json_integer(baseline.run_no) : json_null());
    return found < 0 ? -1 : 0;
}

json_t *unit_detail_to_json(struct journal_reader *r, const char *serial, bool *found, struct error *err)
{
    struct journal_unit *unit = calloc(1, sizeof *unit);
    struct page page = {.list = json_array()};
    json_t *object = NULL;
    *found = true;
    if (!unit || !page.list) {
        error_set(err, "memory is short");
        goto out;
    }
    int result = journal_reader_unit(r, serial, 0, unit, err);
    if (result <= 0) {
        *found = result != 0;
        goto out;
    }
    result = journal_reader_inspections(r, serial, add_inspection, &page, err);
    object = finish(&page, "inspections", result, err);
    page.list = NULL;
    if (!object)
        goto out;
    struct run_filter filter = {.serial = serial, .newest_first = true, .limit = 100};
    json_t *runs = runs_to_json(r, &filter, err);
    struct json_build b = {.object = object, .bad = !runs};
    build_add(&b, "unit", unit_to_json(unit));
    if (add_whereabouts(&b, r, serial, err) != 0)
        b.bad = true;
    if (runs && json_object_update(b.object, runs) != 0)
        b.bad = true;
    json_decref(runs);
    object = build_end(&b);
out:
    json_decref(page.list);
    free(unit);
    return object;
}

static int take_first(void *ctx, const struct journal_inspection *t)
{
    *(struct journal_inspection *)ctx = *t;
    return 1; /* newest first: a failed test after a passed one counts */
}

int last_inspection(struct journal_reader *r, const char *serial, struct journal_inspection *last, struct error *err)
{
    *last = (struct journal_inspection){0};
    return journal_reader_inspections(r, serial, take_first, last, err);
}
