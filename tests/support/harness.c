#define _GNU_SOURCE /* mkdtemp */
#include "harness.h"

#include <check.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "broom.h"
#include "unit_file.h"

static int nowhere_fd(void)
{
    int fd = open("/dev/null", O_WRONLY | O_CLOEXEC);
    ck_assert_int_ge(fd, 0);
    return fd;
}

const char *harness_source_path(char to[PATH_CAP], const char *below)
{
    text_format(to, PATH_CAP, "%s/%s", SOURCE_DIR, below);
    return to;
}

/* ---- the virtual bench behind the buses ---- */

struct harness_port {
    struct harness *h;
    int bus;
};

static struct harness *port_ready(void *ctx, int *bus)
{
    struct harness_port *p = ctx;
    vbench_advance(p->h->vb, bench_clock_now_ns(p->h->clock));
    *bus = p->bus;
    return p->h;
}

/* In an answer to "read input registers" (function 4) the register reads 0x7fff, which the maps call "no value". */
static void take_value_away(int first, const uint8_t *pdu, size_t pdu_size, uint8_t *answer, size_t answer_size)
{
    if (pdu_size < 5 || pdu[0] != 4 || answer_size < 2 || answer[0] != 4)
        return;
    int at = first - (pdu[1] << 8 | pdu[2]);
    if (at < 0 || (size_t)(2 + 2 * at + 2) > answer_size)
        return;
    answer[2 + 2 * at] = 0x7f;
    answer[3 + 2 * at] = 0xff;
}

static int port_exchange(void *ctx, int server, const uint8_t *pdu, size_t pdu_size, uint8_t *answer, size_t cap,
                         size_t *answer_size, int64_t *took_ns)
{
    int bus;
    struct harness *h = port_ready(ctx, &bus);
    *took_ns = 0;
    if (h->bus_gone[bus])
        return PEER_GONE;
    if (h->bus_silent[bus])
        return PEER_SILENT;
    int status = vbench_port_exchange(&h->ports[bus], server, pdu, pdu_size, answer, cap, answer_size, took_ns);
    if (status == 0 && h->no_value.on && h->no_value.bus == bus && h->no_value.server == server)
        take_value_away(h->no_value.first, pdu, pdu_size, answer, *answer_size);
    return status;
}

static int port_talk(void *ctx, const char *line, char *reply, size_t cap, int64_t *took_ns)
{
    int bus;
    struct harness *h = port_ready(ctx, &bus);
    *took_ns = 0;
    if (h->bus_gone[bus])
        return PEER_GONE;
    if (h->bus_silent[bus])
        return PEER_SILENT;
    return vbench_port_text(&h->ports[bus], line, reply, cap, took_ns);
}

static int port_listen(void *ctx, char *line, size_t cap, int64_t *said_ns)
{
    int bus;
    struct harness *h = port_ready(ctx, &bus);
    if (h->bus_gone[bus])
        return PEER_GONE;
    return h->bus_silent[bus] ? 0 : vbench_port_listen(&h->ports[bus], line, cap, said_ns);
}

struct harness_whole {
    struct harness h; /* first: what tests see */
    struct harness_port peers[BUSES_MAX];
    struct bench_view view;
    int nowhere, log_fd, real_share;
    struct broom *broom; /* of the folder of its own */
};

static struct harness_whole *whole(struct harness *h)
{
    return (struct harness_whole *)h;
}

static bool find_peer(void *ctx, const char *bus, struct peer *peer)
{
    struct harness *h = ctx;
    for (int i = 0; i < h->config->bench.bus_count; i++) {
        if (strcmp(h->config->bench.bus_names[i], bus) != 0)
            continue;
        whole(h)->peers[i] = (struct harness_port){h, i};
        h->ports[i].vb = h->vb;
        text_copy(h->ports[i].bus, sizeof h->ports[i].bus, bus);
        bool text = h->config->buses[i].kind == BUS_TEXT_SERIAL || h->config->buses[i].kind == BUS_TEXT_TCP;
        *peer = (struct peer){.exchange = text ? NULL : port_exchange,
                              .talk = text ? port_talk : NULL,
                              .listen = text ? port_listen : NULL,
                              .ctx = &whole(h)->peers[i]};
        return true;
    }
    return false;
}

static void take_answer(void *ctx, uint64_t request, int code, const char *text)
{
    struct harness *h = ctx;
    ck_assert_int_lt(h->answer_count, 512);
    h->answers[h->answer_count].request = request;
    h->answers[h->answer_count].code = code;
    text_copy(h->answers[h->answer_count++].text, TEXT_CAP, text);
}

static int before_commit(void *ctx)
{
    struct harness *h = ctx;
    return h->disk_fails;
}

/* ---- set up, take down ---- */

