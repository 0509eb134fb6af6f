#include "plant.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "codec.h"
#include "error.h"
#include "stagger_plan.h"
#include "worker_job.h"

static const int64_t travel_ns = 60000000;

/* Signals of a channel, and which device gives them. */
static const struct {
    enum signal_kind kind;
    int device;
} sources[] = {
    {SIG_I2, PLANT_BANK},          {SIG_U2, PLANT_BANK},    {SIG_FEEDBACK, PLANT_BANK}, {SIG_T_BANK, PLANT_BANK},
    {SIG_FAN_PROOF, PLANT_BANK},   {SIG_ESTOP, PLANT_BANK}, {SIG_SMOKE, PLANT_BANK},    {SIG_ISOLATED, PLANT_BANK},
    {SIG_T_LEAD, PLANT_BANK},      {SIG_U1, PLANT_METERS},  {SIG_I1, PLANT_METERS},     {SIG_T_INTAKE, PLANT_METERS},
    {SIG_T_EXHAUST, PLANT_METERS},
};

enum { SOURCES = sizeof sources / sizeof sources[0] };

int plant_signal(const struct plant *p, int ch, enum signal_kind kind)
{
    return p->bench.channels[ch].signal[kind];
}

static void add_signal(struct bench *b, int ch, enum signal_kind kind, int device)
{
    struct bench_signal *s = &b->signals[b->signal_count];
    *s = (struct bench_signal){.kind = kind,
                               .cls = signal_kind_class(kind),
                               .channel = ch,
                               .device = device,
                               .bus = device,
                               .dim = signal_kind_dimension(kind),
                               .mean = MEAN_ARITHMETIC,
                               .correction_gain = 1};
    (void)text_format(s->name, sizeof s->name, "%s", signal_kind_name(kind));
    s->uncertainty = (struct uncertainty){.of_reading_pct = kind == SIG_I2 ? 0.5 : 0.2, .k = 2, .kind = UNC_LIMIT};
    s->stale_after_ns = 2 * SEC;
    b->channels[ch].signal[kind] = b->signal_count++;
}

static void make_bench(struct bench *b, int channels)
{
    static const double ohms[] = {0.16, 0.32, 0.64, 1.28, 2.56};
    memset(b, 0, sizeof *b);
    (void)text_copy(b->name, sizeof b->name, "north-bay");
    b->rate = 1;
    b->virtual_bench = true;
    bench_limits_default(&b->limits);
    b->limits.u1_open_pct = 20;
    b->bus_count = b->device_count = 2;
    b->devices[PLANT_BANK] = (struct bench_device){.name = "bank",
                                                   .bus = 0,
                                                   .is_load = true,
                                                   .has_watchdog = true,
                                                   .watchdog_ns = 3 * SEC,
                                                   .poll_ns = SEC / 10,
                                                   .powered_from = -1,
                                                   .worst_open_ns = SEC / 5};
    b->devices[PLANT_METERS] =
        (struct bench_device){.name = "meters", .bus = 1, .poll_ns = SEC / 2, .powered_from = -1};
    b->circuit_count = channels;
    b->channel_count = channels;
    b->rule_count = 1;
    b->rules[0] = (struct bench_rule){.name = "room on fire",
                                      .channel = -1,
                                      .signal = "t_intake",
                                      .sense = RULE_ABOVE,
                                      .high = 60,
                                      .action = RULE_OPEN};
    for (int ch = 0; ch < channels; ch++) {
        struct bench_channel *c = &b->channels[ch];
        (void)text_format(c->name, sizeof c->name, "%c", 'A' + ch);
        b->circuits[ch] = (struct bench_circuit){.voltage_v = 230,
                                                 .phases = 1,
                                                 .frequency_hz = 50,
                                                 .breaker = {.rated_a = 32, .standard = "iec-60898-1", .curve = 'C'}};
        (void)text_format(b->circuits[ch].name, NAME_CAP, "c%d", ch + 1);
        c->circuit = ch;
        for (int k = 0; k < SIG_KIND_COUNT_; k++)
            c->signal[k] = -1;
        for (int i = 0; i < SOURCES; i++)
            add_signal(b, ch, sources[i].kind, sources[i].device);
        c->load = (struct bench_load){.kind = LOAD_STEPPED,
                                      .device = PLANT_BANK,
                                      .feedback_signal = c->signal[SIG_FEEDBACK],
                                      .step_count = 5,
                                      .max_voltage_v = 120,
                                      .breaks_dc_v = 100,
                                      .breaks_a = 400,
                                      .travel_ns = SEC / 10,
                                      .has_supply_trip = true,
                                      .has_trigger = true,
                                      .has_bank_fan = true};
        for (int i = 0; i < 5; i++)
            c->load.steps[i] = (struct bench_step){ohms[i], 44 * 44 / ohms[i]};
        c->path_count = 1;
        c->path[0] = (struct path_part){
            .is_cable = true, .area_mm2 = 50, .length_m = 10, .current_a = 285, .percent_on = 60, .cycle_s = 600};
    }
}

