#include "soak_journal.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double ns = 1e9;

static void ok(int result, const struct error *err)
{
    ck_assert_msg(result == 0, "%s", err->text);
}

static struct bench *make_bench(void)
{
    static const struct {
        const char *name;
        enum signal_kind kind;
        enum dimension dim;
        double pct, absolute;
    } rows[] = {{"i2", SIG_I2, DIM_CURRENT, 1, 0},
                {"u2", SIG_U2, DIM_VOLTAGE, 1, 0},
                {"u1", SIG_U1, DIM_VOLTAGE, 0, 0},
                {"t_intake", SIG_T_INTAKE, DIM_TEMPERATURE, 0, 1},
                {"t_case", SIG_T_CASE, DIM_TEMPERATURE, 0, 0}};
    struct bench *b = calloc(1, sizeof *b);
    ck_assert_ptr_nonnull(b);
    (void)text_copy(b->name, NAME_CAP, "north-bay");
    b->rate = 1;
    b->device_count = b->bus_count = b->channel_count = b->circuit_count = 1;
    bench_limits_default(&b->limits);
    b->limits.altitude_m = 1250;
    (void)text_copy(b->bus_names[0], NAME_CAP, "rack");
    b->devices[0] = (struct bench_device){.name = "bank", .is_load = true, .powered_from = -1};
    b->circuits[0] = (struct bench_circuit){.name = "c1", .voltage_v = 230, .phases = 1, .loop_ohm = 0.25};
    b->circuits[0].breaker = (struct breaker){.rated_a = 32, .curve = 'C'};
    struct bench_channel *c = &b->channels[0];
    (void)text_copy(c->name, NAME_CAP, "A");
    c->load.feedback_signal = -1;
    c->load.contactor_life = 1000;
    for (int k = 0; k < SIG_KIND_COUNT_; k++)
        c->signal[k] = -1;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct bench_signal *g = &b->signals[b->signal_count];
        *g = (struct bench_signal){
            .kind = rows[i].kind, .cls = CLASS_JUDGEMENT, .dim = rows[i].dim, .correction_gain = 1};
        (void)text_copy(g->name, NAME_CAP, rows[i].name);
        (void)text_copy(g->certificate, NAME_CAP, "HQ-C-118");
        g->uncertainty = (struct uncertainty){
            .of_reading_pct = rows[i].pct, .absolute = rows[i].absolute, .kind = UNC_EXPANDED, .k = 2};
        c->signal[rows[i].kind] = b->signal_count++;
    }
    return b;
}

static struct rating_point make_point(void)
{
    return (struct rating_point){.process = PROCESS_TIG,
                                 .control = CONTROL_TRIGGER,
                                 .phases = 1,
                                 .supply_v = 230,
                                 .percent_on = 40,
                                 .current_a = 160,
                                 .load_voltage_v = NAN,
                                 .cycle_s = 600,
                                 .ambient_degc = 40,
                                 .frequency_hz = 50,
                                 .no_load_v = NAN,
                                 .i1max_a = 23,
                                 .i1eff_a = 15};
}

