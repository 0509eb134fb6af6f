/* run plan: what a run will do, and its set-up sheet. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "cautions.h"
#include "commands.h"
#include "json_build.h"
#include "model_json.h"
#include "plan.h"
#include "plan_beside.h"
#include "run_order.h"
#include "unit_file.h"

/* All that a plan is made of. */
struct planning {
    struct bench *bench;
    int channel;
    struct unit_plate plate;
    struct run_request run;
    struct run_plan plan;
    struct plan_beside beside;
};

static void step_list(const struct planning *p, char *to, size_t cap)
{
    const struct bench_load *load = &p->bench->channels[p->channel].load;
    (void)text_copy(to, cap, "");
    for (int i = 0; i < load->step_count; i++) {
        if (p->plan.steps.mask & (1u << i))
            (void)text_append(to, cap, "%s%g", to[0] ? " + " : "", load->steps[i].resistance_ohm);
    }
}

static void print_strike(const struct screen *s, const struct run_plan *plan)
{
    if (plan->strike_trouble[0])
        fprintf(s->out, "Strike:  %s%s%s\n", tone_begin(s, TONE_BAD), plan->strike_trouble, tone_end(s, TONE_BAD));
    if (!plan->strikes)
        return;
    fprintf(s->out, "Strike:  ");
    for (int i = 0; i < plan->strike.count - 1; i++)
        fprintf(s->out, "%.3f ohm for %.1f s%s, then ", plan->strike.moves[i].ohm,
                (double)plan->strike.moves[i].for_ns / 1e9,
                plan->strike.moves[i + 1].opens ? " (steps open after it)" : "");
    fprintf(s->out, "the load above\n");
}

static void print_load(const struct screen *s, const struct planning *p)
{
    const struct run_plan *plan = &p->plan;
    fprintf(s->out, "Load:    %.1f V at %g A (%s%s), %.4f ohm, %.2f kW on-load\n", plan->load.voltage_v,
            plan->load.current_a, plan->load.from_plate ? "U2 of the plate" : "conventional load voltage",
            plan->load.from_memory ? ", that line from memory" : "", plan->load.resistance_ohm,
            plan->load.power_w / 1000.0);
    enum load_kind kind = p->bench->channels[p->channel].load.kind;
    if (plan->has_steps && kind != LOAD_STEPPED) {
        fprintf(s->out, "         load set to %.4g %s, %.2f kW in it\n", plan->setting,
                kind == LOAD_SETTABLE_CURRENT ? "A" : "ohm", plan->steps.power_w / 1000.0);
    } else if (plan->has_steps) {
        char steps[200];
        step_list(p, steps, sizeof steps);
        fprintf(s->out,
                "         steps of %s ohm in parallel: %.4f ohm with the leads, %+.1f %% of the wanted load, "
                "hardest step at %.0f %% of its rating\n",
                steps, plan->steps.resistance_ohm, plan->steps.error_pct, plan->steps.worst_step_pct);
    } else if (plan->steps_trouble[0]) {
        fprintf(s->out, "         %s%s: %s%s\n", tone_begin(s, TONE_BAD),
                kind == LOAD_STEPPED ? "No combination of steps does" : "The load cannot be set to it",
                plan->steps_trouble, tone_end(s, TONE_BAD));
    }
    print_strike(s, plan);
    fprintf(s->out,
            "Heat:    about %.1f kW into the room on average, unit and bank together: air it before the start\n",
            plan->room_w / 1000.0);
}

static void print_supply(const struct screen *s, const struct planning *p)
{
    const struct supply_plan *supply = &p->plan.supply;
    const struct bench_channel *channel = &p->bench->channels[p->channel];
    if (!supply->any) {
        fprintf(s->out, "Supply:  none of this bench's circuits, or the plate gives no supply\n");
        return;
    }
    if (supply->from_plate)
        fprintf(s->out, "Supply:  I1 %.1f A (I1max of the plate), I1eff about %.1f A\n", supply->i1_high_a,
                supply->i1_eff_a);
    else
        fprintf(s->out,
                "Supply:  I1 %.1f to %.1f A (estimated: efficiency %.2g, power factor 1 to %.2g), I1eff up to "
                "%.1f A\n",
                supply->i1_low_a, supply->i1_high_a, PLAN_EFFICIENCY, supply->power_factor, supply->i1_eff_a);
    if (channel->circuit < 0)
        return;
    const struct bench_circuit *circuit = &p->bench->circuits[channel->circuit];
    if (supply->has_breaker) {
        fprintf(s->out, "         circuit %s, breaker %g A: %s\n", circuit->name, circuit->breaker.rated_a,
                supply->trip_text);
        if (supply->start_heat > 0.05) /* as preflight says it */
            fprintf(s->out, "         with the breaker still %.0f %% warm from earlier runs counted in\n",
                    100.0 * supply->start_heat);
        else if (isnan(supply->start_heat))
            fprintf(s->out, "         the breaker is taken as cold: no daemon answers that would know\n");
    } else
        fprintf(s->out, "         circuit %s: no prediction for its breaker%s%s\n", circuit->name,
                supply->trouble[0] ? ": " : "", supply->trouble);
}