struct plant *plant_new(int channels)
{
    struct plant *p = calloc(1, sizeof *p);
    if (!p)
        return NULL;
    p->out = calloc(1, sizeof *p->out);
    make_bench(&p->bench, channels);
    p->utc0_ns = INT64_C(1700000000) * SEC;
    p->now_ns = 1000 * SEC;
    p->u1 = 230;
    p->intake = 22;
    p->bank = 60;
    p->beat_on = true;
    p->tick_ns = SEC / 10;
    p->hash = UINT64_C(14695981039346656037);
    p->check_view = true;
    for (int ch = 0; ch < channels; ch++) {
        struct plant_channel *c = &p->channels[ch];
        c->unit = (struct plant_unit){.switched_on = false,
                                      .supply_present = true,
                                      .triggered_unit = true,
                                      .set_a = 160.5,
                                      .u0_v = 70,
                                      .rise_k = 120,
                                      .tau_s = 900,
                                      .cut_k = 1000,
                                      .reset_k = 60,
                                      .idle_a = 0.4};
        for (int k = 0; k < SIG_KIND_COUNT_; k++)
            c->read[k] = NAN;
    }
    return p;
}

void plant_free(struct plant *p)
{
    if (!p)
        return;
    engine_free(p->engine);
    free(p->out);
    free(p->log);
    free(p);
}

static void hash_bytes(struct plant *p, const uint8_t *bytes, size_t n)
{
    for (size_t i = 0; i < n; i++)
        p->hash = (p->hash ^ bytes[i]) * UINT64_C(1099511628211);
}

static void break_rule(struct plant *p, const char *text, int ch)
{
    if (p->broken[0] == '\0')
        (void)text_format(p->broken, sizeof p->broken, "%s (channel %d, state %s, %.1f s)", text, ch,
                          channel_state_name(p->view.channels[ch].state), (double)p->now_ns / 1e9);
}

/* A command to close must find the rules of the house kept. */
static void check_closing(struct plant *p, const struct command *k)
{
    struct channel_view *v = &p->view.channels[k->channel];
    engine_view(p->engine, &p->view);
    if (k->intent_event == 0)
        break_rule(p, "closing without an intent", k->channel);
    bool proof = p->proving;
    if (!proof && !p->view.devices[PLANT_BANK].watchdog_proved)
        break_rule(p, "closing with an unproved watchdog", k->channel);
    if (!p->view.journal_healthy)
        break_rule(p, "closing with an unhealthy record", k->channel);
    for (int i = 0; i < SOURCES; i++)
        if (signal_kind_class(sources[i].kind) == CLASS_SAFETY && v->qualities[sources[i].kind] != QUALITY_GOOD)
            break_rule(p, "closing with a stale safety signal", k->channel);
}

