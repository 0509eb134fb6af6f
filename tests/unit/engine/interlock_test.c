/* Interlocks from every state, the ladder of an opening that is not confirmed, the lease, and what must not latch. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "error.h"
#include "hazard.h"
#include "plant.h"
#include "suite_run.h"

static bool in_use(enum channel_state s)
{
    return s == STATE_PREFLIGHT || s == STATE_SETTING || s == STATE_ON_LOAD || s == STATE_PAUSE ||
           s == STATE_RECOVERING;
}

static bool is_on_load(enum channel_state s)
{
    return s == STATE_SETTING || s == STATE_ON_LOAD;
}

/* Did the step that told of the interlock also open? The plant keeps the output of its latest step only, so look for
 * the opening command with the greatest number before the event's notification. */
static void opens_and_latches(struct plant *p, const struct hazard *h, enum channel_state from)
{
    double since = (double)p->now_ns / 1e9;
    int64_t opens = p->commands_seen[COMMAND_OPEN];
    h->cause(p, 0);
    if (p->events_seen[EVENT_INTERLOCK] == 0)
        ck_assert_msg(plant_until_event(p, EVENT_INTERLOCK, h->within_s + 0.2), "%s does not act in %s",
                      interlock_name(h->which), channel_state_name(from));
    const struct event *v = &p->last_event[EVENT_INTERLOCK];
    ck_assert_msg(v->code == (int)h->which, "%s instead of %s in %s: %s", interlock_name((enum interlock)v->code),
                  interlock_name(h->which), channel_state_name(from), v->text);
    ck_assert_msg((double)v->seen_ns / 1e9 - since <= h->within_s, "%s acts after %.2f s in %s",
                  interlock_name(h->which), (double)v->seen_ns / 1e9 - since, channel_state_name(from));
    ck_assert_int_gt(p->commands_seen[COMMAND_OPEN], opens);
    ck_assert_int_eq(plant_state(p, 0), STATE_LOCKED);
    plant_run(p, 30);
    ck_assert_int_eq(plant_state(p, 0), STATE_LOCKED);
    ck_assert(!plant_load_closed(p, 0));
    /* a cut-out that was seen and explained before still counts */
    ck_assert_int_eq(p->verdict[0].kind, from == STATE_RECOVERING ? VERDICT_NOT_MET : VERDICT_UNDECIDED);
    /* no reset without a reason */
    ck_assert_int_eq(plant_operate(p, VERB_RESET, 0, ""), 1);
}

static void stays_open_and_refuses(struct plant *p, const struct hazard *h, enum channel_state from)
{
    if (h->on_load)
        return;
    h->cause(p, 0);
    plant_run(p, h->within_s + 0.2);
    ck_assert(!plant_load_closed(p, 0));
    ck_assert_msg(p->events_seen[EVENT_INTERLOCK] == (from == STATE_LOCKED ? 1 : 0), "%s latches in %s",
                  interlock_name(h->which), channel_state_name(from));
    if (!h->standing)
        return;
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    ck_assert_msg(plant_start(p, 0, &q) == 1, "%s lets a run begin from %s", interlock_name(h->which),
                  channel_state_name(from));
}

