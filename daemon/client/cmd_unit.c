/* unit add, list, show, inspect. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "commands.h"
#include "journal_json.h"
#include "json_build.h"
#include "model_json.h"
#include "problem_print.h"
#include "unit_file.h"

int command_unit_add(struct client *c, const struct arguments *args)
{
    struct unit_plate *plate = calloc(1, sizeof *plate);
    struct problems problems = {0};
    json_t *result = NULL;
    int status = EXIT_REFUSED;
    if (!plate)
        goto out;
    if (unit_file_load(args->operands[0], plate, &problems) != 0) {
        problems_show(&c->errors, &problems);
        fprintf(c->errors.out, "Refused: %s is not entered. Correct the file and enter it again.\n", args->operands[0]);
        goto out;
    }
    problems_show(&c->errors, &problems);
    struct json_build b = {.object = protocol_request(DO_UNIT_ADD, 0)};
    b.bad = !b.object;
    build_add(&b, "plate", plate_to_json(plate));
    if (argument(args, "--who")->given)
        build_text(&b, "who", argument_text(args, "--who", ""));
    if (argument(args, "--unit")->given)
        build_text(&b, "unit", argument_text(args, "--unit", ""));
    status = client_result(c, build_end(&b), false, &result);
    const char *text = get_word(result, "text");
    if (status == EXIT_DONE && c->json)
        status = client_print_json(c, json_incref(result));
    else if (status == EXIT_DONE && text[0]) /* it shares its serial number */
        fprintf(c->screen.out,
                "%s\nNext, if it is not on file yet: soakbench unit inspect \"%s/%s\" --passed --who NAME\n", text,
                plate->serial, plate->maker);
    else if (status == EXIT_DONE)
        fprintf(c->screen.out,
                "Entered.\nNext, if it is not on file yet: soakbench unit inspect %s --passed --who NAME\n",
                plate->serial);
out:
    json_decref(result);
    problems_free(&problems);
    free(plate);
    return status;
}

static void print_units(const struct screen *s, const json_t *units)
{
    if (json_array_size(units) == 0) {
        fputs("No units in the register yet. Enter one with: soakbench unit add FILE\n", s->out);
        return;
    }
    const struct column columns[] = {{"unit", false, false, false}, {"asset", false, false, false},
                                     {"maker", false, true, false}, {"model", false, true, false},
                                     {"plate", true, false, false}, {"rating points", false, true, false}};
    struct table *t = table_new(columns, 6);
    size_t i, p;
    json_t *unit, *point;
    json_array_foreach((json_t *)units, i, unit)
    {
        char points[400] = "";
        json_array_foreach(json_object_get(unit, "ratings"), p, point)(void)
            text_append(points, sizeof points, "%s%s", p ? "; " : "", get_word(point, "words"));
        table_cell(t, "%s", get_word(unit, "unit"));
        table_cell(t, "%s", get_word(unit, "asset"));
        table_cell(t, "%s", get_word(unit, "maker"));
        table_cell(t, "%s", get_word(unit, "model"));
        table_cell(t, "%lld", (long long)get_whole(unit, "plate_version"));
        table_cell(t, "%s", points);
    }
    table_print(t, s);
    table_free(t);
}

/* All units of the register, page by page, appended to the list. */
static int list_units(struct client *c, json_t *units)
{
    char after[NAME_CAP] = "";
    for (bool more = true; more;) {
        struct json_build b = {.object = protocol_request(DO_UNIT_LIST, 0)};
        json_t *page = NULL;
        b.bad = !b.object;
        build_text(&b, "after", after);
        int status = client_result(c, build_end(&b), false, &page);
        const json_t *list = json_object_get(page, "units");
        size_t count = json_array_size(list);
        more = get_flag(page, "more") && count > 0;
        (void)text_copy(after, sizeof after, count > 0 ? get_word(json_array_get(list, count - 1), "unit") : "");
        if (status == EXIT_DONE && json_array_extend(units, (json_t *)list) != 0 && count > 0)
            status = EXIT_REFUSED;
        json_decref(page);
        if (status != EXIT_DONE)
            return status;
    }
    return EXIT_DONE;
}

int command_unit_list(struct client *c, const struct arguments *args)
{
    (void)args;
    json_t *units = json_array();
    int status = EXIT_DONE;
    if (client_offline(c)) {
        struct error err = {{0}};
        struct journal_reader *reader = client_journal(c, &err);
        json_t *result = reader ? units_to_json(reader, NULL, INT64_MAX, &err) : NULL;
        journal_reader_close(reader);
        if (!result)
            status = client_failed(c, &err);
        else
            (void)json_array_extend(units, json_object_get(result, "units"));
        json_decref(result);
    } else {
        status = list_units(c, units);
    }
    if (status == EXIT_DONE && c->json)
        status = client_print_json(c, json_pack("{s:O}", "units", units));
    else if (status == EXIT_DONE)
        print_units(&c->screen, units);
    json_decref(units);
    return status;
}

