/* Lines of the preflight that look at the unit, its rest, the stores and the clock; what is accepted stays in the
 * record. */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "error.h"
#include "plant.h"
#include "suite_run.h"

/* Every preflight line of a start, as told. */
struct told {
    char lines[40][TEXT_CAP];
    int32_t results[40];
    int count;
};

static void start_and_listen(struct plant *p, int ch, const struct run_request *rq, struct told *t)
{
    struct input in = {.kind = INPUT_OPERATOR};
    in.u.operator_ = (struct input_operator){.verb = VERB_START, .channel = ch, .request = p->seq + 1, .run = *rq};
    in.u.operator_.run.run_no = 20 + ch;
    in.seq = ++p->seq;
    in.seen_ns = p->now_ns;
    t->count = 0;
    engine_step(p->engine, &in, p->out);
    for (int i = 0; i < p->out->event_count && t->count < 40; i++) {
        const struct event *v = &p->out->events[i];
        if (v->kind != EVENT_PREFLIGHT)
            continue;
        t->results[t->count] = v->code;
        (void)text_copy(t->lines[t->count++], TEXT_CAP, v->text);
    }
    for (int i = 0; i < p->out->command_count; i++)
        if (p->out->commands[i].kind == COMMAND_ANSWER && p->out->commands[i].code < 2) {
            p->answer_code = p->out->commands[i].code;
            (void)text_copy(p->answer, sizeof p->answer, p->out->commands[i].text);
        }
}

/* Result (0 pass, 1 warn, 2 refuse) and words of a line; -1: not told. */
static int line_of(const struct told *t, const char *name, const char **words)
{
    size_t n = strlen(name);
    for (int i = 0; i < t->count; i++)
        if (strncmp(t->lines[i], name, n) == 0 && t->lines[i][n] == ':') {
            *words = t->lines[i];
            return t->results[i];
        }
    *words = "";
    return -1;
}

static struct plant *rigged(int channels)
{
    struct plant *p = plant_new(channels);
    plant_begin(p);
    for (int ch = 0; ch < channels; ch++) {
        ck_assert_int_eq(plant_operate(p, VERB_RIG, ch, ""), 0);
        ck_assert_int_eq(plant_operate(p, VERB_RIGGED, ch, ""), 0);
    }
    return p;
}

struct store_case {
    struct run_stores stores;
    bool unattended;
    int result;
    const char *words; /* in the line */
};

static const struct store_case store_cases[] = {
    {{.count = 0}, false, -1, ""},
    {{.count = 1, .name = "shop"}, false, 0, "shop takes what is recorded"},
    {{.count = 2, .name = "shop", .worst = STORE_STAND_STARTING, .waiting_rows = 9}, false, 0, "self-test is not done"},
    {{.count = 1, .name = "shop", .worst = STORE_STAND_SET_ASIDE, .in_trouble = 1, .rejected = 3},
     false,
     1,
     "3 lines rejected"},
    {{.count = 1, .name = "shop", .worst = STORE_STAND_UNREACHABLE, .in_trouble = 1, .waiting_rows = 512},
     false,
     1,
     "512 rows wait in the journal"},
    {{.count = 2, .name = "yard", .worst = STORE_STAND_REFUSED, .in_trouble = 2}, false, 1, "2 of 2 stores in trouble"},
    {{.count = 1, .name = "shop", .worst = STORE_STAND_SELF_TEST_FAILED, .in_trouble = 1}, false, 1, "self-test"},
    {{.count = 1, .name = "shop", .worst = STORE_STAND_LEFT_OUT, .in_trouble = 1}, false, 1, "could not be set up"},
    {{.count = 1, .name = "shop", .worst = STORE_STAND_UNREACHABLE, .in_trouble = 1, .backlog_near_cap = true},
     false,
     1,
     "the journal nears its limit"},
    /* by night it ends runs: refused, and no word accepts it */
    {{.count = 1, .name = "shop", .worst = STORE_STAND_UNREACHABLE, .in_trouble = 1, .backlog_near_cap = true},
     true,
     2,
     "the journal nears its limit"},
    {{.count = 1, .name = "shop", .worst = STORE_STAND_UNREACHABLE, .in_trouble = 1}, true, 1, "does not take"},
};

