/* A whole night of four units that nobody watches, in process on the virtual clock, with a fault an hour: what each
 * channel did, who was woken, and what the morning sheet says. What really happened is asked of the virtual bench,
 * which shares no code with the daemon. */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "command.h"
#include "harness.h"
#include "journal_read.h"
#include "morning.h"
#include "replay_check.h"
#include "suite_run.h"

static const char *const units[4] = {"config/examples/units/hq-0147.yaml", "config/examples/units/hq-0152.yaml",
                                     "config/examples/units/hq-0163.yaml", "config/examples/units/hq-0171.yaml"};
static const char *const names[4] = {"A", "B", "C", "D"};

/* The example is made for fast scaled time; in process the times of a real bench will do. */
static void real_limits(struct config *config)
{
    struct bench_limits *l = &config->bench.limits;
    config->bench.rate = 1;
    for (int i = 0; i < config->bench.device_count; i++) /* two deadlines of 500 ms, and the contactor's travel */
        config->bench.devices[i].worst_open_ns = H_SECOND + 200 * H_SECOND / 1000;
    l->beat_ns = H_SECOND / 2;
    l->lease_ns = 3 * H_SECOND;
    l->stale_ns[CLASS_SAFETY] = 4 * H_SECOND;
    l->stale_ns[CLASS_JUDGEMENT] = 15 * H_SECOND;
    l->stale_ns[CLASS_INFORMATIVE] = H_MINUTE;
    for (int i = 0; i < config->bench.signal_count; i++) {
        struct bench_signal *s = &config->bench.signals[i];
        s->stale_after_ns = l->stale_ns[s->cls];
    }
}

static void replace(char *text, const char *from, const char *to)
{
    char *at = strstr(text, from);
    ck_assert_msg(at != NULL, "\"%s\" is not in the scenario", from);
    ck_assert_uint_eq(strlen(from), strlen(to));
    memcpy(at, to, strlen(to));
}

/* The workshop, with a breaker and a lead that last, and a night's events behind it. The caller frees it. */
static char *scenario_with(const char *events)
{
    char path[PATH_CAP];
    char *text = calloc(1, 65536);
    ck_assert_ptr_nonnull(text);
    FILE *f = fopen(harness_source_path(path, "config/examples/harrow-quay-scenario.yaml"), "r");
    ck_assert_ptr_nonnull(f);
    size_t used = fread(text, 1, 60000, f);
    fclose(f);
    replace(text, "rated_a: 20", "rated_a: 63");
    replace(text, "k_per_w: 3.1", "k_per_w: 0.1");
    snprintf(text + used, 65536 - used, "%s", events);
    return text;
}

static struct harness *bench_with(const char *events)
{
    char *scenario = scenario_with(events);
    struct harness_setup setup = {.bench = "config/examples/harrow-quay", .scenario = scenario, .edit = real_limits};
    struct harness *h = harness_new(&setup);
    free(scenario);
    return h;
}

static struct input_operator night_order(struct harness *h, int channel)
{
    struct input_operator order = harness_start_order(h, names[channel], units[channel], 0, PROCEDURE_SOAK);
    struct run_request *q = &order.run;
    q->soak_ns = 8 * H_HOUR;
    q->soak_cap_ns = 12 * H_HOUR;
    q->go_on_after_cutout = true;
    q->unattended = true;
    q->night = harness_night(h);
    text_copy(q->accepts, sizeof q->accepts, "time-to-open circuit start bank");
    return order;
}

static void start_all(struct harness *h, int64_t runs[4])
{
    harness_prove_watchdogs(h);
    for (int i = 0; i < 4; i++)
        harness_rig(h, names[i]);
    for (int i = 0; i < 4; i++) {
        struct input_operator order = night_order(h, i);
        runs[i] = harness_start(h, &order);
    }
}

struct notices {
    int now, later;
    char texts[32][TEXT_CAP];
};

static int count_notice(void *ctx, const struct journal_notice *n)
{
    struct notices *all = ctx;
    if (n->urgency != NOTIFY_NOW) {
        all->later++;
        return 0;
    }
    ck_assert_int_lt(all->now, 32);
    text_copy(all->texts[all->now++], TEXT_CAP, n->text);
    return 0;
}

