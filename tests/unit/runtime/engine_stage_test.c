/* The engine's stage with an engine of our own in its place, so that every command and every state of the journal can
 * be had at will: order and stamps of inputs, commands that wait for their intent, what happens when the queue to the
 * journal is full, and how the record's health is told. */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "engine.h"
#include "engine_stage.h"
#include "suite_run.h"

static const int64_t s_ns = INT64_C(1000000000);
enum { SEEN_MAX = 4096 };

/* What the stand-in engine saw, and what it shall say in its next step. */
struct stand_in {
    int seen_count;
    enum input_kind kinds[SEEN_MAX];
    uint64_t seqs[SEEN_MAX];
    int64_t seen_ns[SEEN_MAX];
    struct input last;
    int64_t timer_ns;
    int command_count;
    struct command commands[8];
    int event_count;
    struct event events[8];
    bool overflow;
};

static struct stand_in *the; /* one test at a time, in a process of its own */

struct engine {
    int unused;
};

struct engine *engine_new(const struct bench *bench)
{
    (void)bench;
    return calloc(1, sizeof(struct engine));
}

void engine_free(struct engine *engine)
{
    free(engine);
}

void engine_step(struct engine *engine, const struct input *in, struct engine_out *out)
{
    (void)engine;
    ck_assert_int_lt(the->seen_count, SEEN_MAX);
    the->kinds[the->seen_count] = in->kind;
    the->seqs[the->seen_count] = in->seq;
    the->seen_ns[the->seen_count++] = in->seen_ns;
    the->last = *in;
    out->command_count = the->command_count;
    memcpy(out->commands, the->commands, sizeof the->commands);
    out->event_count = the->event_count;
    memcpy(out->events, the->events, sizeof the->events);
    out->verdict_count = 0;
    out->overflow = the->overflow;
    the->command_count = the->event_count = 0;
    the->overflow = false;
    if (in->kind == INPUT_TIME)
        the->timer_ns = INT64_MAX;
}

int64_t engine_next_timer_ns(const struct engine *engine)
{
    (void)engine;
    return the->timer_ns;
}

const char *engine_version(void)
{
    return "stand-in";
}

void engine_view(const struct engine *engine, struct bench_view *view)
{
    (void)engine;
    view->channel_count = 1;
    view->now_ns = the->seen_count; /* tells how far the view has come */
}

void engine_carry(const struct engine *engine, struct input_boot *boot)
{
    (void)engine;
    boot->channel_count = 1;
}

/* ---- the stage and its surroundings ---- */

struct fixture {
    struct bench *bench;
    struct bench_clock *clock;
    struct journal_state journal;
    struct queue *ends, *orders, *bus0, *bus1, *records;
    struct engine_stage *stage;
    int posted_count;
    struct command posted[64];
    int drops;
    int64_t lease_ns;
    int answers;
    struct bench_view seen_at_answer;
};

static void on_lease(void *ctx, int device, int64_t until_ns)
{
    struct fixture *f = ctx;
    (void)device;
    f->lease_ns = until_ns;
}

static void on_drop(void *ctx, const struct command *c)
{
    struct fixture *f = ctx;
    (void)c;
    f->drops++;
}

static void on_post(void *ctx, const struct command *c)
{
    struct fixture *f = ctx;
    ck_assert_int_lt(f->posted_count, 64);
    f->posted[f->posted_count++] = *c;
}

static void on_worker(void *ctx, const struct command *c, const struct stagger_job *stagger)
{
    (void)stagger;
    on_post(ctx, c);
}

static void on_answer(void *ctx, uint64_t request, int code, const char *text)
{
    struct fixture *f = ctx;
    (void)request;
    (void)code;
    (void)text;
    f->answers++;
    engine_stage_view(f->stage, &f->seen_at_answer);
}

