/* What the control socket gets of the daemon. All run in the control thread. */
#include <stdlib.h>
#include <string.h>

#include "counters.h"
#include "runtime_parts.h"

static void link_view(void *ctx, struct bench_view *view)
{
    runtime_view(ctx, view);
}

static int link_submit(void *ctx, const struct input_operator *order)
{
    return runtime_submit(ctx, order);
}

static void link_submit_end(void *ctx, const struct input_operator *order)
{
    struct runtime *rt = ctx;
    /* The queue holds more than all clients together may have under way. Should it be full all the same, everything
     * ends. */
    if (queue_put(rt->ends, INPUT_OPERATOR, 0, order, sizeof *order)) {
        engine_stage_end_all(rt->engine);
        wake_fd(rt->engine_fd);
    }
}

/* A run of the unit may wait in the queue: its preflight is to go by the new test. */
static void tell_safety_test(struct runtime *rt, const struct journal_inspection *t)
{
    struct input_operator facts = {.verb = VERB_FACTS, .channel = -1, .device = -1};
    (void)text_copy(facts.run.serial, sizeof facts.run.serial, t->serial);
    facts.run.safety_test_utc_s = t->passed ? t->done_utc_s : 0;
    facts.run.safety_test_due_utc_s = t->passed ? t->due_utc_s : 0;
    facts.run.safety_test_failed = !t->passed;
    if (runtime_submit(rt, &facts))
        log_write(rt->log, LOG_LEVEL_WARN,
                  "control: a waiting run does not know of the new safety test, the engine is busy");
}

static int link_put_on_file(void *ctx, const struct register_order *order)
{
    struct runtime *rt = ctx;
    if (queue_put(rt->file_orders, ORDER_REGISTER, 0, order, sizeof *order))
        return -1;
    if (order->kind == REGISTER_INSPECTION)
        tell_safety_test(rt, &order->inspection);
    return 0;
}

static int64_t link_next_run_no(void *ctx)
{
    return runtime_next_run_no(ctx);
}

static char *link_counters(void *ctx)
{
    return counters_print(ctx);
}

static int link_probe(void *ctx, uint64_t request, int device, struct error *err)
{
    struct runtime *rt = ctx;
    return bus_probe(bus_stage_bus(rt->buses[rt->config->bench.devices[device].bus]), device, request, err);
}

static void link_night(void *ctx, struct run_night *night)
{
    struct runtime *rt = ctx;
    const struct config *c = rt->config;
    *night = (struct run_night){.allowed = c->unattended.allowed,
                                .ups = c->unattended.ups,
                                .beacon = c->unattended.beacon || c->beacon_point >= 0};
    for (int i = 0; i < c->notify_count; i++)
        night->outside = night->outside || c->notify[i].kind == NOTIFY_HEARTBEAT;
    if (rt->notify)
        night->acknowledged_utc_s = notify_proof_acknowledged_utc_s(notify_stage_proof(rt->notify));
}

static int link_resend(void *ctx, const char *store, const int64_t from_row[FEED_COUNT_])
{
    struct runtime *rt = ctx;
    int count = 0;
    for (int i = 0; i < rt->config->store_count; i++) {
        if (!rt->stores[i] || (store[0] && strcmp(store, rt->config->stores[i].name) != 0))
            continue;
        store_stage_resend(rt->stores[i], from_row);
        wake_fd(rt->store_fds[i]);
        count++;
    }
    return count;
}

/* What waits for a store keeps the journal from giving room back. */
static bool backlog_near_cap(struct runtime *rt, int64_t waiting_rows)
{
    const struct journal_config *j = &rt->config->journal;
    struct journal_stage_counts c = journal_stage_counts(rt->journal_stage);
    if (waiting_rows <= 0)
        return false;
    return (j->max_bytes > 0 && c.file_bytes > j->max_bytes / 10 * 9) ||
           (c.free_bytes > 0 && c.free_bytes < 2 * j->free_floor_bytes);
}