START_TEST(every_interlock_from_every_state)
{
    int n;
    const struct hazard *h = &hazard_list(&n)[_i];
    for (int s = 0; s < STATE_COUNT_; s++) {
        enum channel_state from = (enum channel_state)s;
        struct plant *p = plant_new(1);
        plant_begin(p);
        ck_assert_msg(plant_bring_to(p, 0, from), "cannot come to %s: %s", channel_state_name(from), p->answer);
        if (from == STATE_RIGGING)
            ck_assert_int_eq(plant_operate(p, VERB_RIGGED, 0, ""), 0);
        bool waits = from == STATE_PREFLIGHT && (h->which == INTERLOCK_NO_FAN || h->which == INTERLOCK_SIGNAL_LOST);
        bool hidden = from == STATE_RECOVERING && h->which == INTERLOCK_ELEMENT;
        if (in_use(from) && !waits && !hidden && (!h->on_load || is_on_load(from)))
            opens_and_latches(p, h, from);
        else if (!in_use(from))
            stays_open_and_refuses(p, h, from);
        if (waits) { /* fans and signals may still come: nothing closes, and in the end the run is given up */
            h->cause(p, 0);
            plant_run(p, 40);
            ck_assert(!plant_load_closed(p, 0));
            ck_assert(plant_state(p, 0) == STATE_DONE || plant_state(p, 0) == STATE_LOCKED);
        }
        ck_assert_str_eq(p->broken, "");
        plant_free(p);
    }
}
END_TEST

/* The condition in one reading, and nothing else: the step that takes it opens. */
START_TEST(one_reading_is_enough)
{
    static const enum signal_kind kinds[] = {SIG_ESTOP, SIG_SMOKE,     SIG_T_BANK,  SIG_T_LEAD,
                                             SIG_U2,    SIG_FAN_PROOF, SIG_ISOLATED};
    static const enum channel_state from[] = {STATE_PREFLIGHT, STATE_SETTING, STATE_ON_LOAD, STATE_PAUSE,
                                              STATE_RECOVERING};
    static const double values[] = {1, 1, 251, 86, 121, 0, 1};
    enum signal_kind kind = kinds[_i / 5];
    struct plant *p = plant_new(1);
    plant_begin(p);
    ck_assert(plant_bring_to(p, 0, from[_i % 5]));
    int64_t before = p->events_seen[EVENT_INTERLOCK], opens = p->commands_seen[COMMAND_OPEN];
    p->now_ns += SEC / 20;
    p->channels[0].read[kind] = values[_i / 5];
    plant_poll(p, 0, 0);
    if (kind == SIG_FAN_PROOF && from[_i % 5] == STATE_PREFLIGHT) { /* fans may still come */
        ck_assert_int_eq(p->events_seen[EVENT_INTERLOCK], before);
    } else {
        ck_assert_msg(p->events_seen[EVENT_INTERLOCK] == before + 1, "%s in %s", signal_kind_name(kind),
                      channel_state_name(from[_i % 5]));
        ck_assert_int_gt(p->commands_seen[COMMAND_OPEN], opens);
        ck_assert_int_eq(plant_state(p, 0), STATE_LOCKED);
    }
    ck_assert_str_eq(p->broken, "");
    plant_free(p);
}
END_TEST

/* Every interlock there is has a hazard that is tried from every state, or a test of its own in this file. */
START_TEST(no_interlock_is_left_out)
{
    static const enum interlock own_test[] = {INTERLOCK_NONE, INTERLOCK_NOT_OPENED, INTERLOCK_CROSS_WIRED,
                                              INTERLOCK_MAX_ON_LOAD};
    int n;
    const struct hazard *h = hazard_list(&n);
    for (int which = 0; which < INTERLOCK_COUNT_; which++) {
        bool found = false;
        for (int i = 0; i < n; i++)
            found = found || (int)h[i].which == which;
        for (size_t i = 0; i < sizeof own_test / sizeof own_test[0]; i++)
            found = found || (int)own_test[i] == which;
        ck_assert_msg(found, "%s is not tried", interlock_name((enum interlock)which));
    }
}
END_TEST

/* On-load is bounded by the bench even where nothing else bounds it: a unit that is being dialled in for ever. */
START_TEST(the_longest_time_on_load_opens)
{
    struct plant *p = plant_new(1);
    p->bench.limits.max_on_load_ns = 400 * SEC;
    p->bench.limits.setting_cap_ns = 3600 * SEC;
    plant_begin(p);
    ck_assert(plant_bring_to(p, 0, STATE_SETTING));
    ck_assert(plant_until_event(p, EVENT_INTERLOCK, 420));
    ck_assert_int_eq(p->last_event[EVENT_INTERLOCK].code, INTERLOCK_MAX_ON_LOAD);
    ck_assert_str_eq(p->broken, "");
    plant_run(p, 2);
    ck_assert(!plant_load_closed(p, 0));
    plant_free(p);
}
END_TEST

