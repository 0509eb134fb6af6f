#include "counters.h"

#include <jansson.h>
#include <stdlib.h>

#include "bus_stats.h"
#include "runtime_parts.h"

static void put_count(json_t *o, const char *key, uint64_t value)
{
    json_object_set_new(o, key, json_integer((json_int_t)value));
}

static json_t *queue_json(struct queue *q)
{
    struct queue_counts c = queue_counts(q);
    json_t *o = json_object();
    put_count(o, "put", c.put);
    put_count(o, "taken", c.taken);
    put_count(o, "refused", c.refused);
    put_count(o, "high_water_bytes", c.high_water);
    return o;
}

static json_t *times_json(const struct time_histogram *h)
{
    json_t *o = json_object();
    put_count(o, "count", h->count);
    json_object_set_new(o, "median_ms", json_real((double)time_histogram_quantile(h, 0.5) / 1e6));
    json_object_set_new(o, "p99_ms", json_real((double)time_histogram_quantile(h, 0.99) / 1e6));
    json_object_set_new(o, "longest_ms", json_real((double)h->longest_ns / 1e6));
    return o;
}

static json_t *errors_json(const uint64_t errors[BUS_ERROR_COUNT_])
{
    json_t *o = json_object();
    for (int e = BUS_OK + 1; e < BUS_ERROR_COUNT_; e++)
        put_count(o, bus_error_name((enum bus_error)e), errors[e]);
    return o;
}

static json_t *device_json(struct runtime *rt, const struct device_stats *d)
{
    json_t *o = json_object();
    json_object_set_new(o, "name", json_string(rt->config->bench.devices[d->device].name));
    json_object_set_new(o, "up", json_boolean(d->up));
    put_count(o, "transactions", d->transactions);
    put_count(o, "losses", d->losses);
    put_count(o, "polls_missed", d->polls_missed);
    put_count(o, "beats", d->beats);
    json_object_set_new(o, "cycle_ms", json_real((double)d->cycle_ns / 1e6));
    json_object_set_new(o, "errors", errors_json(d->errors));
    json_object_set_new(o, "latency", times_json(&d->latency));
    json_object_set_new(o, "lateness", times_json(&d->lateness));
    return o;
}

static json_t *bus_json(struct runtime *rt, int bus, struct bus_stats *stats)
{
    bus_stats(bus_stage_bus(rt->buses[bus]), stats);
    json_t *o = json_object();
    json_object_set_new(o, "name", json_string(rt->config->bench.bus_names[bus]));
    json_object_set_new(o, "connected", json_boolean(stats->connected));
    put_count(o, "connects", stats->connects);
    put_count(o, "connect_failures", stats->connect_failures);
    put_count(o, "transactions", stats->transactions);
    put_count(o, "bytes_flushed", stats->bytes_flushed);
    put_count(o, "commands_refused", stats->commands_refused);
    put_count(o, "inputs_refused", stats->inputs_refused);
    double busy = stats->elapsed_ns > 0 ? 100.0 * (double)stats->busy_ns / (double)stats->elapsed_ns : 0;
    json_object_set_new(o, "busy_pct", json_real(busy));
    /* What frames and silences of a serial line take in theory; a line without errors that is full has 100. */
    if (stats->line_ns > 0)
        json_object_set_new(o, "line_pct", json_real(100.0 * (double)stats->line_ns / (double)stats->elapsed_ns));
    json_object_set_new(o, "errors", errors_json(stats->errors));
    json_object_set_new(o, "latency", times_json(&stats->latency));
    json_object_set_new(o, "queue", queue_json(rt->bus_queues[bus]));
    json_t *devices = json_array();
    for (int i = 0; i < stats->device_count; i++)
        json_array_append_new(devices, device_json(rt, &stats->devices[i]));
    json_object_set_new(o, "devices", devices);
    return o;
}

static json_t *engine_json(struct runtime *rt)
{
    struct engine_stage_counts c = engine_stage_counts(rt->engine);
    json_t *o = json_object();
    put_count(o, "inputs", c.inputs);
    put_count(o, "events", c.events);
    put_count(o, "commands", c.commands);
    put_count(o, "inputs_lost", c.lost);
    put_count(o, "commands_held", c.held);
    put_count(o, "stalls", c.stalls);
    json_object_set_new(o, "orders", queue_json(rt->orders));
    json_object_set_new(o, "ends", queue_json(rt->ends));
    struct worker_counts w = worker_stage_counts(rt->worker);
    put_count(o, "jobs_done", w.done);
    put_count(o, "jobs_refused", w.refused);
    put_count(o, "jobs_waiting", (uint64_t)w.waiting);
    return o;
}

