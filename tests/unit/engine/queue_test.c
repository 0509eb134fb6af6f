/* The night's list in virtual time: whose turn it is, what is skipped and why, what empties it. */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "error.h"
#include "plant.h"
#include "suite_run.h"

static struct plant *rigged_bench(double bank_w)
{
    struct plant *p = plant_new(3);
    p->bench.limits.bank_max_power_w = bank_w;
    plant_begin(p);
    for (int ch = 0; ch < 3; ch++) {
        ck_assert_int_eq(plant_operate(p, VERB_RIG, ch, ""), 0);
        ck_assert_int_eq(plant_operate(p, VERB_RIGGED, ch, ""), 0);
    }
    return p;
}

static struct input_operator entry(struct plant *p, int ch)
{
    struct input_operator o = {.verb = VERB_QUEUE, .channel = ch, .device = -1, .request = p->seq + 1};
    o.run = plant_request(PROCEDURE_PROOF, 160, 40);
    o.run.run_no = 20 + (int64_t)p->seq;
    o.run.unattended = true;
    o.run.night = (struct run_night){
        .allowed = true, .ups = true, .beacon = true, .outside = true, .acknowledged_utc_s = p->utc0_ns / SEC + 10};
    (void)text_copy(o.who, NAME_CAP, "R. Ashdown");
    (void)text_format(o.run.serial, NAME_CAP, "HQ-%d", 100 + ch);
    return o;
}

static int give(struct plant *p, struct input_operator *o)
{
    struct input in = {.kind = INPUT_OPERATOR, .u.operator_ = *o};
    p->answer_code = -1;
    plant_input(p, &in);
    return p->answer_code;
}

static int queue(struct plant *p, int ch)
{
    struct input_operator o = entry(p, ch);
    return give(p, &o);
}

static void put_on(struct plant *p, int ch)
{
    ck_assert_msg(queue(p, ch) == 0, "%s", p->answer);
}

static int waiting(struct plant *p)
{
    engine_view(p->engine, &p->view);
    return p->view.queue_count;
}

static void finish(struct plant *p)
{
    ck_assert_str_eq(p->broken, "");
    plant_free(p);
}

START_TEST(runs_begin_in_turn)
{
    struct plant *p = rigged_bench(0);
    put_on(p, 1);
    put_on(p, 0);
    put_on(p, 2);
    ck_assert_int_eq(waiting(p), 3);
    ck_assert_int_eq(p->view.queue[0].channel, 1);
    static const int order[] = {1, 0, 2};
    for (int i = 0; i < 3; i++) {
        ck_assert(plant_until(p, order[i], STATE_ON_LOAD, 60));
        for (int ch = 0; ch < 3; ch++) /* one at a time */
            ck_assert(ch == order[i] || !plant_load_closed(p, ch));
        ck_assert_int_eq(waiting(p), 2 - i);
        if (i == 0)
            ck_assert_ptr_nonnull(strstr(p->view.queue[1].waiting, "before it"));
        ck_assert(plant_until(p, order[i], STATE_DONE, 400));
        ck_assert_msg(p->verdict[order[i]].kind == VERDICT_HELD, "%s", p->verdict[order[i]].reason);
    }
    ck_assert_int_eq(p->events_seen[EVENT_RUN_START], 3);
    finish(p);
}
END_TEST

/* What is refused when its turn comes is skipped with the reason; the next one begins. */
START_TEST(what_is_refused_is_skipped)
{
    struct plant *p = rigged_bench(0);
    put_on(p, 0);
    put_on(p, 1);
    put_on(p, 2);
    ck_assert(plant_until(p, 0, STATE_ON_LOAD, 60));
    p->channels[1].read[SIG_ISOLATED] = 1;
    ck_assert(plant_until(p, 2, STATE_ON_LOAD, 500));
    ck_assert_int_eq(p->events_seen[EVENT_RUN_START], 2);
    plant_run(p, 2);
    ck_assert_int_eq(plant_state(p, 1), STATE_RIGGING);
    ck_assert_int_eq(p->last_event[EVENT_QUEUE].code, QUEUE_BEGUN);
    ck_assert(plant_until(p, 2, STATE_DONE, 400));
    ck_assert_int_eq(p->events_seen[EVENT_QUEUE], 3 + 3); /* added, and begun, skipped, begun */
    finish(p);
}
END_TEST