static void link_stores(void *ctx, struct run_stores *stores)
{
    struct runtime *rt = ctx;
    struct uplink_status status;
    *stores = (struct run_stores){.count = rt->config->store_count};
    for (int i = 0; i < rt->config->store_count; i++) {
        enum store_stand stand = STORE_STAND_LEFT_OUT;
        int64_t waiting_rows = 0;
        if (rt->stores[i]) {
            store_stage_status(rt->stores[i], &status);
            stand = store_stand_of(&status);
            for (int f = 0; f < FEED_COUNT_; f++)
                waiting_rows += status.newest[f] > status.sent[f] ? status.newest[f] - status.sent[f] : 0;
            stores->rejected += (int64_t)status.lines_set_aside;
        }
        if (i == 0 || stand > stores->worst) {
            stores->worst = stand;
            text_copy(stores->name, sizeof stores->name, rt->config->stores[i].name);
        }
        stores->in_trouble += stand > STORE_STAND_STARTING;
        if (waiting_rows > stores->waiting_rows)
            stores->waiting_rows = waiting_rows;
    }
    stores->backlog_near_cap = backlog_near_cap(rt, stores->waiting_rows);
}

void runtime_facts(struct runtime *rt, struct run_night *night, struct run_stores *stores)
{
    if (rt->options.facts) {
        rt->options.facts(rt->options.ctx, night, stores);
        return;
    }
    link_night(rt, night);
    link_stores(rt, stores);
}

static int link_notify_test(void *ctx, uint64_t request, const char *who, struct error *err)
{
    struct runtime *rt = ctx;
    if (!rt->notify)
        return error_set(err, "nobody is told: the configuration has no notify");
    if (notify_proof_ask(notify_stage_proof(rt->notify), request, who, err))
        return -1;
    wake_fd(rt->notify_fd);
    return 0;
}

static int link_notify_acknowledge(void *ctx, const char *code, const char *who, struct error *err)
{
    struct runtime *rt = ctx;
    struct input_operator note = {.verb = VERB_NOTE, .channel = -1, .device = -1};
    if (!rt->notify)
        return error_set(err, "nobody is told: the configuration has no notify");
    if (notify_proof_acknowledge(notify_stage_proof(rt->notify), code, bench_clock_real_ns(rt->clock),
                                 bench_clock_utc_ns(rt->clock) / INT64_C(1000000000), err))
        return -1;
    text_copy(note.who, sizeof note.who, who);
    text_copy(note.text, sizeof note.text, "acknowledged the test message: messages reach somebody");
    if (runtime_submit(rt, &note))
        log_write(rt->log, LOG_LEVEL_WARN, "notify: the acknowledgement is not in the record, the engine is busy");
    return 0;
}

static int64_t link_real_ns(void *ctx)
{
    struct runtime *rt = ctx;
    return bench_clock_real_ns(rt->clock);
}

static int64_t link_utc_ns(void *ctx)
{
    struct runtime *rt = ctx;
    return bench_clock_utc_ns(rt->clock);
}

static void link_log(void *ctx, const char *text)
{
    struct runtime *rt = ctx;
    log_write(rt->log, LOG_LEVEL_INFO, "control: %s", text);
}

struct control_hooks runtime_control_hooks(struct runtime *rt)
{
    struct control_hooks hooks = {.ctx = rt,
                                  .bench = &rt->config->bench,
                                  .view = link_view,
                                  .submit = link_submit,
                                  .submit_end = link_submit_end,
                                  .put_on_file = link_put_on_file,
                                  .next_run_no = link_next_run_no,
                                  .counters = link_counters,
                                  .probe = link_probe,
                                  .night = link_night,
                                  .resend = link_resend,
                                  .stores = link_stores,
                                  .notify_test = link_notify_test,
                                  .notify_acknowledge = link_notify_acknowledge,
                                  .real_ns = link_real_ns,
                                  .utc_ns = link_utc_ns,
                                  .log = link_log};
    text_copy(hooks.version, sizeof hooks.version, SOAKBENCH_VERSION);
    text_copy(hooks.journal_path, sizeof hooks.journal_path, rt->config->journal.path);
    text_copy(hooks.socket_group, sizeof hooks.socket_group, rt->config->listen.socket_group);
    return hooks;
}