START_TEST(the_stores_have_a_line)
{
    const struct store_case *c = &store_cases[_i];
    struct plant *p = rigged(1);
    struct told t;
    const char *words;
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    q.stores = c->stores;
    q.unattended = c->unattended;
    start_and_listen(p, 0, &q, &t);
    ck_assert_msg(line_of(&t, "store", &words) == c->result, "%s", words);
    ck_assert_msg(strstr(words, c->words) != NULL, "%s", words);
    if (c->result == 1 && !c->unattended) {
        ck_assert_int_eq(p->answer_code, 1);
        ck_assert_msg(strncmp(p->answer, "store: ", 7) == 0, "%s", p->answer);
        (void)text_append(q.accepts, sizeof q.accepts, " store");
        start_and_listen(p, 0, &q, &t);
        ck_assert_msg(p->answer_code == 0, "%s", p->answer);
        ck_assert_int_eq(line_of(&t, "store", &words), 1);
        ck_assert_msg(strstr(words, "(accepted)") != NULL, "%s", words);
    }
    plant_free(p);
}
END_TEST

/* What comes in with the order is journaled with it and comes out of the encoding as it went in. */
START_TEST(the_order_carries_it_into_the_record)
{
    uint8_t bytes[8192];
    struct input *in = calloc(1, sizeof *in), *back = calloc(1, sizeof *back);
    in->kind = INPUT_OPERATOR;
    in->u.operator_.verb = VERB_START;
    in->u.operator_.run = plant_request(PROCEDURE_PROOF, 160, 40);
    in->u.operator_.run.stores = store_cases[3].stores;
    in->u.operator_.run.stores.backlog_near_cap = true;
    in->u.operator_.run.unit_last_load_utc_ns = 123456789;
    struct writer w = writer_over(bytes, sizeof bytes);
    put_input(&w, in);
    struct reader r = reader_over(bytes, w.used);
    get_input(&r, back);
    ck_assert(!r.bad);
    const struct run_stores *s = &back->u.operator_.run.stores;
    ck_assert_str_eq(s->name, "shop");
    ck_assert_int_eq(s->worst, STORE_STAND_SET_ASIDE);
    ck_assert_int_eq(s->rejected, 3);
    ck_assert(s->backlog_near_cap);
    ck_assert_int_eq(back->u.operator_.run.unit_last_load_utc_ns, 123456789);
    free(in);
    free(back);
}
END_TEST

static struct run_request claimed_cold(void)
{
    struct run_request q = plant_request(PROCEDURE_SCREEN, 160, 40);
    (void)text_copy(q.serial, sizeof q.serial, "HQ-0203");
    (void)text_copy(q.accepts, sizeof q.accepts, "safety-test load-path circuit bank");
    return q;
}

/* Bench practice A13: cold is four hours without load; a cool case over a hot transformer is the usual mistake. The
 * unit is carried from channel A to channel B ten minutes later, its exhaust cool. */
START_TEST(a_unit_keeps_its_heat_when_it_changes_place)
{
    struct plant *p = rigged(2);
    struct told t;
    const char *words;
    struct run_request q = claimed_cold();
    ck_assert_msg(plant_start(p, 0, &q) == 0, "%s", p->answer);
    ck_assert(plant_until(p, 0, STATE_DONE, 400));
    plant_run(p, 600);
    for (int ch = 0; ch < 2; ch++)
        p->channels[ch].read[SIG_T_EXHAUST] = p->intake;
    plant_run(p, 1);
    start_and_listen(p, 1, &q, &t);
    ck_assert_int_eq(p->answer_code, 1);
    ck_assert_int_eq(line_of(&t, "start", &words), 1);
    ck_assert_msg(strstr(words, "warm: this unit was on-load 10 min ago") != NULL, "%s", words);
    /* another unit on the same channel B is not meant */
    struct run_request other = q;
    (void)text_copy(other.serial, sizeof other.serial, "HQ-0204");
    start_and_listen(p, 1, &other, &t);
    ck_assert_int_eq(line_of(&t, "start", &words), 0);
    ck_assert_msg(p->answer_code == 0, "%s", p->answer);
    plant_free(p);
}
END_TEST