/* Beside others: as many as the bank carries, the rest waits. 160 A at 16.4 V are 2624 W. */
START_TEST(limits_hold_and_the_rest_waits)
{
    struct plant *p = rigged_bench(6000);
    for (int ch = 0; ch < 3; ch++) {
        struct input_operator o = entry(p, ch);
        o.run.together = true;
        o.run.point.i1max_a = 15;
        ck_assert_msg(give(p, &o) == 0, "%s", p->answer);
    }
    ck_assert(plant_until(p, 1, STATE_ON_LOAD, 60));
    plant_run(p, 30);
    ck_assert_int_eq(waiting(p), 1);
    ck_assert_ptr_nonnull(strstr(p->view.queue[0].waiting, "bank"));
    ck_assert(plant_load_closed(p, 0) && plant_load_closed(p, 1) && !plant_load_closed(p, 2));
    ck_assert(plant_until(p, 2, STATE_ON_LOAD, 400));
    ck_assert(!(plant_load_closed(p, 0) && plant_load_closed(p, 1)));
    ck_assert(plant_until(p, 2, STATE_DONE, 400));
    finish(p);
}
END_TEST

static void no_person(struct input_operator *o)
{
    o->run.unattended = false;
}
static void with_setting(struct input_operator *o)
{
    o->run.setting = true;
}
static void nobody_hears(struct input_operator *o)
{
    o->run.night.acknowledged_utc_s = 0;
}
static void no_ups(struct input_operator *o)
{
    o->run.night.ups = false;
}
static void unprotected(struct input_operator *o)
{
    o->run.protection = PROTECTION_UNKNOWN;
}

START_TEST(what_cannot_be_queued)
{
    static const struct {
        void (*spoil)(struct input_operator *o);
        const char *words;
    } rows[] = {{no_person, "unattended"},
                {with_setting, "dial"},
                {nobody_hears, "notification"},
                {no_ups, "standby-supply"},
                {unprotected, "protection"}};
    struct plant *p = rigged_bench(0);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct input_operator o = entry(p, 0);
        rows[i].spoil(&o);
        ck_assert_int_eq(give(p, &o), 1);
        ck_assert_msg(strstr(p->answer, rows[i].words) != NULL, "%s", p->answer);
    }
    put_on(p, 0);
    struct input_operator other = entry(p, 0);
    (void)text_copy(other.run.serial, NAME_CAP, "HQ-999"); /* nobody moves leads in between */
    ck_assert_int_eq(give(p, &other), 1);
    ck_assert_ptr_nonnull(strstr(p->answer, "HQ-100"));
    ck_assert_int_eq(plant_operate(p, VERB_RELEASE, 1, ""), 0);
    ck_assert_int_eq(queue(p, 1), 1);
    ck_assert_ptr_nonnull(strstr(p->answer, "rigging"));
    ck_assert_int_eq(p->events_seen[EVENT_QUEUE], 1);
    finish(p);
}
END_TEST