static struct fixture *fixture_new(size_t record_bytes)
{
    struct fixture *f = calloc(1, sizeof *f);
    the = calloc(1, sizeof *the);
    the->timer_ns = INT64_MAX;
    f->bench = calloc(1, sizeof *f->bench);
    f->bench->device_count = 1;
    f->bench->devices[0].is_load = true;
    f->bench->channel_count = 2;
    f->bench->bus_count = 2;
    bench_limits_default(&f->bench->limits);
    f->clock = bench_clock_new_virtual(0, 1);
    f->ends = queue_new(100000, -1);
    f->orders = queue_new(100000, -1);
    f->bus0 = queue_new(5000, -1);
    f->bus1 = queue_new(5000, -1);
    f->records = queue_new(record_bytes, -1);
    struct engine_stage_setup setup = {.bench = f->bench,
                                       .clock = f->clock,
                                       .ends = f->ends,
                                       .orders = f->orders,
                                       .buses = {f->bus0, f->bus1},
                                       .to_journal = f->records,
                                       .journal = &f->journal,
                                       .hands = {.ctx = f,
                                                 .lease = on_lease,
                                                 .drop = on_drop,
                                                 .post = on_post,
                                                 .beacon = on_post,
                                                 .answer = on_answer,
                                                 .facts = on_post,
                                                 .worker = on_worker}};
    struct input_boot boot = {.epoch = 1};
    f->stage = engine_stage_new(&setup, &boot);
    ck_assert_ptr_nonnull(f->stage);
    engine_stage_run(f->stage, 100); /* the first word on the journal's health */
    return f;
}

static void fixture_free(struct fixture *f)
{
    engine_stage_free(f->stage);
    queue_free(f->ends);
    queue_free(f->orders);
    queue_free(f->bus0);
    queue_free(f->bus1);
    queue_free(f->records);
    bench_clock_free(f->clock);
    free(f->bench);
    free(f);
    free(the);
}

static void put_reading(struct queue *q, int bus, int64_t stamp_ns)
{
    struct input_readings r = {.bus = bus, .stamp_ns = stamp_ns};
    queue_put(q, INPUT_READINGS, 0, &r, sizeof r);
}

/* Let the stand-in say something in a step of its own. */
static void step_with(struct fixture *f, const struct command *c)
{
    the->commands[0] = *c;
    the->command_count = 1;
    put_reading(f->bus0, 0, 0);
    ck_assert_int_ge(engine_stage_run(f->stage, 1), 1);
}

/* ---- tests ---- */

START_TEST(inputs_get_one_order)
{
    struct fixture *f = fixture_new(4000000);
    int first = the->seen_count;
    ck_assert_int_eq(the->kinds[0], INPUT_BOOT);
    for (int i = 0; i < 3; i++) {
        put_reading(f->bus0, 0, i);
        put_reading(f->bus1, 1, i);
    }
    struct input_operator end = {.verb = VERB_END};
    queue_put(f->ends, INPUT_OPERATOR, 0, &end, sizeof end);
    bench_clock_advance(f->clock, bench_clock_now_ns(f->clock) + s_ns / 10);
    ck_assert_int_eq(engine_stage_run(f->stage, 100), 7);
    ck_assert_int_eq(the->kinds[first], INPUT_OPERATOR); /* an end does not wait behind readings */
    for (int i = 1; i < the->seen_count; i++) {
        ck_assert_uint_eq(the->seqs[i], the->seqs[i - 1] + 1);
        ck_assert_int_ge(the->seen_ns[i], the->seen_ns[i - 1]);
    }
    /* Every input is in the record, in that order. */
    struct queue_record r;
    struct input in;
    uint64_t seq = 0;
    while (queue_take(f->records, &r, &in, sizeof in))
        if (r.type == RECORD_INPUT)
            ck_assert_uint_eq(in.seq, ++seq);
    ck_assert_uint_eq(seq, (uint64_t)the->seen_count);
    fixture_free(f);
}
END_TEST

START_TEST(timers_fire_without_inputs)
{
    struct fixture *f = fixture_new(4000000);
    the->timer_ns = bench_clock_now_ns(f->clock) + s_ns / 4;
    ck_assert_int_eq(engine_stage_run(f->stage, 100), 0);
    bench_clock_advance(f->clock, the->timer_ns);
    ck_assert_int_eq(engine_stage_run(f->stage, 100), 1);
    ck_assert_int_eq(the->last.kind, INPUT_TIME);
    fixture_free(f);
}
END_TEST

