/* A run judged again from its record: the same to the bit, and told in words when it is not. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "engine.h"
#include "journal.h"
#include "replay.h"
#include "suite_run.h"

struct tape {
    char folder[64], path[128];
    struct bench *bench;
    struct engine *engine;
    struct engine_out *out;
    struct journal *journal;
    struct input *in;
    struct error err;
    int events;
    int spoil; /* number of the event that is written down wrong; 0 none */
};

static void ok(struct tape *t, int result)
{
    ck_assert_msg(result == 0, "%s", t->err.text);
}

static void make_bench(struct bench *b)
{
    (void)text_copy(b->name, NAME_CAP, "north-bay");
    b->rate = 1;
    bench_limits_default(&b->limits);
    b->device_count = b->bus_count = b->channel_count = b->signal_count = 1;
    (void)text_copy(b->bus_names[0], NAME_CAP, "rack");
    b->devices[0] = (struct bench_device){.name = "bank", .is_load = true, .powered_from = -1};
    b->signals[0] = (struct bench_signal){.name = "a_closed", .kind = SIG_FEEDBACK, .cls = CLASS_SAFETY};
    struct bench_channel *c = &b->channels[0];
    (void)text_copy(c->name, NAME_CAP, "A");
    c->circuit = -1;
    c->load.step_count = 1;
    c->load.steps[0] = (struct bench_step){0.16, 12000};
    for (int k = 0; k < SIG_KIND_COUNT_; k++)
        c->signal[k] = -1;
    c->signal[SIG_FEEDBACK] = 0;
}

/* One input through the engine and into the journal, as the daemon does it. */
static void take(struct tape *t, enum input_kind kind, int64_t seen_ns)
{
    uint8_t bytes[65536];
    struct writer w = writer_over(bytes, sizeof bytes);
    t->in->seq++;
    t->in->seen_ns = seen_ns;
    t->in->kind = kind;
    put_input(&w, t->in);
    ck_assert(!w.bad);
    engine_step(t->engine, t->in, t->out);
    ok(t, journal_put_input(t->journal, t->in->seq, bytes, w.used, &t->err));
    for (int i = 0; i < t->out->event_count; i++) {
        struct event e = t->out->events[i];
        if (++t->events == t->spoil)
            (void)text_copy(e.text, sizeof e.text, "somebody wrote something else here");
        ok(t, journal_put_event(t->journal, &e, &t->err));
    }
}

