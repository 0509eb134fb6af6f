/* The begin of a session: what the journal must hold before the first input. */
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "engine.h"
#include "journal_read.h"
#include "runtime_parts.h"

enum { OPEN_RUNS_MAX = CHANNELS_MAX * 2 };

static const int64_t second_ns = INT64_C(1000000000);

/* ---- what is left of earlier sessions ---- */

static int latest_session(void *ctx, const struct journal_session *s)
{
    int64_t *latest_utc_ns = ctx;
    if (s->anchor_utc_ns > *latest_utc_ns)
        *latest_utc_ns = s->anchor_utc_ns;
    if (s->end_utc_us * 1000 > *latest_utc_ns)
        *latest_utc_ns = s->end_utc_us * 1000;
    return 0;
}

static int latest_reading(void *ctx, const struct journal_reading *m)
{
    int64_t *latest_utc_ns = ctx;
    if (m->utc_us * 1000 > *latest_utc_ns)
        *latest_utc_ns = m->utc_us * 1000;
    return 0;
}

static int latest_event(void *ctx, const struct journal_event *e)
{
    int64_t *latest_utc_ns = ctx;
    if (e->seen_utc_us * 1000 > *latest_utc_ns)
        *latest_utc_ns = e->seen_utc_us * 1000;
    return 0;
}

/* The latest UTC that the journal holds; 0 when it is empty. */
static int journal_latest_utc_ns(const char *path, int64_t *utc_ns, struct error *err)
{
    int64_t rows[FEED_COUNT_];
    *utc_ns = 0;
    struct journal_reader *r = journal_reader_open(path, err);
    if (!r)
        return -1;
    struct row_filter readings = row_filter_any();
    struct row_filter events = row_filter_any();
    int status = journal_reader_sessions(r, latest_session, utc_ns, err);
    if (!status)
        status = journal_reader_last_rows(r, rows, err);
    if (!status) {
        readings.after_row = rows[FEED_READINGS] - 1;
        events.after_row = rows[FEED_EVENTS] - 1;
        status = journal_reader_readings(r, &readings, latest_reading, utc_ns, err);
    }
    if (!status)
        status = journal_reader_events(r, &events, latest_event, utc_ns, err);
    journal_reader_close(r);
    return status;
}

int session_scaled_start(const struct config *config, int64_t *start_utc_ns, struct error *err)
{
    *start_utc_ns = config->epoch_utc_ns;
    if (access(config->journal.path, F_OK) == 0) {
        int64_t latest_utc_ns;
        if (journal_latest_utc_ns(config->journal.path, &latest_utc_ns, err))
            return -1;
        if (latest_utc_ns + second_ns > *start_utc_ns)
            *start_utc_ns = latest_utc_ns + second_ns;
    }
    struct bench_clock *real = bench_clock_new_real();
    if (!real)
        return error_set(err, "out of memory");
    bool past = *start_utc_ns < bench_clock_utc_ns(real);
    bench_clock_free(real);
    if (!past)
        return error_set(err,
                         "a clock with a rate needs an epoch in the past, since stores drop points from the future; "
                         "set clock.epoch to an earlier time, or begin a new journal");
    return 0;
}

struct open_runs {
    int count;
    int64_t run_no[OPEN_RUNS_MAX];
    struct verdict verdict[OPEN_RUNS_MAX];
};

static int collect_open_run(void *ctx, const struct journal_run *run)
{
    struct open_runs *open = ctx;
    if (open->count == OPEN_RUNS_MAX)
        return 1;
    struct verdict *v = &open->verdict[open->count];
    open->run_no[open->count++] = run->run_no;
    *v = (struct verdict){.run_no = run->run_no,
                          .revision = run->judged ? run->verdict.revision + 1 : 1,
                          .rules_version = RULES_VERSION,
                          .channel = run->channel,
                          .procedure = run->request.procedure,
                          .kind = VERDICT_UNDECIDED,
                          .basis = BASIS_NONE,
                          .cause = CAUSE_NONE,
                          .rated_percent_on = run->request.point.percent_on,
                          .rated_on_s = run->request.point.percent_on / 100 * run->request.point.cycle_s};
    double *const unseen[] = {
        &v->commanded_s,          &v->conducting_s, &v->at_rated_s,           &v->in_band_s, &v->percent_on_demanded,
        &v->percent_on_delivered, &v->shutoff_s,    &v->shutoff_half_width_s, &v->reset_s,   &v->own_percent_on,
        &v->time_uncertainty_s,   &v->current_a,    &v->load_voltage_v,       &v->supply_v,  &v->intake_degc,
        &v->drift_k_per_h};
    for (size_t i = 0; i < sizeof unseen / sizeof unseen[0]; i++)
        *unseen[i] = NAN;
    text_copy(v->reason, sizeof v->reason,
              "The daemon or its computer stopped while the run was under way; the load opened, and nobody watched how "
              "the unit went on.");
    return 0;
}