static void ack(struct plant *p, uint64_t number, enum ack_kind kind, int64_t stamp)
{
    struct input in = {.kind = INPUT_ACK,
                       .u.ack = {.device = PLANT_BANK, .command = number, .kind = kind, .stamp_ns = stamp}};
    plant_input(p, &in);
}

static void move_steps(struct plant *p, struct plant_channel *c, uint32_t mask)
{
    if (mask != 0 && c->stuck_open)
        return;
    if (mask == 0 && c->welded)
        return;
    if (c->wanted == mask)
        return; /* on its way already */
    c->wanted = mask;
    c->moves_ns = p->now_ns + travel_ns;
}

static void open_all(struct plant *p)
{
    for (int ch = 0; ch < p->bench.channel_count; ch++)
        move_steps(p, &p->channels[ch], 0);
}

/* The few commands that wait for their acknowledgement until the step is over. */
struct pending_ack {
    uint64_t number;
    enum ack_kind kind;
    int64_t stamp;
};

static int carry_out(struct plant *p, const struct command *k, struct pending_ack *acks)
{
    struct plant_channel *c = k->channel >= 0 ? &p->channels[k->channel] : NULL;
    int64_t now = p->now_ns;
    switch (k->kind) {
    case COMMAND_STEPS:
        check_closing(p, k);
        c->held_steps = k->number;
        c->held_mask = k->mask;
        c->held_intent = k->intent_event;
        return 0;
    case COMMAND_OPEN:
        c->held_steps = 0;
        if (p->device_down)
            return 0;
        move_steps(p, c, 0);
        acks[0] = (struct pending_ack){k->number, ACK_DONE, now};
        return 1;
    case COMMAND_DROP:
        if (p->device_down || p->drops_fail)
            return 0;
        open_all(p);
        acks[0] = (struct pending_ack){0, ACK_DROPPED, now};
        return 1;
    case COMMAND_TRIGGER:
        if (p->device_down)
            return 0;
        c->trigger = k->on;
        acks[0] = (struct pending_ack){k->number, ACK_DONE, now};
        return 1;
    case COMMAND_SUPPLY:
        c->supply_tripped = !k->on;
        return 0;
    case COMMAND_LEASE:
        p->lease_until_ns = k->until_ns;
        return 0;
    case COMMAND_BEAT_STOP:
        p->beat_on = false;
        acks[0] = (struct pending_ack){k->number, ACK_DONE, p->last_beat_ns};
        return 1;
    case COMMAND_BEAT_START:
        p->beat_on = true;
        acks[0] = (struct pending_ack){k->number, ACK_DONE, now};
        return 1;
    case COMMAND_FAN:
        c->fan = k->on;
        return 0;
    case COMMAND_FACTS:
        p->asked[p->asked_count++] = (int64_t)k->request;
        return 0;
    case COMMAND_ANSWER:
        if (k->code == 2) {
            p->done_answers++;
            if (strstr(k->text, "proved"))
                p->proving = false;
        } else {
            p->answer_code = k->code;
            (void)text_copy(p->answer, sizeof p->answer, k->text);
        }
        return 0;
    default:
        return 0;
    }
}

/* An interlock opens in the step that sees it: its opening stands in the same output. */
static void check_opening(struct plant *p, const struct event *v)
{
    bool opens = false;
    for (int i = 0; i < p->out->command_count; i++) {
        const struct command *k = &p->out->commands[i];
        opens = opens || (k->channel == v->channel && (k->kind == COMMAND_OPEN || k->kind == COMMAND_DROP));
    }
    if (!opens)
        break_rule(p, "an interlock that did not open in its own step", v->channel);
    if (v->seq != p->seq)
        break_rule(p, "an interlock that names another input", v->channel);
}