void soak_journal_begin(struct soak_journal *s)
{
    struct error err = {{0}};
    memset(s, 0, sizeof *s);
    (void)text_copy(s->folder, sizeof s->folder, "/tmp/soak-journal-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(s->folder));
    (void)text_format(s->path, sizeof s->path, "%s/journal.db", s->folder);
    s->journal = journal_open(s->path, JOURNAL_CREATE, &err);
    ck_assert_msg(s->journal != NULL, "%s", err.text);
    struct bench *bench = make_bench();
    struct journal_session session = {.epoch = journal_next_epoch(s->journal), .rate = 1};
    session.anchor_utc_ns = INT64_C(1767600000) * 1000000000; /* 2026-01-05 08:00:00 UTC */
    (void)text_copy(session.engine_version, NAME_CAP, "engine of a test");
    struct unit_plate plate = {.serial = "HQ-0147",
                               .maker = "Quillhaven",
                               .model = "T160 Lift",
                               .asset = "A-2051",
                               .year = 2019,
                               .protection = PROTECTION_FITTED,
                               .rating_count = 1};
    plate.ratings[0] = make_point();
    int32_t version = 0;
    ok(journal_begin(s->journal, &err), &err);
    ok(journal_put_session(s->journal, &session, bench, &err), &err);
    ck_assert_int_ge(journal_put_unit(s->journal, &plate, 1767600000, &version, &err), 0);
    ok(journal_commit(s->journal, &err), &err);
    free(bench);
}

void soak_journal_event(struct soak_journal *s, struct event e)
{
    struct error err = {{0}};
    e.id = ++s->event_id;
    e.seq = s->seq;
    e.seen_ns = e.at_ns;
    ok(journal_put_event(s->journal, &e, &err), &err);
}

static void put_cycle(struct soak_journal *s, const struct soak_run *r, int number, double begin_s)
{
    struct event e = {
        .kind = EVENT_CYCLE, .run_no = r->run_no, .code = number, .code2 = 1, .value_count = EVENT_VALUES_MAX};
    e.at_ns = (int64_t)((begin_s + r->on_s) * ns);
    e.values[CYCLE_COMMANDED_S] = r->on_s + 1;
    e.values[CYCLE_CONDUCTING_S] = r->on_s + 0.5;
    e.values[CYCLE_AT_RATED_S] = r->on_s;
    e.values[CYCLE_IN_BAND_S] = r->on_s - 2;
    e.values[CYCLE_CURRENT_A] = r->current_a;
    e.values[CYCLE_LOAD_V] = r->load_voltage_v;
    e.values[CYCLE_SUPPLY_V] = r->supply_v;
    e.values[CYCLE_INTAKE_DEGC] = r->intake_degc;
    soak_journal_event(s, e);
}

static void put_readings(struct soak_journal *s, const struct soak_run *r)
{
    struct error err = {{0}};
    for (double t = 0; r->reading_s > 0 && t < r->length_s; t += r->reading_s) {
        struct journal_reading m = {.run_no = r->run_no, .seq = s->seq, .stamp_ns = (int64_t)((r->start_s + t) * ns)};
        for (int k = 0; k < SIG_KIND_COUNT_; k++)
            m.values[k] = NAN;
        double in_cycle = fmod(t, 600);
        int on = in_cycle < r->on_s;
        double share = on ? in_cycle / r->on_s : exp(-(in_cycle - r->on_s) / 200);
        m.values[SIG_I2] = on ? r->current_a : 0;
        m.values[SIG_U2] = on ? r->load_voltage_v : 0;
        m.values[SIG_U1] = r->supply_v;
        m.values[SIG_P1] = on ? r->current_a * r->load_voltage_v + r->loss_w : r->idle_w > 0 ? r->idle_w : 20;
        m.values[SIG_T_INTAKE] = r->intake_degc;
        m.values[SIG_T_CASE] = r->intake_degc + r->case_rise_k * share;
        ok(journal_put_reading(s->journal, &m, &err), &err);
    }
}

static void put_verdict_of(struct soak_journal *s, const struct soak_run *r, int revision)
{
    struct error err = {{0}};
    int cut = !isnan(r->reset_s), held = r->on_s >= 240;
    struct verdict v = {.run_no = r->run_no,
                        .revision = revision,
                        .rules_version = 1,
                        .procedure = r->procedure,
                        .kind = held ? VERDICT_HELD : VERDICT_NOT_MET,
                        .basis = r->start == START_COLD ? BASIS_COLD_CYCLE : BASIS_WARM_CYCLE,
                        .cause = cut ? CAUSE_THERMAL_CUTOUT : CAUSE_NONE,
                        .deviations = KIND_COLD_START | KIND_COOL_INTAKE | HARSH_ALTITUDE,
                        .cycles_valid = (int)(r->length_s / 600) + 1,
                        .rated_percent_on = 40,
                        .rated_on_s = 240,
                        .commanded_s = r->on_s + 1,
                        .conducting_s = r->on_s + 0.5,
                        .at_rated_s = r->on_s,
                        .in_band_s = r->on_s - 2,
                        .percent_on_demanded = r->on_s / 6 + 1,
                        .percent_on_delivered = r->on_s / 6,
                        .shutoff_s = cut ? r->on_s : NAN,
                        .shutoff_half_width_s = cut ? 0.7 : NAN,
                        .reset_s = r->reset_s,
                        .own_percent_on = cut ? 100 * r->on_s / (r->on_s + r->reset_s) : NAN,
                        .time_uncertainty_s = 1.2,
                        .current_a = r->current_a,
                        .load_voltage_v = r->load_voltage_v,
                        .supply_v = r->supply_v,
                        .intake_degc = r->intake_degc,
                        .drift_k_per_h = NAN};
    (void)text_format(v.reason, sizeof v.reason, "said by the test in revision %d", revision);
    ok(journal_put_verdict(s->journal, &v, s->seq, (int64_t)((r->start_s + r->length_s) * ns), &err), &err);
}

void soak_journal_run(struct soak_journal *s, const struct soak_run *r)
{
    struct error err = {{0}};
    struct input *in = calloc(1, sizeof *in);
    ck_assert_ptr_nonnull(in);
    in->kind = INPUT_OPERATOR;
    in->seq = ++s->seq;
    in->seen_ns = (int64_t)(r->start_s * ns);
    struct input_operator *o = &in->u.operator_;
    *o = (struct input_operator){.verb = VERB_START, .request = 1};
    o->run = (struct run_request){.run_no = r->run_no,
                                  .plate_version = 1,
                                  .procedure = r->procedure,
                                  .start = r->start,
                                  .target_resistance_ohm = NAN,
                                  .baseline_u0_v = NAN,
                                  .setup_confirmed = true};
    o->run.point = make_point();
    (void)text_copy(o->run.serial, NAME_CAP, "HQ-0147");
    (void)text_copy(o->run.who, NAME_CAP, "Ines");
    ok(journal_begin(s->journal, &err), &err);
    ck_assert_int_eq(journal_next_run_no(s->journal), r->run_no);
    ok(journal_put_run(s->journal, in, in->seen_ns, &err), &err);
    struct event start = {.kind = EVENT_PREFLIGHT, .run_no = r->run_no, .at_ns = in->seen_ns};
    (void)text_copy(start.text, sizeof start.text, "start: exhaust air within limits of the intake");
    soak_journal_event(s, start);
    int number = 0;
    for (double t = 0; t + r->on_s < r->length_s; t += 600)
        put_cycle(s, r, ++number, r->start_s + t);
    put_readings(s, r);
    for (int revision = 1; revision <= (r->revisions > 1 ? r->revisions : 1); revision++)
        put_verdict_of(s, r, revision);
    ok(journal_end_run(s->journal, r->run_no, s->seq, (int64_t)((r->start_s + r->length_s) * ns), &err), &err);
    ok(journal_commit(s->journal, &err), &err);
    free(in);
}

void soak_journal_end(struct soak_journal *s)
{
    char command[160];
    journal_close(s->journal);
    (void)text_format(command, sizeof command, "rm -rf %s", s->folder);
    ck_assert_int_eq(system(command), 0);
}

struct soak_run soak_run_plain(int64_t run_no, double start_s)
{
    return (struct soak_run){.run_no = run_no,
                             .procedure = PROCEDURE_PROOF,
                             .start = START_COLD,
                             .start_s = start_s,
                             .length_s = 600,
                             .current_a = 160,
                             .load_voltage_v = 16.4,
                             .supply_v = 230,
                             .intake_degc = 20,
                             .on_s = 244,
                             .reset_s = NAN,
                             .case_rise_k = 30,
                             .loss_w = 600,
                             .reading_s = 1};
}