static void print_path(const struct screen *s, const struct planning *p)
{
    const struct lead_state *path = &p->plan.path;
    if (!p->plan.has_path) {
        fprintf(s->out, "Leads:   not described in the configuration: see for yourself that they carry %g A at %g %%\n",
                p->run.point.current_a, p->run.point.percent_on);
        return;
    }
    const struct lead_part_state *weakest = path->weakest >= 0 ? &path->parts[path->weakest] : NULL;
    if (!weakest)
        return;
    const struct path_part *part = &p->bench->channels[p->channel].path[path->weakest];
    fprintf(s->out, "Leads:   weakest part is the %s of %g A at %g %%, loaded to %s%.0f %%%s of it%s\n",
            part->is_cable ? "cable" : "connector", part->current_a, part->percent_on,
            tone_begin(s, weakest->over ? TONE_BAD : TONE_PLAIN), weakest->loading_pct,
            tone_end(s, weakest->over ? TONE_BAD : TONE_PLAIN),
            weakest->other_cycle ? " (rated on another cycle: take it with care)" : "");
    if (weakest->over)
        fprintf(s->out, "         %sThis load path does not carry the run. Change it before you start.%s\n",
                tone_begin(s, TONE_BAD), tone_end(s, TONE_BAD));
}

static void print_survey_plan(const struct screen *s, const struct planning *p)
{
    for (int i = 0; i < p->plan.survey_count; i++) {
        const struct survey_plan *q = &p->plan.survey[i];
        fprintf(s->out, "%s%g A: %.1f V, %.4f ohm, %.2f kW on-load, square law %.1f %%",
                i ? "         " : "Points:  ", q->point.current_a, q->load.voltage_v, q->load.resistance_ohm,
                q->load.power_w / 1000.0, q->point.percent_on);
        if (q->has_steps)
            fprintf(s->out, ", steps %+.1f %%\n", q->steps_error_pct);
        else
            fprintf(s->out, ", %sno combination of steps does%s\n", tone_begin(s, TONE_BAD), tone_end(s, TONE_BAD));
    }
}

static void print_plan(const struct screen *s, const struct planning *p)
{
    char point[TEXT_CAP], course[512], duration[48];
    rating_point_print(point, sizeof point, &p->run.point);
    plan_course(&p->run, &p->plan, course, sizeof course);
    fprintf(s->out, "%s of unit %s at %s on channel %s\n", procedure_name(p->run.procedure), p->plate.serial, point,
            p->bench->channels[p->channel].name);
    fputs("Course:  ", s->out);
    print_wrapped(s, 9, course);
    print_duration(duration, sizeof duration, isfinite(p->plan.duration_s) ? p->plan.duration_s : p->plan.least_s);
    fprintf(s->out, "Time:    %s%s%s\n", isfinite(p->plan.duration_s) ? "" : "open end, at least ", duration,
            p->bench->rate > 1.0 ? " of the bench's own (scaled) clock" : "");
    print_survey_plan(s, p);
    if (p->run.procedure == PROCEDURE_SCREEN && p->run.point.percent_on > 60.0)
        fputs("         Above 60 % a screen takes longer than a returned unit's quarter of an hour.\n", s->out);
    print_load(s, p);
    print_supply(s, p);
    print_path(s, p);
    print_beside(s, p->bench, p->channel, &p->run, &p->beside);
    fprintf(s->out, "\n%sSet-up sheet%s (confirm with --confirm-setup when every line is seen to)\n",
            tone_begin(s, TONE_STRONG), tone_end(s, TONE_STRONG));
    for (int i = 0; i < p->plan.sheet.count; i++) {
        fprintf(s->out, "  [ ] ");
        struct screen narrower = *s;
        if (narrower.width > 46)
            narrower.width -= 6;
        print_wrapped(&narrower, 6, p->plan.sheet.lines[i]);
    }
    fputc('\n', s->out);
    print_cautions(s);
}