static void take_events(struct plant *p)
{
    uint8_t bytes[2048];
    for (int i = 0; i < p->out->event_count; i++) {
        const struct event *v = &p->out->events[i];
        struct writer w = writer_over(bytes, sizeof bytes);
        put_event(&w, v);
        hash_bytes(p, bytes, w.used);
        p->events_seen[v->kind]++;
        p->last_event[v->kind] = *v;
        if (v->kind == EVENT_INTERLOCK)
            check_opening(p, v);
    }
    for (int i = 0; i < p->out->verdict_count; i++) {
        const struct verdict *v = &p->out->verdicts[i];
        struct writer w = writer_over(bytes, sizeof bytes);
        put_verdict(&w, v);
        hash_bytes(p, bytes, w.used);
        p->verdict[v->channel] = *v;
        p->has_verdict[v->channel] = true;
    }
}

/* Load on in a state that must not have it: opening has to be under way. */
static void check_states(struct plant *p)
{
    if (!p->check_view)
        return;
    engine_view(p->engine, &p->view);
    for (int ch = 0; ch < p->bench.channel_count; ch++) {
        const struct channel_view *v = &p->view.channels[ch];
        bool rest =
            v->state == STATE_FREE || v->state == STATE_RIGGING || v->state == STATE_LOCKED || v->state == STATE_DONE;
        if (rest && !p->proving && v->mask_commanded != 0 && !v->switching)
            break_rule(p, "load commanded on in a state of rest", ch);
        bool on = v->state == STATE_ON_LOAD || v->state == STATE_SETTING;
        if (!on || v->mask_commanded == 0 || v->switching)
            continue;
        if (!p->view.devices[PLANT_BANK].watchdog_proved)
            break_rule(p, "on-load with an unproved watchdog", ch);
        if (!p->view.devices[PLANT_BANK].up)
            break_rule(p, "on-load without a load controller", ch);
        if (p->record_failed)
            break_rule(p, "on-load with a record that failed", ch);
        for (int i = 0; i < SOURCES; i++)
            if (signal_kind_class(sources[i].kind) == CLASS_SAFETY && v->qualities[sources[i].kind] == QUALITY_STALE)
                break_rule(p, "on-load with a stale safety signal", ch);
    }
}

static void say_facts(struct plant *p, int64_t run_no)
{
    struct input in = {.kind = INPUT_OPERATOR, .u.operator_ = {.verb = VERB_FACTS, .channel = -1, .device = -1}};
    in.u.operator_.run.run_no = run_no;
    if (p->stores_run == 0 || p->stores_run == run_no)
        in.u.operator_.run.stores = p->stores;
    in.u.operator_.run.night = (struct run_night){
        .allowed = true, .ups = true, .beacon = true, .outside = true, .acknowledged_utc_s = p->utc0_ns / SEC + 10};
    plant_input(p, &in);
}

/* The worker's answer to what the step asked; job 0: it was not asked, or is dead. */
static struct input_worker plan_asked(struct plant *p)
{
    struct input_worker answer = {.channel = -1};
    struct stagger_plan plan;
    for (int i = 0; i < p->out->command_count && p->plans; i++) {
        if (p->out->commands[i].kind != COMMAND_WORKER || p->out->commands[i].code != JOB_STAGGER)
            continue;
        answer.job = p->out->commands[i].number;
        stagger_plan_jointly(&p->out->stagger_job, &plan);
        stagger_plan_to_values(&p->out->stagger_job, &plan, answer.values);
        p->planned++;
        if (p->plan_is_wrong) /* all at once */
            for (int ch = 0; ch < CHANNELS_MAX; ch++)
                answer.values[ch] = answer.values[ch] > 0 ? 0 : answer.values[ch];
    }
    return answer;
}

