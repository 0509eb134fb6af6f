#include "replay.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "engine.h"
#include "heat_job.h"
#include "stagger_plan.h"
#include "worker_job.h"

enum { PAGE = 512, VERDICTS_MAX = 64 };

/* Journaled events of the session, fetched page by page as the replay comes to them. */
struct expected {
    struct journal_reader *reader;
    uint64_t epoch;
    int64_t last_row;
    bool ended;
    int at, count;
    struct journal_event *page;
};

/* Answers that the worker would give here, until the recorded ones come. */
enum { JOBS_MAX = 16 };

struct refit {
    struct heat_series *series;
    struct heat_job_room *room;
    struct heat_sample *samples;
    int count;
    struct input_worker answers[JOBS_MAX];
};

/* Values of the same fit on another processor agree much better than this. */
static const double estimate_tolerance = 1e-4;

struct replay {
    struct refit refit;
    struct replay_result *result;
    struct engine *engine;
    struct engine_out *out;
    struct event *recorded; /* of one input */
    struct expected expected;
    int correction_count; /* revisions that corrections gave: no replay of the inputs as they are gives these */
    struct journal_addendum corrections[VERDICTS_MAX];
    int verdict_count; /* journaled, of the run */
    struct verdict verdicts[VERDICTS_MAX];
    struct error *err;
    bool failed;
};

static int keep_event(void *ctx, const struct journal_event *e)
{
    struct expected *x = ctx;
    x->page[x->count++] = *e;
    x->last_row = e->row;
    return x->count == PAGE;
}

/* The next journaled event; NULL at the end, or with *failed set. */
static const struct event *next_expected(struct expected *x, bool *failed, struct error *err)
{
    if (x->at == x->count && !x->ended) {
        struct row_filter filter = row_filter_any();
        filter.epoch = x->epoch;
        filter.after_row = x->last_row;
        filter.limit = PAGE;
        x->at = x->count = 0;
        if (journal_reader_events(x->reader, &filter, keep_event, x, err) < 0) {
            *failed = true;
            return NULL;
        }
        x->ended = x->count < PAGE;
    }
    return x->at < x->count ? &x->page[x->at++].event : NULL;
}

/* The events on record that input `seq` brought about, or one before it. Returns how many. */
static int take_expected(struct replay *r, uint64_t seq)
{
    int n = 0;
    const struct event *was;
    while (n < ENGINE_EVENTS_MAX && !r->failed && (was = next_expected(&r->expected, &r->failed, r->err)) != NULL) {
        if (was->seq > seq) {
            r->expected.at--; /* the next input's */
            break;
        }
        r->recorded[n++] = *was;
    }
    return n;
}

static void compare_verdict(struct replay *r, const struct verdict *is)
{
    if (is->run_no != r->result->run_no)
        return;
    r->result->has_verdict = true;
    r->result->verdict = *is;
    r->result->verdicts++;
    const struct verdict *was = NULL;
    for (int i = 0; i < r->verdict_count; i++) {
        if (r->verdicts[i].revision == is->revision)
            was = &r->verdicts[i];
    }
    char where[48];
    (void)text_format(where, sizeof where, "verdict, revision %d", (int)is->revision);
    if (was) {
        r->result->has_recorded = true;
        r->result->recorded = *was;
        compare_verdicts(&r->result->found, where, was, is);
    } else {
        differences_add(&r->result->found, where, "verdict", "-", is->reason);
    }
}

/* Whole numbers: the same plan to the bit. */
static void plan_again(struct refit *f, const struct command *ask, const struct stagger_job *job)
{
    struct stagger_plan plan;
    struct input_worker *answer = &f->answers[f->count++];
    heat_job_no_answer(ask, JOB_HOLDS, answer);
    stagger_plan_jointly(job, &plan);
    stagger_plan_to_values(job, &plan, answer->values);
}

static void fit_again(struct refit *f, const struct command *ask, const struct stagger_job *job)
{
    if (f->count == JOBS_MAX)
        return;
    if (ask->code == JOB_STAGGER)
        plan_again(f, ask, job);
    if (ask->code != JOB_HEAT)
        return;
    int samples = heat_series_copy(f->series, ask->channel, ask->until_ns, f->samples);
    heat_job_answer(ask, f->samples, samples, f->room, &f->answers[f->count++]);
}

