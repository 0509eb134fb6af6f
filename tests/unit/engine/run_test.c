/* Whole runs through the engine: verdicts of each kind, shutoffs and their causes, replay, order of buses. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "plant.h"
#include "suite_run.h"

static struct plant *begun(int channels)
{
    struct plant *p = plant_new(channels);
    plant_begin(p);
    ck_assert_int_eq(p->events_seen[EVENT_WATCHDOG_PROVED], 1);
    return p;
}

static void finish(struct plant *p)
{
    ck_assert_str_eq(p->broken, "");
    ck_assert(!p->overflowed);
    plant_free(p);
}

/* The proof times the opening by feedback: the plant's watchdog acts after 3 s. */
START_TEST(watchdog_is_timed)
{
    struct plant *p = begun(1);
    double took = p->last_event[EVENT_WATCHDOG_PROVED].values[0];
    ck_assert_double_ge(took, 2.9);
    ck_assert_double_le(took, 3.5);
    finish(p);
}
END_TEST

START_TEST(watchdog_that_anything_feeds_is_found)
{
    struct plant *p = plant_new(1);
    p->beat_feeds_all = true;
    plant_begin(p);
    plant_run(p, 20);
    ck_assert_int_eq(p->events_seen[EVENT_WATCHDOG_PROVED], 0);
    ck_assert_int_ge(p->events_seen[EVENT_ALARM], 1);
    ck_assert(!plant_load_closed(p, 0));
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    ck_assert_int_eq(plant_start(p, 0, &q), 1);
    ck_assert_ptr_nonnull(strstr(p->answer, "watchdog"));
    finish(p);
}
END_TEST

/* A cold cycle that holds earns `held`, never `met`: bench practice, no published source. */
START_TEST(cold_proof_is_held)
{
    struct plant *p = begun(1);
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    ck_assert_msg(plant_start(p, 0, &q) == 0, "%s", p->answer);
    ck_assert(plant_until(p, 0, STATE_DONE, 400));
    const struct verdict *v = &p->verdict[0];
    ck_assert_msg(v->kind == VERDICT_HELD, "%s", v->reason);
    ck_assert_int_eq(v->basis, BASIS_COLD_CYCLE);
    ck_assert_int_eq(v->cycles_valid, 1);
    /* 40 % of ten minutes, and the guard on top */
    ck_assert_double_eq_tol(v->rated_on_s, 240, 1e-9);
    ck_assert_double_ge(v->at_rated_s, 244);
    ck_assert_double_le(v->at_rated_s, 248);
    ck_assert_double_eq_tol(v->current_a, 160.5, 0.01);
    ck_assert(!plant_load_closed(p, 0));
    finish(p);
}
END_TEST

START_TEST(always_live_proof_is_held)
{
    struct plant *p = plant_new(1);
    p->channels[0].unit.triggered_unit = false;
    plant_begin(p);
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    q.point.control = CONTROL_ALWAYS_LIVE;
    ck_assert_msg(plant_start(p, 0, &q) == 0, "%s", p->answer);
    ck_assert(plant_until(p, 0, STATE_DONE, 400));
    ck_assert_msg(p->verdict[0].kind == VERDICT_HELD, "%s", p->verdict[0].reason);
    ck_assert_int_ge(p->events_seen[EVENT_UNIT_LIVE], 1);
    finish(p);
}
END_TEST

START_TEST(soak_to_equilibrium_is_met)
{
    struct plant *p = begun(1);
    struct run_request q = plant_request(PROCEDURE_SOAK, 160, 40);
    q.to_equilibrium = true;
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    ck_assert(plant_until(p, 0, STATE_DONE, 6 * 3600));
    const struct verdict *v = &p->verdict[0];
    ck_assert_msg(v->kind == VERDICT_MET, "%s", v->reason);
    ck_assert_int_eq(v->basis, BASIS_EQUILIBRIUM);
    ck_assert_uint_eq(v->deviations & KIND_COOL_INTAKE, KIND_COOL_INTAKE);
    ck_assert_double_le(v->drift_k_per_h, 2);
    ck_assert_int_eq(v->cycles_void, 0);
    finish(p);
}
END_TEST

