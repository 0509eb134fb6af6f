/* What tests ask of the plant: orders, waiting, and bringing a channel into a state. */
#include <math.h>
#include <string.h>

#include "error.h"
#include "plant.h"

enum channel_state plant_state(struct plant *p, int ch)
{
    engine_view(p->engine, &p->view);
    return p->view.channels[ch].state;
}

bool plant_until(struct plant *p, int ch, enum channel_state state, double seconds)
{
    int64_t until = p->now_ns + (int64_t)(seconds * 1e9);
    while (p->now_ns < until) {
        if (plant_state(p, ch) == state)
            return true;
        plant_tick(p);
    }
    return plant_state(p, ch) == state;
}

bool plant_until_event(struct plant *p, enum event_kind kind, double seconds)
{
    int64_t until = p->now_ns + (int64_t)(seconds * 1e9), before = p->events_seen[kind];
    while (p->now_ns < until && p->events_seen[kind] == before)
        plant_tick(p);
    return p->events_seen[kind] > before;
}

int plant_operate(struct plant *p, enum operator_verb verb, int ch, const char *text)
{
    struct input in = {.kind = INPUT_OPERATOR};
    in.u.operator_ = (struct input_operator){.verb = verb, .channel = ch, .device = PLANT_BANK, .request = p->seq + 1};
    (void)text_copy(in.u.operator_.who, NAME_CAP, "R. Ashdown");
    (void)text_copy(in.u.operator_.text, TEXT_CAP, text);
    p->answer_code = -1;
    p->proving = p->proving || verb == VERB_PROVE_WATCHDOG;
    plant_input(p, &in);
    if (verb == VERB_PROVE_WATCHDOG && p->answer_code == 1)
        p->proving = strcmp(p->answer, "another proof is under way") == 0;
    return p->answer_code;
}

void plant_begin(struct plant *p)
{
    p->engine = engine_new(&p->bench);
    struct input in = {.kind = INPUT_BOOT, .u.boot = {.epoch = 1, .utc_ns = p->utc0_ns}};
    (void)text_copy(in.u.boot.engine_version, NAME_CAP, engine_version());
    plant_input(p, &in);
    for (int d = 0; d < p->bench.device_count; d++) {
        struct input up = {.kind = INPUT_LINK, .u.link = {.device = d, .up = true, .power_up = true}};
        plant_input(p, &up);
    }
    plant_run(p, 1);
    (void)plant_operate(p, VERB_PROVE_WATCHDOG, -1, "");
    plant_run(p, 8);
    for (int ch = 0; ch < p->bench.channel_count; ch++)
        p->channels[ch].unit.switched_on = true;
    plant_run(p, 1);
}

struct run_request plant_request(enum procedure procedure, double current_a, double percent_on)
{
    struct run_request q = {.run_no = 7,
                            .plate_version = 1,
                            .protection = PROTECTION_FITTED,
                            .procedure = procedure,
                            .consent_past_rating = true,
                            .setup_confirmed = true,
                            .safety_test_utc_s = 1699900000,
                            .start = START_COLD,
                            .target_resistance_ohm = NAN,
                            .baseline_u0_v = NAN};
    q.point = (struct rating_point){.process = PROCESS_TIG,
                                    .output = OUTPUT_DC,
                                    .control = CONTROL_TRIGGER,
                                    .supply_v = 230,
                                    .phases = 1,
                                    .frequency_hz = 50,
                                    .percent_on = percent_on,
                                    .current_a = current_a,
                                    .load_voltage_v = NAN,
                                    .no_load_v = 70,
                                    .i1max_a = 23,
                                    .i1eff_a = 15,
                                    .ambient_degc = 40,
                                    .cycle_s = 600};
    (void)text_copy(q.serial, NAME_CAP, "HQ-0147");
    (void)text_copy(q.who, NAME_CAP, "R. Ashdown");
    (void)text_copy(q.accepts, TEXT_CAP, "safety-test load-path circuit start bank");
    return q;
}

int plant_start(struct plant *p, int ch, const struct run_request *rq)
{
    enum channel_state s = plant_state(p, ch);
    if (s == STATE_FREE) {
        (void)plant_operate(p, VERB_RIG, ch, "");
        (void)plant_operate(p, VERB_RIGGED, ch, "");
    }
    struct input in = {.kind = INPUT_OPERATOR};
    in.u.operator_ = (struct input_operator){.verb = VERB_START, .channel = ch, .request = p->seq + 1, .run = *rq};
    in.u.operator_.run.run_no = 7 + ch;
    if (strcmp(rq->serial, "HQ-0147") == 0) /* the unit of plant_request: another one on each channel */
        (void)text_format(in.u.operator_.run.serial, NAME_CAP, "HQ-0%d", 147 + ch);
    (void)text_copy(in.u.operator_.who, NAME_CAP, "R. Ashdown");
    p->answer_code = -1;
    plant_input(p, &in);
    return p->answer_code;
}

bool plant_load_closed(const struct plant *p, int ch)
{
    return p->channels[ch].mask != 0;
}

bool plant_bring_to(struct plant *p, int ch, enum channel_state state)
{
    struct run_request q = plant_request(PROCEDURE_PROOF, 160, 40);
    q.cycles = 2;
    switch (state) {
    case STATE_FREE:
        return plant_state(p, ch) == STATE_FREE;
    case STATE_RIGGING:
        return plant_operate(p, VERB_RIG, ch, "") == 0 && plant_state(p, ch) == state;
    case STATE_PREFLIGHT:
        return plant_start(p, ch, &q) == 0 && plant_state(p, ch) == state;
    case STATE_SETTING:
        q.setting = true;
        return plant_start(p, ch, &q) == 0 && plant_until(p, ch, state, 10) && (plant_run(p, 2), true);
    case STATE_ON_LOAD:
        return plant_start(p, ch, &q) == 0 && plant_until(p, ch, state, 10) && (plant_run(p, 5), true);
    case STATE_PAUSE:
        return plant_start(p, ch, &q) == 0 && plant_until(p, ch, state, 300);
    case STATE_RECOVERING:
        p->channels[ch].unit.rise_k = 600;
        p->channels[ch].unit.cut_k = 40;
        p->channels[ch].unit.reset_k = 5;
        return plant_start(p, ch, &q) == 0 && plant_until(p, ch, state, 300) && (plant_run(p, 6), true);
    case STATE_LOCKED: {
        bool there = plant_start(p, ch, &q) == 0 && plant_until(p, ch, STATE_ON_LOAD, 10);
        p->channels[ch].read[SIG_ESTOP] = 1;
        plant_run(p, 1);
        p->channels[ch].read[SIG_ESTOP] = NAN;
        plant_run(p, 1);
        return there && plant_state(p, ch) == state;
    }
    case STATE_DONE:
        q = plant_request(PROCEDURE_SCREEN, 160, 40);
        return plant_start(p, ch, &q) == 0 && plant_until(p, ch, state, 400);
    case STATE_COUNT_:
        break;
    }
    return false;
}