static void tell_estimate(struct replay *r, const struct input_worker *was, int value, double a, double b)
{
    char where[48], field[24], texts[2][32];
    (void)text_format(where, sizeof where, "%s %llu", was->channel < 0 ? "plan of the cycles" : "estimate",
                      (unsigned long long)was->job);
    (void)text_format(field, sizeof field, "values[%d]", value);
    number_print(texts[0], sizeof texts[0], a);
    number_print(texts[1], sizeof texts[1], b);
    differences_add(&r->result->found, where, field, texts[0], texts[1]);
}

/* Whole numbers: to the bit. */
static void compare_plan(struct replay *r, const struct input_worker *was, const struct input_worker *is)
{
    for (int i = 0; i < WORKER_VALUES_MAX; i++)
        if (!(was->values[i] == is->values[i]) && !(isnan(was->values[i]) && isnan(is->values[i])))
            tell_estimate(r, was, i, was->values[i], is->values[i]);
}

static void compare_values(struct replay *r, const struct input_worker *was, const struct input_worker *is)
{
    for (int i = 0; i < WORKER_VALUES_MAX; i++) {
        double a = was->values[i], b = is->values[i];
        if (isnan(a) && isnan(b))
            continue;
        double most = fabs(a) > fabs(b) ? fabs(a) : fabs(b);
        double off = most > 1e-3 ? fabs(a - b) / most : fabs(a - b);
        if (!(off <= r->result->estimates_off))
            r->result->estimates_off = off;
        if (!(off <= estimate_tolerance))
            tell_estimate(r, was, i, a, b);
    }
}

static void tell_status(struct replay *r, const struct input_worker *was, const struct input_worker *is)
{
    char where[48];
    (void)text_format(where, sizeof where, "%s %llu", was->channel < 0 ? "plan of the cycles" : "estimate",
                      (unsigned long long)was->job);
    differences_add(&r->result->found, where, "status", job_status_name((enum job_status)was->status),
                    job_status_name((enum job_status)is->status));
}

/* A recorded answer against the one found here. A refusal was a matter of the day's work, not of the record. */
static void compare_estimate(struct replay *r, const struct input_worker *was)
{
    struct refit *f = &r->refit;
    for (int i = 0; i < f->count; i++) {
        if (f->answers[i].job != was->job)
            continue;
        if (was->status != JOB_REFUSED) {
            bool plan = was->channel < 0;
            *(plan ? &r->result->plans : &r->result->estimates) += 1;
            if (was->status != f->answers[i].status)
                tell_status(r, was, &f->answers[i]);
            else if (plan)
                compare_plan(r, was, &f->answers[i]);
            else
                compare_values(r, was, &f->answers[i]);
        }
        f->answers[i] = f->answers[--f->count];
        return;
    }
}

static int feed(void *ctx, const struct input *in)
{
    struct replay *r = ctx;
    engine_step(r->engine, in, r->out);
    r->result->inputs++;
    /* In the daemon's order: a job sees the readings before the input that asked for it. */
    for (int i = 0; i < r->out->command_count; i++)
        if (r->out->commands[i].kind == COMMAND_WORKER)
            fit_again(&r->refit, &r->out->commands[i], &r->out->stagger_job);
    if (in->kind == INPUT_READINGS)
        heat_series_take(r->refit.series, &in->u.readings);
    else if (in->kind == INPUT_WORKER)
        compare_estimate(r, &in->u.worker);
    int recorded = take_expected(r, in->seq);
    compare_events(&r->result->found, r->recorded, recorded, r->out->events, r->out->event_count);
    r->result->events += r->out->event_count;
    for (int i = 0; i < r->out->verdict_count && !r->failed; i++)
        compare_verdict(r, &r->out->verdicts[i]);
    return r->failed;
}

static int keep_verdict(void *ctx, const struct journal_verdict *v)
{
    struct replay *r = ctx;
    for (int i = 0; i < r->correction_count; i++)
        if (r->corrections[i].revision == v->verdict.revision)
            return 0;
    r->verdicts[r->verdict_count++] = v->verdict;
    return r->verdict_count == VERDICTS_MAX;
}

static int keep_correction(void *ctx, const struct journal_addendum *a)
{
    struct replay *r = ctx;
    if (a->kind == ADDENDUM_CORRECTION)
        r->corrections[r->correction_count++] = *a;
    return r->correction_count == VERDICTS_MAX;
}

