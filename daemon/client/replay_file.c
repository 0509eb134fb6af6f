/* replay FILE.csv: the question out of the options, and the answer for people and programs. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "commands.h"
#include "engine.h"
#include "json_build.h"
#include "model_json.h"
#include "record_picture.h"
#include "run_figures.h"
#include "run_order.h"
#include "uncertainty.h"

#define NS 1e9

static int64_t option_ns(const struct arguments *args, const char *name, int64_t otherwise)
{
    return argument(args, name)->given ? (int64_t)(argument(args, name)->number * NS) : otherwise;
}

static int read_file_options(const struct arguments *args, struct record_question *q, struct error *err)
{
    static const char signs[] = {',', ';', '\t'};
    const struct option_value *separator = argument(args, "--separator"), *encoding = argument(args, "--encoding");
    q->file = (struct record_file){.path = args->operands[0],
                                   .encoding = encoding->given ? (enum csv_encoding)encoding->word : CSV_UTF_8,
                                   .separator = separator->given ? signs[separator->word] : '\0',
                                   .skip_lines = (int)argument_number(args, "--skip-lines", 0),
                                   .no_headings = argument_flag(args, "--no-headings"),
                                   .units_row = argument_flag(args, "--units-row"),
                                   .local_time = argument_flag(args, "--local-time"),
                                   .stamp_half_ns = option_ns(args, "--stamp-half-width", -1),
                                   .from_ns = option_ns(args, "--from", 0),
                                   .until_ns = option_ns(args, "--until", 0)};
    q->gap_ns = option_ns(args, "--gap", 0);
    if (q->file.from_ns < 0 || q->file.until_ns < 0 || q->gap_ns < 0 ||
        (argument(args, "--stamp-half-width")->given && q->file.stamp_half_ns < 0))
        return error_set(err, "--from, --until, --gap and --stamp-half-width are not below 0 s");
    if (q->file.until_ns > 0 && q->file.until_ns <= q->file.from_ns)
        return error_set(err, "--until lies before --from");
    return 0;
}

static int read_map(const struct arguments *args, struct record_question *q, struct error *err)
{
    const char *time = argument_text(args, "--time", NULL), *format = argument_text(args, "--time-format", NULL);
    record_map_init(&q->map);
    q->map.decimal_comma = argument_flag(args, "--decimal-comma");
    if (time && record_map_time(&q->map, time, err) != 0)
        return -1;
    if (format && stamp_format_parse(format, &q->map.format, err) != 0)
        return -1;
    q->map.format_stated = format != NULL;
    const char *spec;
    for (int n = 0; (spec = argument_again(args, "--column", n)) != NULL; n++)
        if (record_map_column(&q->map, spec, err) != 0)
            return -1;
    return 0;
}

/* A rating point without a plate. */
static int point_of_options(const struct arguments *args, struct unit_plate *plate, struct error *err)
{
    struct rating_point *p = &plate->ratings[0];
    const char *process = argument_text(args, "--process", "");
    *plate = (struct unit_plate){.rating_count = 1};
    (void)text_copy(plate->serial, sizeof plate->serial, "unit");
    *p = (struct rating_point){.output = (enum output_kind)argument(args, "--output")->word,
                               .supply_v = argument_number(args, "--supply", NAN),
                               .phases = 1,
                               .frequency_hz = NAN,
                               .percent_on = argument_number(args, "--percent-on", NAN),
                               .current_a = argument_number(args, "--current", NAN),
                               .load_voltage_v = argument_number(args, "--voltage", NAN),
                               .no_load_v = NAN,
                               .i1max_a = NAN,
                               .i1eff_a = NAN,
                               .ambient_degc = 40,
                               .cycle_s = 600};
    if (process_parse(process, &p->process) != 0)
        return error_set(err,
                         "--process: \"%s\" is not known; one of mma, tig, mig, saw, plasma-cut, plasma-weld, "
                         "plasma-gouge",
                         process);
    p->control = p->process == PROCESS_MMA ? CONTROL_ALWAYS_LIVE : CONTROL_TRIGGER;
    if (!(p->current_a > 0) || !(p->percent_on > 0) || p->percent_on > 100)
        return error_set(err, "a current above 0 A and a percent-on above 0 %% and not above 100 %% are needed");
    return 0;
}