void plant_input(struct plant *p, struct input *in)
{
    in->seq = ++p->seq;
    if (in->kind == INPUT_JOURNAL)
        p->record_failed = in->u.journal.failed;
    in->seen_ns = p->now_ns;
    if (p->log_cap - p->log_used < 16384) {
        p->log_cap = p->log_cap ? 2 * p->log_cap : 1 << 20;
        p->log = realloc(p->log, p->log_cap);
    }
    struct writer w = writer_over(p->log + p->log_used + 4, p->log_cap - p->log_used - 4);
    put_input(&w, in);
    uint32_t n = (uint32_t)w.used;
    memcpy(p->log + p->log_used, &n, 4);
    p->log_used += 4 + w.used;
    engine_step(p->engine, in, p->out);
    if (p->out->overflow)
        p->overflowed = true;
    take_events(p);
    struct pending_ack acks[64];
    int count = 0;
    for (int i = 0; i < p->out->command_count && count < 60; i++) {
        const struct command *k = &p->out->commands[i];
        hash_bytes(p, (const uint8_t *)&k->kind, sizeof k->kind);
        hash_bytes(p, (const uint8_t *)&k->number, sizeof k->number);
        hash_bytes(p, (const uint8_t *)&k->mask, sizeof k->mask);
        p->commands_seen[k->kind]++;
        p->last_command[k->kind] = *k;
        count += carry_out(p, k, &acks[count]);
    }
    check_states(p);
    struct input_worker plan = plan_asked(p);
    int asked = p->asked_count;
    p->asked_count = 0;
    for (int i = 0; i < count; i++)
        ack(p, acks[i].number, acks[i].kind, acks[i].stamp);
    for (int i = 0; i < asked && !p->facts_silent; i++)
        say_facts(p, p->asked[i]);
    if (plan.job != 0) {
        struct input answer = {.kind = INPUT_WORKER, .u.worker = plan};
        plant_input(p, &answer);
    }
}

static double conductance(const struct plant *p, int ch, uint32_t mask)
{
    double g = 0;
    for (int i = 0; i < p->bench.channels[ch].load.step_count; i++)
        if (mask >> i & 1u)
            g += 1 / p->bench.channels[ch].load.steps[i].resistance_ohm;
    return g;
}

static void run_unit(struct plant *p, int ch, double dt_s)
{
    struct plant_channel *c = &p->channels[ch];
    struct plant_unit *u = &c->unit;
    bool powered = u->switched_on && u->supply_present && !c->supply_tripped;
    double g = u->path_open ? 0 : conductance(p, ch, c->mask);
    bool live = powered && !u->cut && (!u->triggered_unit || c->trigger);
    double amps = u->set_a - u->sag_a;
    u->i2 = live && g > 0 ? amps : 0;
    u->u2 = !live ? 0 : g > 0 ? amps / g : u->u0_v;
    if (u->path_shorted && live)
        u->u2 = 1.5;
    u->i1 = !powered ? 0 : u->i2 > 0 ? u->i2 * u->u2 / (230 * 0.65 * 0.8) : u->idle_a;
    double share = u->i2 / 160;
    double goal = u->rise_k * share * share;
    u->temp_k += (goal - u->temp_k) * dt_s / (u->tau_s + dt_s);
    if (u->temp_k >= u->cut_k)
        u->cut = true;
    else if (u->temp_k <= u->reset_k)
        u->cut = false;
}

static double value_of(const struct plant *p, int ch, enum signal_kind kind)
{
    const struct plant_channel *c = &p->channels[ch];
    if (!isnan(c->read[kind]))
        return c->read[kind];
    switch (kind) {
    case SIG_I2:
        return c->unit.i2;
    case SIG_U2:
        return c->unit.u2;
    case SIG_FEEDBACK:
        return c->mask;
    case SIG_T_BANK:
        return p->bank;
    case SIG_FAN_PROOF:
        return c->fan ? 1 : 0;
    case SIG_T_LEAD:
        return 30;
    case SIG_U1:
        return c->unit.supply_present && !c->supply_tripped ? p->u1 : 0;
    case SIG_I1:
        return c->unit.i1;
    case SIG_T_INTAKE:
        return p->intake;
    case SIG_T_EXHAUST:
        return p->intake + c->unit.temp_k * 0.4;
    default:
        return 0;
    }
}