static void print_points(const struct screen *s, const json_t *points)
{
    const struct column columns[] = {{"point", true, false, false},   {"process", false, false, false},
                                     {"output", false, false, false}, {"control", false, false, false},
                                     {"supply", false, false, false}, {"X", true, false, false},
                                     {"I2", true, false, false},      {"U2", true, false, false},
                                     {"I1max", true, false, false},   {"I1eff", true, false, false}};
    struct table *t = table_new(columns, 10);
    size_t i;
    json_t *p;
    json_array_foreach((json_t *)points, i, p)
    {
        char text[5][48];
        print_figure(text[0], sizeof text[0], get_figure(p, "supply_v"), 0, "V");
        print_figure(text[1], sizeof text[1], get_figure(p, "current_a"), 0, "A");
        print_figure(text[2], sizeof text[2], get_figure(p, "load_voltage_v"), 1, "V");
        print_figure(text[3], sizeof text[3], get_figure(p, "i1max_a"), 1, "A");
        print_figure(text[4], sizeof text[4], get_figure(p, "i1eff_a"), 1, "A");
        table_cell(t, "%zu", i + 1);
        table_cell(t, "%s", get_word(p, "process"));
        table_cell(t, "%s", get_word(p, "output"));
        table_cell(t, "%s", get_word(p, "output_control"));
        table_cell(t, "%s, %lld ph", text[0], (long long)get_whole(p, "phases"));
        table_cell(t, "%g %%", get_figure(p, "percent_on"));
        table_cell(t, "%s", text[1]);
        table_cell(t, "%s", text[2]);
        table_cell(t, "%s", text[3]);
        table_cell(t, "%s", text[4]);
    }
    table_print(t, s);
    table_free(t);
}

static void print_inspections(const struct screen *s, const json_t *inspections)
{
    if (json_array_size(inspections) == 0) {
        fputs("Safety test: not done. A run is refused until it is on file.\n", s->out);
        return;
    }
    const struct column columns[] = {{"done", false, false, false},  {"test", false, true, false},
                                     {"result", false, false, true}, {"by", false, false, false},
                                     {"sheet", false, false, false}, {"due", false, false, false},
                                     {"note", false, true, false}};
    struct table *t = table_new(columns, 7);
    size_t i;
    json_t *test;
    json_array_foreach((json_t *)inspections, i, test)
    {
        table_cell(t, "%s", get_word(test, "done"));
        table_cell(t, "%s", get_word(test, "kind"));
        table_cell(t, "%s", get_flag(test, "passed") ? "passed" : "failed");
        table_cell(t, "%s", get_word(test, "who"));
        table_cell(t, "%s", get_word(test, "reference"));
        table_cell(t, "%s", get_word(test, "due")[0] ? get_word(test, "due") : "-");
        table_cell(t, "%s", get_word(test, "note"));
    }
    table_print(t, s);
    table_free(t);
}

static void print_whereabouts(const struct screen *s, const json_t *detail)
{
    size_t i;
    json_t *d;
    const json_t *list = json_object_get(detail, "dispositions");
    json_array_foreach((json_t *)list, i, d)
    {
        fprintf(s->out, "%s to %s on %s by %s%s%s. %s\n", i == 0 ? "Sent" : "  before that", get_word(d, "to"),
                get_word(d, "date"), get_word(d, "who"), get_word(d, "due")[0] ? ", next due " : "", get_word(d, "due"),
                get_word(d, "note"));
    }
    if (json_is_integer(json_object_get(detail, "baseline_run")))
        fprintf(s->out, "Baseline: run %lld\n", (long long)get_whole(detail, "baseline_run"));
}

static void print_history(const struct screen *s, const json_t *runs)
{
    size_t i;
    json_t *run;
    fprintf(s->out, "\nRuns: %s\n", json_array_size(runs) ? "" : "none yet");
    json_array_foreach((json_t *)runs, i, run)
    {
        const json_t *j = json_object_get(run, "judgement");
        const char *verdict = json_is_object(j) ? get_word(j, "verdict") : "no verdict";
        fprintf(s->out, "  %lld  %.10s  %s at %s: %s%s%s. ", (long long)get_whole(run, "run"), get_word(run, "started"),
                get_word(run, "procedure"), get_word(json_object_get(run, "point"), "words"),
                tone_begin(s, tone_of(verdict)), verdict, tone_end(s, tone_of(verdict)));
        print_wrapped(s, 6, json_is_object(j) ? get_word(j, "reason") : "-");
    }
}