/* Holds the first cycle from cold, is cut out hot: what every newcomer has to see. */
START_TEST(cut_out_hot_is_not_met)
{
    struct plant *p = begun(1);
    p->channels[0].unit.cut_k = 52;
    p->channels[0].unit.reset_k = 30;
    struct run_request q = plant_request(PROCEDURE_SOAK, 160, 40);
    q.to_equilibrium = true;
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    ck_assert(plant_until(p, 0, STATE_DONE, 6 * 3600));
    const struct verdict *v = &p->verdict[0];
    ck_assert_msg(v->kind == VERDICT_NOT_MET, "%s", v->reason);
    ck_assert_int_eq(v->cause, CAUSE_THERMAL_CUTOUT);
    ck_assert_int_ge(v->cycles_valid, 2);
    /* shut off in a later cycle: no longer a cold one */
    ck_assert_int_eq(v->basis, BASIS_WARM_CYCLE);
    ck_assert_double_lt(v->shutoff_s, 240);
    ck_assert_double_gt(v->reset_s, 60);
    ck_assert_int_ge(p->events_seen[EVENT_RESET_SEEN], 1);
    finish(p);
}
END_TEST

START_TEST(lost_supply_is_undecided_with_a_finding)
{
    struct plant *p = begun(1);
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    ck_assert(plant_until(p, 0, STATE_ON_LOAD, 10));
    plant_run(p, 60);
    p->channels[0].unit.supply_present = false;
    ck_assert(plant_until(p, 0, STATE_DONE, 60));
    const struct verdict *v = &p->verdict[0];
    ck_assert_int_eq(v->kind, VERDICT_UNDECIDED);
    ck_assert_msg(v->cause == CAUSE_SUPPLY_LOST, "%s", v->reason);
    ck_assert_str_ne(v->finding, "");
    finish(p);
}
END_TEST

/* The meter that the circuit feeds dies with it. */
START_TEST(dead_meter_tells_of_the_lost_supply)
{
    struct plant *p = plant_new(1);
    p->bench.devices[1].powered_from = 0;
    plant_begin(p);
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    ck_assert(plant_until(p, 0, STATE_ON_LOAD, 10));
    plant_run(p, 60);
    p->channels[0].unit.supply_present = false;
    p->meters_silent = true;
    ck_assert(plant_until(p, 0, STATE_DONE, 60));
    ck_assert_msg(p->verdict[0].cause == CAUSE_SUPPLY_LOST, "%s", p->last_event[EVENT_SHUTOFF].text);
    ck_assert_int_eq(p->verdict[0].kind, VERDICT_UNDECIDED);
    finish(p);
}
END_TEST

START_TEST(open_lead_is_undecided)
{
    struct plant *p = begun(1);
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    ck_assert(plant_until(p, 0, STATE_ON_LOAD, 10));
    plant_run(p, 60);
    p->channels[0].unit.path_open = true;
    ck_assert(plant_until(p, 0, STATE_DONE, 60));
    ck_assert_int_eq(p->verdict[0].kind, VERDICT_UNDECIDED);
    ck_assert_msg(p->verdict[0].cause == CAUSE_LOAD_PATH_OPEN, "%s", p->verdict[0].reason);
    ck_assert_str_ne(p->verdict[0].finding, "");
    finish(p);
}
END_TEST

/* One signal that moves alone is a meter in doubt, not a shutoff. */
START_TEST(lone_signal_is_meter_doubt)
{
    static const enum signal_kind alone[] = {SIG_I2, SIG_U2};
    for (int k = 0; k < 2; k++) {
        struct plant *p = begun(1);
        struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
        ck_assert_int_eq(plant_start(p, 0, &q), 0);
        ck_assert(plant_until(p, 0, STATE_ON_LOAD, 10));
        plant_run(p, 60);
        p->channels[0].read[alone[k]] = 0;
        ck_assert(plant_until(p, 0, STATE_DONE, 60));
        ck_assert_int_eq(p->events_seen[EVENT_METER_DOUBT], 1);
        ck_assert_int_eq(p->events_seen[EVENT_SHUTOFF], 0);
        ck_assert_int_eq(p->verdict[0].kind, VERDICT_UNDECIDED);
        finish(p);
    }
}
END_TEST