/* Whatever takes runs off the list, none of them begins after it. */
static void end_all(struct plant *p)
{
    ck_assert_int_eq(plant_operate(p, VERB_END, -1, ""), 0);
}
static void take_off_all(struct plant *p)
{
    ck_assert_int_eq(plant_operate(p, VERB_UNQUEUE, -1, "no more tonight"), 0);
    end_all(p);
}
static void press_estop(struct plant *p)
{
    for (int ch = 0; ch < 3; ch++)
        p->channels[ch].read[SIG_ESTOP] = 1;
    plant_run(p, 3);
    for (int ch = 0; ch < 3; ch++)
        p->channels[ch].read[SIG_ESTOP] = 0;
}
static void smoke(struct plant *p)
{
    for (int ch = 0; ch < 3; ch++)
        p->channels[ch].read[SIG_SMOKE] = 1;
    plant_run(p, 3);
    for (int ch = 0; ch < 3; ch++)
        p->channels[ch].read[SIG_SMOKE] = 0;
}
static void sleep_of_the_computer(struct plant *p)
{
    struct input in = {.kind = INPUT_ANCHOR, .u.anchor = {.suspended = true, .boottime_ns = 60 * SEC}};
    plant_input(p, &in);
}

static void (*const closers[])(struct plant *p) = {end_all, take_off_all, press_estop, smoke, sleep_of_the_computer};
enum { CLOSERS = sizeof closers / sizeof closers[0] };

START_TEST(nothing_begins_after_the_queue_is_emptied)
{
    struct plant *p = rigged_bench(0);
    put_on(p, 0);
    put_on(p, 1);
    put_on(p, 2);
    ck_assert(plant_until(p, 0, STATE_ON_LOAD, 60));
    closers[_i](p);
    ck_assert_int_eq(waiting(p), 0);
    plant_run(p, 600);
    ck_assert_int_eq(p->events_seen[EVENT_RUN_START], 1);
    for (int ch = 0; ch < 3; ch++)
        ck_assert(!plant_load_closed(p, ch));
    ck_assert_int_ge(p->last_event[EVENT_QUEUE].code, QUEUE_DROPPED);
    finish(p);
}
END_TEST

/* One run by its number, those of a channel by rigging it anew or by ending what runs there; the others go on. */
START_TEST(single_runs_come_off)
{
    struct plant *p = rigged_bench(0);
    put_on(p, 0);
    put_on(p, 1);
    put_on(p, 2);
    put_on(p, 2);
    engine_view(p->engine, &p->view);
    struct input_operator off = {.verb = VERB_UNQUEUE, .channel = -1, .device = -1, .request = p->seq + 1};
    off.run.run_no = p->view.queue[3].run_no;
    ck_assert_int_eq(give(p, &off), 0);
    ck_assert_int_eq(waiting(p), 3);
    ck_assert_int_eq(give(p, &off), 1);
    ck_assert_int_eq(plant_operate(p, VERB_RIG, 1, ""), 1); /* being rigged already */
    ck_assert_int_eq(plant_operate(p, VERB_RELEASE, 1, ""), 0);
    ck_assert_int_eq(waiting(p), 2);
    ck_assert(plant_until(p, 0, STATE_ON_LOAD, 60));
    ck_assert_int_eq(plant_operate(p, VERB_END, 0, ""), 0);
    ck_assert(plant_until(p, 2, STATE_ON_LOAD, 60));
    ck_assert_int_eq(waiting(p), 0);
    finish(p);
}
END_TEST

/* A new session is told how many waited, says so, and begins nothing. */
START_TEST(nothing_of_it_outlives_the_session)
{
    struct plant *p = rigged_bench(0);
    put_on(p, 0);
    put_on(p, 1);
    ck_assert(plant_until(p, 0, STATE_ON_LOAD, 60));
    struct input boot = {.kind = INPUT_BOOT};
    engine_carry(p->engine, &boot.u.boot);
    ck_assert_int_eq(boot.u.boot.queue_waiting, 1);
    engine_free(p->engine);
    p->engine = engine_new(&p->bench);
    p->channels[0].mask = p->channels[0].wanted = 0;
    p->channels[0].trigger = false;
    boot.u.boot.utc_ns = p->utc0_ns + 600 * SEC;
    plant_input(p, &boot);
    ck_assert_int_eq(p->last_event[EVENT_QUEUE].code, QUEUE_CLOSED);
    ck_assert_double_eq(p->last_event[EVENT_QUEUE].values[0], 1);
    for (int d = 0; d < p->bench.device_count; d++) {
        struct input up = {.kind = INPUT_LINK, .u.link = {.device = d, .up = true}};
        plant_input(p, &up);
    }
    plant_run(p, 600);
    ck_assert_int_eq(p->events_seen[EVENT_RUN_START], 1);
    engine_carry(p->engine, &boot.u.boot);
    ck_assert_int_eq(boot.u.boot.queue_waiting, 0);
    plant_free(p);
}
END_TEST