/* Events on record that belong to inputs already fed, but were not replayed. */
static void look_for_missing(struct replay *r, uint64_t end_seq)
{
    int n = take_expected(r, end_seq);
    compare_events(&r->result->found, r->recorded, n, NULL, 0);
    for (int i = 0; i < r->verdict_count; i++) {
        char where[48];
        (void)text_format(where, sizeof where, "verdict, revision %d", (int)r->verdicts[i].revision);
        if (r->verdicts[i].revision > r->result->verdicts)
            differences_add(&r->result->found, where, "verdict", r->verdicts[i].reason, "-");
    }
}

/* ---- judged again with a correction ---- */

struct correcting {
    const struct corrections *corrections;
    const struct bench *bench;
    const struct journal_run *run;
    struct engine *engine;
    struct engine_out *out;
    struct input *in;
    struct rejudged *result;
    bool judged;
    int32_t revision; /* newest on record; 0: none */
};

static int feed_corrected(void *ctx, const struct input *in)
{
    struct correcting *k = ctx;
    *k->in = *in;
    corrections_apply(k->corrections, k->bench, k->run->channel, k->in);
    engine_step(k->engine, k->in, k->out);
    for (int i = 0; i < k->out->verdict_count; i++) {
        if (k->out->verdicts[i].run_no != k->run->run_no)
            continue;
        k->result->now = k->out->verdicts[i];
        k->judged = true;
    }
    return 0;
}

static int keep_newest(void *ctx, const struct journal_verdict *v)
{
    struct correcting *k = ctx;
    if (v->verdict.revision <= k->revision)
        return 0;
    k->revision = v->verdict.revision;
    k->result->before = v->verdict;
    return 0;
}

static int judge_corrected(struct journal_reader *reader, struct correcting *k, struct error *err)
{
    struct row_filter filter = row_filter_any();
    filter.run_no = k->run->run_no;
    k->engine = engine_new(k->bench);
    k->out = calloc(1, sizeof *k->out);
    k->in = calloc(1, sizeof *k->in);
    if (!k->engine || !k->out || !k->in)
        return error_set(err, "memory is short");
    if (corrections_fit(k->corrections, k->bench, k->run->channel, err) != 0 ||
        journal_reader_verdicts(reader, &filter, keep_newest, k, err) < 0)
        return -1;
    if (k->run->end_seq == 0 || k->revision == 0)
        return error_set(err, "run %lld has no verdict on record that could be revised", (long long)k->run->run_no);
    if (journal_reader_inputs(reader, k->run->epoch, k->run->end_seq, feed_corrected, k, err) < 0)
        return -1;
    if (!k->judged)
        return error_set(err,
                         "with this correction the recorded inputs of run %lld lead to no verdict: the run would have "
                         "gone another way from early on",
                         (long long)k->run->run_no);
    k->result->now.revision = k->revision + 1;
    return 0;
}

int replay_corrected(struct journal_reader *reader, int64_t run_no, const struct corrections *corrections,
                     struct rejudged *result, struct error *err)
{
    struct journal_run *run = calloc(1, sizeof *run);
    struct journal_session *session = calloc(1, sizeof *session);
    struct bench *bench = calloc(1, sizeof *bench);
    struct correcting k = {.corrections = corrections, .bench = bench, .run = run, .result = result};
    memset(result, 0, sizeof *result);
    int status = run && session && bench ? replay_find(reader, run_no, run, session, bench, err)
                                         : error_set(err, "memory is short");
    if (run && bench && status == 0)
        status = judge_corrected(reader, &k, err);
    engine_free(k.engine);
    free(k.out);
    free(k.in);
    free(run);
    free(session);
    free(bench);
    return status;
}

struct wanted_verdict {
    int32_t revision;
    bool found;
    struct verdict verdict;
};

static int find_verdict(void *ctx, const struct journal_verdict *v)
{
    struct wanted_verdict *w = ctx;
    if (v->verdict.revision != w->revision)
        return 0;
    w->verdict = v->verdict;
    w->found = true;
    return 1;
}

/* A revision that a correction gave is given by it again. */
static int compare_correction(struct replay *r, struct journal_reader *reader, const struct journal_addendum *a,
                              struct error *err)
{
    struct row_filter filter = row_filter_any();
    struct corrections corrections;
    struct rejudged again;
    struct wanted_verdict was = {.revision = a->revision};
    filter.run_no = a->run_no;
    if (corrections_parse(a->name, &corrections, err) != 0 ||
        replay_corrected(reader, a->run_no, &corrections, &again, err) != 0 ||
        journal_reader_verdicts(reader, &filter, find_verdict, &was, err) < 0)
        return -1;
    char where[96];
    r->result->corrections++;
    (void)text_format(where, sizeof where, "revision %d, by the correction \"%.40s\"", (int)a->revision, a->name);
    if (!was.found) {
        differences_add(&r->result->found, where, "verdict", "-", again.now.reason);
        return 0;
    }
    again.now.revision = a->revision;
    again.now.channel = was.verdict.channel; /* by the bench of the session in which it was recorded */
    compare_verdicts(&r->result->found, where, &was.verdict, &again.now);
    return 0;
}