static void load_config(struct harness *h, const char *path)
{
    struct problems problems = {0};
    char text[1024] = "";
    if (config_load(path, &h->config, &problems) && problems.count)
        problem_print(text, sizeof text, &problems.items[0]);
    ck_assert_msg(h->config != NULL, "%s", text);
    problems_free(&problems);
}

/* The examples are made for time that runs fast beside a busy computer; in process nothing is ever late, and limits of
 * a bench whose time is the clock's on the wall will do. */
static void patient_limits_off(struct config *config)
{
    struct bench *bench = &config->bench;
    bench->limits.beat_ns = 2 * H_SECOND;
    bench->limits.lease_ns = 8 * H_SECOND;
    bench->limits.stale_ns[CLASS_SAFETY] = 10 * H_SECOND;
    bench->limits.stale_ns[CLASS_JUDGEMENT] = H_MINUTE;
    bench->limits.stale_ns[CLASS_INFORMATIVE] = 5 * H_MINUTE;
    for (int i = 0; i < bench->signal_count; i++)
        bench->signals[i].stale_after_ns = bench->limits.stale_ns[bench->signals[i].cls];
    for (int i = 0; i < bench->device_count; i++)
        if (bench->devices[i].has_watchdog)
            bench->devices[i].watchdog_ns = 10 * H_SECOND;
}

static void make_journal_path(struct harness *h, const char *given)
{
    if (given) {
        text_copy(h->journal_path, sizeof h->journal_path, given);
        return;
    }
    /* Memory, where there is such a thing: a commit is then a matter of microseconds. */
    const char *base = access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp";
    text_format(h->folder, sizeof h->folder, "%s/soakbench-test-XXXXXX", base);
    ck_assert_ptr_nonnull(mkdtemp(h->folder));
    whole(h)->broom = broom_new(h->folder);
    text_format(h->journal_path, sizeof h->journal_path, "%s/journal.db", h->folder);
}

static void give_facts(void *ctx, struct run_night *night, struct run_stores *stores)
{
    const struct harness *h = ctx;
    *night = harness_night(h);
    *stores = h->stores;
}

/* A daemon on a clock that stands at now_ns (0: at its beginning). */
static void start_daemon(struct harness_whole *w, int64_t now_ns)
{
    struct harness *h = &w->h;
    struct error err = {""};
    h->clock = bench_clock_new_virtual(h->start_utc_ns, w->real_share);
    ck_assert_ptr_nonnull(h->clock);
    bench_clock_advance(h->clock, now_ns);
    struct runtime_options options = {.log_level = LOG_LEVEL_DEBUG,
                                      .log_fd = w->log_fd,
                                      .no_control = true,
                                      .stop_fd = -1,
                                      .clock = h->clock,
                                      .peer = find_peer,
                                      .answer = take_answer,
                                      .facts = give_facts,
                                      .before_commit = before_commit,
                                      .ctx = h};
    h->rt = runtime_new(h->config, &options, &err);
    ck_assert_msg(h->rt != NULL, "%s", err.text);
}

void harness_crash_and_restart(struct harness *h, int64_t down_ns)
{
    int64_t now_ns = bench_clock_now_ns(h->clock) + down_ns;
    runtime_free(h->rt);
    h->rt = NULL;
    vbench_advance(h->vb, now_ns);
    start_daemon(whole(h), now_ns);
}

struct harness *harness_new(const struct harness_setup *setup)
{
    struct harness_whole *w = calloc(1, sizeof *w);
    ck_assert_ptr_nonnull(w);
    struct harness *h = &w->h;
    struct vbench_error vb_err = {""};
    char path[PATH_CAP], scenario[PATH_CAP];
    text_format(path, sizeof path, SOURCE_DIR "/%s.yaml", setup->bench);
    text_format(scenario, sizeof scenario, SOURCE_DIR "/%s-scenario.yaml", setup->bench);
    load_config(h, path);
    make_journal_path(h, setup->journal_path);
    text_copy(h->config->journal.path, sizeof h->config->journal.path, h->journal_path);
    h->config->store_count = h->config->notify_count = 0;
    patient_limits_off(h->config);
    if (setup->edit)
        setup->edit(h->config);
    if (setup->edit_for)
        setup->edit_for(h->config, setup->edit_ctx);
    h->vb = vbench_new(setup->scenario ? setup->scenario : scenario, &vb_err);
    ck_assert_msg(h->vb != NULL, "%s", vb_err.text);
    vbench_set_rate(h->vb, h->config->bench.rate);
    h->start_utc_ns = h->config->has_epoch ? h->config->epoch_utc_ns : vbench_epoch_s(h->vb) * H_SECOND;
    w->nowhere = nowhere_fd();
    w->log_fd = setup->log_fd ? setup->log_fd : w->nowhere;
    w->real_share = setup->real_share ? setup->real_share : 1;
    start_daemon(w, 0);
    h->start_ns = bench_clock_now_ns(h->clock);
    vbench_start(h->vb, h->start_ns);
    return h;
}