START_TEST(steps_that_close_by_themselves_are_fought)
{
    static const enum channel_state at_rest[] = {STATE_FREE, STATE_RIGGING, STATE_PAUSE, STATE_DONE};
    for (int i = 0; i < 4; i++) {
        struct plant *p = plant_new(1);
        plant_begin(p);
        ck_assert(plant_bring_to(p, 0, at_rest[i]));
        plant_run(p, 2);
        p->channels[0].read[SIG_FEEDBACK] = 3;
        plant_run(p, 0.3);
        ck_assert_int_eq(p->last_event[EVENT_INTERLOCK].code, INTERLOCK_NOT_OPENED);
        ck_assert_int_ge(p->commands_seen[COMMAND_DROP], 1);
        plant_run(p, 5);
        ck_assert_int_eq(p->commands_seen[COMMAND_DROP], 2);
        ck_assert(p->channels[0].supply_tripped);
        plant_free(p);
    }
}
END_TEST

/* Feedback that lies: every step says open, and current flows in the pause. The same ladder, down to the supply. */
START_TEST(current_with_the_load_open_is_fought)
{
    struct plant *p = plant_new(1);
    plant_begin(p);
    ck_assert(plant_bring_to(p, 0, STATE_PAUSE));
    plant_run(p, 5);
    p->channels[0].read[SIG_I2] = 50;
    plant_run(p, 1.5);
    ck_assert_int_eq(p->events_seen[EVENT_INTERLOCK], 0); /* one reading is no current */
    ck_assert(plant_until_event(p, EVENT_INTERLOCK, 2));
    ck_assert_int_eq(p->last_event[EVENT_INTERLOCK].code, INTERLOCK_NOT_OPENED);
    plant_run(p, 6);
    ck_assert_int_eq(p->commands_seen[COMMAND_DROP], 2);
    ck_assert(p->channels[0].supply_tripped);
    ck_assert_int_ge(p->events_seen[EVENT_ALARM], 1);
    plant_free(p);
}
END_TEST

/* A meter whose zero is off where nothing runs wakes nobody. */
START_TEST(a_wandering_zero_at_rest_is_borne)
{
    struct plant *p = plant_new(1);
    plant_begin(p);
    p->channels[0].read[SIG_I2] = 9;
    plant_run(p, 30);
    ck_assert_int_eq(p->events_seen[EVENT_INTERLOCK], 0);
    ck_assert_int_eq(p->commands_seen[COMMAND_DROP], 0);
    plant_free(p);
}
END_TEST