static json_t *list_of(int count, const char *(*text)(const struct planning *p, int i), const struct planning *p)
{
    json_t *list = json_array();
    for (int i = 0; list && i < count; i++) {
        if (json_array_append_new(list, json_text(text(p, i))) != 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

static const char *sheet_line(const struct planning *p, int i)
{
    return p->plan.sheet.lines[i];
}

static const char *caution_line(const struct planning *p, int i)
{
    (void)p;
    return caution_text(i);
}

static json_t *steps_json(const struct planning *p)
{
    const struct step_choice *c = &p->plan.steps;
    struct json_build b = build_begin();
    build_integer(&b, "mask", c->mask);
    build_figure(&b, "resistance_ohm", c->resistance_ohm);
    build_figure(&b, "error_pct", c->error_pct);
    build_figure(&b, "power_w", c->power_w);
    build_figure(&b, "worst_step_pct", c->worst_step_pct);
    build_figure(&b, "setting", p->bench->channels[p->channel].load.kind == LOAD_STEPPED ? NAN : p->plan.setting);
    return build_end(&b);
}

static json_t *strike_json(const struct planning *p)
{
    json_t *list = json_array();
    for (int i = 0; list && i < p->plan.strike.count; i++) {
        const struct strike_move *m = &p->plan.strike.moves[i];
        struct json_build b = build_begin();
        build_text(&b, "moment", strike_moment_name(m->moment));
        build_integer(&b, "mask", m->mask);
        build_figure(&b, "resistance_ohm", m->ohm);
        build_figure(&b, "for_s", m->for_ns > 0 ? (double)m->for_ns / 1e9 : NAN);
        build_flag(&b, "opens", m->opens);
        if (json_array_append_new(list, build_end(&b)) != 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

static json_t *supply_json(const struct planning *p)
{
    const struct supply_plan *s = &p->plan.supply;
    struct json_build b = build_begin();
    build_flag(&b, "from_plate", s->from_plate);
    build_figure(&b, "i1_low_a", s->i1_low_a);
    build_figure(&b, "i1_high_a", s->i1_high_a);
    build_figure(&b, "i1_eff_a", s->i1_eff_a);
    build_figure(&b, "trip_min_s", s->has_breaker ? s->trip_high.trip_min_s : NAN);
    build_figure(&b, "trip_max_s", s->has_breaker ? s->trip_low.trip_max_s : NAN);
    build_figure(&b, "breaker_heat", s->start_heat);
    build_text(&b, "breaker", s->trip_text);
    return build_end(&b);
}

static json_t *survey_json(const struct planning *p)
{
    json_t *list = json_array();
    for (int i = 0; list && i < p->plan.survey_count; i++) {
        const struct survey_plan *q = &p->plan.survey[i];
        struct json_build b = build_begin();
        build_figure(&b, "current_a", q->point.current_a);
        build_figure(&b, "load_voltage_v", q->load.voltage_v);
        build_figure(&b, "resistance_ohm", q->load.resistance_ohm);
        build_figure(&b, "power_w", q->load.power_w);
        build_figure(&b, "square_law_pct", q->point.percent_on);
        build_figure(&b, "steps_error_pct", q->has_steps ? q->steps_error_pct : NAN);
        if (json_array_append_new(list, build_end(&b)) != 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

static json_t *plan_json(const struct planning *p)
{
    char course[512];
    plan_course(&p->run, &p->plan, course, sizeof course);
    struct json_build b = build_begin();
    build_text(&b, "unit", p->plate.serial);
    build_text(&b, "channel", p->bench->channels[p->channel].name);
    build_text(&b, "procedure", procedure_name(p->run.procedure));
    build_add(&b, "point", rating_point_to_json(&p->run.point));
    build_text(&b, "course", course);
    build_figure(&b, "on_load_s", p->plan.on_goal_s);
    build_figure(&b, "pause_s", p->plan.pause_s);
    build_figure(&b, "duration_s", p->plan.duration_s);
    build_figure(&b, "least_s", p->plan.least_s);
    build_figure(&b, "load_voltage_v", p->plan.load.voltage_v);
    build_figure(&b, "resistance_ohm", p->plan.load.resistance_ohm);
    build_figure(&b, "power_w", p->plan.load.power_w);
    build_figure(&b, "room_w", p->plan.room_w);
    build_add(&b, "survey", survey_json(p));
    build_add(&b, "steps", p->plan.has_steps ? steps_json(p) : json_null());
    build_add(&b, "strike", p->plan.strikes ? strike_json(p) : json_null());
    build_text(&b, "strike_trouble", p->plan.strike_trouble);
    build_add(&b, "supply", p->plan.supply.any ? supply_json(p) : json_null());
    const struct lead_state *path = &p->plan.path;
    bool judged = p->plan.has_path && path->weakest >= 0;
    build_figure(&b, "path_loading_pct", judged ? path->parts[path->weakest].loading_pct : NAN);
    build_add(&b, "beside", beside_json(p->bench, p->channel, &p->beside));
    build_add(&b, "setup_sheet", list_of(p->plan.sheet.count, sheet_line, p));
    build_add(&b, "cautions", list_of(caution_count(), caution_line, p));
    return build_end(&b);
}

int find_plate(struct client *c, const struct arguments *args, struct unit_plate *plate)
{
    const char *file = argument_text(args, "--plate", NULL);
    if (file) {
        struct problems problems = {0};
        int result = unit_file_load(file, plate, &problems);
        if (result != 0)
            fprintf(c->errors.out, "soakbench: %s has errors; soakbench check --unit %s shows them\n", file, file);
        problems_free(&problems);
        return result == 0 ? EXIT_DONE : EXIT_REFUSED;
    }
    struct json_build b = {.object = protocol_request(DO_UNIT_SHOW, 0)};
    b.bad = !b.object;
    build_text(&b, "unit", argument_text(args, "--unit", ""));
    json_t *result = NULL;
    int status = client_result(c, build_end(&b), false, &result);
    struct protocol_error problem = {0};
    if (status == EXIT_DONE && plate_from_json(json_object_get(result, "unit"), plate, &problem) != 0) {
        struct error err;
        error_set(&err, "the plate on file cannot be used: %s", problem.what);
        status = client_failed(c, &err);
    }
    json_decref(result);
    return status;
}

static int refuse(struct client *c, const struct protocol_error *problem)
{
    json_t *answer = protocol_refused(0, problem, NULL);
    int status = client_refused(c, answer);
    json_decref(answer);
    return status;
}

/* What earlier runs left in the breaker, from the daemon that has counted it; NAN without one. */
static double breaker_heat(struct client *c, const struct planning *p)
{
    int circuit = p->bench->channels[p->channel].circuit;
    struct error err = {{0}};
    json_t *answer = NULL;
    double heat = NAN;
    if (circuit < 0 || client_offline(c) || client_ask(c, protocol_request(DO_STATUS, 0), false, &answer, &err) != 0)
        return heat;
    const json_t *all = json_object_get(json_object_get(answer, "result"), "circuits");
    size_t i;
    json_t *one;
    json_array_foreach(all, i, one)
    {
        if (strcmp(get_word(one, "circuit"), p->bench->circuits[circuit].name) == 0)
            heat = get_figure(one, "breaker_heat");
    }
    json_decref(answer);
    return heat;
}

static int make_plan(struct client *c, const struct arguments *args, struct planning *p)
{
    struct error err = {{0}};
    struct protocol_error problem = {0};
    p->bench = client_bench(c, &err);
    if (!p->bench)
        return client_failed(c, &err);
    p->channel = bench_channel_find(p->bench, args->operands[0]);
    if (p->channel < 0) {
        error_set(&err, "bench %s has no channel %s; soakbench status shows the channels", p->bench->name,
                  args->operands[0]);
        return client_failed(c, &err);
    }
    int status = find_plate(c, args, &p->plate);
    if (status != EXIT_DONE)
        return status;
    json_t *request = run_request_of(args, DO_RUN_START);
    int result = request ? run_order_from_json(request, &p->plate, &p->run, &problem) : -1;
    if (!request)
        protocol_fail(&problem, "", "", "memory is short");
    json_decref(request);
    if (result != 0)
        return refuse(c, &problem);
    if (plan_make(p->bench, p->channel, &p->plate, &p->run, breaker_heat(c, p), &p->plan, &err) != 0)
        return client_failed(c, &err);
    plan_beside(c, p->bench, p->channel, &p->run, &p->plan, &p->beside);
    return EXIT_DONE;
}

int command_run_plan(struct client *c, const struct arguments *args)
{
    bool has_unit = argument(args, "--unit")->given || argument(args, "--plate")->given;
    if (!has_unit || !argument(args, "--procedure")->given)
        return client_wrong_use(c, "run plan needs --unit SERIAL (or --plate FILE) and --procedure NAME");
    struct planning *p = calloc(1, sizeof *p);
    if (!p)
        return EXIT_REFUSED;
    int status = make_plan(c, args, p);
    if (status == EXIT_DONE && c->json)
        status = client_print_json(c, plan_json(p));
    else if (status == EXIT_DONE)
        print_plan(&c->screen, p);
    free(p->bench);
    free(p);
    return status;
}