void harness_free(struct harness *h)
{
    if (!h)
        return;
    runtime_free(h->rt);
    vbench_free(h->vb);
    config_free(h->config);
    close(whole(h)->nowhere);
    broom_free(whole(h)->broom);
    free(whole(h));
}

void harness_finish(struct harness *h)
{
    struct error err = {""};
    ck_assert_msg(runtime_finish(h->rt, &err) == 0, "%s", err.text);
}

/* ---- time ---- */

int64_t harness_elapsed_ns(const struct harness *h)
{
    return bench_clock_now_ns(h->clock) - h->start_ns;
}

static bool never(struct harness *h, void *ctx)
{
    (void)h;
    (void)ctx;
    return false;
}

bool harness_run_until(struct harness *h, bool (*holds)(struct harness *h, void *ctx), void *ctx, int64_t ns)
{
    int64_t end_ns = bench_clock_now_ns(h->clock) + ns;
    for (;;) {
        runtime_step(h->rt);
        if (holds(h, ctx))
            return true;
        int64_t next_ns = runtime_next_ns(h->rt);
        if (next_ns > end_ns)
            break;
        /* Nothing is ever due at the same moment twice without getting on. */
        if (next_ns <= bench_clock_now_ns(h->clock))
            next_ns = bench_clock_now_ns(h->clock) + 1;
        bench_clock_advance(h->clock, next_ns);
    }
    bench_clock_advance(h->clock, end_ns);
    runtime_step(h->rt);
    return holds(h, ctx);
}

void harness_run_for(struct harness *h, int64_t ns)
{
    harness_run_until(h, never, NULL, ns);
}

/* ---- orders ---- */

struct awaited {
    uint64_t request;
    int code; /* smallest that will do */
    int found;
};

static bool is_answered(struct harness *h, void *ctx)
{
    struct awaited *a = ctx;
    for (int i = 0; i < h->answer_count; i++)
        if (h->answers[i].request == a->request && h->answers[i].code >= a->code) {
            a->found = i;
            return true;
        }
    return false;
}

int harness_order(struct harness *h, struct input_operator *order, char *text)
{
    order->request = ++h->requests;
    if (!order->who[0])
        text_copy(order->who, sizeof order->who, "bench hand");
    ck_assert_int_eq(runtime_submit(h->rt, order), 0);
    struct awaited a = {.request = order->request};
    if (!harness_run_until(h, is_answered, &a, 10 * H_SECOND))
        return -1;
    if (text)
        text_copy(text, TEXT_CAP, h->answers[a.found].text);
    return h->answers[a.found].code;
}

void harness_order_done(struct harness *h, struct input_operator *order, int64_t ns, char *text)
{
    char words[TEXT_CAP] = "no answer";
    int code = harness_order(h, order, words);
    ck_assert_msg(code != 1 && code >= 0, "%s: %s", operator_verb_name(order->verb), words);
    struct awaited a = {.request = order->request, .code = 2};
    ck_assert_msg(harness_run_until(h, is_answered, &a, ns), "%s: never done", operator_verb_name(order->verb));
    if (text)
        text_copy(text, TEXT_CAP, h->answers[a.found].text);
}

static int channel_of(struct harness *h, const char *channel)
{
    int c = bench_channel_find(&h->config->bench, channel);
    ck_assert_int_ge(c, 0);
    return c;
}

static void order_accepted(struct harness *h, struct input_operator *order)
{
    char words[TEXT_CAP] = "no answer";
    int code = harness_order(h, order, words);
    ck_assert_msg(code == 0 || code == 2, "%s: %s", operator_verb_name(order->verb), words);
}

void harness_rig(struct harness *h, const char *channel)
{
    struct input_operator rig = {.verb = VERB_RIG, .channel = channel_of(h, channel), .device = -1};
    struct input_operator rigged = {.verb = VERB_RIGGED, .channel = channel_of(h, channel), .device = -1};
    order_accepted(h, &rig);
    order_accepted(h, &rigged);
}

void harness_happen(struct harness *h, const char *event)
{
    struct vbench_error err = {""};
    vbench_advance(h->vb, bench_clock_now_ns(h->clock));
    ck_assert_msg(vbench_do(h->vb, event, &err) == 0, "%s", err.text);
}

static void isolate_all(struct harness *h, const char *what)
{
    char event[128];
    for (int c = 0; c < h->config->bench.channel_count; c++) {
        text_format(event, sizeof event, "{do: %s, channel: %s}", what, h->config->bench.channels[c].name);
        harness_happen(h, event);
    }
    harness_run_for(h, 5 * H_SECOND);
}