START_TEST(unplugged_unit_stays_two_candidates)
{
    struct plant *p = begun(1);
    p->bench.limits.recover_cap_ns = 300 * SEC;
    engine_free(p->engine);
    p->channels[0].unit.switched_on = false;
    plant_begin(p);
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    ck_assert(plant_until(p, 0, STATE_ON_LOAD, 10));
    plant_run(p, 60);
    p->channels[0].unit.switched_on = false;
    ck_assert(plant_until_event(p, EVENT_SHUTOFF, 20));
    ck_assert_int_eq(p->last_event[EVENT_SHUTOFF].code, CAUSE_THERMAL_CUTOUT);
    ck_assert_int_eq(p->last_event[EVENT_SHUTOFF].code2, CAUSE_SWITCHED_OFF);
    ck_assert_double_le(p->last_event[EVENT_SHUTOFF].values[1], 0.6);
    ck_assert(plant_until(p, 0, STATE_DONE, 400));
    ck_assert_int_eq(p->verdict[0].kind, VERDICT_UNDECIDED);
    finish(p);
}
END_TEST

START_TEST(never_reached_fails_only_when_confirmed)
{
    for (int confirmed = 0; confirmed < 2; confirmed++) {
        struct plant *p = begun(1);
        p->channels[0].unit.set_a = 140;
        struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
        q.control_at_maximum = confirmed;
        ck_assert_int_eq(plant_start(p, 0, &q), 0);
        ck_assert(plant_until(p, 0, STATE_DONE, 400));
        ck_assert_int_eq(p->events_seen[EVENT_NEVER_REACHED], 1);
        ck_assert_msg(p->verdict[0].kind == (confirmed ? VERDICT_NOT_MET : VERDICT_UNDECIDED), "%s",
                      p->verdict[0].reason);
        finish(p);
    }
}
END_TEST

/* 108 % current is 17 % more heat: a cut-out then is no fail. */
START_TEST(cut_out_under_harsh_current_is_undecided)
{
    struct plant *p = begun(1);
    p->channels[0].unit.set_a = 173;
    p->channels[0].unit.rise_k = 400;
    p->channels[0].unit.cut_k = 60;
    p->channels[0].unit.reset_k = 20;
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    ck_assert(plant_until(p, 0, STATE_DONE, 4000));
    ck_assert_int_eq(p->verdict[0].cause, CAUSE_THERMAL_CUTOUT);
    ck_assert_msg(p->verdict[0].kind == VERDICT_UNDECIDED, "%s", p->verdict[0].reason);
    ck_assert_uint_ne(p->verdict[0].deviations & HARSH_I2_HIGH, 0);
    finish(p);
}
END_TEST

START_TEST(operator_ends_undecided_and_opens)
{
    struct plant *p = begun(1);
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    ck_assert(plant_until(p, 0, STATE_ON_LOAD, 10));
    plant_run(p, 30);
    int done = p->done_answers;
    ck_assert_int_eq(plant_operate(p, VERB_END, 0, "seen enough"), 0);
    ck_assert(plant_until(p, 0, STATE_DONE, 10));
    ck_assert_int_eq(p->done_answers, done + 1);
    ck_assert(!plant_load_closed(p, 0));
    ck_assert_int_eq(p->verdict[0].kind, VERDICT_UNDECIDED);
    ck_assert_int_eq(p->verdict[0].cause, CAUSE_OPERATOR);
    ck_assert_double_gt(p->verdict[0].conducting_s, 25);
    ck_assert_int_eq(plant_operate(p, VERB_RELEASE, 0, ""), 0);
    ck_assert_int_eq(plant_state(p, 0), STATE_FREE);
    finish(p);
}
END_TEST

