/* What is decided before current flows: preflight lines, who may be on-load together, what the next session is told. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "error.h"
#include "plant.h"
#include "preflight.h"
#include "suite_run.h"
#include "survey_run.h"

/* A start that preflight must refuse, and the line that must say so. */
struct refusal {
    const char *line;
    void (*spoil)(struct plant *p, struct run_request *q);
    const char *accept; /* NULL: a refusal, not to be accepted away */
};

static void no_safety_test(struct plant *p, struct run_request *q)
{
    (void)p;
    q->safety_test_utc_s = 0;
    (void)text_copy(q->accepts, TEXT_CAP, "load-path");
}
static void no_set_up(struct plant *p, struct run_request *q)
{
    (void)p;
    q->setup_confirmed = false;
}
static void live_without_breaking(struct plant *p, struct run_request *q)
{
    (void)p;
    q->point.control = CONTROL_ALWAYS_LIVE;
    q->point.no_load_v = 105; /* contactors of the plant break up to 100 V */
}
static void too_much_voltage(struct plant *p, struct run_request *q)
{
    (void)p;
    q->point.no_load_v = 300;
    q->point.process = PROCESS_PLASMA_CUT;
}
static void wrong_supply(struct plant *p, struct run_request *q)
{
    (void)p;
    q->point.supply_v = 400;
}
static void ac_with_mean_meters(struct plant *p, struct run_request *q)
{
    (void)p;
    q->point.output = OUTPUT_AC;
    q->point.no_load_v = 70;
}
static void past_rating_unprotected(struct plant *p, struct run_request *q)
{
    (void)p;
    q->procedure = PROCEDURE_TO_CUTOUT;
    q->protection = PROTECTION_NONE;
}
static void past_rating_without_consent(struct plant *p, struct run_request *q)
{
    (void)p;
    q->procedure = PROCEDURE_TO_CUTOUT;
    q->consent_past_rating = false;
}
static void continuous_proof(struct plant *p, struct run_request *q)
{
    (void)p;
    q->point.percent_on = 100;
}
static void weak_cable(struct plant *p, struct run_request *q)
{
    (void)p;
    q->point.current_a = 300;
    q->point.percent_on = 100;
    q->procedure = PROCEDURE_SOAK;
}
static void disk_full(struct plant *p, struct run_request *q)
{
    (void)q;
    struct input in = {.kind = INPUT_JOURNAL, .u.journal = {.space_low = true}};
    plant_input(p, &in);
}
static void by_night_without_means(struct plant *p, struct run_request *q)
{
    (void)p;
    q->unattended = true;
    /* the plant has a second means and a smoke contact; a day later its watchdog is no longer proved */
    p->journal_stuck = true;
    p->tick_ns = 10 * SEC;
    p->now_ns += 25 * 3600 * SEC;
    struct input in = {.kind = INPUT_TIME};
    plant_input(p, &in);
    p->tick_ns = SEC / 10;
    p->journal_stuck = false;
    plant_run(p, 2);
}

static void survey_of(struct run_request *q, int count, double first_a, double second_a)
{
    q->procedure = PROCEDURE_SURVEY;
    q->survey_count = count;
    q->survey_a[0] = first_a;
    q->survey_a[1] = second_a;
    (void)text_append(q->accepts, sizeof q->accepts, " cutouts");
}
static void survey_of_one_current(struct plant *p, struct run_request *q)
{
    (void)p;
    survey_of(q, 1, 125, 0);
}
static void survey_of_the_same_current(struct plant *p, struct run_request *q)
{
    (void)p;
    survey_of(q, 2, 125, 126);
}
static void survey_without_anybody(struct plant *p, struct run_request *q)
{
    (void)p;
    survey_of(q, 2, 125, 160);
    q->unattended = true;
}
static void survey_with_two_cut_outs(struct plant *p, struct run_request *q)
{
    (void)p;
    survey_of(q, 2, 125, 160);
    q->repeats = 2;
}
static void survey_without_consent(struct plant *p, struct run_request *q)
{
    (void)p;
    survey_of(q, 2, 125, 160);
    q->consent_past_rating = false;
}
static void survey_of_an_unprotected_unit(struct plant *p, struct run_request *q)
{
    (void)p;
    survey_of(q, 2, 125, 160);
    q->protection = PROTECTION_UNKNOWN;
}
static void survey_beyond_the_bank(struct plant *p, struct run_request *q)
{
    p->bench.channels[0].load.max_power_w = 3000;
    survey_of(q, 2, 125, 230); /* 19.2 V at 230 A: 4.4 kW; 125 A alone would do */
    (void)text_copy(q->accepts, sizeof q->accepts, "load-path circuit start cutouts");
    engine_free(p->engine);
    p->seq = 0;
    p->channels[0].unit.switched_on = false;
    plant_begin(p);
}
static void survey_with_many_cut_outs(struct plant *p, struct run_request *q)
{
    (void)p;
    survey_of(q, 2, 125, 160);
    (void)text_copy(q->accepts, sizeof q->accepts, "load-path");
}

