#include "runtime.h"

#include <stdlib.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include "engine.h"
#include "journal_read.h"
#include "line_figures.h"
#include "model_json.h"
#include "morning.h"
#include "runtime_parts.h"

static const int64_t finish_within_ns = INT64_C(60000000000);

void wake_fd(int fd)
{
    uint64_t one = 1;
    if (write(fd, &one, sizeof one) < 0)
        return; /* only when the counter is at its end: then it is readable anyway */
}

static int open_eventfd(int *fd, struct error *err)
{
    *fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    return *fd < 0 ? error_set(err, "no event descriptor could be opened") : 0;
}

static int make_clock(struct runtime *rt, struct error *err)
{
    const struct bench *bench = &rt->config->bench;
    int64_t start_utc_ns;
    if (rt->options.clock) {
        rt->clock = rt->options.clock;
        return 0;
    }
    if (bench->rate == 1) {
        rt->clock = bench_clock_new_real();
    } else {
        if (session_scaled_start(rt->config, &start_utc_ns, err))
            return -1;
        rt->clock = bench_clock_new_scaled(bench->rate, start_utc_ns);
    }
    return rt->clock ? 0 : error_set(err, "out of memory");
}

static int make_queues(struct runtime *rt, struct error *err)
{
    if (open_eventfd(&rt->engine_fd, err) || open_eventfd(&rt->journal_fd, err) || open_eventfd(&rt->stop_fd, err) ||
        open_eventfd(&rt->notify_fd, err) || open_eventfd(&rt->worker_fd, err))
        return -1;
    rt->ends = queue_new(ENDS_QUEUE_BYTES, rt->engine_fd);
    rt->orders = queue_new(ORDERS_QUEUE_BYTES, rt->engine_fd);
    rt->records = queue_new(RECORDS_QUEUE_BYTES, rt->journal_fd);
    rt->file_orders = queue_new(FILE_QUEUE_BYTES, rt->journal_fd);
    if (!rt->ends || !rt->orders || !rt->records || !rt->file_orders)
        return error_set(err, "out of memory");
    for (int i = 0; i < rt->config->bench.bus_count; i++) {
        rt->bus_queues[i] = queue_new(BUS_QUEUE_BYTES, rt->engine_fd);
        if (!rt->bus_queues[i])
            return error_set(err, "out of memory");
    }
    return 0;
}

/* From a bus's thread: what it read for a client. */
static void probed(void *ctx, uint64_t request, const struct probe_item *items, int count, const char *failure)
{
    struct runtime *rt = ctx;
    json_t *list = failure ? NULL : probe_items_to_json(items, count);
    char *text = list ? json_dumps(list, JSON_COMPACT) : NULL;
    json_decref(list);
    if (!rt->control)
        free(text);
    else if (text)
        (void)control_answer_json(rt->control, request, text);
    else
        (void)control_answer(rt->control, request, 1, failure ? failure : "memory is short");
}

static int make_buses(struct runtime *rt, struct error *err)
{
    for (int d = 0; d < DEVICES_MAX; d++)
        lease_init(&rt->leases[d]);
    for (int i = 0; i < rt->config->bench.bus_count; i++) {
        bool in_process = rt->options.peer != NULL;
        if (in_process && !rt->options.peer(rt->options.ctx, rt->config->bench.bus_names[i], &rt->peers[i]))
            return error_set(err, "bus %s has no peer", rt->config->bench.bus_names[i]);
        struct bus_stage_setup setup = {.config = rt->config,
                                        .bus = i,
                                        .clock = rt->clock,
                                        .log = rt->log,
                                        .leases = rt->leases,
                                        .to_engine = rt->bus_queues[i],
                                        .probed = probed,
                                        .probed_ctx = rt,
                                        .peer = in_process ? &rt->peers[i] : NULL};
        rt->buses[i] = bus_stage_new(&setup, err);
        if (!rt->buses[i])
            return -1;
    }
    return 0;
}