static int replay_session(struct journal_reader *reader, const struct journal_run *run, const struct bench *bench,
                          struct replay *r, struct error *err)
{
    struct row_filter filter = row_filter_any();
    filter.run_no = run->run_no;
    filter.epoch = run->epoch;
    r->engine = engine_new(bench);
    r->out = calloc(1, sizeof *r->out);
    r->recorded = calloc(ENGINE_EVENTS_MAX, sizeof *r->recorded);
    r->expected =
        (struct expected){.reader = reader, .epoch = run->epoch, .page = calloc(PAGE, sizeof *r->expected.page)};
    r->refit = (struct refit){.series = heat_series_new(bench),
                              .room = calloc(1, sizeof *r->refit.room),
                              .samples = calloc(HEAT_SAMPLES_MAX, sizeof *r->refit.samples)};
    if (!r->engine || !r->out || !r->recorded || !r->expected.page || !r->refit.series || !r->refit.room ||
        !r->refit.samples)
        return error_set(err, "memory is short");
    if (journal_reader_addenda(reader, run->run_no, keep_correction, r, err) < 0 ||
        journal_reader_verdicts(reader, &filter, keep_verdict, r, err) < 0 ||
        journal_reader_inputs(reader, run->epoch, run->end_seq, feed, r, err) < 0 || r->failed)
        return -1;
    if (r->result->inputs == 0)
        return error_set(err, "no inputs are on record for run %lld", (long long)run->run_no);
    if (run->end_seq != 0)
        look_for_missing(r, run->end_seq);
    compare_left(&r->result->found);
    for (int i = 0; !r->failed && i < r->correction_count; i++)
        if (compare_correction(r, reader, &r->corrections[i], err) != 0)
            return -1;
    return r->failed ? -1 : 0;
}

int replay_find(struct journal_reader *reader, int64_t run_no, struct journal_run *run, struct journal_session *session,
                struct bench *bench, struct error *err)
{
    int found = journal_reader_run(reader, run_no, run, err);
    if (found == 0)
        return error_set(err, "there is no run %lld on record; soakbench run list shows them", (long long)run_no);
    if (found < 0)
        return -1;
    found = journal_reader_session(reader, run->epoch, session, err);
    if (found == 1)
        found = journal_reader_bench(reader, run->epoch, bench, err);
    if (found == 0)
        return error_set(err, "the session or the bench of run %lld is not on record", (long long)run_no);
    return found < 0 ? -1 : 0;
}

int replay_run(struct journal_reader *reader, int64_t run_no, struct replay_result *result, struct error *err)
{
    struct journal_run *run = calloc(1, sizeof *run);
    struct journal_session *session = calloc(1, sizeof *session);
    struct bench *bench = calloc(1, sizeof *bench);
    struct replay *r = calloc(1, sizeof *r);
    int status = -1;
    memset(result, 0, sizeof *result);
    if (!run || !session || !bench || !r) {
        error_set(err, "memory is short");
        goto out;
    }
    if (replay_find(reader, run_no, run, session, bench, err) != 0)
        goto out;
    result->run_no = run_no;
    result->epoch = run->epoch;
    result->replayed_rules = RULES_VERSION;
    (void)text_copy(result->recorded_by, sizeof result->recorded_by, session->engine_version);
    (void)text_copy(result->replayed_by, sizeof result->replayed_by, engine_version());
    r->result = result;
    r->err = err;
    status = replay_session(reader, run, bench, r, err);
    result->recorded_rules = result->has_recorded ? result->recorded.rules_version : 0;
    if (status != 0 && strcmp(result->recorded_by, result->replayed_by) != 0)
        error_prefix(err, "recorded by %s, and this is %s", result->recorded_by, result->replayed_by);
    engine_free(r->engine);
    free(r->out);
    free(r->recorded);
    free(r->expected.page);
    heat_series_free(r->refit.series);
    free(r->refit.room);
    free(r->refit.samples);
out:
    free(run);
    free(session);
    free(bench);
    free(r);
    return status;
}