START_TEST(accepted_it_is_a_warm_start)
{
    struct plant *p = rigged(2);
    struct run_request q = claimed_cold();
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    ck_assert(plant_until(p, 0, STATE_DONE, 400));
    p->channels[1].read[SIG_T_EXHAUST] = p->intake;
    plant_run(p, 1);
    (void)text_append(q.accepts, sizeof q.accepts, " start");
    ck_assert_msg(plant_start(p, 1, &q) == 0, "%s", p->answer);
    ck_assert_msg(strstr(p->last_event[EVENT_RUN_START].text, "start warm") != NULL, "%s",
                  p->last_event[EVENT_RUN_START].text);
    ck_assert(plant_until(p, 1, STATE_DONE, 400));
    ck_assert_int_eq(p->verdict[1].basis, BASIS_WARM_CYCLE);
    plant_free(p);
}
END_TEST

/* What an earlier session knew comes in with the order, by the journal. Just inside and just outside the four hours. */
START_TEST(the_journal_knows_the_rest)
{
    static const int64_t rest_s[] = {600, 4 * 3600 - 60, 4 * 3600 + 60};
    struct plant *p = rigged(1);
    struct told t;
    const char *words;
    struct run_request q = claimed_cold();
    q.unit_last_load_utc_ns = p->utc0_ns + (p->now_ns - 1000 * SEC) - rest_s[_i] * SEC;
    start_and_listen(p, 0, &q, &t);
    ck_assert_msg(line_of(&t, "start", &words) == (_i < 2 ? 1 : 0), "%s", words);
    ck_assert_int_eq(p->answer_code, _i < 2 ? 1 : 0);
    plant_free(p);
}
END_TEST

/* A load that never closed heats nothing. */
START_TEST(a_run_that_never_closed_leaves_the_unit_cold)
{
    struct plant *p = rigged(1);
    struct told t;
    const char *words;
    struct run_request q = claimed_cold();
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    p->channels[0].read[SIG_ESTOP] = 1;
    plant_run(p, 1);
    p->channels[0].read[SIG_ESTOP] = 0;
    plant_run(p, 2);
    ck_assert_int_eq(plant_operate(p, VERB_RESET, 0, "pressed by mistake"), 0);
    ck_assert_int_eq(plant_operate(p, VERB_RIG, 0, ""), 0);
    ck_assert_int_eq(plant_operate(p, VERB_RIGGED, 0, ""), 0);
    start_and_listen(p, 0, &q, &t);
    ck_assert_msg(line_of(&t, "start", &words) == 0, "%s", words);
    plant_free(p);
}
END_TEST

START_TEST(one_unit_is_at_one_place)
{
    struct plant *p = rigged(2);
    struct told t;
    const char *words;
    struct run_request q = claimed_cold();
    ck_assert_int_eq(plant_start(p, 0, &q), 0);
    start_and_listen(p, 1, &q, &t);
    ck_assert_int_eq(p->answer_code, 1);
    ck_assert_int_eq(line_of(&t, "unit", &words), 2);
    ck_assert_msg(strstr(words, "under way on channel A") != NULL, "%s", words);
    plant_free(p);
}
END_TEST

/* The label read at the bench, against the unit of the order. */
START_TEST(the_label_decides)
{
    struct plant *p = plant_new(1);
    struct told t;
    const char *words;
    plant_begin(p);
    ck_assert_int_eq(plant_operate(p, VERB_RIG, 0, ""), 0);
    ck_assert_int_eq(plant_operate(p, VERB_RIGGED, 0, "HQ-0204"), 0);
    struct run_request q = claimed_cold();
    start_and_listen(p, 0, &q, &t);
    ck_assert_int_eq(p->answer_code, 1);
    ck_assert_int_eq(line_of(&t, "unit", &words), 2);
    ck_assert_msg(strstr(words, "HQ-0204") != NULL && strstr(words, "HQ-0203") != NULL, "%s", words);
    (void)text_copy(q.serial, sizeof q.serial, "HQ-0204");
    start_and_listen(p, 0, &q, &t);
    ck_assert_msg(p->answer_code == 0, "%s", p->answer);
    plant_free(p);
}
END_TEST