static const struct refusal refusals[] = {
    {"safety-test", no_safety_test, "safety-test"},
    {"set-up", no_set_up, "set-up"},
    {"breaking", live_without_breaking, NULL},
    {"bank", too_much_voltage, NULL},
    {"supply", wrong_supply, NULL},
    {"meters", ac_with_mean_meters, NULL},
    {"protection", past_rating_unprotected, NULL},
    {"protection", past_rating_without_consent, NULL},
    {"procedure", continuous_proof, NULL},
    {"load-path", weak_cable, NULL},
    {"record", disk_full, NULL},
    {"watchdog", by_night_without_means, NULL},
    {"procedure", survey_of_one_current, NULL},
    {"procedure", survey_of_the_same_current, NULL},
    {"procedure", survey_without_anybody, NULL},
    {"procedure", survey_with_two_cut_outs, NULL},
    {"protection", survey_without_consent, NULL},
    {"protection", survey_of_an_unprotected_unit, NULL},
    {"bank", survey_beyond_the_bank, NULL},
    {"cutouts", survey_with_many_cut_outs, "cutouts"},
};

enum { REFUSALS = sizeof refusals / sizeof refusals[0] };

START_TEST(preflight_refuses)
{
    const struct refusal *r = &refusals[_i];
    struct plant *p = plant_new(1);
    plant_begin(p);
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    r->spoil(p, &q);
    ck_assert_msg(plant_start(p, 0, &q) == 1, "%s lets it begin: %s", r->line, p->answer);
    ck_assert_msg(strncmp(p->answer, r->line, strlen(r->line)) == 0, "%s instead of %s", p->answer, r->line);
    ck_assert_int_eq(plant_state(p, 0), STATE_RIGGING);
    ck_assert_int_eq(p->events_seen[EVENT_RUN_START], 0);
    if (r->accept) {
        (void)text_append(q.accepts, sizeof q.accepts, " %s", r->accept);
        ck_assert_msg(plant_start(p, 0, &q) == 0, "%s", p->answer);
    }
    plant_free(p);
}
END_TEST

/* Square law. Source: a maker's manual of a power source prints 400 A at 25 % as 282.8 A at 50 % (worked example); the
 * others are computed from it. */
START_TEST(points_of_a_survey_follow_the_square_law)
{
    static const struct {
        double rated_a, rated_pct, a, pct;
    } rows[] = {{400, 25, 282.8427, 50}, {200, 35, 152.7525, 60}, {160, 30, 195.9592, 20}, {200, 35, 100, 100}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct rating_point plate = plant_request(PROCEDURE_SURVEY, rows[i].rated_a, rows[i].rated_pct).point, at;
        plate.load_voltage_v = 40; /* the plate's own holds at its own current only */
        survey_point_at(&plate, rows[i].a, &at);
        ck_assert_double_eq_tol(at.percent_on, rows[i].pct, 1e-4);
        ck_assert_double_eq(at.current_a, rows[i].a);
        ck_assert(isnan(at.load_voltage_v));
        survey_point_at(&plate, plate.current_a, &at);
        ck_assert_double_eq(at.load_voltage_v, 40);
    }
}
END_TEST