void harness_prove_watchdogs(struct harness *h)
{
    harness_run_for(h, 10 * H_SECOND); /* everything connected and read */
    isolate_all(h, "isolate");
    for (int d = 0; d < h->config->bench.device_count; d++) {
        const struct bench_device *device = &h->config->bench.devices[d];
        if (!device->is_load || !device->has_watchdog)
            continue;
        struct input_operator prove = {.verb = VERB_PROVE_WATCHDOG, .channel = -1, .device = d};
        harness_order_done(h, &prove, device->watchdog_ns + 2 * H_MINUTE, NULL);
    }
    isolate_all(h, "connect");
}

struct harness *harness_proved(const struct harness_setup *setup)
{
    struct harness *h = harness_new(setup);
    harness_prove_watchdogs(h);
    return h;
}

struct vbench_channel_state harness_truth(struct harness *h, int channel)
{
    struct vbench_channel_state state;
    ck_assert(vbench_channel(h->vb, channel, &state));
    return state;
}

struct input_operator harness_start_order(struct harness *h, const char *channel, const char *unit_file, int point,
                                          enum procedure procedure)
{
    struct problems problems = {0};
    struct unit_plate *plate = calloc(1, sizeof *plate);
    char path[PATH_CAP];
    struct input_operator order = {.verb = VERB_START, .channel = channel_of(h, channel), .device = -1};
    struct run_request *run = &order.run;
    ck_assert_ptr_nonnull(plate);
    ck_assert_int_eq(unit_file_load(harness_source_path(path, unit_file), plate, &problems), 0);
    ck_assert_int_lt(point, plate->rating_count);
    *run = (struct run_request){.plate_version = 1,
                                .protection = plate->protection,
                                .s_marked = plate->s_marked,
                                .point = plate->ratings[point],
                                .procedure = procedure,
                                .control_at_maximum = true,
                                .setup_confirmed = true,
                                .safety_test_utc_s = bench_clock_utc_ns(h->clock) / H_SECOND,
                                .start = START_COLD,
                                .target_resistance_ohm = NAN,
                                .baseline_u0_v = NAN};
    text_copy(run->serial, sizeof run->serial, plate->serial);
    text_copy(run->who, sizeof run->who, "bench hand");
    /* The example's times are those of a bench that runs sixty times as fast as the sockets' limits. */
    text_copy(run->accepts, sizeof run->accepts, "time-to-open");
    free(plate);
    problems_free(&problems);
    return order;
}

int64_t harness_start(struct harness *h, struct input_operator *order)
{
    order->run.run_no = runtime_next_run_no(h->rt);
    ck_assert_int_gt(order->run.run_no, 0);
    order_accepted(h, order);
    return order->run.run_no;
}

/* ---- what is seen ---- */

struct run_night harness_night(const struct harness *h)
{
    return (struct run_night){.allowed = true,
                              .ups = true,
                              .beacon = true,
                              .outside = true,
                              .acknowledged_utc_s = bench_clock_utc_ns(h->clock) / H_SECOND};
}

struct harness *harness_soaking(const struct harness_setup *setup, int64_t ns)
{
    struct harness *h = harness_new(setup);
    harness_prove_watchdogs(h);
    harness_rig(h, "A");
    struct input_operator a = harness_start_order(h, "A", "config/examples/units/hq-0147.yaml", 0, PROCEDURE_SOAK);
    a.run.soak_ns = H_HOUR;
    harness_start(h, &a);
    harness_run_for(h, ns);
    ck_assert(harness_in_state(h, "A", STATE_ON_LOAD));
    return h;
}

const struct bench_view *harness_view(struct harness *h)
{
    runtime_publish(h->rt);
    runtime_view(h->rt, &whole(h)->view);
    return &whole(h)->view;
}

const struct channel_view *harness_channel(struct harness *h, const char *channel)
{
    return &harness_view(h)->channels[channel_of(h, channel)];
}

bool harness_in_state(struct harness *h, const char *channel, enum channel_state state)
{
    return harness_channel(h, channel)->state == state;
}

struct done_on {
    const char *channel;
    int64_t looked_ns; /* a view is large: one a second will do */
};

static bool is_done(struct harness *h, void *ctx)
{
    struct done_on *d = ctx;
    if (bench_clock_now_ns(h->clock) - d->looked_ns < H_SECOND)
        return false;
    d->looked_ns = bench_clock_now_ns(h->clock);
    enum channel_state state = harness_channel(h, d->channel)->state;
    return state == STATE_DONE || state == STATE_FREE || state == STATE_LOCKED;
}

void harness_run_until_done(struct harness *h, const char *channel, int64_t ns)
{
    struct done_on d = {.channel = channel};
    ck_assert_msg(harness_run_until(h, is_done, &d, ns), "channel %s is still %s: %s", channel,
                  channel_state_name(harness_channel(h, channel)->state), harness_channel(h, channel)->doing);
}