static json_t *run_json(const struct arguments *args)
{
    static const char *const texts[][2] = {{"--procedure", "procedure"}, {"--start", "start"}, {"--point", "point"}};
    static const char *const flags[][2] = {{"--to-equilibrium", "to_equilibrium"},
                                           {"--go-on-after-cutout", "go_on_after_cutout"},
                                           {"--heated-intake", "heated_intake"},
                                           {"--control-at-maximum", "control_at_maximum"},
                                           {"--confirm-setup", "setup_confirmed"}};
    struct json_build b = build_begin();
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++)
        if (argument(args, texts[i][0])->given)
            build_text(&b, texts[i][1], argument(args, texts[i][0])->text);
    for (size_t i = 0; i < sizeof flags / sizeof flags[0]; i++)
        if (argument_flag(args, flags[i][0]))
            build_flag(&b, flags[i][1], true);
    if (argument(args, "--soak")->given)
        build_figure(&b, "soak_s", argument(args, "--soak")->number);
    if (argument(args, "--repeats")->given)
        build_integer(&b, "repeats", (int64_t)argument(args, "--repeats")->number);
    if (argument(args, "--cycles")->given)
        build_integer(&b, "cycles", (int64_t)argument(args, "--cycles")->number);
    return build_end(&b);
}

static int read_run(struct client *c, const struct arguments *args, struct record_question *q)
{
    struct unit_plate plate;
    struct error err = {{0}};
    struct protocol_error problem = {0};
    if (argument(args, "--process")->given) {
        if (point_of_options(args, &plate, &err) != 0)
            return client_failed(c, &err);
    } else {
        int status = find_plate(c, args, &plate);
        if (status != EXIT_DONE)
            return status;
    }
    json_t *body = run_json(args);
    int result = body ? run_order_from_json(body, &plate, &q->run, &problem) : -1;
    json_decref(body);
    if (result != 0) {
        error_set(&err, "%s%s%s", problem.what, problem.remedy[0] ? " " : "", problem.remedy);
        return client_failed(c, &err);
    }
    q->run.run_no = 1;
    q->run.load_held = argument_flag(args, "--load-held");
    q->run.consent_past_rating = true;
    if (q->run.procedure == PROCEDURE_PROOF && q->run.cycles == 0)
        q->run.cycles = CYCLES_ALL;
    if (q->run.procedure == PROCEDURE_PROOF && q->run.point.percent_on >= 100)
        q->run.procedure = PROCEDURE_SOAK;
    (void)text_copy(q->circuit, sizeof q->circuit, argument_text(args, "--circuit", ""));
    q->intake_degc = argument_number(args, "--intake", NAN);
    q->altitude_m = argument_number(args, "--altitude", 0);
    return EXIT_DONE;
}

/* ---- what nobody knows ---- */

enum { SENTENCES_MAX = 12 };

struct sentences {
    int count;
    char text[SENTENCES_MAX][TEXT_CAP];
};

static void say(struct sentences *s, const char *text)
{
    if (s->count < SENTENCES_MAX)
        (void)text_copy(s->text[s->count++], TEXT_CAP, text);
}

static void say_uncertain(struct sentences *s, const struct record_map *m)
{
    char text[TEXT_CAP] = "";
    for (int i = 0; i < m->count; i++) {
        enum signal_kind kind = m->signals[i].kind;
        bool weighs = kind == SIG_I2 || kind == SIG_U2;
        if (weighs && !m->signals[i].uncertainty_stated)
            (void)text_append(text, sizeof text, "%s%s", text[0] ? " and " : "the uncertainty of ",
                              signal_kind_name(kind));
    }
    if (text[0]) {
        (void)text_append(text, sizeof text, ": readings are taken as they stand, without a guard band");
        say(s, text);
    }
}