void plant_poll(struct plant *p, int ch, int device)
{
    struct input in = {.kind = INPUT_READINGS};
    struct input_readings *m = &in.u.readings;
    m->bus = m->device = device;
    m->stamp_ns = p->now_ns - 5000000;
    m->half_width_ns = 2000000;
    for (int i = 0; i < SOURCES; i++) {
        if (sources[i].device != device || p->channels[ch].silent[sources[i].kind])
            continue;
        m->items[m->count++] =
            (struct reading){plant_signal(p, ch, sources[i].kind), QUALITY_GOOD, value_of(p, ch, sources[i].kind)};
    }
    plant_input(p, &in);
}

static void poll_device(struct plant *p, int device)
{
    for (int ch = 0; ch < p->bench.channel_count; ch++)
        plant_poll(p, ch, device);
}

/* Held commands go out when their intent is on disk, which takes a moment. */
static void send_held(struct plant *p)
{
    if (p->hold_intents || p->journal_stuck || p->device_down)
        return;
    for (int ch = 0; ch < p->bench.channel_count; ch++) {
        struct plant_channel *c = &p->channels[ch];
        uint64_t number = c->held_steps;
        if (number == 0)
            continue;
        c->held_steps = 0;
        move_steps(p, c, c->held_mask);
        ack(p, number, ACK_DONE, p->now_ns);
    }
}

static void run_controller(struct plant *p)
{
    if (p->beat_on && p->now_ns < p->lease_until_ns && !p->device_down)
        p->last_beat_ns = p->now_ns;
    if (p->beat_feeds_all)
        p->last_beat_ns = p->now_ns;
    if (p->now_ns - p->last_beat_ns > p->bench.devices[PLANT_BANK].watchdog_ns)
        open_all(p);
    for (int ch = 0; ch < p->bench.channel_count; ch++) {
        struct plant_channel *c = &p->channels[ch];
        if (c->wanted != c->mask && p->now_ns >= c->moves_ns)
            c->mask = c->wanted;
    }
}

void plant_tick(struct plant *p)
{
    int64_t goal = p->now_ns + p->tick_ns;
    for (int64_t at = engine_next_timer_ns(p->engine); at < goal; at = engine_next_timer_ns(p->engine)) {
        p->now_ns = at > p->now_ns ? at : p->now_ns;
        struct input in = {.kind = INPUT_TIME};
        plant_input(p, &in);
    }
    p->now_ns = goal;
    for (int i = 0; i < p->tick_parts; i++) {
        struct input in = {.kind = INPUT_TIME};
        plant_input(p, &in);
    }
    send_held(p);
    run_controller(p);
    for (int ch = 0; ch < p->bench.channel_count; ch++)
        run_unit(p, ch, (double)p->tick_ns / 1e9);
    bool meters = p->now_ns / p->tick_ns % 5 == 0 && !p->meters_silent;
    p->order_seed = p->order_seed * UINT64_C(6364136223846793005) + (p->order_seed ? 1442695040888963407u : 0);
    bool first = p->order_seed >> 63;
    if (meters && first)
        poll_device(p, PLANT_METERS);
    if (!p->device_down)
        poll_device(p, PLANT_BANK);
    if (meters && !first)
        poll_device(p, PLANT_METERS);
    struct input in = {.kind = INPUT_JOURNAL, .u.journal = {.oldest_unsynced_ns = SEC / 10}};
    if (!p->journal_stuck && p->now_ns / p->tick_ns % 5 == 0)
        plant_input(p, &in);
}

void plant_run(struct plant *p, double seconds)
{
    int64_t until = p->now_ns + (int64_t)(seconds * 1e9);
    while (p->now_ns < until)
        plant_tick(p);
}