/* Nobody comes to turn the unit: what was taken is kept, the load stays open, the run ends by itself. */
START_TEST(a_survey_waits_for_somebody_and_not_for_ever)
{
    struct plant *p = plant_new(1);
    plant_begin(p);
    p->tick_ns = SEC / 2;
    p->channels[0].unit.set_a = 160.5;
    p->channels[0].unit.cut_k = 60;
    p->channels[0].unit.reset_k = 30;
    struct run_request q = plant_request(PROCEDURE_SURVEY, 160, 40);
    survey_of(&q, 2, 160, 125);
    q.repeats = 3;
    ck_assert_msg(plant_start(p, 0, &q) == 0, "%s", p->answer);
    ck_assert(plant_until(p, 0, STATE_SETTING, 60));
    plant_run(p, 20);
    ck_assert_int_eq(plant_operate(p, VERB_SET, 0, ""), 0);
    ck_assert(plant_until_event(p, EVENT_SURVEY_POINT, 3 * 3600));
    const struct event *v = &p->last_event[EVENT_SURVEY_POINT];
    ck_assert_int_eq(v->code2, SURVEY_OWN);
    ck_assert_double_gt(v->values[SURVEY_PERCENT_ON], v->values[SURVEY_LOW]);
    for (int i = 0; i < 3600 && plant_state(p, 0) == STATE_PAUSE; i++) {
        ck_assert(!plant_load_closed(p, 0));
        plant_run(p, 10);
    }
    ck_assert_msg(plant_state(p, 0) == STATE_DONE, "%s", p->last_event[EVENT_INTERLOCK].text);
    ck_assert_int_eq(p->events_seen[EVENT_SURVEY_POINT], 1);
    ck_assert_ptr_nonnull(strstr(p->verdict[0].reason, "nobody came"));
    plant_free(p);
}
END_TEST

START_TEST(nothing_starts_unrigged_or_unasked)
{
    struct plant *p = plant_new(1);
    plant_begin(p);
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    struct input in = {.kind = INPUT_OPERATOR, .u.operator_ = {.verb = VERB_START, .request = 99, .run = q}};
    plant_input(p, &in);
    ck_assert_int_eq(p->answer_code, 1);
    ck_assert_int_eq(plant_operate(p, VERB_RIG, 0, ""), 0);
    plant_input(p, &in);
    ck_assert_int_eq(p->answer_code, 1);
    ck_assert_ptr_nonnull(strstr(p->answer, "rigging"));
    plant_free(p);
}
END_TEST

/* After a session that broke off: everything free, nothing closes, a person confirms first. */
START_TEST(interruption_needs_a_person)
{
    struct plant *p = plant_new(1);
    plant_begin(p);
    ck_assert(plant_bring_to(p, 0, STATE_ON_LOAD));
    struct input boot = {.kind = INPUT_BOOT};
    engine_carry(p->engine, &boot.u.boot);
    ck_assert_int_gt(boot.u.boot.channels[0].last_load_utc_ns, 0);
    ck_assert_int_gt(boot.u.boot.devices[0].watchdog_proved_utc_ns, 0);
    boot.u.boot.epoch = 2;
    boot.u.boot.utc_ns = p->utc0_ns + 60 * SEC;
    boot.u.boot.after_interruption = true;
    engine_free(p->engine);
    p->engine = engine_new(&p->bench);
    p->channels[0].mask = p->channels[0].wanted = 0;
    p->channels[0].trigger = false;
    p->seq = 0;
    plant_input(p, &boot);
    struct input up = {.kind = INPUT_LINK, .u.link = {.device = 0, .up = true, .tells = POWER_UP_MARK}};
    plant_input(p, &up);
    plant_run(p, 20);
    ck_assert_int_eq(plant_state(p, 0), STATE_FREE);
    ck_assert(!plant_load_closed(p, 0));
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    ck_assert_int_eq(plant_start(p, 0, &q), 1);
    ck_assert_ptr_nonnull(strstr(p->answer, "interruption"));
    ck_assert_int_eq(plant_operate(p, VERB_CONTINUE, 0, ""), 0);
    ck_assert_msg(plant_start(p, 0, &q) == 0, "%s", p->answer);
    plant_free(p);
}
END_TEST

START_TEST(latch_outlives_the_session)
{
    struct plant *p = plant_new(1);
    plant_begin(p);
    ck_assert(plant_bring_to(p, 0, STATE_LOCKED));
    struct input boot = {.kind = INPUT_BOOT};
    engine_carry(p->engine, &boot.u.boot);
    engine_free(p->engine);
    p->engine = engine_new(&p->bench);
    plant_input(p, &boot);
    ck_assert_int_eq(plant_state(p, 0), STATE_LOCKED);
    plant_free(p);
}
END_TEST

/* A breaker that earlier runs have left hot may trip though the unit alone would not trip it. A day later it is cold.
 */