static void what_is_unknown(const struct record_question *q, const struct record_answer *a, struct sentences *s)
{
    const int *signal = a->bench->channels[0].signal;
    *s = (struct sentences){0};
    say(s,
        "whether anything but the unit acted: no interlock, supervision or confirmation of this bench stood behind it");
    if (q->run.start == START_UNKNOWN)
        say(s, "how the unit began, cold or warm");
    if (!q->run.load_held && signal[SIG_FEEDBACK] < 0)
        say(s, "whether the load stayed on until the current went, at each end of an on-load part");
    if (!q->run.setup_confirmed)
        say(s, "whether mode and load were set for the rating point");
    if (signal[SIG_U1] < 0 && signal[SIG_U1_A] < 0)
        say(s, "the supply's volts");
    if (signal[SIG_I1] < 0 && signal[SIG_I1_A] < 0)
        say(s, "what the unit drew from its supply");
    if (signal[SIG_T_INTAKE] < 0)
        say(s, "the intake air");
    else if (!isnan(q->intake_degc) && signal[SIG_T_INTAKE] == q->map.count)
        say(s, "how the intake air ran: it is taken as stated");
    say_uncertain(s, &q->map);
    if (a->utc_is_local)
        say(s, "the zone of the stamps: they are taken as UTC where a date is printed");
}

/* ---- JSON ---- */

static json_t *column_json(const struct record_question *q, const struct record_answer *a, int i)
{
    const struct record_signal *s = &q->map.signals[i];
    struct json_build b = build_begin();
    build_text(&b, "signal", signal_kind_name(s->kind));
    build_integer(&b, "column", s->column + 1);
    build_text(&b, "heading", s->head);
    build_text(&b, "unit", s->unit);
    build_figure(&b, "scale", s->scale);
    build_figure(&b, "offset", s->offset);
    build_integer(&b, "readings", a->readings[i]);
    build_figure(&b, "interval_s", (double)a->interval_ns[i] / NS);
    build_figure(&b, "expanded_uncertainty_at_rated",
                 s->uncertainty_stated && s->kind == SIG_I2
                     ? uncertainty_expanded(&s->uncertainty, q->run.point.current_a)
                     : NAN);
    return build_end(&b);
}