static void sleep_for(struct plant *p, int64_t slept_ns)
{
    struct input in = {.kind = INPUT_ANCHOR,
                       .u.anchor = {.suspended = true,
                                    .slept_ns = slept_ns,
                                    .utc_ns = p->utc0_ns + (p->now_ns - 1000 * SEC) + slept_ns,
                                    .monotonic_ns = p->now_ns,
                                    .boottime_ns = p->now_ns + slept_ns}};
    plant_input(p, &in);
}

/* Nobody knows what was done at the bench while the computer slept: a person confirms, also where nothing ran; and the
 * record's time of day lags from then on. */
START_TEST(after_a_sleep_a_person_confirms)
{
    struct plant *p = rigged(1);
    struct told t;
    const char *words;
    struct run_request q = claimed_cold();
    sleep_for(p, 2 * 3600 * SEC);
    ck_assert_int_eq(p->events_seen[EVENT_CLOCK], 1);
    ck_assert_double_eq_tol(p->last_event[EVENT_CLOCK].values[0], 7200, 1e-9);
    start_and_listen(p, 0, &q, &t);
    ck_assert_int_eq(line_of(&t, "interruption", &words), 2);
    ck_assert_int_eq(line_of(&t, "clock", &words), 1);
    ck_assert_int_eq(plant_operate(p, VERB_CONTINUE, 0, "looked at it"), 0);
    (void)text_append(q.accepts, sizeof q.accepts, " clock");
    start_and_listen(p, 0, &q, &t);
    ck_assert_msg(p->answer_code == 0, "%s", p->answer);
    plant_free(p);
}
END_TEST

/* Sleep counts as time: a proof of the watchdog is a day old after a day of sleep, a unit has rested after a night. */
START_TEST(ages_count_the_sleep)
{
    struct plant *p = rigged(1);
    struct told t;
    const char *words;
    struct run_request q = claimed_cold();
    q.unit_last_load_utc_ns = p->utc0_ns + (p->now_ns - 1000 * SEC) - 600 * SEC;
    sleep_for(p, 5 * 3600 * SEC);
    start_and_listen(p, 0, &q, &t);
    ck_assert_int_eq(line_of(&t, "start", &words), 0);
    ck_assert_int_eq(line_of(&t, "watchdog", &words), 0);
    sleep_for(p, 20 * 3600 * SEC);
    start_and_listen(p, 0, &q, &t);
    ck_assert_int_eq(line_of(&t, "watchdog", &words), 2);
    plant_free(p);
}
END_TEST

/* Bench practice B24: the cut-outs of a night are the unit's, on whatever channel; another unit begins anew. */
START_TEST(a_unit_takes_its_cut_outs_along)
{
    struct plant *p = rigged(2);
    struct told t;
    const char *words;
    struct run_request q = claimed_cold();
    q.procedure = PROCEDURE_TO_CUTOUT;
    q.cap_ns = 600 * SEC;
    q.repeats = 2;
    q.unit_cutouts = 2; /* by the journal: before this session */
    (void)text_append(q.accepts, sizeof q.accepts, " start");
    start_and_listen(p, 0, &q, &t);
    ck_assert_int_eq(line_of(&t, "cutouts", &words), 1);
    ck_assert_msg(strstr(words, "2 cut-outs so far and 2 to come, 3 a night") != NULL, "%s", words);
    q.unit_cutouts = 0;
    p->channels[0].unit.rise_k = 600;
    p->channels[0].unit.cut_k = 40;
    p->channels[0].unit.reset_k = 38;
    ck_assert_msg(plant_start(p, 0, &q) == 0, "%s", p->answer);
    ck_assert(plant_until(p, 0, STATE_DONE, 7200));
    ck_assert_int_eq(p->events_seen[EVENT_SHUTOFF], 2);
    start_and_listen(p, 1, &q, &t);
    ck_assert_int_eq(line_of(&t, "cutouts", &words), 1);
    ck_assert_msg(strstr(words, "2 cut-outs so far") != NULL, "%s", words);
    (void)text_copy(q.serial, sizeof q.serial, "HQ-0204");
    start_and_listen(p, 1, &q, &t);
    ck_assert_int_eq(line_of(&t, "cutouts", &words), -1);
    plant_free(p);
}
END_TEST