START_TEST(heat_left_in_the_breaker_counts)
{
    for (int away_h = 0; away_h <= 24; away_h += 24) {
        struct plant *p = plant_new(1);
        plant_begin(p);
        struct input boot = {.kind = INPUT_BOOT};
        engine_carry(p->engine, &boot.u.boot);
        boot.u.boot.epoch = 2;
        boot.u.boot.circuits[0].heat = 3;
        boot.u.boot.circuits[0].at_utc_ns = p->utc0_ns;
        boot.u.boot.utc_ns = p->utc0_ns + away_h * 3600 * SEC;
        boot.u.boot.devices[0].watchdog_proved_utc_ns = boot.u.boot.utc_ns;
        engine_free(p->engine);
        p->engine = engine_new(&p->bench);
        p->seq = 0;
        plant_input(p, &boot);
        struct input up = {.kind = INPUT_LINK, .u.link = {.device = 0, .up = true, .tells = POWER_UP_MARK}};
        plant_input(p, &up);
        plant_run(p, 20);
        struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
        (void)text_copy(q.accepts, TEXT_CAP, "safety-test load-path start bank");
        int code = plant_start(p, 0, &q);
        ck_assert_msg(code == (away_h ? 0 : 1), "%s", p->answer);
        ck_assert_msg(away_h || strstr(p->answer, "warm from earlier runs"), "%s", p->answer);
        plant_free(p);
    }
}
END_TEST

/* Two units on one small circuit take turns; no moment is above the limit. */
START_TEST(a_circuit_is_never_overloaded)
{
    struct plant *p = plant_new(3);
    for (int ch = 0; ch < 3; ch++)
        p->bench.channels[ch].circuit = 0;
    p->bench.circuits[0].breaker.rated_a = 30; /* each takes 23 A */
    plant_begin(p);
    struct run_request q = plant_request(PROCEDURE_SOAK, 160, 35);
    q.soak_ns = 3600 * SEC;
    for (int ch = 0; ch < 2; ch++)
        ck_assert_msg(plant_start(p, ch, &q) == 0, "%s", p->answer);
    bool both_ran = false;
    for (int i = 0; i < 4000; i++) {
        plant_run(p, 1);
        ck_assert(!(p->channels[0].unit.i2 > 0 && p->channels[1].unit.i2 > 0));
        both_ran = both_ran || p->channels[1].unit.i2 > 0;
    }
    ck_assert(both_ran);
    plant_free(p);
}
END_TEST

/* Random runs begun at random moments on two circuits and one bank: at no moment more than the limits, and all of
 * them come to their turn. */
START_TEST(no_moment_is_above_the_limits)
{
    uint64_t state = 11 + (uint64_t)_i;
    struct plant *p = plant_new(4);
    bool ran[4] = {false};
    int started = 0;
    for (int ch = 0; ch < 4; ch++)
        p->bench.channels[ch].circuit = ch % 2;
    for (int c = 0; c < 2; c++)
        p->bench.circuits[c].breaker.rated_a = 30; /* each run takes 23 A: one at a time */
    p->bench.circuit_count = 2;
    int most = 1 + _i % 2;
    p->bench.limits.bank_max_power_w = most * 2700; /* 16.4 V at 160 A is 2624 W */
    plant_begin(p);
    for (int i = 0; i < 9000; i++) {
        state = state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
        if (started < 4 && state >> 58 == 0) {
            struct run_request q = plant_request(PROCEDURE_SOAK, 160, 15 + (double)(state >> 40 & 15));
            q.soak_ns = 5000 * SEC;
            ck_assert_msg(plant_start(p, started, &q) == 0, "%s", p->answer);
            started++;
        }
        plant_run(p, 1);
        int on = 0, on_circuit[2] = {0};
        for (int ch = 0; ch < 4; ch++) {
            if (!(p->channels[ch].unit.i2 > 0))
                continue;
            ran[ch] = true;
            on++;
            on_circuit[ch % 2]++;
        }
        ck_assert_int_le(on, most);
        for (int c = 0; c < 2; c++)
            ck_assert_int_le(on_circuit[c], 1);
    }
    for (int ch = 0; ch < 4; ch++)
        ck_assert_msg(ran[ch], "channel %d never had its turn", ch);
    plant_free(p);
}
END_TEST

/* Three soaks of 30 % begun together on a bank that could carry them all: each finds its place between the others, so
 * that never more than one is on, and once begun a cycle begins every ten minutes: no pause is stretched. A check of
 * one cycle beside them does not wait. */