/* What the daemon knows is asked for again when a run's turn comes. */
static bool said(struct plant *p, enum event_kind kind, const char *words)
{
    return strstr(p->last_event[kind].text, words) != NULL;
}

/* A store that fell silent since is no danger: the run begins, and the change is on record. */
START_TEST(a_store_in_trouble_is_recorded_and_borne)
{
    struct plant *p = rigged_bench(0);
    struct input_operator o = entry(p, 0);
    o.run.stores = (struct run_stores){.count = 1, .name = "shop"};
    p->stores = (struct run_stores){.count = 1, .in_trouble = 1, .worst = STORE_STAND_UNREACHABLE, .name = "shop"};
    ck_assert_msg(give(p, &o) == 0, "%s", p->answer);
    ck_assert(plant_until(p, 0, STATE_ON_LOAD, 60));
    ck_assert_msg(said(p, EVENT_QUEUE, "store passed then, warns now"), "%s", p->last_event[EVENT_QUEUE].text);
    ck_assert_double_eq(p->last_event[EVENT_QUEUE].values[0], 1);
    finish(p);
}
END_TEST

/* What no longer permits it: a journal that fills up with what a store does not take, a safety test that failed. The
 * run is skipped with the reason, the next one begins. */
START_TEST(what_changed_for_the_worse_skips_it)
{
    struct plant *p = rigged_bench(0);
    struct input_operator o = entry(p, 0);
    o.run.stores = (struct run_stores){.count = 1, .name = "shop"};
    put_on(p, 1);
    ck_assert_msg(give(p, &o) == 0, "%s", p->answer);
    put_on(p, 2);
    ck_assert(plant_until(p, 1, STATE_ON_LOAD, 60));
    if (_i == 0)
        p->stores = (struct run_stores){
            .count = 1, .in_trouble = 1, .worst = STORE_STAND_UNREACHABLE, .name = "shop", .backlog_near_cap = true};
    p->stores_run = o.run.run_no;
    struct input in = {.kind = INPUT_OPERATOR, .u.operator_ = {.verb = VERB_FACTS, .channel = -1, .device = -1}};
    (void)text_copy(in.u.operator_.run.serial, NAME_CAP, "HQ-100");
    in.u.operator_.run.safety_test_failed = true;
    if (_i == 1)
        plant_input(p, &in);
    ck_assert(plant_until(p, 2, STATE_ON_LOAD, 600));
    ck_assert_int_eq(plant_state(p, 0), STATE_RIGGING);
    ck_assert_int_eq(p->events_seen[EVENT_RUN_START], 2);
    ck_assert_int_eq(p->events_seen[EVENT_QUEUE], 3 + 3); /* added; begun, skipped, begun */
    finish(p);
}
END_TEST

START_TEST(nobody_answers_and_the_run_is_skipped)
{
    struct plant *p = rigged_bench(0);
    put_on(p, 0);
    p->facts_silent = true;
    plant_run(p, 5);
    ck_assert_int_eq(waiting(p), 1);
    plant_run(p, 10);
    ck_assert_int_eq(waiting(p), 0);
    ck_assert_int_eq(p->last_event[EVENT_QUEUE].code, QUEUE_SKIPPED);
    ck_assert_int_eq(p->events_seen[EVENT_RUN_START], 0);
    finish(p);
}
END_TEST

