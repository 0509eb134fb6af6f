/* Fast captures and latched peaks through the whole chain: a burnt lead that the unit hides behind its arc-loss cut,
 * and a short behind its anti-stick, told with and without samples around the shutoff; buffers that are frozen, torn,
 * short, silent, or whose meter restarted. What happened is the virtual bench's own word; what the order of events
 * means is bench practice, common practice, no published source. */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "harness.h"
#include "replay_check.h"
#include "run_export.h"
#include "suite_run.h"

/* Where samples come from. */
enum source { NOTHING, BY_MODBUS, BY_WORDS };

static const char scenario[] =
    "scenario: capture-bench\nseed: 20260105\nepoch_s: 1767600000\nrate: 1\nroom: {t_degc: 22}\n"
    "circuits:\n  - {name: c1, voltage_v: 230, loop_ohm: 0.25, breaker: {rated_a: 32, curve: C}}\n"
    "units:\n  - serial: HQ-0147\n    control: trigger\n    set_a: 161\n    ref_v: 16.4\n    slope_a_per_v: 0.1\n"
    "    no_load_v: 72\n    losses: {idle_w: 20, on_w: 60, per_a_w: 1.5, per_a2_w: 0.012}\n"
    "    thermal: {c_a: 2140, c_b: 4290, g_ab: 14.3, g_fan: 6.43, g_still: 1.5, share_a: 0.7}\n%s"
    "channels:\n  - name: A\n    unit: HQ-0147\n    circuit: c1\n    lead: {ohm: 0.0039}\n"
    "    steps: [{ohm: 0.16, power_w: 12000}, {ohm: 0.32, power_w: 6000}, {ohm: 0.64, power_w: 3000},\n"
    "            {ohm: 1.28, power_w: 1500}, {ohm: 2.56, power_w: 750}]\n"
    "buses:\n  - {name: rack, kind: modbus-tcp}\n  - {name: supply, kind: modbus-tcp}\n"
    "  - {name: line, kind: modbus-rtu, baud: 19200}\n  - {name: words, kind: text-tcp}\n"
    "devices:\n"
    "  - {name: bank, bus: rack, server: 1, kind: stepped-bank, channels: [A], watchdog: {after_s: 10},\n"
    "     meters: {refresh_s: 0.2, averaging_s: 0.2, noise_of_reading: 0.0005, resolution: 0.01}}\n"
    "  - {name: supply1, bus: supply, server: 1, kind: supply-meter, of: c1,\n"
    "     meters: {refresh_s: 0.5, averaging_s: 0.5, noise_of_reading: 0.001}}\n"
    "  - {name: fast, bus: line, server: 4, kind: fast-meter, of: A, meters: {refresh_s: 0.1, noise: 0.02}, answer_s: "
    "%g}\n"
    "  - {name: recorder, bus: words, kind: scpi-recorder, of: A, buffer: {before_pct: 75}, meters: {refresh_s: "
    "0.1}}\n";

struct stage {
    enum source source;
    double answer_s;  /* of the fast meter; 0: at once */
    const char *peak; /* point that u2_peak is bound to; NULL: no u2_peak */
};

static int device_named(const struct config *c, const char *name)
{
    for (int i = 0; i < c->bench.device_count; i++)
        if (strcmp(c->bench.devices[i].name, name) == 0)
            return i;
    ck_abort_msg("no device %s", name);
}

static int point_named(const struct device_map *m, const char *name)
{
    for (int i = 0; i < m->point_count; i++)
        if (strcmp(m->points[i].name, name) == 0)
            return i;
    ck_abort_msg("no point %s", name);
}

static void set_stage(struct config *c, void *ctx)
{
    const struct stage *s = ctx;
    struct bench *b = &c->bench;
    int peak = b->channels[0].signal[SIG_U2_PEAK];
    b->limits.beat_ns = H_SECOND / 2;
    b->limits.lease_ns = 2 * H_SECOND;
    b->limits.recover_cap_ns = 3 * H_MINUTE;
    b->limits.stale_ns[CLASS_SAFETY] = 2 * H_SECOND;
    for (int i = 0; i < b->signal_count; i++)
        if (b->signals[i].cls == CLASS_SAFETY)
            b->signals[i].stale_after_ns = 2 * H_SECOND;
    b->channels[0].has_capture = s->source != NOTHING;
    c->load_points[0].capture_device =
        s->source == NOTHING ? -1 : device_named(c, s->source == BY_WORDS ? "recorder" : "fast");
    c->load_points[0].capture = s->source == NOTHING ? -1 : 0;
    if (!s->peak) {
        b->channels[0].signal[SIG_U2_PEAK] = -1;
        return;
    }
    const struct device_map *m = &c->maps[c->devices[c->signal_sources[peak].device].map];
    c->signal_sources[peak].point = point_named(m, s->peak);
    b->signals[peak].latch = m->points[c->signal_sources[peak].point].latch;
    c->load_points[0].peak = b->signals[peak].latch == LATCH_WRITE ? c->signal_sources[peak].point : -1;
}

