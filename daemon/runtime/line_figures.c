#include "line_figures.h"

#include <math.h>
#include <stdlib.h>

#include "bus_stats.h"
#include "runtime_parts.h"

static const int64_t minute_ns = INT64_C(60000000000);

struct line_figures {
    int64_t at_real_ns[BUSES_MAX]; /* end of what each bus has on file */
    struct bus_stats now;
    struct bus_stats before[]; /* of each bus */
};

struct line_figures *line_figures_new(const struct runtime *rt, struct error *err)
{
    size_t buses = (size_t)rt->config->bench.bus_count;
    struct line_figures *f = calloc(1, sizeof *f + buses * sizeof f->before[0]);
    if (!f) {
        error_set(err, "out of memory");
        return NULL;
    }
    for (size_t i = 0; i < buses; i++)
        f->at_real_ns[i] = bench_clock_real_ns(rt->clock);
    return f;
}

void line_figures_free(struct line_figures *figures)
{
    free(figures);
}

/* The histogram of what came since. */
static struct time_histogram since(const struct time_histogram *now, const struct time_histogram *before)
{
    struct time_histogram h = *now;
    h.count -= before->count;
    for (int i = 0; i < TIME_BUCKETS; i++)
        h.buckets[i] -= before->buckets[i];
    return h;
}

static void fill_times(struct journal_line_minute *m, const struct time_histogram *now,
                       const struct time_histogram *before)
{
    struct time_histogram h = since(now, before);
    bool any = h.count > 0;
    m->p50_ms = any ? (double)time_histogram_quantile(&h, 0.5) / 1e6 : NAN;
    m->p99_ms = any ? (double)time_histogram_quantile(&h, 0.99) / 1e6 : NAN;
    m->longest_ms = any ? (double)time_histogram_quantile(&h, 1) / 1e6 : NAN;
}

static void fill_errors(struct journal_line_minute *m, const uint64_t *now, const uint64_t *before)
{
    m->timeouts = (int64_t)(now[BUS_TIMEOUT] - before[BUS_TIMEOUT]);
    m->bad_checksums = (int64_t)(now[BUS_BAD_CHECKSUM] - before[BUS_BAD_CHECKSUM]);
    m->bad_answers = (int64_t)(now[BUS_BAD_ANSWER] - before[BUS_BAD_ANSWER]);
    m->wrong_servers = (int64_t)(now[BUS_WRONG_SERVER] - before[BUS_WRONG_SERVER]);
    m->exceptions = (int64_t)(now[BUS_EXCEPTION] - before[BUS_EXCEPTION]);
    m->links_lost = (int64_t)(now[BUS_LINK_LOST] - before[BUS_LINK_LOST]);
    m->not_sent = (int64_t)(now[BUS_NOT_SENT] - before[BUS_NOT_SENT]);
}

static double share_pct(int64_t now_ns, int64_t before_ns, double seconds)
{
    return seconds > 0 ? 100 * (double)(now_ns - before_ns) / 1e9 / seconds : NAN;
}

static void fill_bus(struct journal_line_minute *m, const struct bus_stats *now, const struct bus_stats *before)
{
    m->transactions = (int64_t)(now->transactions - before->transactions);
    m->losses = (int64_t)(now->connect_failures - before->connect_failures);
    fill_errors(m, now->errors, before->errors);
    fill_times(m, &now->latency, &before->latency);
    m->busy_pct = share_pct(now->busy_ns, before->busy_ns, m->seconds);
    m->line_pct = now->line_ns > 0 ? share_pct(now->line_ns, before->line_ns, m->seconds) : NAN;
}

static void fill_device(struct journal_line_minute *m, const struct device_stats *now,
                        const struct device_stats *before)
{
    m->transactions = (int64_t)(now->transactions - before->transactions);
    m->losses = (int64_t)(now->losses - before->losses);
    m->polls_missed = (int64_t)(now->polls_missed - before->polls_missed);
    fill_errors(m, now->errors, before->errors);
    fill_times(m, &now->latency, &before->latency);
    m->busy_pct = m->line_pct = NAN;
}

/* Puts the bus and its devices, a few rows at a time; false when the queue had no room for the first of them. */
static bool put_bus(struct runtime *rt, int bus, int64_t utc_s, double seconds)
{
    struct line_figures *f = rt->figures;
    const struct config *c = rt->config;
    struct journal_line_minutes rows = {.count = 0};
    bool any = false;
    for (int i = -1; i < f->now.device_count; i++) {
        struct journal_line_minute *m = &rows.rows[rows.count++];
        *m = (struct journal_line_minute){.utc_s = utc_s, .seconds = seconds};
        text_copy(m->bus, sizeof m->bus, c->bench.bus_names[bus]);
        if (i < 0) {
            fill_bus(m, &f->now, &f->before[bus]);
        } else {
            text_copy(m->device, sizeof m->device, c->bench.devices[f->now.devices[i].device].name);
            fill_device(m, &f->now.devices[i], &f->before[bus].devices[i]);
        }
        if (rows.count < LINE_MINUTES_MAX && i + 1 < f->now.device_count)
            continue;
        if (queue_put(rt->file_orders, ORDER_LINES, 0, &rows, sizeof rows))
            return any;
        any = true;
        rows.count = 0;
    }
    return true;
}

void line_figures_take(struct runtime *rt)
{
    struct line_figures *f = rt->figures;
    int64_t real_ns = bench_clock_real_ns(rt->clock);
    int64_t utc_s = bench_clock_utc_ns(rt->clock) / INT64_C(1000000000);
    for (int i = 0; f && i < rt->config->bench.bus_count; i++) {
        if (real_ns - f->at_real_ns[i] < minute_ns)
            continue;
        bus_stats(bus_stage_bus(rt->buses[i]), &f->now);
        if (!put_bus(rt, i, utc_s, (double)(real_ns - f->at_real_ns[i]) / 1e9))
            continue;
        f->before[i] = f->now;
        f->at_real_ns[i] = real_ns;
    }
}