static void print_unit(const struct screen *s, const json_t *detail)
{
    const json_t *unit = json_object_get(detail, "unit");
    fprintf(s->out, "Unit %s%s%s: %s %s, asset %s, year %lld\n", tone_begin(s, TONE_STRONG), get_word(unit, "unit"),
            tone_end(s, TONE_STRONG), get_word(unit, "maker"), get_word(unit, "model"),
            get_word(unit, "asset")[0] ? get_word(unit, "asset") : "-", (long long)get_whole(unit, "year"));
    fprintf(s->out, "Plate version %lld of %s, rated by %s, thermal protection: %s\n\n",
            (long long)get_whole(unit, "plate_version"), get_word(unit, "entered"),
            get_word(unit, "rated_by")[0] ? get_word(unit, "rated_by") : "no standard stated",
            get_word(unit, "protection"));
    print_points(s, json_object_get(unit, "ratings"));
    fputc('\n', s->out);
    print_inspections(s, json_object_get(detail, "inspections"));
    print_whereabouts(s, detail);
    print_history(s, json_object_get(detail, "runs"));
}

int command_unit_show(struct client *c, const struct arguments *args)
{
    json_t *result = NULL;
    int status = EXIT_DONE;
    if (client_offline(c)) {
        struct error err = {{0}};
        bool found = true;
        char name[NAME_CAP];
        struct journal_reader *reader = client_journal(c, &err);
        if (reader && client_unit(reader, args->operands[0], name, &err) == 0)
            result = unit_detail_to_json(reader, name, &found, &err);
        journal_reader_close(reader);
        if (!found)
            error_set(&err, "unit %s is not in the register; soakbench unit list shows them", args->operands[0]);
        if (!result)
            return client_failed(c, &err);
    } else {
        struct json_build b = {.object = protocol_request(DO_UNIT_SHOW, 0)};
        b.bad = !b.object;
        build_text(&b, "unit", args->operands[0]);
        status = client_result(c, build_end(&b), false, &result);
    }
    if (status == EXIT_DONE && c->json)
        status = client_print_json(c, json_incref(result));
    else if (status == EXIT_DONE)
        print_unit(&c->screen, result);
    json_decref(result);
    return status;
}

int command_unit_inspect(struct client *c, const struct arguments *args)
{
    bool passed = argument_flag(args, "--passed");
    static const char *const texts[][2] = {{"--who", "who"},   {"--kind", "kind"}, {"--reference", "reference"},
                                           {"--done", "done"}, {"--due", "due"},   {"--note", "note"}};
    if (passed == argument_flag(args, "--failed"))
        return client_wrong_use(c, "unit inspect needs either --passed or --failed");
    if (!argument(args, "--who")->given)
        return client_wrong_use(c, "unit inspect needs --who NAME: the record says who tested");
    struct json_build b = {.object = protocol_request(DO_UNIT_INSPECT, 0)};
    b.bad = !b.object;
    build_text(&b, "unit", args->operands[0]);
    build_flag(&b, "passed", passed);
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        if (argument(args, texts[i][0])->given)
            build_text(&b, texts[i][1], argument_text(args, texts[i][0], ""));
    }
    json_t *result = NULL;
    int status = client_result(c, build_end(&b), false, &result);
    if (status == EXIT_DONE && c->json)
        status = client_print_json(c, json_incref(result));
    else if (status == EXIT_DONE)
        fprintf(c->screen.out, "%s\n%s\n", get_word(result, "text")[0] ? get_word(result, "text") : "On file.",
                passed ? "Next: soakbench rig CHANNEL" : "The unit must not go on the bench before it passes.");
    json_decref(result);
    return status;
}

/* Sends a request about a unit and prints what came back, or otherwise. */
static int ask_and_tell(struct client *c, json_t *request, const char *otherwise)
{
    json_t *result = NULL;
    int status = client_result(c, request, false, &result);
    if (status == EXIT_DONE && c->json)
        status = client_print_json(c, json_incref(result));
    else if (status == EXIT_DONE)
        fprintf(c->screen.out, "%s\n", get_word(result, "text")[0] ? get_word(result, "text") : otherwise);
    json_decref(result);
    return status;
}

int command_unit_baseline(struct client *c, const struct arguments *args)
{
    if (!argument(args, "--run")->given || !argument(args, "--who")->given)
        return client_wrong_use(c, "unit set-baseline needs --run RUN and --who NAME");
    struct json_build b = {.object = protocol_request(DO_UNIT_BASELINE, 0)};
    b.bad = !b.object;
    build_text(&b, "unit", args->operands[0]);
    build_integer(&b, "run", (int64_t)argument_number(args, "--run", 0));
    build_text(&b, "who", argument_text(args, "--who", ""));
    return ask_and_tell(c, build_end(&b), "Later runs are compared with this one.");
}