START_TEST(to_cutout_times_on_and_reset)
{
    struct plant *p = begun(1);
    p->channels[0].unit.rise_k = 300;
    p->channels[0].unit.cut_k = 90;
    p->channels[0].unit.reset_k = 70;
    struct run_request q = plant_request(PROCEDURE_TO_CUTOUT, 160, 40);
    q.cap_ns = 1800 * SEC;
    q.repeats = 4;
    (void)strcat(q.accepts, " cutouts");
    ck_assert_msg(plant_start(p, 0, &q) == 0, "%s", p->answer);
    ck_assert(plant_until(p, 0, STATE_DONE, 6 * 3600));
    const struct verdict *v = &p->verdict[0];
    ck_assert_int_eq(p->events_seen[EVENT_RESET_SEEN], 4);
    ck_assert_msg(v->own_percent_on > 5 && v->own_percent_on < 60, "%f %s", v->own_percent_on, v->reason);
    ck_assert_ptr_nonnull(strstr(v->reason, "thermal-cutout"));
    ck_assert_ptr_nonnull(strstr(v->reason, "reset after"));
    ck_assert_ptr_nonnull(strstr(v->reason, "own capability"));
    finish(p);
}
END_TEST

/* Past the rating, then cut out: the sentence says by how much. */
START_TEST(to_cutout_past_the_rating_names_the_cutout)
{
    struct plant *p = begun(1);
    p->channels[0].unit.cut_k = 40;
    p->channels[0].unit.reset_k = 30;
    struct run_request q = plant_request(PROCEDURE_TO_CUTOUT, 160, 35);
    q.cap_ns = 1800 * SEC;
    ck_assert_msg(plant_start(p, 0, &q) == 0, "%s", p->answer);
    ck_assert(plant_until(p, 0, STATE_DONE, 7200));
    const struct verdict *v = &p->verdict[0];
    ck_assert_msg(v->kind == VERDICT_HELD, "%s", v->reason);
    ck_assert_int_eq(v->cause, CAUSE_THERMAL_CUTOUT);
    ck_assert_msg(strstr(v->reason, "past it), then thermal-cutout; reset after") != NULL, "%s", v->reason);
    finish(p);
}
END_TEST

START_TEST(hundred_percent_point_is_a_soak)
{
    struct plant *p = begun(1);
    p->channels[0].unit.set_a = 110.5;
    struct run_request q = plant_request(PROCEDURE_PROOF, 110, 100);
    ck_assert_int_eq(plant_start(p, 0, &q), 1);
    q.procedure = PROCEDURE_SOAK;
    q.to_equilibrium = true;
    ck_assert_msg(plant_start(p, 0, &q) == 0, "%s", p->answer);
    ck_assert(plant_until(p, 0, STATE_DONE, 6 * 3600));
    ck_assert_msg(p->verdict[0].kind == VERDICT_MET, "%s", p->verdict[0].reason);
    ck_assert_int_eq(p->events_seen[EVENT_INTENT], 2); /* the watchdog's proof and this run: the load stayed closed */
    finish(p);
}
END_TEST

START_TEST(setting_rests_before_the_first_cycle)
{
    struct plant *p = begun(1);
    p->channels[0].unit.set_a = 150;
    struct run_request q = plant_request(PROCEDURE_SCREEN, 160, 40);
    q.setting = true;
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    ck_assert(plant_until(p, 0, STATE_SETTING, 10));
    plant_run(p, 10);
    ck_assert_str_eq(p->last_event[EVENT_ADVICE].text, "raise the unit by 10 A");
    p->channels[0].unit.set_a = 161;
    plant_run(p, 5);
    ck_assert_int_eq(plant_operate(p, VERB_SET, 0, ""), 0);
    ck_assert(plant_until(p, 0, STATE_PAUSE, 5));
    ck_assert(plant_until(p, 0, STATE_ON_LOAD, 60));
    ck_assert(plant_until(p, 0, STATE_DONE, 300));
    ck_assert_int_eq(p->verdict[0].basis, BASIS_WARM_CYCLE);
    ck_assert_int_eq(p->verdict[0].kind, VERDICT_HELD);
    finish(p);
}
END_TEST

