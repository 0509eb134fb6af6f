#include "plan_beside.h"

#include <math.h>
#include <string.h>

#include "json_build.h"
#include "stagger_plan.h"
#include "utc.h"

/* Beyond rated time and guard, as the engine counts an on-load part at its longest: tolerance of the time, the start
 * transient, opening. */
enum { PART_MORE_S = 12 + 3 + 5 };

static int64_t milli(double figure)
{
    return isfinite(figure) && figure > 0 ? (int64_t)(figure * 1000 + 0.5) : 0;
}

static bool repeats(const char *procedure, int cycles)
{
    return strcmp(procedure, "soak") == 0 || (strcmp(procedure, "proof") == 0 && cycles > 1);
}

static double load_w(const struct rating_point *p)
{
    struct load_point load;
    struct error err = {{0}};
    return load_point_find(p->process, p->current_a, p->load_voltage_v, &load, &err) == 0 ? load.power_w : NAN;
}

/* As the engine takes it: of the plate, else efficiency 0.8, power factor 0.65 for one phase and 0.9 for three (common
 * practice, no published source). */
static double supply_a(const struct rating_point *p, double power_w)
{
    if (p->i1max_a > 0)
        return p->i1max_a;
    if (!(p->supply_v > 0) || p->phases == 0)
        return 0;
    return power_w / PLAN_EFFICIENCY / (p->phases == 3 ? p->supply_v * sqrt(3) * 0.9 : p->supply_v * 0.65);
}

static void point_of(const json_t *point, struct rating_point *p)
{
    memset(p, 0, sizeof *p);
    (void)process_parse(get_word(point, "process"), &p->process);
    p->current_a = get_figure(point, "current_a");
    p->load_voltage_v = get_figure(point, "load_voltage_v");
    p->supply_v = get_figure(point, "supply_v");
    p->i1max_a = get_figure(point, "i1max_a");
    p->percent_on = get_figure(point, "percent_on");
    p->cycle_s = get_figure(point, "cycle_s");
    p->phases = (int)get_whole(point, "phases");
}

static void add(struct plan_beside *b, enum stagger_kind kind, const struct bench *bench, int channel,
                const struct rating_point *p, double on_s, double offset_s)
{
    double power_w = load_w(p), cycle_s = p->cycle_s > 0 ? p->cycle_s : 600;
    if (b->job.count == CHANNELS_MAX || !isfinite(power_w))
        return;
    on_s = p->percent_on >= 100 || !(on_s + PART_MORE_S < cycle_s) ? cycle_s : on_s + PART_MORE_S;
    b->job.items[b->job.count++] = (struct stagger_item){.kind = kind,
                                                         .channel = channel,
                                                         .circuit = bench->channels[channel].circuit,
                                                         .cycle_ms = milli(cycle_s),
                                                         .on_ms = milli(on_s),
                                                         .power_mw = milli(power_w),
                                                         .supply_ma = milli(supply_a(p, power_w)),
                                                         .offset_ms = (int64_t)(offset_s * 1000)};
}

static bool under_way(const char *state)
{
    static const char *const states[] = {"preflight", "setting", "on-load", "pause", "recovering"};
    for (size_t i = 0; i < sizeof states / sizeof states[0]; i++)
        if (strcmp(states[i], state) == 0)
            return true;
    return false;
}

static void take_channels(struct plan_beside *b, const struct bench *bench, int channel, const json_t *view)
{
    size_t i;
    json_t *one;
    json_array_foreach((json_t *)json_object_get(view, "channels"), i, one)
    {
        int ch = bench_channel_find(bench, get_word(one, "channel"));
        if (ch < 0 || !under_way(get_word(one, "state")))
            continue;
        struct rating_point p;
        double left_s = get_figure(one, "run_expected_s") - get_figure(one, "run_elapsed_s");
        b->under_way++;
        if (ch == channel) {
            b->turn_s = isnan(left_s) || left_s < 0 ? 0 : left_s;
            b->at_least = isnan(left_s);
            continue;
        }
        point_of(json_object_get(one, "point"), &p);
        add(b, STAGGER_FIXED, bench, ch, &p, get_figure(one, "on_load_goal_s"), -get_figure(one, "cycle_elapsed_s"));
    }
}

static void take_queue(struct plan_beside *b, const struct bench *bench, int channel, const json_t *view)
{
    int64_t now_s = 0, end_s = 0;
    size_t i;
    json_t *one;
    bool any_time = utc_parse(get_word(view, "utc"), &now_s) == 0;
    json_array_foreach((json_t *)json_object_get(view, "queue"), i, one)
    {
        int ch = bench_channel_find(bench, get_word(one, "channel"));
        struct rating_point p;
        b->waiting++;
        if (any_time && utc_parse(get_word(one, "expected_end"), &end_s) == 0 && (double)(end_s - now_s) > b->turn_s)
            b->turn_s = (double)(end_s - now_s);
        b->at_least = b->at_least || get_flag(one, "expected_at_least");
        if (ch < 0 || ch == channel || !get_flag(one, "together"))
            continue;
        point_of(json_object_get(one, "point"), &p);
        bool cycles = repeats(get_word(one, "procedure"), 2);
        add(b, cycles ? STAGGER_CYCLES : STAGGER_ONCE, bench, ch, &p, p.cycle_s * p.percent_on / 100, 0);
    }
}