/* Welded contactors: drop, once more, then beat and supply go, and somebody is called. */
START_TEST(welded_contactor_goes_up_the_ladder)
{
    struct plant *p = plant_new(2);
    plant_begin(p);
    ck_assert(plant_bring_to(p, 0, STATE_ON_LOAD));
    ck_assert(plant_bring_to(p, 1, STATE_ON_LOAD));
    p->channels[0].welded = true;
    p->channels[0].unit.triggered_unit = false; /* its output stays live */
    int64_t stops = p->commands_seen[COMMAND_BEAT_STOP];
    ck_assert_int_eq(plant_operate(p, VERB_END, 0, ""), 0);
    plant_run(p, 10);
    ck_assert_int_eq(p->commands_seen[COMMAND_DROP], 2);
    ck_assert_int_eq(p->commands_seen[COMMAND_BEAT_STOP], stops + 1);
    ck_assert(p->channels[0].supply_tripped);
    ck_assert_int_eq(p->events_seen[EVENT_SUPPLY_TRIP], 1);
    ck_assert_int_ge(p->events_seen[EVENT_ALARM], 1);
    ck_assert_int_eq(plant_state(p, 0), STATE_LOCKED);
    /* the whole device was dropped: its other channel is open and locked, too */
    ck_assert_int_eq(plant_state(p, 1), STATE_LOCKED);
    ck_assert(!plant_load_closed(p, 1));
    ck_assert_int_lt(p->lease_until_ns, p->now_ns);
    /* no reset while the step is closed */
    ck_assert_int_eq(plant_operate(p, VERB_RESET, 0, "looked at it"), 1);
    p->channels[0].welded = false;
    plant_run(p, 5);
    ck_assert_int_eq(plant_operate(p, VERB_RESET, 0, "contactor changed"), 0);
    ck_assert_int_eq(plant_operate(p, VERB_RESET, 1, "seen"), 0);
    plant_run(p, 5);
    ck_assert_int_eq(plant_state(p, 0), STATE_FREE);
    ck_assert_int_eq(plant_state(p, 1), STATE_FREE);
    ck_assert_int_gt(p->lease_until_ns, p->now_ns);
    plant_free(p);
}
END_TEST

START_TEST(lease_runs_only_while_all_is_well)
{
    struct plant *p = plant_new(1);
    plant_begin(p);
    ck_assert(plant_bring_to(p, 0, STATE_ON_LOAD));
    for (int i = 0; i < 50; i++) {
        plant_run(p, 0.5);
        ck_assert_int_gt(p->lease_until_ns - p->now_ns, p->bench.limits.lease_ns / 2);
        ck_assert_int_le(p->lease_until_ns - p->now_ns, p->bench.limits.lease_ns);
    }
    p->journal_stuck = true;
    struct input in = {.kind = INPUT_JOURNAL, .u.journal = {.failed = true}};
    plant_input(p, &in);
    int64_t until = p->lease_until_ns;
    plant_run(p, 10);
    ck_assert_int_eq(p->lease_until_ns, until);
    plant_free(p);
}
END_TEST

/* 63 s of silence from a safety signal latch; 2 s of silence from an informative or a judgement one do nothing. */
START_TEST(classes_bear_their_own_silence)
{
    struct plant *p = plant_new(1);
    plant_begin(p);
    ck_assert(plant_bring_to(p, 0, STATE_ON_LOAD));
    p->channels[0].silent[SIG_T_EXHAUST] = p->channels[0].silent[SIG_I1] = p->channels[0].silent[SIG_U1] = true;
    plant_run(p, 2);
    p->channels[0].silent[SIG_T_EXHAUST] = p->channels[0].silent[SIG_I1] = p->channels[0].silent[SIG_U1] = false;
    ck_assert(plant_until(p, 0, STATE_PAUSE, 300));
    ck_assert_int_eq(p->events_seen[EVENT_INTERLOCK], 0);
    plant_run(p, 5);
    ck_assert_int_eq(p->last_event[EVENT_CYCLE].code2, 1);
    ck_assert(plant_until(p, 0, STATE_ON_LOAD, 600));
    plant_run(p, 20);
    p->channels[0].silent[SIG_I2] = true;
    plant_run(p, 63);
    ck_assert_int_eq(p->last_event[EVENT_INTERLOCK].code, INTERLOCK_SIGNAL_LOST);
    ck_assert_int_eq(plant_state(p, 0), STATE_LOCKED);
    plant_free(p);
}
END_TEST