/* Feeds the recorded inputs to a second engine and compares everything that comes out. */
START_TEST(replay_is_equal_to_the_bit)
{
    struct plant *p = begun(2);
    p->channels[1].unit.cut_k = 52;
    p->channels[1].unit.reset_k = 30;
    struct run_request q = plant_request(PROCEDURE_SOAK, 160, 40);
    q.soak_ns = 2 * 3600 * SEC;
    q.go_on_after_cutout = true;
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    ck_assert_int_eq(plant_start(p, 1, &q), 0);
    plant_run(p, 8000);
    struct plant *again = plant_new(2);
    again->engine = engine_new(&p->bench);
    uint64_t events = 0, differing = 0;
    for (size_t at = 0; at < p->log_used;) {
        uint32_t n;
        memcpy(&n, p->log + at, 4);
        struct reader r = reader_over(p->log + at + 4, n);
        struct input in;
        get_input(&r, &in);
        ck_assert(!r.bad);
        engine_step(again->engine, &in, again->out);
        for (int i = 0; i < again->out->event_count; i++) {
            uint8_t bytes[2048];
            struct writer w = writer_over(bytes, sizeof bytes);
            put_event(&w, &again->out->events[i]);
            for (size_t b = 0; b < w.used; b++)
                again->hash = (again->hash ^ bytes[b]) * UINT64_C(1099511628211);
            events++;
        }
        for (int i = 0; i < again->out->verdict_count; i++) {
            uint8_t bytes[2048];
            struct writer w = writer_over(bytes, sizeof bytes);
            put_verdict(&w, &again->out->verdicts[i]);
            for (size_t b = 0; b < w.used; b++)
                again->hash = (again->hash ^ bytes[b]) * UINT64_C(1099511628211);
        }
        for (int i = 0; i < again->out->command_count; i++) {
            const struct command *k = &again->out->commands[i];
            const uint8_t *parts[] = {(const uint8_t *)&k->kind, (const uint8_t *)&k->number,
                                      (const uint8_t *)&k->mask};
            const size_t sizes[] = {sizeof k->kind, sizeof k->number, sizeof k->mask};
            for (int j = 0; j < 3; j++)
                for (size_t b = 0; b < sizes[j]; b++)
                    again->hash = (again->hash ^ parts[j][b]) * UINT64_C(1099511628211);
        }
        at += 4 + n;
    }
    ck_assert_uint_eq(differing, 0);
    ck_assert_uint_gt(events, 50);
    ck_assert_uint_eq(again->hash, p->hash);
    plant_free(again);
    finish(p);
}
END_TEST

/* Which bus comes first within a poll changes no figure. */
START_TEST(order_of_buses_changes_no_figure)
{
    struct verdict first = {0};
    for (uint64_t seed = 0; seed < 4; seed++) {
        struct plant *p = plant_new(1);
        p->order_seed = seed * 977;
        plant_begin(p);
        struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
        q.cycles = 2;
        ck_assert_int_eq(plant_start(p, 0, &q), 0);
        ck_assert(plant_until(p, 0, STATE_DONE, 1000));
        const struct verdict *v = &p->verdict[0];
        if (seed == 0)
            first = *v;
        ck_assert_double_eq(v->at_rated_s, first.at_rated_s);
        ck_assert_double_eq(v->conducting_s, first.conducting_s);
        ck_assert_double_eq(v->current_a, first.current_a);
        ck_assert_double_eq(v->supply_v, first.supply_v);
        ck_assert_double_eq(v->intake_degc, first.intake_degc);
        ck_assert_int_eq(v->kind, first.kind);
        finish(p);
    }
}
END_TEST