/* Bench practice B30: hundreds of volts need a bank that states what it may see. B19: an output that is live is broken
 * at its no-load voltage; where the plate does not say it, the most that its process may have. */
START_TEST(unknown_voltages_count_as_high)
{
    struct told t;
    const char *words;
    for (int stated = 0; stated < 2; stated++) {
        struct plant *p = plant_new(1);
        p->bench.channels[0].load.max_voltage_v = stated ? 600 : 0;
        plant_begin(p);
        ck_assert_int_eq(plant_operate(p, VERB_RIG, 0, ""), 0);
        ck_assert_int_eq(plant_operate(p, VERB_RIGGED, 0, ""), 0);
        struct run_request q = claimed_cold();
        q.point.process = PROCESS_PLASMA_CUT;
        q.point.current_a = 60;
        q.point.no_load_v = NAN;
        start_and_listen(p, 0, &q, &t);
        int result = line_of(&t, "bank", &words);
        ck_assert_msg((result == 2 && strstr(words, "state max_voltage")) == !stated, "%d %s", result, words);
        plant_free(p);
    }
    for (int rated = 0; rated < 2; rated++) {
        struct plant *p = plant_new(1);
        p->bench.channels[0].load.has_trigger = false;
        p->bench.channels[0].load.breaks_dc_v = rated ? 113 : 60;
        plant_begin(p);
        ck_assert_int_eq(plant_operate(p, VERB_RIG, 0, ""), 0);
        ck_assert_int_eq(plant_operate(p, VERB_RIGGED, 0, ""), 0);
        struct run_request q = claimed_cold();
        q.point.control = CONTROL_ALWAYS_LIVE;
        q.point.no_load_v = NAN;
        start_and_listen(p, 0, &q, &t);
        ck_assert_msg(line_of(&t, "breaking", &words) == (rated ? 0 : 2), "%s", words);
        ck_assert_msg(rated || strstr(words, "113 V") != NULL, "%s", words);
        plant_free(p);
    }
}
END_TEST

/* What else is under way on the circuit warms its breaker too. */
START_TEST(the_circuit_counts_who_else_is_on_it)
{
    struct told t;
    const char *words;
    struct plant *p = plant_new(2);
    p->bench.channels[1].circuit = 0;
    plant_begin(p);
    for (int ch = 0; ch < 2; ch++) {
        ck_assert_int_eq(plant_operate(p, VERB_RIG, ch, ""), 0);
        ck_assert_int_eq(plant_operate(p, VERB_RIGGED, ch, ""), 0);
    }
    struct run_request q = claimed_cold();
    q.procedure = PROCEDURE_PROOF;
    q.point.percent_on = 60;
    q.point.i1max_a = 31;
    ck_assert_msg(plant_start(p, 0, &q) == 0, "%s", p->answer); /* 31 A at 60 %: 75 % of the breaker's 32 A */
    (void)text_copy(q.serial, sizeof q.serial, "HQ-0204");
    (void)text_copy(q.accepts, sizeof q.accepts, "safety-test load-path bank");
    start_and_listen(p, 1, &q, &t);
    ck_assert_int_eq(line_of(&t, "circuit", &words), 1); /* sqrt(2 x 0.6) x 31 / 32 = 106 % */
    ck_assert_msg(strstr(words, "effective 106 % with 1 more under way") != NULL, "%s", words);
    plant_free(p);
}
END_TEST

/* A channel without an isolator's contact says so; by night it has to be accepted. */
START_TEST(a_missing_isolator_contact_is_told)
{
    struct told t;
    const char *words;
    struct plant *p = plant_new(1);
    p->bench.channels[0].signal[SIG_ISOLATED] = -1;
    plant_begin(p);
    ck_assert_int_eq(plant_operate(p, VERB_RIG, 0, ""), 0);
    struct run_request q = claimed_cold();
    start_and_listen(p, 0, &q, &t);
    ck_assert_int_eq(line_of(&t, "isolator", &words), 0);
    ck_assert_ptr_nonnull(strstr(words, "no isolator contact"));
    q.unattended = true;
    start_and_listen(p, 0, &q, &t);
    ck_assert_int_eq(line_of(&t, "isolator", &words), 1);
    plant_free(p);
}
END_TEST