static int find_open_runs(const char *path, struct open_runs *open, struct error *err)
{
    struct run_filter filter = {.open_only = true};
    struct journal_reader *r = journal_reader_open(path, err);
    if (!r)
        return -1;
    int status = journal_reader_runs(r, &filter, collect_open_run, open, err);
    journal_reader_close(r);
    return status;
}

/* Runs that were cut short end undecided, and somebody is told in the morning. */
static int close_open_runs(struct runtime *rt, const struct open_runs *open, struct error *err)
{
    int64_t now_ns = bench_clock_now_ns(rt->clock);
    for (int i = 0; i < open->count; i++) {
        struct journal_notice n = {.urgency = 0,
                                   .channel = open->verdict[i].channel,
                                   .run_no = open->run_no[i],
                                   .made_utc_s = bench_clock_utc_ns(rt->clock) / second_ns,
                                   .state = NOTICE_PENDING};
        text_format(n.text, sizeof n.text, "Run %" PRId64 " was cut short and ends undecided: %s", open->run_no[i],
                    open->verdict[i].reason);
        if (journal_put_verdict(rt->journal, &open->verdict[i], 0, now_ns, err) ||
            journal_put_notice(rt->journal, &n, err))
            return -1;
        log_write(rt->log, LOG_LEVEL_WARN, "run %" PRId64 " was cut short by the last stop, it ends undecided",
                  open->run_no[i]);
    }
    return 0;
}

/* ---- the new session ---- */

static void read_boot_id(char *to, size_t cap)
{
    FILE *f = fopen("/proc/sys/kernel/random/boot_id", "r");
    to[0] = '\0';
    if (!f)
        return;
    if (fgets(to, (int)cap, f))
        to[strcspn(to, "\n")] = '\0';
    fclose(f);
}

static int put_files(struct runtime *rt, struct error *err)
{
    for (int i = 0; i < rt->config->file_count; i++) {
        const struct config_file *f = &rt->config->files[i];
        const char *slash = strrchr(f->path, '/');
        if (journal_put_blob(rt->journal, i == 0 ? BLOB_CONFIG : BLOB_MAP, slash ? slash + 1 : f->path, f->text,
                             f->size, NULL, err))
            return -1;
    }
    return 0;
}

static int put_session(struct runtime *rt, const struct open_runs *open, struct error *err)
{
    struct journal_session session = {.epoch = rt->epoch,
                                      .anchor_ns = rt->anchor.monotonic_ns,
                                      .anchor_utc_ns = rt->anchor.utc_ns,
                                      .boottime_ns = rt->anchor.boottime_ns,
                                      .rate = rt->config->bench.rate,
                                      .virtual_clock = bench_clock_kind(rt->clock) == BENCH_CLOCK_VIRTUAL};
    read_boot_id(session.boot_id, sizeof session.boot_id);
    text_copy(session.engine_version, sizeof session.engine_version, engine_version());
    text_copy(session.program_version, sizeof session.program_version, SOAKBENCH_VERSION);
    if (journal_begin(rt->journal, err))
        return -1;
    if (journal_put_session(rt->journal, &session, &rt->config->bench, err) || put_files(rt, err) ||
        close_open_runs(rt, open, err) || journal_commit(rt->journal, err)) {
        journal_rollback(rt->journal);
        return -1;
    }
    return 0;
}

int session_begin(struct runtime *rt, struct input_boot *boot, struct error *err)
{
    bool clean = journal_last_ended_clean(rt->journal);
    struct open_runs *open = calloc(1, sizeof *open);
    int status = -1;
    if (!open)
        return error_set(err, "out of memory");
    rt->epoch = journal_next_epoch(rt->journal);
    bench_clock_anchor(rt->clock, NULL, &rt->anchor);
    rt->anchored_real_ns = bench_clock_real_ns(rt->clock);
    if (rt->epoch > 1 && find_open_runs(rt->config->journal.path, open, err))
        goto out;
    if (put_session(rt, open, err))
        goto out;
    *boot = (struct input_boot){0};
    if (journal_get_carry(rt->journal, boot, err) < 0)
        goto out;
    text_copy(boot->engine_version, sizeof boot->engine_version, engine_version());
    boot->epoch = rt->epoch;
    boot->utc_ns = rt->anchor.utc_ns;
    boot->after_interruption = !clean;
    status = 0;
out:
    free(open);
    return status;
}