static struct harness *on_load(struct stage *stage, const char *habits)
{
    char text[4096];
    ck_assert_int_lt(snprintf(text, sizeof text, scenario, habits, stage->answer_s > 0 ? stage->answer_s : 0.002),
                     (int)sizeof text);
    return harness_soaking(
        &(struct harness_setup){
            .bench = "tests/faults/capture-bench", .scenario = text, .edit_for = set_stage, .edit_ctx = stage},
        H_MINUTE);
}

struct told {
    struct event first, last;
    bool revised;
};

static void see(struct harness *h, struct told *t)
{
    *t = (struct told){0};
    ck_assert(harness_find_event(h, EVENT_SHUTOFF, "A", &t->first));
    t->revised = harness_last_event(h, EVENT_SHUTOFF_REVISED, "A", NULL, &t->last);
    if (!t->revised)
        t->last = t->first;
}

static void finish(struct harness *h, struct told *t)
{
    harness_run_until_done(h, "A", 10 * H_MINUTE);
    harness_run_for(h, 5 * H_SECOND);
    see(h, t);
    harness_finish(h);
    replay_check(h, 1, 0);
}

/* What happens, and what it is. */
static const struct {
    const char *name, *habits, *event;
    enum shutoff_cause truth;
    const char *words;
} cases[] = {
    {"burnt lead, arc-loss cut", "    arc_loss: {after_s: 0.25}\n", "{do: lead-open, channel: A}", CAUSE_LOAD_PATH_OPEN,
     "the voltage rose"},
    {"short, anti-stick", "    anti_stick: {below_v: 8, after_s: 1.2}\n", "{do: lead-short, channel: A}",
     CAUSE_LOAD_PATH_SHORT, "flowed on for"},
};

/* The run's export has the samples: one capture, evenly spaced over less than a minute, in which the voltage reaches
 * the unit's no-load voltage (72 V in the scenario) and falls to nothing, as the unit's arc-loss cut has it. */
static void samples_are_exported(struct harness *h)
{
    struct error err = {""};
    char folder[] = "/tmp/soakbench-capture-XXXXXX", path[PATH_CAP], line[200], command[PATH_CAP];
    ck_assert_ptr_nonnull(mkdtemp(folder));
    struct journal_reader *reader = journal_reader_open(h->journal_path, &err);
    ck_assert_msg(reader && run_export_csv(reader, 1, folder, "test", NULL, NULL, &err) == 0, "%s", err.text);
    journal_reader_close(reader);
    (void)text_format(path, sizeof path, "%s/captures.csv", folder);
    FILE *f = fopen(path, "r");
    ck_assert_ptr_nonnull(f);
    ck_assert_ptr_nonnull(fgets(line, sizeof line, f));
    ck_assert_str_eq(line, "capture,elapsed_s,half_width_s,u2_v,i2_a\r\n");
    int rows = 0, number = 0, first_number = 0;
    double at_s = 0, half_s = 0, u2_v = 0, before_s = NAN, step_s = NAN, most_v = 0;
    while (fgets(line, sizeof line, f)) {
        ck_assert_int_eq(sscanf(line, "%d,%lf,%lf,%lf", &number, &at_s, &half_s, &u2_v), 4);
        first_number = rows == 0 ? number : first_number;
        ck_assert_int_eq(number, first_number);
        if (rows > 1)
            ck_assert_double_eq_tol(at_s - before_s, step_s, 1e-6);
        step_s = at_s - before_s;
        before_s = at_s;
        most_v = u2_v > most_v ? u2_v : most_v;
        rows++;
    }
    (void)fclose(f);
    ck_assert_int_gt(rows, 20);
    ck_assert_double_gt(step_s, 0);
    ck_assert_double_lt(rows * step_s, 60);
    ck_assert_double_eq_tol(most_v, 72, 2);
    ck_assert_double_lt(u2_v, 5);
    (void)text_format(command, sizeof command, "grep -q '\"captures.csv\"' %s/datapackage.json && rm -r %s", folder,
                      folder);
    ck_assert_int_eq(system(command), 0);
}