/* A judgement signal that is gone for longer than it may be voids the cycle and latches nothing. */
START_TEST(lost_judgement_signal_voids)
{
    struct plant *p = plant_new(1);
    plant_begin(p);
    ck_assert(plant_bring_to(p, 0, STATE_ON_LOAD));
    p->channels[0].silent[SIG_U1] = true;
    plant_run(p, 40);
    p->channels[0].silent[SIG_U1] = false;
    ck_assert(plant_until(p, 0, STATE_PAUSE, 300));
    plant_run(p, 5);
    ck_assert_int_eq(p->events_seen[EVENT_INTERLOCK], 0);
    ck_assert_int_eq(p->last_event[EVENT_CYCLE].code2, 0);
    ck_assert(plant_until(p, 0, STATE_DONE, 900));
    ck_assert_int_eq(p->verdict[0].kind, VERDICT_UNDECIDED);
    ck_assert_int_eq(p->verdict[0].cycles_void, 1);
    ck_assert_int_eq(p->verdict[0].cycles_valid, 1);
    plant_free(p);
}
END_TEST

START_TEST(contactor_that_does_not_close_is_seen)
{
    struct plant *p = plant_new(1);
    plant_begin(p);
    p->channels[0].stuck_open = true;
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    ck_assert(plant_until_event(p, EVENT_INTERLOCK, 10));
    ck_assert_int_eq(p->last_event[EVENT_INTERLOCK].code, INTERLOCK_NOT_CLOSED);
    plant_free(p);
}
END_TEST

START_TEST(crossed_leads_are_seen_at_first_load)
{
    struct plant *p = plant_new(2);
    plant_begin(p);
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    ck_assert(plant_until(p, 0, STATE_ON_LOAD, 10));
    plant_run(p, 0.1);
    p->channels[0].read[SIG_I2] = 0;
    p->channels[1].read[SIG_I2] = 160;
    plant_run(p, 2);
    ck_assert_int_eq(p->last_event[EVENT_INTERLOCK].code, INTERLOCK_CROSS_WIRED);
    plant_free(p);
}
END_TEST

START_TEST(on_load_is_capped)
{
    struct plant *p = plant_new(1);
    p->bench.limits.max_on_load_ns = 400 * SEC;
    plant_begin(p);
    struct run_request q = plant_request(PROCEDURE_TO_CUTOUT, 160, 40);
    q.cap_ns = 3000 * SEC;
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    ck_assert(plant_until(p, 0, STATE_DONE, 500)); /* the procedure's own cap lies inside the bench's */
    ck_assert_int_eq(p->events_seen[EVENT_INTERLOCK], 0);
    plant_free(p);
}
END_TEST

START_TEST(a_rule_opens_and_another_flags)
{
    struct plant *p = plant_new(1);
    p->bench.rule_count = 2;
    p->bench.rules[0] = (struct bench_rule){.name = "exhaust hot",
                                            .channel = -1,
                                            .signal = "t_exhaust",
                                            .sense = RULE_ABOVE,
                                            .high = 25,
                                            .for_ns = 5 * SEC,
                                            .action = RULE_FLAG};
    p->bench.rules[1] = (struct bench_rule){.name = "intake",
                                            .channel = 0,
                                            .signal = "t_intake",
                                            .sense = RULE_OUTSIDE,
                                            .low = 5,
                                            .high = 45,
                                            .while_state = "on-load",
                                            .action = RULE_OPEN};
    plant_begin(p);
    ck_assert(plant_bring_to(p, 0, STATE_ON_LOAD));
    plant_run(p, 150);
    ck_assert_int_eq(p->events_seen[EVENT_RULE], 1);
    p->channels[0].read[SIG_T_INTAKE] = 50;
    plant_run(p, 1);
    ck_assert_int_eq(p->last_event[EVENT_INTERLOCK].code, INTERLOCK_RULE);
    ck_assert_ptr_nonnull(strstr(p->verdict[0].reason, "exhaust hot"));
    plant_free(p);
}
END_TEST

/* A session that begins with a proof of an earlier one, an hour old, and what the load controller tells when it is
 * connected. Only a controller that says that it kept its supply keeps the proof (safe side: the bench's own rule). */