static json_t *warnings_json(const struct record_warnings *w)
{
    json_t *list = json_array();
    for (int k = 0; list && k < TROUBLE_COUNT_; k++) {
        if (w->count[k] == 0)
            continue;
        struct json_build b = build_begin();
        json_t *told = json_array();
        build_text(&b, "kind", record_trouble_name((enum record_trouble)k));
        build_integer(&b, "count", w->count[k]);
        for (int i = 0; told && i < w->count[k] && i < WARNINGS_TOLD; i++) {
            struct json_build one = build_begin();
            build_add(&one, "line", w->told[k][i].line ? json_integer(w->told[k][i].line) : json_null());
            build_text(&one, "text", w->told[k][i].text);
            if (json_array_append_new(told, build_end(&one)) != 0)
                b.bad = true;
        }
        build_add(&b, "told", told);
        if (json_array_append_new(list, build_end(&b)) != 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

static json_t *sentences_json(const struct sentences *s)
{
    json_t *list = json_array();
    for (int i = 0; list && i < s->count; i++)
        (void)json_array_append_new(list, json_text(s->text[i]));
    return list;
}

static json_t *columns_json(const struct record_question *q, const struct record_answer *a)
{
    json_t *list = json_array();
    for (int i = 0; list && i < q->map.count; i++)
        (void)json_array_append_new(list, column_json(q, a, i));
    return list;
}

/* Events with times since the first stamp. */
static json_t *record_events_json(const struct record_answer *a)
{
    json_t *list = json_array();
    for (int i = 0; list && i < a->event_count; i++) {
        json_t *one = event_to_json(&a->events[i], NULL);
        struct json_build b = {.object = one, .bad = !one};
        build_figure(&b, "at_s", (double)a->events[i].at_ns / NS);
        build_figure(&b, "half_width_s", (double)a->events[i].half_width_ns / NS);
        (void)json_array_append_new(list, build_end(&b));
    }
    return list;
}

static json_t *stated_json(const struct record_question *q)
{
    struct json_build b = build_begin();
    build_text(&b, "procedure", procedure_name(q->run.procedure));
    build_text(&b, "start", start_condition_name(q->run.start));
    build_flag(&b, "load_held", q->run.load_held);
    build_flag(&b, "setup_confirmed", q->run.setup_confirmed);
    build_flag(&b, "control_at_maximum", q->run.control_at_maximum);
    build_flag(&b, "heated_intake", q->run.heated_intake);
    build_figure(&b, "intake_degc", q->intake_degc);
    build_figure(&b, "altitude_m", q->altitude_m);
    build_text(&b, "circuit", q->circuit);
    build_figure(&b, "from_s", (double)q->file.from_ns / NS);
    build_figure(&b, "until_s", q->file.until_ns > 0 ? (double)q->file.until_ns / NS : NAN);
    build_figure(&b, "gap_s", q->gap_ns > 0 ? (double)q->gap_ns / NS : NAN);
    return build_end(&b);
}

static json_t *answer_json(const struct record_question *q, const struct record_answer *a)
{
    char hex[DIGEST_HEX_CAP];
    struct sentences unknown;
    struct json_build b = build_begin();
    digest_print(&a->digest, hex);
    what_is_unknown(q, a, &unknown);
    build_text(&b, "source", "file");
    build_text(&b, "file", q->file.path);
    build_text(&b, "sha256", hex);
    build_text(&b, "judged_by", engine_version());
    build_text(&b, "unit", q->run.serial);
    build_add(&b, "point", rating_point_to_json(&q->run.point));
    build_add(&b, "stated", stated_json(q));
    build_integer(&b, "rows", a->rows);
    build_integer(&b, "rows_judged", a->fed);
    build_integer(&b, "one_row_in", a->thinned);
    build_figure(&b, "span_s", (double)a->span_ns / NS);
    build_utc(&b, "first_utc", a->first_utc_ns);
    build_flag(&b, "zone_known", a->first_utc_ns != 0 && !a->utc_is_local);
    build_add(&b, "columns", columns_json(q, a));
    build_add(&b, "warnings", warnings_json(&a->warnings));
    build_add(&b, "unknown", sentences_json(&unknown));
    build_add(&b, "decided_line", a->decided_line ? json_integer(a->decided_line) : json_null());
    build_add(&b, "events", record_events_json(a));
    build_integer(&b, "events_left_out", a->events_left_out);
    build_add(&b, "judgement", verdict_to_json(&a->verdict));
    return build_end(&b);
}

/* ---- text ---- */

static void print_source(const struct screen *s, const struct record_question *q, const struct record_answer *a)
{
    char hex[DIGEST_HEX_CAP], point[96], span[32], text[512];
    digest_print(&a->digest, hex);
    rating_point_print(point, sizeof point, &q->run.point);
    print_duration(span, sizeof span, (double)a->span_ns / NS);
    fprintf(s->out, "From a file, not measured on this bench: %s\nSHA-256 %s\n", q->file.path, hex);
    fprintf(s->out, "%s of unit %s at %s, start %s, %lld rows over %s\n", procedure_name(q->run.procedure),
            q->run.serial, point, start_condition_name(q->run.start), (long long)a->rows, span);
    text[0] = '\0';
    for (int i = 0; i < q->map.count; i++)
        (void)text_append(text, sizeof text, "%s%s = \"%.40s\" (%s)", i ? ", " : "",
                          signal_kind_name(q->map.signals[i].kind), q->map.signals[i].head,
                          q->map.signals[i].unit[0] ? q->map.signals[i].unit : "-");
    fputs("Columns: ", s->out);
    print_wrapped(s, 9, text);
}

static void print_warnings(const struct screen *s, const struct record_warnings *w)
{
    for (int k = 0; k < TROUBLE_COUNT_; k++) {
        for (int i = 0; i < w->count[k] && i < WARNINGS_TOLD; i++) {
            fprintf(s->out, "%swarning%s: ", tone_begin(s, TONE_DOUBT), tone_end(s, TONE_DOUBT));
            if (w->told[k][i].line)
                fprintf(s->out, "line %lld: ", (long long)w->told[k][i].line);
            print_wrapped(s, 2, w->told[k][i].text);
        }
        if (w->count[k] > WARNINGS_TOLD)
            fprintf(s->out, "  ... and %lld more of these (%s)\n", (long long)(w->count[k] - WARNINGS_TOLD),
                    record_trouble_name((enum record_trouble)k));
    }
}

static bool worth_a_line(const struct event *e)
{
    switch (e->kind) {
    case EVENT_CYCLE:
    case EVENT_VERDICT:
    case EVENT_RUN_END:
    case EVENT_RUN_START:
    case EVENT_ESTIMATE:
    case EVENT_FINDING:
        return false;
    default:
        return true;
    }
}

static void print_events(const struct screen *s, const struct record_answer *a)
{
    for (int i = 0; i < a->event_count; i++) {
        const struct event *e = &a->events[i];
        char text[512];
        if (!worth_a_line(e))
            continue;
        (void)text_format(text, sizeof text, "%s%s%s", event_kind_name(e->kind), e->text[0] ? ": " : "", e->text);
        if (e->kind == EVENT_CYCLE_BEGIN)
            (void)text_format(text, sizeof text, "on-load, cycle %d", (int)e->code);
        if (e->kind == EVENT_SHUTOFF || e->kind == EVENT_SHUTOFF_REVISED)
            (void)text_format(text, sizeof text, "%s: %s%s%s, confidence %.2f: %s", event_kind_name(e->kind),
                              shutoff_cause_name((enum shutoff_cause)e->code), e->code2 ? " or " : "",
                              e->code2 ? shutoff_cause_name((enum shutoff_cause)e->code2) : "", e->values[1], e->text);
        fprintf(s->out, "  %10.2f s  ", (double)e->at_ns / NS);
        print_wrapped(s, 14, text);
    }
    if (a->events_left_out > 0)
        fprintf(s->out, "  ... and %lld events more\n", (long long)a->events_left_out);
}

static void print_answer(const struct screen *s, const struct record_question *q, const struct record_answer *a)
{
    struct sentences unknown;
    json_t *judgement = verdict_to_json(&a->verdict), *events = record_events_json(a);
    what_is_unknown(q, a, &unknown);
    print_source(s, q, a);
    print_warnings(s, &a->warnings);
    fputs("Not known, and not taken for known:\n", s->out);
    for (int i = 0; i < unknown.count; i++) {
        fputs("  - ", s->out);
        print_wrapped(s, 4, unknown.text[i]);
    }
    print_events(s, a);
    print_cycles(s, events);
    print_judgement_figures(s, judgement);
    print_estimate(s, events);
    print_judgement(s, judgement);
    json_decref(judgement);
    json_decref(events);
}

static int draw(const struct arguments *args, const struct record_question *q, const struct record_answer *a,
                struct error *err)
{
    const char *svg = argument_text(args, "--svg", NULL), *png = argument_text(args, "--png", NULL);
    if (svg && record_picture(q, a, PLOT_SVG, svg, err) != 0)
        return -1;
    return png ? record_picture(q, a, PLOT_PNG, png, err) : 0;
}

static int answer_file(struct client *c, const struct arguments *args, struct record_question *q)
{
    struct error err = {{0}};
    if (read_file_options(args, q, &err) != 0 || read_map(args, q, &err) != 0)
        return client_wrong_use(c, "replay: %s", err.text);
    int status = read_run(c, args, q);
    if (status != EXIT_DONE)
        return status;
    struct record_answer *a = record_replay(q, &err);
    if (!a || draw(args, q, a, &err) != 0) {
        status = client_failed(c, &err);
    } else {
        status = verdict_status(verdict_kind_name(a->verdict.kind));
        if (!c->json)
            print_answer(&c->screen, q, a);
        else if (client_print_json(c, answer_json(q, a)) != EXIT_DONE)
            status = EXIT_REFUSED;
    }
    record_answer_free(a);
    return status;
}

int replay_file(struct client *c, const struct arguments *args)
{
    bool point = argument(args, "--process")->given && argument(args, "--current")->given &&
                 argument(args, "--percent-on")->given;
    if (argument(args, "--rules")->given)
        return client_wrong_use(c, "replay: --rules is for a run on record");
    if (!argument(args, "--procedure")->given ||
        !(point || argument(args, "--unit")->given || argument(args, "--plate")->given))
        return client_wrong_use(
            c, "replay of a file needs --procedure NAME, and a rating: --plate FILE or --unit SERIAL (with "
               "--point), or --process, --current and --percent-on. replay takes a run by its number");
    struct record_question *q = calloc(1, sizeof *q);
    int status = q ? answer_file(c, args, q) : EXIT_REFUSED;
    free(q);
    return status;
}