/* A store that cannot be set up (a password file that is missing) is told in the log and left out. */
static int make_stores(struct runtime *rt, struct error *err)
{
    for (int i = 0; i < rt->config->store_count; i++) {
        struct error why;
        if (open_eventfd(&rt->store_fds[i], err))
            return -1;
        rt->stores[i] = store_stage_new(rt->config, i, rt->file_orders, &why);
        if (!rt->stores[i])
            log_write(rt->log, LOG_LEVEL_ERROR, "store %s is left out: %s", rt->config->stores[i].name, why.text);
    }
    return 0;
}

static bool all_well(void *ctx)
{
    struct runtime *rt = ctx;
    return atomic_load(&rt->threads_alive) && !atomic_load(&rt->journal_state.failed) &&
           !atomic_load(&rt->journal_state.space_low);
}

static void journal_answer(void *ctx, uint64_t request, int code, const char *text)
{
    struct runtime *rt = ctx;
    if (rt->options.answer)
        rt->options.answer(rt->options.ctx, request, code, text);
    if (rt->control && control_answer(rt->control, request, code, text))
        log_write(rt->log, LOG_LEVEL_WARN, "control: an answer was lost, too many are waiting");
}

static int morning_sheet(void *ctx, char *line, size_t cap, FILE *to)
{
    struct runtime *rt = ctx;
    struct error err = {""};
    struct journal_reader *reader = journal_reader_open(rt->config->journal.path, &err);
    struct morning *m = reader ? morning_new(reader, 0, &err) : NULL;
    if (m) {
        morning_line(m, line, cap);
        morning_print(m, to);
    } else {
        log_write(rt->log, LOG_LEVEL_WARN, "notify: no morning sheet: %s", err.text);
    }
    int status = m ? 0 : -1;
    morning_free(m);
    journal_reader_close(reader);
    return status;
}

static int make_notify(struct runtime *rt, struct error *err)
{
    struct notify_setup setup = {.config = rt->config,
                                 .orders = rt->file_orders,
                                 .log = rt->log,
                                 .ctx = rt,
                                 .all_well = all_well,
                                 .sheet = morning_sheet,
                                 .answer = journal_answer};
    if (!rt->config->notify_count)
        return 0;
    atomic_store(&rt->notices, true); /* whatever an earlier session left */
    rt->notify = notify_stage_new(&setup, err);
    return rt->notify ? 0 : -1;
}

/* What is newly on disk may bring the engine on: a command may be waiting for its intent. */
static void journal_stored(void *ctx, bool notices)
{
    struct runtime *rt = ctx;
    wake_fd(rt->engine_fd);
    if (notices) {
        atomic_store(&rt->notices, true);
        wake_fd(rt->notify_fd);
    }
    for (int i = 0; i < rt->config->store_count; i++)
        wake_fd(rt->store_fds[i]);
}

static int journal_before_commit(void *ctx)
{
    struct runtime *rt = ctx;
    return rt->options.before_commit ? rt->options.before_commit(rt->options.ctx) : 0;
}

static void keeping_from(struct journal_keeping *k, const struct config *config)
{
    k->plain_ns = config->journal.plain_readings_ns;
    k->keep_ns = config->journal.keep_readings_ns;
    k->max_bytes = config->journal.max_bytes;
    k->store_count = config->store_count;
    for (int i = 0; i < config->store_count; i++)
        k->stores[i] = config->stores[i].name;
}