START_TEST(cycles_fall_between_each_other)
{
    struct plant *p = plant_new(4);
    int64_t begun_ns[4] = {0};
    bool was_on[4] = {false};
    int cycles[4] = {0};
    p->bench.limits.bank_max_power_w = 20000;
    for (int ch = 0; ch < 4; ch++)
        p->bench.channels[ch].circuit = -1;
    plant_begin(p);
    struct run_request q = plant_request(PROCEDURE_SOAK, 160, 25);
    q.soak_ns = 3 * 3600 * SEC;
    for (int ch = 0; ch < 3; ch++)
        ck_assert_msg(plant_start(p, ch, &q) == 0, "%s", p->answer);
    for (int i = 0; i < 3600; i++) {
        int on = 0;
        plant_run(p, 1);
        for (int ch = 0; ch < 3; ch++) {
            bool is_on = p->channels[ch].unit.i2 > 0;
            on += is_on;
            if (is_on && !was_on[ch]) {
                double apart_s = (double)(p->now_ns - begun_ns[ch]) / 1e9;
                if (cycles[ch]++ > 0)
                    ck_assert_double_eq_tol(apart_s, 600, 3);
                begun_ns[ch] = p->now_ns;
            }
            was_on[ch] = is_on;
        }
        ck_assert_int_le(on, 1);
    }
    for (int ch = 0; ch < 3; ch++)
        ck_assert_int_ge(cycles[ch], 5);
    struct run_request quick = plant_request(PROCEDURE_SCREEN, 160, 25);
    ck_assert_msg(plant_start(p, 3, &quick) == 0, "%s", p->answer);
    ck_assert(plant_until(p, 3, STATE_ON_LOAD, 60));
    plant_free(p);
}
END_TEST

/* The worker that plans, one that is dead, and one whose plan puts everybody on at once: in each case no moment is
 * above the limits, every unit is on-load, and no cycle is void. */
START_TEST(whatever_the_worker_says_the_limits_hold)
{
    struct plant *p = plant_new(4);
    bool ran[4] = {false};
    p->plans = _i != 1;
    p->plan_is_wrong = _i == 2;
    p->bench.limits.bank_max_power_w = 2 * 2700;
    for (int ch = 0; ch < 4; ch++)
        p->bench.channels[ch].circuit = -1;
    plant_begin(p);
    struct run_request q = plant_request(PROCEDURE_SOAK, 160, 35);
    q.soak_ns = 5400 * SEC;
    for (int ch = 0; ch < 4; ch++) {
        q.run_no = 70 + ch;
        ck_assert_msg(plant_start(p, ch, &q) == 0, "%s", p->answer);
    }
    for (int i = 0; i < 5000; i++) {
        int on = 0;
        plant_run(p, 1);
        for (int ch = 0; ch < 4; ch++) {
            on += p->channels[ch].unit.i2 > 0;
            ran[ch] = ran[ch] || p->channels[ch].unit.i2 > 0;
        }
        ck_assert_int_le(on, 2);
    }
    for (int ch = 0; ch < 4; ch++)
        ck_assert(ran[ch]);
    ck_assert_int_eq(p->planned > 0, _i != 1);
    ck_assert_int_ge(p->events_seen[EVENT_CYCLE], 4 * 7);
    ck_assert_int_eq(p->last_event[EVENT_CYCLE].code2, 1);
    ck_assert_str_eq(p->broken, "");
    plant_free(p);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("engine plans");
    TCase *t = tcase_create("plans");
    tcase_set_timeout(t, 200);
    tcase_add_loop_test(t, preflight_refuses, 0, REFUSALS);
    tcase_add_test(t, nothing_starts_unrigged_or_unasked);
    tcase_add_test(t, points_of_a_survey_follow_the_square_law);
    tcase_add_test(t, a_survey_waits_for_somebody_and_not_for_ever);
    tcase_add_test(t, interruption_needs_a_person);
    tcase_add_test(t, latch_outlives_the_session);
    tcase_add_test(t, heat_left_in_the_breaker_counts);
    tcase_add_test(t, a_circuit_is_never_overloaded);
    tcase_add_loop_test(t, no_moment_is_above_the_limits, 0, 4);
    tcase_add_test(t, cycles_fall_between_each_other);
    tcase_add_loop_test(t, whatever_the_worker_says_the_limits_hold, 0, 3);
    suite_add_tcase(s, t);
    return suite_run(s);
}