static void limits_of(const struct bench *bench, struct stagger_limits *l)
{
    l->bank_mw = milli(bench->limits.bank_max_power_w);
    l->bank_mean_mw = milli(bench->limits.bank_mean_power_w);
    l->circuit_count = bench->circuit_count;
    for (int i = 0; i < bench->circuit_count; i++)
        l->circuit_ma[i] = milli(bench->circuits[i].breaker.rated_a);
}

void plan_beside(struct client *c, const struct bench *bench, int channel, const struct run_request *run,
                 const struct run_plan *plan, struct plan_beside *b)
{
    struct error err = {{0}};
    json_t *answer = NULL;
    memset(b, 0, sizeof *b);
    if (client_offline(c) || client_ask(c, protocol_request(DO_STATUS, 0), false, &answer, &err) != 0)
        return;
    const json_t *view = json_object_get(answer, "result");
    b->known = true;
    limits_of(bench, &b->job.limits);
    take_channels(b, bench, channel, view);
    take_queue(b, bench, channel, view);
    json_decref(answer);
    bool cycles = repeats(procedure_name(run->procedure), run->cycles);
    int before = b->own = b->job.count;
    add(b, cycles ? STAGGER_CYCLES : STAGGER_ONCE, bench, channel, &run->point, plan->on_goal_s, 0);
    bool placed = b->job.count > before;
    for (int i = 0; i < before && placed; i++)
        b->shares = b->shares || b->job.limits.bank_mw > 0 || b->job.limits.bank_mean_mw > 0 ||
                    (b->job.items[i].circuit >= 0 && b->job.items[i].circuit == b->job.items[before].circuit &&
                     b->job.limits.circuit_ma[b->job.items[i].circuit] > 0);
    if (placed)
        stagger_plan_jointly(&b->job, &b->plan);
    b->shares = b->shares && placed;
}

static void print_peaks(const struct screen *s, const struct bench *bench, int channel, const struct plan_beside *b)
{
    const struct stagger_limits *l = &b->job.limits;
    int circuit = bench->channels[channel].circuit;
    fprintf(s->out, "         bank at most %.2f kW with the cycles shifted, %.2f kW if all began at once",
            (double)b->plan.peak_mw / 1e6, (double)b->plan.together_mw / 1e6);
    if (l->bank_mw > 0)
        fprintf(s->out, ", limit %.2f kW", (double)l->bank_mw / 1e6);
    fputc('\n', s->out);
    if (circuit >= 0 && l->circuit_ma[circuit] > 0)
        fprintf(s->out, "         circuit %s at most %.1f A, %.1f A if all began at once, breaker %g A\n",
                bench->circuits[circuit].name, (double)b->plan.circuit_ma[circuit] / 1000,
                (double)b->plan.together_ma[circuit] / 1000, bench->circuits[circuit].breaker.rated_a);
}

void print_beside(const struct screen *s, const struct bench *bench, int channel, const struct run_request *run,
                  const struct plan_beside *b)
{
    char text[48];
    if (!b->known || b->under_way + b->waiting == 0)
        return;
    fprintf(s->out, "Beside:  %d run%s under way, %d in the queue", b->under_way, b->under_way == 1 ? "" : "s",
            b->waiting);
    const struct stagger_place *own = &b->plan.places[b->own];
    if (!b->shares) {
        fputs(": no limit is shared with them\n", s->out);
    } else if (!own->placed) {
        fprintf(s->out,
                "\n         no room beside them in bank or circuit, whatever the shift: it would wait as number %d\n",
                (int)own->turn);
        print_peaks(s, bench, channel, b);
    } else {
        print_duration(text, sizeof text, (double)own->offset_ms / 1000);
        fprintf(s->out, "\n         its cycles would begin %s after it is asked for%s\n", text,
                b->plan.exact ? "" : " (good, not proved to be the best)");
        print_peaks(s, bench, channel, b);
    }
    if (b->turn_s > 0 && !run->together) {
        print_duration(text, sizeof text, b->turn_s);
        fprintf(s->out, "Queue:   in turn it would begin in %s%s\n", b->at_least ? "not less than " : "", text);
    }
}

json_t *beside_json(const struct bench *bench, int channel, const struct plan_beside *b)
{
    if (!b->known)
        return json_null();
    const struct stagger_place *own = &b->plan.places[b->own];
    int circuit = bench->channels[channel].circuit;
    bool peaks = b->shares;
    struct json_build j = build_begin();
    build_integer(&j, "under_way", b->under_way);
    build_integer(&j, "in_queue", b->waiting);
    build_flag(&j, "shares", b->shares);
    build_flag(&j, "has_room", !b->shares || own->placed);
    build_figure(&j, "begins_after_s", peaks && own->placed ? (double)own->offset_ms / 1000 : peaks ? NAN : 0);
    build_flag(&j, "exact", !peaks || b->plan.exact);
    build_figure(&j, "bank_peak_w", peaks ? (double)b->plan.peak_mw / 1000 : NAN);
    build_figure(&j, "bank_peak_at_once_w", peaks ? (double)b->plan.together_mw / 1000 : NAN);
    build_figure(&j, "circuit_peak_a", peaks && circuit >= 0 ? (double)b->plan.circuit_ma[circuit] / 1000 : NAN);
    build_figure(&j, "circuit_peak_at_once_a",
                 peaks && circuit >= 0 ? (double)b->plan.together_ma[circuit] / 1000 : NAN);
    build_figure(&j, "turn_after_s", b->turn_s);
    build_flag(&j, "at_least", b->at_least);
    return build_end(&j);
}