static int make_stages(struct runtime *rt, struct error *err)
{
    struct input_boot *boot = calloc(1, sizeof *boot);
    int status = -1;
    if (!boot)
        return error_set(err, "out of memory");
    if (session_begin(rt, boot, err))
        goto out;
    struct journal_stage_setup journal = {.journal = rt->journal,
                                          .bench = &rt->config->bench,
                                          .clock = rt->clock,
                                          .log = rt->log,
                                          .records = rt->records,
                                          .orders = rt->file_orders,
                                          .state = &rt->journal_state,
                                          .free_floor_bytes = rt->config->journal.free_floor_bytes,
                                          .ctx = rt,
                                          .answer = journal_answer,
                                          .stored = journal_stored,
                                          .before_commit = journal_before_commit};
    keeping_from(&journal.keeping, rt->config);
    rt->journal_stage = journal_stage_new(&journal, err);
    if (!rt->journal_stage)
        goto out;
    rt->series = heat_series_new(&rt->config->bench);
    rt->worker = worker_stage_new(rt->orders, rt->worker_fd);
    if (!rt->series || !rt->worker) {
        error_set(err, "out of memory");
        goto out;
    }
    struct engine_stage_setup engine = {.bench = &rt->config->bench,
                                        .clock = rt->clock,
                                        .log = rt->log,
                                        .ends = rt->ends,
                                        .orders = rt->orders,
                                        .to_journal = rt->records,
                                        .journal = &rt->journal_state,
                                        .hands = runtime_hands(rt)};
    for (int i = 0; i < rt->config->bench.bus_count; i++)
        engine.buses[i] = rt->bus_queues[i];
    rt->engine = engine_stage_new(&engine, boot);
    if (!rt->engine) {
        error_set(err, "out of memory");
        goto out;
    }
    status = 0;
out:
    free(boot);
    return status;
}

static int build(struct runtime *rt, struct error *err)
{
    /* The lock comes with the journal: nothing is touched while another daemon holds it. */
    rt->journal = journal_open(rt->config->journal.path, JOURNAL_CREATE, err);
    if (!rt->journal || make_clock(rt, err))
        return -1;
    rt->log = log_new(rt->clock, rt->options.log_fd, rt->options.log_level, rt->options.log_prefix);
    if (!rt->log)
        return error_set(err, "out of memory");
    if (make_queues(rt, err))
        return -1;
    rt->figures = line_figures_new(rt, err);
    if (!rt->figures)
        return -1;
    return make_buses(rt, err) || make_stages(rt, err) || make_stores(rt, err) || make_notify(rt, err) ? -1 : 0;
}

struct runtime *runtime_new(const struct config *config, const struct runtime_options *options, struct error *err)
{
    struct runtime *rt = calloc(1, sizeof *rt);
    if (!rt) {
        bench_clock_free(options->clock);
        error_set(err, "out of memory");
        return NULL;
    }
    rt->config = config;
    rt->options = *options;
    rt->engine_fd = rt->journal_fd = rt->stop_fd = rt->notify_fd = rt->worker_fd = -1;
    for (int i = 0; i < STORES_MAX; i++)
        rt->store_fds[i] = -1;
    if (build(rt, err)) {
        runtime_free(rt);
        return NULL;
    }
    return rt;
}

static void close_fd(int fd)
{
    if (fd >= 0)
        close(fd);
}

void runtime_free(struct runtime *rt)
{
    if (!rt)
        return;
    control_free(rt->control);
    for (int i = 0; i < STORES_MAX; i++) {
        store_stage_free(rt->stores[i]);
        close_fd(rt->store_fds[i]);
    }
    notify_stage_free(rt->notify);
    engine_stage_free(rt->engine);
    worker_stage_free(rt->worker);
    heat_series_free(rt->series);
    line_figures_free(rt->figures);
    for (int i = 0; i < BUSES_MAX; i++) {
        bus_stage_free(rt->buses[i]);
        queue_free(rt->bus_queues[i]);
    }
    journal_stage_free(rt->journal_stage);
    journal_close(rt->journal);
    queue_free(rt->ends);
    queue_free(rt->orders);
    queue_free(rt->records);
    queue_free(rt->file_orders);
    close_fd(rt->engine_fd);
    close_fd(rt->journal_fd);
    close_fd(rt->stop_fd);
    close_fd(rt->notify_fd);
    close_fd(rt->worker_fd);
    log_free(rt->log);
    bench_clock_free(rt->clock);
    free(rt);
}

/* ---- one thread, virtual clock ---- */