/* Why a person says that the bench is in order stays in the record. */
START_TEST(the_reason_to_go_on_is_kept)
{
    struct plant *p = rigged(1);
    ck_assert_int_eq(plant_operate(p, VERB_CONTINUE, 0, "power cut; leads looked at"), 0);
    ck_assert_ptr_nonnull(strstr(p->last_event[EVENT_NOTE].text, "leads looked at"));
    plant_free(p);
}
END_TEST

/* A unit that failed its safety test does not go live, whatever anybody accepts. One that is overdue warns. */
START_TEST(a_failed_safety_test_refuses)
{
    struct plant *p = rigged(1);
    struct told t;
    const char *words;
    struct run_request q = claimed_cold();
    q.safety_test_due_utc_s = p->utc0_ns / SEC - 3 * 86400;
    (void)text_copy(q.accepts, sizeof q.accepts, "load-path circuit bank");
    start_and_listen(p, 0, &q, &t);
    ck_assert_msg(line_of(&t, "safety-test", &words) == 1 && strstr(words, "due for 3 days"), "%s", words);
    ck_assert_int_eq(p->answer_code, 1);
    q.safety_test_utc_s = q.safety_test_due_utc_s = 0;
    q.safety_test_failed = true;
    (void)text_append(q.accepts, sizeof q.accepts, " safety-test");
    start_and_listen(p, 0, &q, &t);
    ck_assert_int_eq(line_of(&t, "safety-test", &words), 2);
    ck_assert_int_eq(p->answer_code, 1);
    plant_free(p);
}
END_TEST

/* A warning stands in the way until its own name is accepted; part of a name is not the name. */
START_TEST(a_warning_is_accepted_by_its_own_name)
{
    static const char *const no[] = {"", "safety", "safety-tests", "xsafety-test", "safety-test2", "start bank"};
    for (size_t i = 0; i < sizeof no / sizeof no[0]; i++) {
        struct plant *p = rigged(1);
        struct told t;
        const char *words;
        struct run_request q = claimed_cold();
        q.safety_test_utc_s = 0;
        (void)text_format(q.accepts, sizeof q.accepts, "load-path,circuit,bank %s", no[i]);
        start_and_listen(p, 0, &q, &t);
        ck_assert_msg(p->answer_code == 1, "%s is taken for it", no[i]);
        (void)text_append(q.accepts, sizeof q.accepts, ",safety-test");
        start_and_listen(p, 0, &q, &t);
        ck_assert_msg(p->answer_code == 0, "%s", p->answer);
        ck_assert_int_eq(line_of(&t, "safety-test", &words), 1);
        ck_assert_msg(strstr(words, "(accepted)") != NULL, "%s", words);
        plant_free(p);
    }
}
END_TEST

int main(void)
{
    Suite *s = suite_create("engine preflight");
    TCase *t = tcase_create("preflight");
    tcase_set_timeout(t, 60);
    tcase_add_loop_test(t, the_stores_have_a_line, 0, (int)(sizeof store_cases / sizeof store_cases[0]));
    tcase_add_test(t, the_order_carries_it_into_the_record);
    tcase_add_test(t, a_unit_keeps_its_heat_when_it_changes_place);
    tcase_add_test(t, accepted_it_is_a_warm_start);
    tcase_add_loop_test(t, the_journal_knows_the_rest, 0, 3);
    tcase_add_test(t, a_run_that_never_closed_leaves_the_unit_cold);
    tcase_add_test(t, one_unit_is_at_one_place);
    tcase_add_test(t, the_label_decides);
    tcase_add_test(t, after_a_sleep_a_person_confirms);
    tcase_add_test(t, ages_count_the_sleep);
    tcase_add_test(t, a_unit_takes_its_cut_outs_along);
    tcase_add_test(t, unknown_voltages_count_as_high);
    tcase_add_test(t, the_circuit_counts_who_else_is_on_it);
    tcase_add_test(t, a_missing_isolator_contact_is_told);
    tcase_add_test(t, the_reason_to_go_on_is_kept);
    tcase_add_test(t, a_failed_safety_test_refuses);
    tcase_add_test(t, a_warning_is_accepted_by_its_own_name);
    suite_add_tcase(s, t);
    return suite_run(s);
}