/* What the record holds for people, once everything so far is on disk. */
static void read_notices(struct harness *h, struct notices *all)
{
    struct error err = {""};
    harness_run_for(h, 5 * H_SECOND);
    *all = (struct notices){0};
    struct journal_reader *r = journal_reader_open(h->journal_path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    ck_assert_int_eq(journal_reader_notices(r, false, count_notice, all, &err), 0);
    journal_reader_close(r);
}

static void check_verdict(struct harness *h, int64_t run, enum verdict_kind kind, enum shutoff_cause cause)
{
    struct verdict v;
    ck_assert_msg(harness_verdict(h, run, &v), "run %d has no verdict", (int)run);
    ck_assert_msg(v.kind == kind && v.cause == cause, "run %d is %s by %s: %s", (int)run, verdict_kind_name(v.kind),
                  shutoff_cause_name(v.cause), v.reason);
}

static char *sheet_text(struct harness *h)
{
    struct error err = {""};
    char *text = NULL;
    size_t size = 0;
    struct journal_reader *r = journal_reader_open(h->journal_path, &err);
    struct morning *m = r ? morning_new(r, 0, &err) : NULL;
    ck_assert_msg(m != NULL, "%s", err.text);
    FILE *to = open_memstream(&text, &size);
    morning_print(m, to);
    fclose(to);
    json_t *object = morning_to_json(m);
    ck_assert_ptr_nonnull(object);
    ck_assert_uint_eq(json_array_size(json_object_get(object, "runs")), 4);
    json_decref(object);
    morning_free(m);
    journal_reader_close(r);
    return text;
}

static unsigned closed(struct harness *h, int channel)
{
    struct vbench_channel_state state;
    vbench_advance(h->vb, bench_clock_now_ns(h->clock));
    ck_assert(vbench_channel(h->vb, channel, &state));
    return state.closed_mask;
}

/* Nothing closed on the real bench, and the fans still run. */
static void all_open_and_cooling(struct harness *h)
{
    for (int i = 0; i < 4; i++)
        ck_assert_uint_eq(closed(h, i), 0);
    ck_assert_double_gt(vbench_probe(h->vb, "bank.fan"), 0.5);
}

static const char faults[] =
    "events:\n"
    "  - {at_s: 3600, do: fault, kind: silence, device: supply1, for_s: 5}\n" /* judgement signals, borne */
    "  - {at_s: 7200, do: supply-voltage, circuit: c1, voltage_v: 207}\n"     /* 10 % low: cycles void */
    "  - {at_s: 8400, do: supply-voltage, circuit: c1, voltage_v: 230}\n"
    "  - {at_s: 10800, do: lead-open, channel: D}\n"
    "  - {at_s: 14400, do: fault, kind: frozen, device: scanner1, for_s: 120}\n" /* informative, borne */
    "  - {at_s: 18000, do: outage, circuit: c3}\n"
    "  - {at_s: 21600, do: fault, kind: noise, device: bank, for_s: 1}\n" /* one bad second of the load's line */
    "  - {at_s: 25200, do: smoke, device: bank}\n";

START_TEST(a_fault_an_hour)
{
    int64_t runs[4];
    struct notices all;
    struct harness *h = bench_with(faults);
    start_all(h, runs);
    harness_run_for(h, H_MINUTE);
    ck_assert_double_eq(vbench_probe(h->vb, "bank.beacon"), 1);
    harness_run_for(h, 2 * H_HOUR - harness_elapsed_ns(h));
    for (int i = 0; i < 4; i++)
        ck_assert_msg(harness_count_events(h, EVENT_INTERLOCK, names[i], -1) == 0, "%s locked", names[i]);
    /* The third hour: a supply 10 % low voids cycles and opens nothing. */
    harness_run_for(h, 3 * H_HOUR - harness_elapsed_ns(h));
    ck_assert_int_eq(harness_count_events(h, EVENT_INTERLOCK, "A", -1), 0);
    struct event cycle;
    ck_assert(harness_find_event(h, EVENT_CYCLE, "A", &cycle));
    /* Then a lead that opens, and a supply that is gone: neither is the unit's doing, nobody is woken. */
    harness_run_for(h, 6 * H_HOUR - harness_elapsed_ns(h));
    check_verdict(h, runs[3], VERDICT_UNDECIDED, CAUSE_LOAD_PATH_OPEN);
    check_verdict(h, runs[2], VERDICT_UNDECIDED, CAUSE_SUPPLY_LOST);
    check_verdict(h, runs[1], VERDICT_NOT_MET, CAUSE_THERMAL_CUTOUT);
    ck_assert_int_le(harness_count_events(h, EVENT_SHUTOFF, "B", -1), 3); /* cut-outs a night are capped */
    read_notices(h, &all);
    ck_assert_msg(all.now == 0, "woken for: %s", all.texts[0]);
    ck_assert_int_ge(all.later, 3);
    /* Smoke takes whatever is on, at once, and wakes. */
    harness_run_for(h, 7 * H_HOUR - H_SECOND - harness_elapsed_ns(h));
    ck_assert(!harness_in_state(h, "A", STATE_LOCKED));
    harness_run_for(h, 3 * H_SECOND);
    ck_assert(harness_in_state(h, "A", STATE_LOCKED));
    all_open_and_cooling(h);
    check_verdict(h, runs[0], VERDICT_UNDECIDED, CAUSE_BENCH_INTERLOCK);
    read_notices(h, &all);
    ck_assert_int_eq(all.now, 1);
    ck_assert_ptr_nonnull(strstr(all.texts[0], "smoke"));
    /* The fans run on, the light goes out, nothing closes by itself for the rest of the night. */
    harness_run_for(h, 10 * H_HOUR - harness_elapsed_ns(h));
    for (int i = 0; i < 4; i++)
        ck_assert_uint_eq(closed(h, i), 0);
    ck_assert_double_eq(vbench_probe(h->vb, "bank.beacon"), 0);
    for (int i = 0; i < 4; i++)
        replay_check(h, runs[i], 0);
    char *sheet = sheet_text(h);
    static const char *const words[] = {"0 held, 1 shut off, 3 without a result, 1 channel locked",
                                        "HQ-0152",
                                        "thermal-cutout",
                                        "reset after",
                                        "load-path-open",
                                        "supply-lost",
                                        "Look for fire first",
                                        "smoke",
                                        "Head of the record: "};
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
        ck_assert_msg(strstr(sheet, words[i]) != NULL, "no \"%s\" in:\n%s", words[i], sheet);
    free(sheet);
    harness_free(h);
}
END_TEST

static bool b_is_locked(struct harness *h, void *ctx)
{
    (void)ctx;
    return harness_in_state(h, "B", STATE_LOCKED);
}

/* A contactor welds while its channel is on an always-live unit: the second means trips that unit's supply, somebody is
 * woken once for the matter, and every other channel of the controller opens. */
START_TEST(a_welded_contactor_trips_the_supply_and_wakes)
{
    int64_t runs[4];
    struct notices all;
    struct vbench_channel_state state;
    struct harness *h = bench_with("events:\n  - {at_s: 600, do: weld, channel: B, step: 0}\n"
                                   "  - {at_s: 600, do: weld, channel: B, step: 1}\n"
                                   "  - {at_s: 600, do: weld, channel: B, step: 2}\n"
                                   "  - {at_s: 600, do: weld, channel: B, step: 3}\n");
    start_all(h, runs);
    ck_assert(harness_run_until(h, b_is_locked, NULL, H_HOUR));
    harness_run_for(h, 20 * H_SECOND);
    ck_assert(harness_in_state(h, "B", STATE_LOCKED));
    ck_assert(vbench_channel(h->vb, 1, &state));
    ck_assert(state.supply_open);
    ck_assert_double_lt(state.i2_a, 1); /* welded, and no current all the same */
    ck_assert_uint_ne(state.closed_mask, 0);
    ck_assert_int_eq(harness_count_events(h, EVENT_SUPPLY_TRIP, "B", -1), 1);
    ck_assert_double_gt(vbench_probe(h->vb, "bank.fan"), 0.5); /* it may still be hot */
    read_notices(h, &all);
    ck_assert_int_ge(all.now, 1);
    ck_assert_int_le(all.now, 6);
    check_verdict(h, runs[1], VERDICT_UNDECIDED, CAUSE_BENCH_INTERLOCK);
    for (int i = 0; i < 4; i++)
        if (i != 1)
            ck_assert_uint_eq(closed(h, i), 0);
    /* It cannot be reset while the steps are closed. */
    char words[TEXT_CAP];
    struct input_operator reset = {.verb = VERB_RESET, .channel = 1, .device = -1};
    text_copy(reset.text, sizeof reset.text, "looked at it");
    ck_assert_int_eq(harness_order(h, &reset, words), 1);
    harness_free(h);
}
END_TEST

/* Fans that stop open the load; they are asked to run on after every opening, until the run-on time is over. */
START_TEST(fans_run_on_after_an_opening)
{
    struct harness *h = bench_with("");
    int64_t runs[4];
    start_all(h, runs);
    harness_run_for(h, 3 * H_MINUTE);
    struct input_operator end = {.verb = VERB_END, .channel = -1, .device = -1};
    harness_order(h, &end, NULL);
    harness_run_for(h, 30 * H_SECOND);
    all_open_and_cooling(h);
    int64_t run_on_ns = h->config->bench.limits.fan_run_on_ns;
    ck_assert_int_ge(run_on_ns, H_MINUTE);
    harness_run_for(h, run_on_ns - H_MINUTE);
    ck_assert_double_gt(vbench_probe(h->vb, "bank.fan"), 0.5);
    harness_run_for(h, 5 * H_MINUTE);
    ck_assert_double_lt(vbench_probe(h->vb, "bank.fan"), 0.5);
    ck_assert_double_eq(vbench_probe(h->vb, "bank.beacon"), 0);
    harness_free(h);
}
END_TEST

/* What a night needs, taken away one by one: each is refused by name, all at once where all are missing. */
START_TEST(a_night_without_its_means_is_refused)
{
    static const struct {
        const char *line;
        struct run_night night;
        int64_t age_s;
    } rows[] = {{"unattended", {.ups = true, .beacon = true, .outside = true}, 0},
                {"standby-supply", {.allowed = true, .beacon = true, .outside = true}, 0},
                {"beacon", {.allowed = true, .ups = true, .outside = true}, 0},
                {"outside", {.allowed = true, .ups = true, .beacon = true}, 0},
                {"notification", {.allowed = true, .ups = true, .beacon = true, .outside = true}, 13 * 3600}};
    char words[TEXT_CAP];
    struct harness *h = bench_with("");
    harness_prove_watchdogs(h);
    harness_rig(h, "A");
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct input_operator order = night_order(h, 0);
        int64_t at_s = order.run.night.acknowledged_utc_s - rows[i].age_s;
        order.run.night = rows[i].night;
        order.run.night.acknowledged_utc_s = at_s;
        order.run.run_no = runtime_next_run_no(h->rt);
        ck_assert_int_eq(harness_order(h, &order, words), 1);
        ck_assert_msg(strncmp(words, rows[i].line, strlen(rows[i].line)) == 0, "%s, not %s", words, rows[i].line);
    }
    /* From a page: the key has to be on, in the step that starts. */
    harness_happen(h, "{do: key-off, device: bank}");
    harness_run_for(h, 5 * H_SECOND);
    struct input_operator page = harness_start_order(h, "A", units[0], 0, PROCEDURE_PROOF);
    page.run.cycles = 1;
    page.run.from_page = true;
    text_copy(page.run.accepts, sizeof page.run.accepts, "time-to-open circuit start bank key-switch");
    page.run.run_no = runtime_next_run_no(h->rt);
    ck_assert_int_eq(harness_order(h, &page, words), 1);
    ck_assert_msg(strstr(words, "key-switch") != NULL, "%s", words);
    harness_happen(h, "{do: key-on, device: bank}");
    harness_run_for(h, 5 * H_SECOND);
    ck_assert_msg(harness_order(h, &page, words) != 1, "%s", words);
    harness_run_for(h, 20 * H_SECOND);
    ck_assert_double_eq(vbench_probe(h->vb, "bank.beacon"), 1);
    harness_free(h);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("night faults");
    TCase *t = tcase_create("night faults");
    tcase_set_timeout(t, 110);
    tcase_add_test(t, a_fault_an_hour);
    tcase_add_test(t, a_welded_contactor_trips_the_supply_and_wakes);
    tcase_add_test(t, fans_run_on_after_an_opening);
    tcase_add_test(t, a_night_without_its_means_is_refused);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