/* With samples the cause is named, with more confidence than without; without them nothing wrong is held to be sure. */
START_TEST(order_of_events)
{
    double confidence[3];
    for (int source = NOTHING; source <= BY_WORDS; source++) {
        struct stage stage = {.source = (enum source)source};
        struct harness *h = on_load(&stage, cases[_i].habits);
        struct told t;
        harness_happen(h, cases[_i].event);
        finish(h, &t);
        confidence[source] = t.last.code == (int32_t)cases[_i].truth ? t.last.values[1] : 0;
        printf("%s, %s: first %s %.2f, then %s %.2f: %s\n", cases[_i].name,
               source == NOTHING     ? "polls only"
               : source == BY_MODBUS ? "buffer by Modbus"
                                     : "buffer by text",
               shutoff_cause_name((enum shutoff_cause)t.first.code), t.first.values[1],
               shutoff_cause_name((enum shutoff_cause)t.last.code), t.last.values[1], t.last.text);
        if (source == NOTHING) {
            ck_assert(t.last.code == (int32_t)cases[_i].truth || t.last.values[1] < 0.85);
        } else {
            ck_assert_msg(t.last.code == (int32_t)cases[_i].truth, "%s", t.last.text);
            struct event note = {.text = "no note"};
            (void)harness_last_event(h, EVENT_NOTE, "A", "fast capture", &note);
            ck_assert_msg(strstr(t.last.text, cases[_i].words) != NULL, "by %d: %s; %s", source, t.last.text,
                          note.text);
        }
        if (source == BY_MODBUS && cases[_i].truth == CAUSE_LOAD_PATH_OPEN)
            samples_are_exported(h);
        harness_free(h);
    }
    ck_assert_double_ge(confidence[BY_MODBUS], 0.95);
    ck_assert_double_gt(confidence[BY_MODBUS], confidence[NOTHING]);
    ck_assert_double_gt(confidence[BY_WORDS], confidence[NOTHING]);
}
END_TEST

/* A meter that takes its time: the shutoff is told by what is known, and told again when the samples are there. */
START_TEST(samples_that_come_late_revise)
{
    struct stage stage = {.source = BY_MODBUS, .answer_s = 0.2};
    struct harness *h = on_load(&stage, cases[0].habits);
    struct told t;
    struct verdict v;
    harness_happen(h, cases[0].event);
    finish(h, &t);
    ck_assert_msg(t.first.code != CAUSE_LOAD_PATH_OPEN, "%s", t.first.text);
    ck_assert(t.revised);
    ck_assert_msg(t.last.code == CAUSE_LOAD_PATH_OPEN && t.last.values[1] >= 0.95, "%s", t.last.text);
    ck_assert(harness_verdict(h, 1, &v));
    ck_assert_int_eq(v.kind, VERDICT_UNDECIDED);
    ck_assert_int_eq(v.cause, CAUSE_LOAD_PATH_OPEN);
    harness_free(h);
}
END_TEST

/* A switched-off unit: both go together, and no open path is made of it. */
START_TEST(both_at_once_is_not_the_path)
{
    struct stage stage = {.source = BY_MODBUS};
    struct harness *h = on_load(&stage, "");
    struct told t;
    harness_happen(h, "{do: unit-fault, unit: HQ-0147}");
    finish(h, &t);
    ck_assert_int_ne(t.last.code, CAUSE_LOAD_PATH_OPEN);
    ck_assert_int_ne(t.last.code, CAUSE_LOAD_PATH_SHORT);
    ck_assert_ptr_nonnull(strstr(t.last.text, "at the same time"));
    harness_free(h);
}
END_TEST

/* What may be wrong with a buffer, and what is said. The shutoff is explained without it, no worse than with none. */
static const struct {
    enum source source;
    const char *before, *after; /* before the shutoff, and at it */
    const char *says;
} broken[] = {
    {BY_MODBUS, "{do: buffer-tear, device: fast}", NULL, "overwritten"},
    {BY_MODBUS, "{do: buffer-shorten, device: fast}", NULL, "bad-length"},
    {BY_MODBUS, "{do: power-cycle, device: fast}", NULL, "not-armed"},
    {BY_MODBUS, NULL, "{do: fault, kind: silence, device: fast, for_s: 90}", "link-lost"},
    {BY_MODBUS, NULL, "{do: fault, kind: exception, device: fast, code: 4, for_s: 90}", "unreadable"},
    {BY_WORDS, "{do: buffer-tear, device: recorder}", NULL, "overwritten"},
    {BY_WORDS, "{do: buffer-shorten, device: recorder}", NULL, "unreadable"},
    {BY_WORDS, "{do: power-cycle, device: recorder}", NULL, "not-armed"},
};

static bool note_says(struct harness *h, const char *words)
{
    struct event e;
    return harness_last_event(h, EVENT_NOTE, "A", words, &e);
}