static json_t *journal_json(struct runtime *rt)
{
    struct journal_stage_counts c = journal_stage_counts(rt->journal_stage);
    int64_t now_ns = bench_clock_real_ns(rt->clock);
    int64_t oldest_ns = now_ns;
    queue_oldest(rt->records, &oldest_ns);
    json_t *o = json_object();
    put_count(o, "commits", c.commits);
    put_count(o, "failures", c.failures);
    put_count(o, "wal_bytes", (uint64_t)c.wal_bytes);
    put_count(o, "used_bytes", (uint64_t)c.used_bytes);
    put_count(o, "file_bytes", (uint64_t)c.file_bytes);
    put_count(o, "free_bytes", (uint64_t)c.free_bytes);
    json_object_set_new(o, "longest_commit_ms", json_real((double)c.longest_commit_ns / 1e6));
    json_object_set_new(o, "oldest_unsynced_ms", json_real((double)(now_ns - oldest_ns) / 1e6));
    json_object_set_new(o, "records", queue_json(rt->records));
    return o;
}

static const char *self_test_name(enum self_test t)
{
    static const char *const names[] = {"open", "passed", "failed", "not possible"};
    return names[t];
}

static json_t *store_json(struct runtime *rt, int store)
{
    struct uplink_status status;
    json_t *o = json_object();
    json_object_set_new(o, "name", json_string(rt->config->stores[store].name));
    if (!rt->stores[store]) {
        json_object_set_new(o, "trouble", json_string("could not be set up, see the log"));
        return o;
    }
    store_stage_status(rt->stores[store], &status);
    json_object_set_new(o, "state", json_string(uplink_state_name(status.state)));
    json_object_set_new(o, "self_test", json_string(self_test_name(status.self_test)));
    for (int f = 0; f < FEED_COUNT_; f++) {
        json_t *feed = json_object();
        put_count(feed, "sent", (uint64_t)status.sent[f]);
        put_count(feed, "settled", (uint64_t)status.settled[f]);
        put_count(feed, "newest", (uint64_t)status.newest[f]);
        json_object_set_new(o, feed_name((enum feed)f), feed);
    }
    put_count(o, "lines_sent", status.lines_sent);
    put_count(o, "lines_ahead", status.lines_ahead);
    put_count(o, "bytes_sent", status.bytes_sent);
    put_count(o, "lines_set_aside", status.lines_set_aside);
    put_count(o, "rewinds", status.rewinds);
    put_count(o, "requests", status.requests);
    put_count(o, "failures", status.failures);
    json_object_set_new(o, "trouble", json_string(status.trouble));
    return o;
}

char *counters_print(struct runtime *rt)
{
    struct bus_stats *stats = malloc(sizeof *stats);
    if (!stats)
        return NULL;
    json_t *all = json_object();
    json_t *buses = json_array();
    for (int i = 0; i < rt->config->bench.bus_count; i++)
        json_array_append_new(buses, bus_json(rt, i, stats));
    json_object_set_new(all, "buses", buses);
    json_object_set_new(all, "engine", engine_json(rt));
    json_object_set_new(all, "journal", journal_json(rt));
    if (rt->notify) {
        struct notify_counts c = notify_stage_counts(rt->notify);
        json_t *notify = json_object();
        put_count(notify, "delivered", c.delivered);
        put_count(notify, "failures", c.failures);
        put_count(notify, "pending", (uint64_t)c.pending);
        put_count(notify, "last_delivered_utc_s", (uint64_t)c.last_delivered_utc_s);
        json_object_set_new(all, "notify", notify);
    }
    json_t *stores = json_array();
    for (int i = 0; i < rt->config->store_count; i++)
        json_array_append_new(stores, store_json(rt, i));
    json_object_set_new(all, "stores", stores);
    char *text = json_dumps(all, JSON_COMPACT);
    json_decref(all);
    free(stats);
    return text;
}