START_TEST(closing_waits_for_the_synced_intent)
{
    struct fixture *f = fixture_new(4000000);
    step_with(f, &(struct command){.kind = COMMAND_STEPS, .number = 9, .channel = 0, .intent_event = 3});
    ck_assert_int_eq(f->posted_count, 0);
    atomic_store(&f->journal.synced_event, 2);
    engine_stage_run(f->stage, 100);
    ck_assert_int_eq(f->posted_count, 0);
    atomic_store(&f->journal.synced_event, 3);
    engine_stage_run(f->stage, 100);
    ck_assert_int_eq(f->posted_count, 1);
    ck_assert_uint_eq(f->posted[0].number, 9);
    ck_assert_int_eq(the->last.kind, INPUT_SYNCED);
    ck_assert_uint_eq(the->last.u.synced.event_id, 3);
    /* An intent that is on disk already holds nothing up. */
    step_with(f, &(struct command){.kind = COMMAND_STEPS, .number = 10, .channel = 0, .intent_event = 3});
    ck_assert_int_eq(f->posted_count, 2);
    /* A load that is set to a number is closed by its setpoint. */
    step_with(f, &(struct command){.kind = COMMAND_SETPOINT, .number = 11, .channel = 0, .intent_event = 4});
    ck_assert_int_eq(f->posted_count, 2);
    atomic_store(&f->journal.synced_event, 4);
    engine_stage_run(f->stage, 100);
    ck_assert_int_eq(f->posted_count, 3);
    ck_assert_uint_eq(f->posted[2].number, 11);
    fixture_free(f);
}
END_TEST

START_TEST(opening_overtakes_and_cancels_what_waits)
{
    static const struct command openings[] = {{.kind = COMMAND_OPEN, .channel = 0, .device = 0},
                                              {.kind = COMMAND_TRIGGER, .channel = 0, .on = false},
                                              {.kind = COMMAND_DROP, .channel = -1, .device = 0}};
    for (int i = 0; i < 3; i++) {
        struct fixture *f = fixture_new(4000000);
        step_with(f, &(struct command){.kind = COMMAND_STEPS, .number = 9, .channel = 0, .intent_event = 3});
        step_with(f, &openings[i]); /* goes at once, with nothing synced */
        ck_assert_int_eq(f->posted_count + f->drops, 1);
        atomic_store(&f->journal.synced_event, 3);
        engine_stage_run(f->stage, 100);
        ck_assert_int_eq(f->posted_count + f->drops, 1); /* the closing is gone */
        fixture_free(f);
    }
    /* Another channel's closing is none of its business. */
    struct fixture *f = fixture_new(4000000);
    step_with(f, &(struct command){.kind = COMMAND_STEPS, .number = 9, .channel = 1, .intent_event = 3});
    step_with(f, &openings[0]);
    atomic_store(&f->journal.synced_event, 3);
    engine_stage_run(f->stage, 100);
    ck_assert_int_eq(f->posted_count, 2);
    fixture_free(f);
}
END_TEST

START_TEST(an_overflow_drops_every_load)
{
    struct fixture *f = fixture_new(4000000);
    the->overflow = true;
    put_reading(f->bus0, 0, 0);
    engine_stage_run(f->stage, 1);
    ck_assert_int_eq(f->drops, 1);
    fixture_free(f);
}
END_TEST

START_TEST(lost_readings_are_told)
{
    struct fixture *f = fixture_new(4000000);
    for (int i = 0; i < 50; i++)
        put_reading(f->bus1, 1, i); /* more than its queue holds */
    uint64_t lost = queue_counts(f->bus1).refused;
    ck_assert_uint_gt(lost, 0);
    engine_stage_run(f->stage, 1);
    ck_assert_int_eq(the->last.kind, INPUT_LOST);
    ck_assert_int_eq(the->last.u.lost.bus, 1);
    ck_assert_uint_eq(the->last.u.lost.count, lost);
    fixture_free(f);
}
END_TEST