static void record(struct tape *t, int spoil)
{
    const int64_t s = INT64_C(1000000000);
    memset(t, 0, sizeof *t);
    t->spoil = spoil;
    (void)text_copy(t->folder, sizeof t->folder, "/tmp/replay-test-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(t->folder));
    (void)text_format(t->path, sizeof t->path, "%s/journal.db", t->folder);
    t->bench = calloc(1, sizeof *t->bench);
    t->in = calloc(1, sizeof *t->in);
    t->out = calloc(1, sizeof *t->out);
    ck_assert(t->bench && t->in && t->out);
    make_bench(t->bench);
    t->engine = engine_new(t->bench);
    t->journal = journal_open(t->path, JOURNAL_CREATE, &t->err);
    ck_assert_msg(t->engine && t->journal, "%s", t->err.text);
    struct journal_session session = {.epoch = journal_next_epoch(t->journal), .rate = 1, .anchor_utc_ns = s};
    (void)text_copy(session.engine_version, NAME_CAP, engine_version());
    ok(t, journal_begin(t->journal, &t->err));
    ok(t, journal_put_session(t->journal, &session, t->bench, &t->err));
    (void)text_copy(t->in->u.boot.engine_version, NAME_CAP, engine_version());
    t->in->u.boot.epoch = session.epoch;
    t->in->u.boot.utc_ns = s;
    take(t, INPUT_BOOT, s);
    memset(&t->in->u, 0, sizeof t->in->u);
    t->in->u.link = (struct input_link){.device = 0, .up = true};
    take(t, INPUT_LINK, 2 * s);
    static const enum operator_verb verbs[] = {VERB_RIG, VERB_RIGGED, VERB_START};
    for (int i = 0; i < 3; i++) {
        memset(&t->in->u, 0, sizeof t->in->u);
        struct input_operator *o = &t->in->u.operator_;
        *o = (struct input_operator){.verb = verbs[i], .request = (uint64_t)i + 1};
        o->run.run_no = 1;
        o->run.point = (struct rating_point){.process = PROCESS_TIG,
                                             .phases = 1,
                                             .supply_v = 230,
                                             .percent_on = 40,
                                             .current_a = 160,
                                             .load_voltage_v = NAN,
                                             .cycle_s = 600,
                                             .ambient_degc = 40,
                                             .frequency_hz = NAN,
                                             .no_load_v = NAN,
                                             .i1max_a = NAN,
                                             .i1eff_a = NAN};
        o->run.procedure = PROCEDURE_PROOF;
        o->run.target_resistance_ohm = o->run.baseline_u0_v = NAN;
        (void)text_copy(o->run.serial, NAME_CAP, "HQ-0147");
        take(t, INPUT_OPERATOR, (3 + i) * s);
    }
    ok(t, journal_put_run(t->journal, t->in, t->in->seen_ns, &t->err));
    for (int i = 0; i < 100; i++) {
        memset(&t->in->u, 0, sizeof t->in->u);
        take(t, INPUT_TIME, (10 + i) * s);
    }
    ok(t, journal_end_run(t->journal, 1, t->in->seq, t->in->seen_ns, &t->err));
    ok(t, journal_commit(t->journal, &t->err));
    ck_assert_int_ge(t->events, 3);
}

static void end(struct tape *t)
{
    char command[160];
    engine_free(t->engine);
    journal_close(t->journal);
    free(t->bench);
    free(t->in);
    free(t->out);
    (void)text_format(command, sizeof command, "rm -rf %s", t->folder);
    ck_assert_int_eq(system(command), 0);
}

static struct replay_result *replayed(struct tape *t)
{
    struct replay_result *r = calloc(1, sizeof *r);
    struct journal_reader *reader = journal_reader_open(t->path, &t->err);
    ck_assert_msg(r && reader, "%s", t->err.text);
    ok(t, replay_run(reader, 1, r, &t->err));
    journal_reader_close(reader);
    return r;
}

START_TEST(test_same)
{
    struct tape t;
    record(&t, 0);
    struct replay_result *r = replayed(&t);
    ck_assert_int_eq(r->found.count, 0);
    ck_assert_int_eq(r->events, t.events);
    ck_assert_int_eq(r->inputs, 105);
    ck_assert_str_eq(r->recorded_by, r->replayed_by);
    free(r);
    end(&t);
}
END_TEST

START_TEST(test_a_changed_event_is_told)
{
    struct tape t;
    record(&t, 2);
    struct replay_result *r = replayed(&t);
    ck_assert_int_eq(r->found.count, 1);
    ck_assert_str_eq(r->found.list[0].field, "text");
    ck_assert_ptr_nonnull(strstr(r->found.list[0].recorded, "somebody wrote something else"));
    differences_free(&r->found);
    free(r);
    end(&t);
}
END_TEST

static struct event event_of(uint64_t id, enum event_kind kind, double value)
{
    return (struct event){.id = id, .seq = 7, .kind = kind, .run_no = 1, .value_count = 1, .values = {value}};
}

/* One event more on one side, and every figure that differs beside it: each is told, and no other. */
START_TEST(test_an_event_more_puts_nothing_out_of_step)
{
    const struct event was[] = {event_of(1, EVENT_CYCLE, 10), event_of(2, EVENT_NOTE, 1), event_of(3, EVENT_TRIM, 5)};
    const struct event is[] = {event_of(1, EVENT_CYCLE, 11), event_of(2, EVENT_TRIM, 5), event_of(3, EVENT_ALARM, 0)};
    struct replay_differences d = {0};
    compare_events(&d, was, 3, is, 3);
    const struct event late = event_of(9, EVENT_NOTE, 2);
    compare_events(&d, NULL, 0, &late, 1);
    compare_left(&d);
    ck_assert_int_eq(d.count, 3);
    ck_assert_str_eq(d.list[0].where, "event 1 cycle");
    ck_assert_str_eq(d.list[0].field, "values[0] (commanded_s)");
    ck_assert(strcmp(d.list[0].recorded, "10") == 0 || strcmp(d.list[0].recorded, "10.0") == 0);
    ck_assert_str_eq(d.list[1].where, "event 2 note");
    ck_assert_str_eq(d.list[1].field, "values[0]"); /* held against the one that came with another input */
    ck_assert_str_eq(d.list[2].where, "event 3 alarm");
    ck_assert_str_eq(d.list[2].recorded, "-");
    differences_free(&d);
}
END_TEST

START_TEST(test_a_run_that_is_not_there)
{
    struct tape t;
    record(&t, 0);
    struct replay_result *r = calloc(1, sizeof *r);
    struct journal_reader *reader = journal_reader_open(t.path, &t.err);
    ck_assert(r && reader);
    ck_assert_int_eq(replay_run(reader, 77, r, &t.err), -1);
    ck_assert_ptr_nonnull(strstr(t.err.text, "no run 77"));
    journal_reader_close(reader);
    free(r);
    end(&t);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("replay");
    TCase *c = tcase_create("replay");
    tcase_set_timeout(c, 30);
    tcase_add_test(c, test_same);
    tcase_add_test(c, test_a_changed_event_is_told);
    tcase_add_test(c, test_an_event_more_puts_nothing_out_of_step);
    tcase_add_test(c, test_a_run_that_is_not_there);
    suite_add_tcase(suite, c);
    return suite_run(suite);
}