/* Ticks of time in between, at any points, change nothing but numbers. */
START_TEST(grouping_changes_nothing)
{
    struct verdict first = {0};
    int64_t counts[EVENT_KIND_COUNT_] = {0};
    for (int parts = 0; parts < 3; parts++) {
        struct plant *p = plant_new(1);
        p->tick_parts = parts;
        plant_begin(p);
        p->channels[0].unit.rise_k = 400;
        p->channels[0].unit.cut_k = 60;
        p->channels[0].unit.reset_k = 20;
        struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
        ck_assert_int_eq(plant_start(p, 0, &q), 0);
        ck_assert(plant_until(p, 0, STATE_DONE, 4000));
        if (parts == 0) {
            first = p->verdict[0];
            memcpy(counts, p->events_seen, sizeof counts);
        }
        ck_assert_int_eq(memcmp(counts, p->events_seen, sizeof counts), 0);
        ck_assert_double_eq(p->verdict[0].shutoff_s, first.shutoff_s);
        ck_assert_double_eq(p->verdict[0].reset_s, first.reset_s);
        ck_assert_str_eq(p->verdict[0].reason, first.reason);
        finish(p);
    }
}
END_TEST

/* Seconds from the start until the run is given up for want of current. */
static double gave_up_after(double begin_s)
{
    struct plant *p = plant_new(1);
    p->bench.limits.time_ns[TIME_BEGIN] = (int64_t)(begin_s * 1e9);
    plant_begin(p);
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    p->channels[0].unit.path_open = true;
    ck_assert(plant_until_event(p, EVENT_CYCLE_BEGIN, 30));
    int64_t from = p->now_ns;
    ck_assert(plant_until_event(p, EVENT_NEVER_REACHED, 200));
    double took = (double)(p->now_ns - from) / 1e9;
    finish(p);
    return took;
}

/* What the bench's file says is what holds. */
START_TEST(times_and_levels_are_the_benchs)
{
    ck_assert_double_eq_tol(gave_up_after(40) - gave_up_after(10), 30, 0.3);
    for (int wide = 0; wide < 2; wide++) {
        struct plant *p = plant_new(1);
        p->bench.limits.level[LEVEL_ELEMENT_HIGH] = wide ? 150 : 125;
        plant_begin(p);
        struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
        ck_assert_int_eq(plant_start(p, 0, &q), 0);
        ck_assert(plant_until(p, 0, STATE_ON_LOAD, 10));
        plant_run(p, 20);
        p->channels[0].read[SIG_U2] = 16.4 * 1.35; /* 35 % above what the closed steps give */
        plant_run(p, 20);
        ck_assert_int_eq(plant_state(p, 0), wide ? STATE_ON_LOAD : STATE_LOCKED);
        finish(p);
    }
}
END_TEST

int main(void)
{
    Suite *s = suite_create("engine runs");
    TCase *t = tcase_create("runs");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, watchdog_is_timed);
    tcase_add_test(t, watchdog_that_anything_feeds_is_found);
    tcase_add_test(t, cold_proof_is_held);
    tcase_add_test(t, always_live_proof_is_held);
    tcase_add_test(t, soak_to_equilibrium_is_met);
    tcase_add_test(t, cut_out_hot_is_not_met);
    tcase_add_test(t, lost_supply_is_undecided_with_a_finding);
    tcase_add_test(t, dead_meter_tells_of_the_lost_supply);
    tcase_add_test(t, open_lead_is_undecided);
    tcase_add_test(t, lone_signal_is_meter_doubt);
    tcase_add_test(t, unplugged_unit_stays_two_candidates);
    tcase_add_test(t, never_reached_fails_only_when_confirmed);
    tcase_add_test(t, cut_out_under_harsh_current_is_undecided);
    tcase_add_test(t, operator_ends_undecided_and_opens);
    tcase_add_test(t, to_cutout_times_on_and_reset);
    tcase_add_test(t, to_cutout_past_the_rating_names_the_cutout);
    tcase_add_test(t, hundred_percent_point_is_a_soak);
    tcase_add_test(t, setting_rests_before_the_first_cycle);
    tcase_add_test(t, replay_is_equal_to_the_bit);
    tcase_add_test(t, order_of_buses_changes_no_figure);
    tcase_add_test(t, times_and_levels_are_the_benchs);
    tcase_add_test(t, grouping_changes_nothing);
    suite_add_tcase(s, t);
    return suite_run(s);
}