START_TEST(a_full_journal_queue_stops_the_engine_and_drops)
{
    struct fixture *f = fixture_new(270000); /* little more than the room that a step is given */
    int seen = the->seen_count;
    for (int i = 0; i < 200; i++) {
        put_reading(f->bus0, 0, i);
        engine_stage_run(f->stage, 10);
    }
    ck_assert_int_gt(f->drops, 0);
    int fed = the->seen_count - seen;
    ck_assert_int_lt(fed, 200);
    /* What the engine saw is what the record holds, no more and no less. */
    struct queue_record r;
    struct input in;
    int recorded = 0;
    while (queue_take(f->records, &r, &in, sizeof in))
        recorded += r.type == RECORD_INPUT;
    ck_assert_int_eq(recorded, the->seen_count);
    /* Room again: the engine hears that there was a gap before it hears anything else. */
    int before = the->seen_count;
    engine_stage_run(f->stage, 1);
    ck_assert_int_eq(the->kinds[before], INPUT_LOST);
    fixture_free(f);
}
END_TEST

START_TEST(health_is_the_age_of_the_oldest_record)
{
    struct fixture *f = fixture_new(4000000);
    /* Nothing is taken out of the queue to the journal: the disk is frozen. */
    int64_t t0 = bench_clock_now_ns(f->clock);
    int64_t told_open_ns = 0;
    for (int64_t t = 0; t < 8 * s_ns && !told_open_ns; t += s_ns / 20) {
        bench_clock_advance(f->clock, t0 + t);
        engine_stage_run(f->stage, 10);
        if (the->last.kind == INPUT_JOURNAL &&
            the->last.u.journal.oldest_unsynced_ns >= f->bench->limits.journal_open_ns)
            told_open_ns = t;
    }
    ck_assert_int_ge(told_open_ns, f->bench->limits.journal_open_ns);
    ck_assert_int_le(told_open_ns, f->bench->limits.journal_open_ns + s_ns / 10);
    /* And told at once when the disk is back. */
    struct queue_record r;
    struct input in;
    while (queue_take(f->records, &r, &in, sizeof in))
        ;
    engine_stage_run(f->stage, 10);
    ck_assert_int_eq(the->last.kind, INPUT_JOURNAL);
    ck_assert_int_lt(the->last.u.journal.oldest_unsynced_ns, f->bench->limits.journal_warn_ns);
    fixture_free(f);
}
END_TEST

START_TEST(who_is_answered_sees_what_was_accepted)
{
    struct fixture *f = fixture_new(4000000);
    step_with(f, &(struct command){.kind = COMMAND_ANSWER, .request = 5, .code = 0});
    ck_assert_int_eq(f->answers, 1);
    ck_assert_int_eq(f->seen_at_answer.now_ns, the->seen_count); /* not the view of up to 50 ms before */
    fixture_free(f);
}
END_TEST

START_TEST(end_all_needs_no_room)
{
    struct fixture *f = fixture_new(4000000);
    engine_stage_end_all(f->stage);
    ck_assert_int_eq(engine_stage_run(f->stage, 10), 1);
    ck_assert_int_eq(the->last.kind, INPUT_OPERATOR);
    ck_assert_int_eq(the->last.u.operator_.verb, VERB_END);
    ck_assert_int_eq(the->last.u.operator_.channel, -1);
    fixture_free(f);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("engine stage");
    TCase *t = tcase_create("engine stage");
    tcase_add_test(t, inputs_get_one_order);
    tcase_add_test(t, timers_fire_without_inputs);
    tcase_add_test(t, closing_waits_for_the_synced_intent);
    tcase_add_test(t, opening_overtakes_and_cancels_what_waits);
    tcase_add_test(t, an_overflow_drops_every_load);
    tcase_add_test(t, lost_readings_are_told);
    tcase_add_test(t, a_full_journal_queue_stops_the_engine_and_drops);
    tcase_add_test(t, health_is_the_age_of_the_oldest_record);
    tcase_add_test(t, who_is_answered_sees_what_was_accepted);
    tcase_add_test(t, end_all_needs_no_room);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