/* The view says when: a proof of one cycle at 40 % takes its four minutes and the guard. */
START_TEST(what_waits_is_told_when)
{
    struct plant *p = rigged_bench(0);
    put_on(p, 0);
    put_on(p, 1);
    struct input_operator o = entry(p, 2);
    o.run.procedure = PROCEDURE_SOAK;
    o.run.to_equilibrium = true;
    ck_assert_msg(give(p, &o) == 0, "%s", p->answer);
    put_on(p, 0);
    ck_assert(plant_until(p, 0, STATE_ON_LOAD, 60));
    ck_assert_int_eq(waiting(p), 3);
    const struct queue_view *q = p->view.queue;
    ck_assert_double_eq_tol(q[0].begin_s, 245, 10);
    ck_assert_double_eq_tol(q[0].end_s - q[0].begin_s, 245, 5);
    ck_assert(!q[0].at_least);
    ck_assert_double_eq_tol(q[1].begin_s, q[0].end_s, 1e-6);
    ck_assert_double_eq_tol(q[1].end_s - q[1].begin_s, 3600, 1e-6);
    ck_assert(q[1].at_least);
    ck_assert_double_eq_tol(q[2].begin_s, q[1].end_s, 1e-6);
    ck_assert(q[2].at_least);
    finish(p);
}
END_TEST

/* Soaks queued beside each other on a bank that carries two at a time: they are planned jointly, begin one after the
 * other, and never more than the bank takes are on. */
START_TEST(a_night_of_soaks_is_planned_jointly)
{
    struct plant *p = rigged_bench(3000);
    p->plans = true;
    for (int ch = 0; ch < 3; ch++) {
        struct input_operator o = entry(p, ch);
        o.run.procedure = PROCEDURE_SOAK;
        o.run.point.percent_on = 25;
        o.run.soak_ns = 7200 * SEC;
        o.run.together = true;
        o.run.point.i1max_a = 5;
        ck_assert_msg(give(p, &o) == 0, "%s", p->answer);
    }
    bool ran[3] = {false};
    for (int i = 0; i < 7600; i++) {
        int on = 0;
        plant_run(p, 1);
        for (int ch = 0; ch < 3; ch++) {
            on += p->channels[ch].unit.i2 > 0;
            ran[ch] = ran[ch] || p->channels[ch].unit.i2 > 0;
        }
        ck_assert_int_le(on, 1); /* 2624 W each */
        if (i == 1300)
            ck_assert_int_eq(waiting(p), 0);
    }
    ck_assert(ran[0] && ran[1] && ran[2]);
    ck_assert_int_ge(p->planned, 1);
    ck_assert_int_eq(p->events_seen[EVENT_RUN_START], 3);
    finish(p);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("queue");
    TCase *t = tcase_create("queue");
    tcase_set_timeout(t, 120);
    tcase_add_test(t, runs_begin_in_turn);
    tcase_add_test(t, what_is_refused_is_skipped);
    tcase_add_test(t, limits_hold_and_the_rest_waits);
    tcase_add_test(t, what_cannot_be_queued);
    tcase_add_loop_test(t, nothing_begins_after_the_queue_is_emptied, 0, CLOSERS);
    tcase_add_test(t, single_runs_come_off);
    tcase_add_test(t, nothing_of_it_outlives_the_session);
    tcase_add_test(t, a_store_in_trouble_is_recorded_and_borne);
    tcase_add_loop_test(t, what_changed_for_the_worse_skips_it, 0, 2);
    tcase_add_test(t, nobody_answers_and_the_run_is_skipped);
    tcase_add_test(t, what_waits_is_told_when);
    tcase_add_test(t, a_night_of_soaks_is_planned_jointly);
    suite_add_tcase(s, t);
    return suite_run(s);
}