static int run_buses(struct runtime *rt)
{
    int runs = 0;
    for (int i = 0; i < rt->config->bench.bus_count; i++) {
        struct bus *bus = bus_stage_bus(rt->buses[i]);
        if (bus_next_due_ns(bus) > bench_clock_now_ns(rt->clock))
            continue;
        bus_run(bus);
        runs++;
    }
    return runs;
}

void runtime_step(struct runtime *rt)
{
    bool more = true;
    supervise_anchor(rt);
    line_figures_take(rt);
    while (more) {
        more = run_buses(rt) > 0;
        if (rt->options.before_engine)
            rt->options.before_engine(rt->options.ctx);
        more = engine_stage_run(rt->engine, 1000) > 0 || more;
        more = worker_stage_run(rt->worker) || more;
        more = journal_stage_run(rt->journal_stage) || more;
        more = engine_stage_run(rt->engine, 1000) > 0 || more;
    }
    log_drain(rt->log);
}

int64_t runtime_next_ns(struct runtime *rt)
{
    int64_t next_ns = engine_stage_next_ns(rt->engine);
    int64_t journal_ns = bench_clock_at_real_ns(rt->clock, journal_stage_next_real_ns(rt->journal_stage));
    if (journal_ns < next_ns)
        next_ns = journal_ns;
    for (int i = 0; i < rt->config->bench.bus_count; i++) {
        int64_t due_ns = bus_next_due_ns(bus_stage_bus(rt->buses[i]));
        if (due_ns < next_ns)
            next_ns = due_ns;
    }
    return next_ns;
}

bool bench_is_open(const struct bench_view *view)
{
    for (int c = 0; c < view->channel_count; c++) {
        const struct channel_view *channel = &view->channels[c];
        if (channel->mask_closed || channel->mask_commanded || channel->switching || channel->state == STATE_ON_LOAD)
            return false;
    }
    return true;
}

int runtime_finish(struct runtime *rt, struct error *err)
{
    int64_t until_ns = bench_clock_now_ns(rt->clock) + finish_within_ns;
    struct bench_view *view = calloc(1, sizeof *view);
    if (!view)
        return error_set(err, "out of memory");
    engine_stage_end_all(rt->engine);
    do {
        runtime_step(rt);
        engine_stage_publish(rt->engine);
        engine_stage_view(rt->engine, view);
        if (bench_is_open(view))
            break;
        bench_clock_advance(rt->clock, runtime_next_ns(rt));
    } while (bench_clock_now_ns(rt->clock) < until_ns);
    bool open = bench_is_open(view);
    free(view);
    for (int i = 0; i < rt->config->bench.bus_count; i++)
        bus_drop_now(bus_stage_bus(rt->buses[i]));
    runtime_step(rt);
    if (journal_stage_finish(rt->journal_stage, bench_clock_now_ns(rt->clock), err))
        return -1;
    return open ? 0 : error_set(err, "not every load was seen open");
}

void runtime_publish(struct runtime *rt)
{
    engine_stage_publish(rt->engine);
}

/* ---- any thread ---- */

int runtime_submit(struct runtime *rt, const struct input_operator *order)
{
    return queue_put(rt->orders, INPUT_OPERATOR, 0, order, sizeof *order);
}

void runtime_view(struct runtime *rt, struct bench_view *view)
{
    engine_stage_view(rt->engine, view);
}

int64_t runtime_next_run_no(struct runtime *rt)
{
    return journal_stage_next_run_no(rt->journal_stage);
}

struct bench_clock *runtime_clock(struct runtime *rt)
{
    return rt->clock;
}

uint64_t runtime_epoch(const struct runtime *rt)
{
    return rt->epoch;
}

bool runtime_is_up(const struct runtime *rt)
{
    return atomic_load(&rt->up);
}

void runtime_stop(struct runtime *rt)
{
    atomic_store(&rt->stop_asked, true);
    wake_fd(rt->stop_fd);
}