static const struct {
    struct input_link link;
    bool kept;
} reconnections[] = {
    {{.tells = POWER_UP_UNKNOWN, .power_up_value = NAN}, false},
    {{.tells = POWER_UP_MARK, .power_up_value = NAN}, true},
    {{.tells = POWER_UP_MARK, .power_up_value = NAN, .power_up = true}, false},
    {{.tells = POWER_UP_COUNT, .power_up_value = 12}, true},
    {{.tells = POWER_UP_COUNT, .power_up_value = 13}, false},
    {{.tells = POWER_UP_COUNT, .power_up_value = NAN}, false},
    {{.tells = POWER_UP_COUNT, .power_up_value = 12, .power_up = true}, false},
    {{.tells = POWER_UP_UPTIME, .power_up_value = 2 * 3600}, true},
    {{.tells = POWER_UP_UPTIME, .power_up_value = 3600}, false}, /* as old as the proof: cannot be told apart */
    {{.tells = POWER_UP_UPTIME, .power_up_value = 1800}, false},
    {{.tells = POWER_UP_UPTIME, .power_up_value = NAN}, false},
};

START_TEST(a_proof_outlives_what_it_may)
{
    struct plant *p = plant_new(1);
    struct bench_view view;
    struct input_boot carry = {0};
    const int64_t hour_ns = INT64_C(3600) * 1000000000;
    p->engine = engine_new(&p->bench);
    struct input boot = {.kind = INPUT_BOOT,
                         .u.boot = {.epoch = 2, .utc_ns = p->utc0_ns, .device_count = p->bench.device_count}};
    (void)text_copy(boot.u.boot.engine_version, NAME_CAP, engine_version());
    boot.u.boot.devices[0] = (struct carry_device){
        .watchdog_proved_utc_ns = p->utc0_ns - hour_ns, .watchdog_took_ns = SEC, .power_up_count = 12};
    plant_input(p, &boot);
    struct input link = {.kind = INPUT_LINK, .u.link = reconnections[_i].link};
    link.u.link.up = true;
    plant_input(p, &link);
    engine_view(p->engine, &view);
    ck_assert_int_eq(view.devices[0].watchdog_proved, reconnections[_i].kept);
    engine_carry(p->engine, &carry); /* and the next session gets the same */
    ck_assert_int_eq(carry.devices[0].watchdog_proved_utc_ns > 0, reconnections[_i].kept);
    ck_assert_double_eq(carry.devices[0].power_up_count, 12);
    plant_free(p);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("engine interlocks");
    TCase *t = tcase_create("interlocks");
    tcase_set_timeout(t, 60);
    int hazards;
    (void)hazard_list(&hazards);
    tcase_add_loop_test(t, every_interlock_from_every_state, 0, hazards);
    tcase_add_loop_test(t, a_proof_outlives_what_it_may, 0, sizeof reconnections / sizeof reconnections[0]);
    tcase_add_loop_test(t, one_reading_is_enough, 0, 35);
    tcase_add_test(t, no_interlock_is_left_out);
    tcase_add_test(t, the_longest_time_on_load_opens);
    tcase_add_test(t, steps_that_close_by_themselves_are_fought);
    tcase_add_test(t, current_with_the_load_open_is_fought);
    tcase_add_test(t, a_wandering_zero_at_rest_is_borne);
    tcase_add_test(t, welded_contactor_goes_up_the_ladder);
    tcase_add_test(t, lease_runs_only_while_all_is_well);
    tcase_add_test(t, classes_bear_their_own_silence);
    tcase_add_test(t, lost_judgement_signal_voids);
    tcase_add_test(t, contactor_that_does_not_close_is_seen);
    tcase_add_test(t, crossed_leads_are_seen_at_first_load);
    tcase_add_test(t, on_load_is_capped);
    tcase_add_test(t, a_rule_opens_and_another_flags);
    suite_add_tcase(s, t);
    return suite_run(s);
}