START_TEST(a_buffer_that_is_no_good_is_said_and_left)
{
    struct stage stage = {.source = broken[_i].source};
    struct harness *h = on_load(&stage, cases[0].habits);
    struct told t;
    if (broken[_i].before)
        harness_happen(h, broken[_i].before);
    harness_run_for(h, 3 * H_SECOND / 2);
    harness_happen(h, cases[0].event);
    if (broken[_i].after) {
        harness_run_for(h, H_SECOND / 10);
        harness_happen(h, broken[_i].after);
    }
    finish(h, &t);
    struct event note = {.text = "no note"};
    (void)harness_last_event(h, EVENT_NOTE, "A", "fast capture", &note);
    ck_assert_msg(strstr(note.text, broken[_i].says) != NULL, "%s: %s; %s", broken[_i].says, note.text, t.last.text);
    ck_assert_ptr_null(strstr(t.last.text, "fast samples"));
    harness_free(h);
}
END_TEST

/* The buffer of the shutoff before comes again. */
START_TEST(a_frozen_buffer_is_told_by_its_samples)
{
    struct stage stage = {.source = BY_MODBUS};
    struct harness *h = on_load(&stage, cases[0].habits);
    harness_happen(h, "{do: buffer-freeze, device: fast}"); /* it holds what it was made with: nothing */
    struct told t;
    harness_happen(h, cases[0].event);
    finish(h, &t);
    ck_assert_msg(note_says(h, "no fall of the current"), "%s", t.last.text);
    ck_assert_ptr_null(strstr(t.last.text, "fast samples"));
    harness_free(h);
}
END_TEST

/* A latched peak alone shows the rise, if it is let go in time; one that does not let go is in doubt. */
START_TEST(a_latched_peak_is_let_go)
{
    static const char *const points[] = {"peak", "peak_since_read"};
    struct stage stage = {.peak = points[_i]};
    struct harness *h = on_load(&stage, cases[0].habits);
    struct told t;
    harness_happen(h, cases[0].event);
    finish(h, &t);
    ck_assert_int_eq(harness_count_events(h, EVENT_METER_DOUBT, "A", -1), 0);
    ck_assert_msg(t.last.code == CAUSE_LOAD_PATH_OPEN && t.last.values[1] >= 0.9, "%s", t.last.text);
    harness_free(h);
}
END_TEST

/* The rise of the shutoff before is still in it, because its reset has no effect. */
START_TEST(a_peak_that_stays_is_no_evidence)
{
    struct stage stage = {.peak = "peak"};
    struct harness *h = on_load(&stage, cases[0].habits);
    struct event e;
    harness_happen(h, "{do: peak-stick, device: fast}");
    harness_happen(h, cases[0].event);
    harness_run_until_done(h, "A", 10 * H_MINUTE);
    ck_assert(harness_last_event(h, EVENT_SHUTOFF, "A", NULL, &e));
    ck_assert_msg(e.code == CAUSE_LOAD_PATH_OPEN, "%s", e.text);
    harness_happen(h, "{do: lead-mend, channel: A}");
    struct input_operator release = {.verb = VERB_RELEASE, .channel = 0, .device = -1};
    ck_assert_int_ne(harness_order(h, &release, NULL), 1);
    harness_rig(h, "A");
    struct input_operator again =
        harness_start_order(h, "A", "config/examples/units/hq-0147.yaml", 0, PROCEDURE_TO_CUTOUT);
    text_copy(again.run.accepts, sizeof again.run.accepts, "time-to-open start");
    again.run.consent_past_rating = true;
    int64_t run = harness_start(h, &again);
    harness_run_for(h, H_MINUTE);
    ck_assert_int_eq(harness_count_events(h, EVENT_METER_DOUBT, "A", -1), 1);
    ck_assert(harness_last_event(h, EVENT_METER_DOUBT, "A", "after its reset", &e));
    harness_happen(h, "{do: unit-fault, unit: HQ-0147}");
    harness_run_until_done(h, "A", 10 * H_MINUTE);
    ck_assert(harness_last_event(h, EVENT_SHUTOFF, "A", NULL, &e));
    ck_assert_msg(e.code != CAUSE_LOAD_PATH_OPEN, "%s", e.text);
    harness_run_for(h, 5 * H_SECOND);
    harness_finish(h);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("captures");
    TCase *t = tcase_create("captures");
    tcase_set_timeout(t, 300);
    tcase_add_loop_test(t, order_of_events, 0, (int)(sizeof cases / sizeof cases[0]));
    tcase_add_test(t, samples_that_come_late_revise);
    tcase_add_test(t, both_at_once_is_not_the_path);
    tcase_add_loop_test(t, a_buffer_that_is_no_good_is_said_and_left, 0, (int)(sizeof broken / sizeof broken[0]));
    tcase_add_test(t, a_frozen_buffer_is_told_by_its_samples);
    tcase_add_loop_test(t, a_latched_peak_is_let_go, 0, 2);
    tcase_add_test(t, a_peak_that_stays_is_no_evidence);
    suite_add_tcase(s, t);
    return suite_run(s);
}
