/* run start, run list, run show. */
#include <math.h>
#include <string.h>

#include "commands.h"
#include "journal_json.h"
#include "json_build.h"
#include "run_figures.h"

/* Options of run plan and run start that go into the request as they are. */
struct run_field {
    const char *option, *key;
};

static const struct run_field text_fields[] = {
    {"--unit", "unit"}, {"--point", "point"},   {"--procedure", "procedure"}, {"--start", "start"},
    {"--who", "who"},   {"--accept", "accept"}, {"--strike", "strike"},
};

static const struct run_field figure_fields[] = {
    {"--soak", "soak_s"},      {"--soak-cap", "soak_cap_s"},
    {"--cap", "cap_s"},        {"--resistance", "target_resistance_ohm"},
    {"--u0", "baseline_u0_v"}, {"--rest", "rest_s"},
};

static const struct run_field whole_fields[] = {{"--cycles", "cycles"}, {"--repeats", "repeats"}};

static const struct run_field flag_fields[] = {
    {"--to-equilibrium", "to_equilibrium"},
    {"--go-on-after-cutout", "go_on_after_cutout"},
    {"--consent-past-rating", "consent_past_rating"},
    {"--unattended", "unattended"},
    {"--together", "together"},
    {"--setting", "setting"},
    {"--heated-intake", "heated_intake"},
    {"--control-at-maximum", "control_at_maximum"},
    {"--confirm-setup", "setup_confirmed"},
};

#define LENGTH(array) (sizeof(array) / sizeof(array)[0])

/* "100,125,160 A" as a list; what is no plain number goes as it is, for the daemon to read or refuse. */
static json_t *currents_list(const char *text)
{
    json_t *list = json_array();
    char copy[TEXT_CAP], *state = NULL;
    (void)text_copy(copy, sizeof copy, text);
    for (char *word = strtok_r(copy, ",", &state); list && word; word = strtok_r(NULL, ",", &state)) {
        double amps;
        word += strspn(word, " ");
        json_t *one = number_parse(word, &amps) == 0 ? json_real(amps) : json_string(word);
        if (json_array_append_new(list, one) != 0) {
            json_decref(list);
            list = NULL;
        }
    }
    return list;
}

json_t *run_request_of(const struct arguments *args, enum protocol_verb verb)
{
    struct json_build b = {.object = protocol_request(verb, 0)};
    b.bad = !b.object;
    build_text(&b, "channel", args->operands[0]);
    for (size_t i = 0; i < LENGTH(text_fields); i++) {
        const struct option_value *v = argument(args, text_fields[i].option);
        if (v->given)
            build_text(&b, text_fields[i].key, v->text);
    }
    for (size_t i = 0; i < LENGTH(figure_fields); i++) {
        const struct option_value *v = argument(args, figure_fields[i].option);
        if (v->given)
            build_figure(&b, figure_fields[i].key, v->number);
    }
    for (size_t i = 0; i < LENGTH(whole_fields); i++) {
        const struct option_value *v = argument(args, whole_fields[i].option);
        if (v->given)
            build_integer(&b, whole_fields[i].key, (int64_t)v->number);
    }
    if (argument(args, "--currents")->given)
        build_add(&b, "currents_a", currents_list(argument(args, "--currents")->text));
    for (size_t i = 0; i < LENGTH(flag_fields); i++) {
        if (argument_flag(args, flag_fields[i].option))
            build_flag(&b, flag_fields[i].key, true);
    }
    return build_end(&b);
}

int command_run_start(struct client *c, const struct arguments *args)
{
    if (!argument(args, "--unit")->given || !argument(args, "--procedure")->given)
        return client_wrong_use(c, "run start needs --unit SERIAL and --procedure NAME");
    if (!argument(args, "--who")->given)
        return client_wrong_use(c, "run start needs --who NAME: the record says who started the run");
    if (!argument_flag(args, "--confirm-setup")) {
        fprintf(c->errors.out, "soakbench: the set-up sheet is not confirmed. Read it with the same words and \"run "
                               "plan\", set the unit up by it, then start with --confirm-setup.\n");
        return EXIT_REFUSED;
    }
    if (c->errors.terminal)
        print_cautions(&c->errors);
    json_t *result = NULL;
    int status = client_result(c, run_request_of(args, DO_RUN_START), true, &result);
    int64_t run_no = get_whole(result, "run");
    if (status == EXIT_DONE && !argument_flag(args, "--watch")) {
        if (c->json)
            status = client_print_json(c, json_incref(result));
        else
            fprintf(c->screen.out,
                    "Run %lld is accepted on channel %s. %s\nFollow it with: soakbench run watch %lld\n"
                    "End it with:    soakbench run end %s\n",
                    (long long)run_no, args->operands[0], get_word(result, "text"), (long long)run_no,
                    args->operands[0]);
    } else if (status == EXIT_DONE) {
        status = watch_run(c, run_no);
    }
    json_decref(result);
    return status;
}

static json_t *list_request(const struct arguments *args)
{
    static const struct run_field fields[] = {{"--unit", "unit"},       {"--channel", "channel"},
                                              {"--verdict", "verdict"}, {"--since", "since"},
                                              {"--until", "until"},     {"--instrument", "instrument"}};
    struct json_build b = {.object = protocol_request(DO_RUN_LIST, 0)};
    b.bad = !b.object;
    for (size_t i = 0; i < LENGTH(fields); i++) {
        const struct option_value *v = argument(args, fields[i].option);
        if (v->given)
            build_text(&b, fields[i].key, v->text);
    }
    if (argument_flag(args, "--open"))
        build_flag(&b, "open", true);
    build_integer(&b, "limit", (int64_t)argument_number(args, "--limit", 50));
    return build_end(&b);
}

/* The same filter for a journal that is read here. */
static json_t *list_offline(struct client *c, const struct arguments *args, struct error *err)
{
    char unit[NAME_CAP];
    const char *called = argument_text(args, "--unit", NULL);
    struct run_filter filter = {.serial = called ? unit : NULL,
                                .channel = argument_text(args, "--channel", NULL),
                                .certificate = argument_text(args, "--instrument", NULL),
                                .since_utc_us = (int64_t)argument_number(args, "--since", 0) * 1000000,
                                .until_utc_us = (int64_t)argument_number(args, "--until", 0) * 1000000,
                                .open_only = argument_flag(args, "--open"),
                                .newest_first = true,
                                .limit = (int64_t)argument_number(args, "--limit", 50)};
    const struct option_value *verdict = argument(args, "--verdict");
    for (int i = 1; verdict->given && i < VERDICT_COUNT_; i++) {
        if (strcmp(verdict_kind_name((enum verdict_kind)i), verdict->text) == 0)
            filter.verdict = i;
    }
    struct journal_reader *reader = client_journal(c, err);
    bool named = reader && (!called || client_unit(reader, called, unit, err) == 0);
    json_t *result = named ? runs_to_json(reader, &filter, err) : NULL;
    journal_reader_close(reader);
    return result;
}

/* "2026-03-01T22:15:04.250Z" to "2026-03-01 22:15". */
static void short_utc(char *to, size_t cap, const char *utc)
{
    (void)text_format(to, cap, "%.10s%s%.5s", utc, utc[0] ? " " : "-", strlen(utc) > 16 ? utc + 11 : "");
}

/* Times and places of runs are the first to go when the terminal is narrow. */
enum { RUN_COLUMNS = 12, RUN_COLUMNS_NARROW = 10, WIDE_ENOUGH = 160 };

static void run_row(struct table *t, const json_t *run, bool wide)
{
    const json_t *j = json_object_get(run, "judgement");
    bool judged = json_is_object(j), cut_off = get_flag(run, "interrupted");
    bool open = json_is_null(json_object_get(run, "ended"));
    char started[32], on_load[48], percent[48];
    short_utc(started, sizeof started, get_word(run, "started"));
    print_figure(on_load, sizeof on_load, get_figure(j, "at_rated_s"), 1, "s");
    print_figure(percent, sizeof percent, get_figure(j, "percent_on_delivered"), 1, "%");
    const char *cause = judged ? get_word(j, "cause") : "-";
    table_cell(t, "%lld", (long long)get_whole(run, "run"));
    table_cell(t, "%s", get_word(run, "unit"));
    table_cell(t, "%s", get_word(json_object_get(run, "point"), "words"));
    table_cell(t, "%s", get_word(run, "procedure"));
    table_cell(t, "%s", judged ? get_word(j, "basis") : "-");
    table_cell(t, "%s", on_load);
    table_cell(t, "%s", percent);
    table_cell(t, "%s", strcmp(cause, "none") == 0 ? "-" : cause);
    table_cell(t, "%s", judged ? get_word(j, "verdict") : cut_off ? "undecided" : "-");
    table_cell(t, "%s%s%s",
               judged    ? get_word(j, "reason")
               : cut_off ? "cut off by the end of the daemon"
               : open    ? "runs"
                         : "",
               judged && get_word(j, "finding")[0] ? ". Finding: " : "", get_word(j, "finding"));
    if (wide) {
        table_cell(t, "%s", get_word(run, "channel"));
        table_cell(t, "%s", started);
    }
}

static void print_runs(const struct screen *s, const json_t *runs)
{
    if (json_array_size(runs) == 0) {
        fputs("No runs on record that fit.\n", s->out);
        return;
    }
    const struct column columns[RUN_COLUMNS] = {
        {"run", true, false, false},        {"unit", false, false, false},    {"rating point", false, true, false},
        {"procedure", false, false, false}, {"basis", false, true, false},    {"on-load", true, false, false},
        {"percent-on", true, false, false}, {"cause", false, true, false},    {"verdict", false, false, true},
        {"why", false, true, false},        {"channel", false, false, false}, {"started (UTC)", false, false, false}};
    bool wide = s->width == 0 || s->width >= WIDE_ENOUGH;
    struct table *t = table_new(columns, wide ? RUN_COLUMNS : RUN_COLUMNS_NARROW);
    size_t i;
    json_t *run;
    json_array_foreach((json_t *)runs, i, run) run_row(t, run, wide);
    table_print(t, s);
    table_free(t);
}

int command_run_list(struct client *c, const struct arguments *args)
{
    json_t *result = NULL;
    int status = EXIT_DONE;
    if (client_offline(c)) {
        struct error err = {{0}};
        result = list_offline(c, args, &err);
        if (!result)
            return client_failed(c, &err);
    } else {
        status = client_result(c, list_request(args), false, &result);
    }
    if (status == EXIT_DONE && c->json)
        status = client_print_json(c, json_incref(result));
    else if (status == EXIT_DONE)
        print_runs(&c->screen, json_object_get(result, "runs"));
    json_decref(result);
    return status;
}

void print_judgement(const struct screen *s, const json_t *judgement)
{
    const char *verdict = get_word(judgement, "verdict");
    const char *basis = get_word(judgement, "basis");
    enum tone tone = tone_of(verdict);
    if (get_whole(judgement, "revision") > 1)
        fprintf(s->out, "Revision %lld. ", (long long)get_whole(judgement, "revision"));
    fprintf(s->out, "Verdict: %s%s%s (basis: %s). ", tone_begin(s, tone), verdict, tone_end(s, tone), basis);
    print_wrapped(s, 4, get_word(judgement, "reason"));
    if (get_word(judgement, "finding")[0]) {
        fputs("Finding on the installation: ", s->out);
        print_wrapped(s, 4, get_word(judgement, "finding"));
    }
}

/* The map of a survey: the unit's own percent-on beside the square law of its plate. */
static void print_survey(const struct screen *s, const json_t *events)
{
    const struct column columns[] = {{"current", true, false, false},         {"own percent-on", true, false, false},
                                     {"interval (95 %)", true, false, false}, {"square law", true, false, false},
                                     {"on-load", true, false, false},         {"reset", true, false, false},
                                     {"intake", true, false, false},          {"remark", false, true, false}};
    struct table *t = table_new(columns, 8);
    size_t i, points = 0;
    json_t *event;
    json_array_foreach((json_t *)events, i, event)
    {
        const json_t *p = json_object_get(event, "survey");
        if (!p)
            continue;
        double low = get_figure(p, "low_pct"), high = get_figure(p, "high_pct");
        char text[48];
        print_figure(text, sizeof text, get_figure(p, "current_a"), 1, "A");
        table_cell(t, "%s", text);
        print_figure(text, sizeof text, get_figure(p, "percent_on"), 1, "%");
        table_cell(t, "%s", text);
        if (isfinite(low) && isfinite(high))
            table_cell(t, "%.1f to %.1f %%", low, high);
        else
            table_cell(t, isfinite(low) ? "at least %.0f %%" : "-", low);
        print_figure(text, sizeof text, get_figure(p, "square_law_pct"), 1, "%");
        table_cell(t, "%s", text);
        print_figure(text, sizeof text, get_figure(p, "on_s"), 0, "s");
        table_cell(t, "%s", text);
        print_figure(text, sizeof text, get_figure(p, "reset_s"), 0, "s");
        table_cell(t, "%s", text);
        print_figure(text, sizeof text, get_figure(p, "intake_degc"), 1, "degC");
        table_cell(t, "%s", text);
        table_cell(t, "%s", strcmp(get_word(p, "outcome"), "own") == 0 ? "" : get_word(event, "text"));
        points++;
    }
    if (points) {
        fputs("Survey\n", s->out);
        table_print(t, s);
        fputc('\n', s->out);
    }
    table_free(t);
}

static void print_events(const struct screen *s, const json_t *events)
{
    const struct column columns[] = {
        {"at (UTC)", false, false, false}, {"event", false, false, false}, {"what", false, true, false}};
    struct table *t = table_new(columns, 3);
    size_t i;
    json_t *event;
    json_array_foreach((json_t *)events, i, event)
    {
        table_cell(t, "%.23s", get_word(event, "utc"));
        table_cell(t, "%s", get_word(event, "kind"));
        table_cell(t, "%s", get_word(event, "text"));
    }
    table_print(t, s);
    table_free(t);
}

static void print_addenda(const struct screen *s, const json_t *addenda)
{
    const struct column columns[] = {{"added later (UTC)", false, false, false},
                                     {"by", false, false, false},
                                     {"what", false, false, false},
                                     {"note", false, true, false}};
    struct table *t = table_new(columns, 4);
    size_t i;
    json_t *a;
    json_array_foreach((json_t *)addenda, i, a)
    {
        char utc[32];
        short_utc(utc, sizeof utc, get_word(a, "utc"));
        table_cell(t, "%s", utc);
        table_cell(t, "%s", get_word(a, "who"));
        if (get_whole(a, "revision") > 0)
            table_cell(t, "revision %lld: %s", (long long)get_whole(a, "revision"), get_word(a, "name"));
        else
            table_cell(t, "%s", get_word(a, "name")[0] ? get_word(a, "name") : get_word(a, "kind"));
        table_cell(t, "%s", get_word(a, "note"));
    }
    if (json_array_size(addenda) > 0)
        table_print(t, s);
    table_free(t);
}

static void print_use(const struct screen *s, const json_t *use)
{
    double held_s = get_figure(use, "held_s");
    if (!isfinite(held_s))
        return;
    fprintf(s->out, "Took %.0f min of the channel, %.2f kWh into the load, %lld closings of its busiest contactor\n",
            held_s / 60, get_figure(use, "load_wh") / 1000, (long long)get_whole(use, "closings"));
}

/* How much of a run is shown. */
enum detail { DETAIL_BRIEF, DETAIL_CYCLES, DETAIL_EVENTS };

static void print_run(const struct screen *s, const json_t *detail, const json_t *events, enum detail how)
{
    const json_t *run = json_object_get(detail, "run");
    const json_t *judgement = json_object_get(run, "judgement");
    char started[32], ended[32];
    short_utc(started, sizeof started, get_word(run, "started"));
    short_utc(ended, sizeof ended, get_word(run, "ended"));
    fprintf(s->out, "Run %lld: %s of unit %s at %s on channel %s\n", (long long)get_whole(run, "run"),
            get_word(run, "procedure"), get_word(run, "unit"), get_word(json_object_get(run, "point"), "words"),
            get_word(run, "channel"));
    fprintf(s->out, "Started %s by %s, start condition %s; ended %s (UTC)\n", started,
            get_word(run, "who")[0] ? get_word(run, "who") : "nobody named", get_word(run, "start_condition"), ended);
    fprintf(s->out, "Safety test on file: %s\n",
            get_word(run, "safety_test")[0] ? get_word(run, "safety_test") : "not done");
    if (get_word(run, "accepted")[0])
        fprintf(s->out, "Warnings accepted: %s\n", get_word(run, "accepted"));
    if (json_is_object(judgement)) {
        print_judgement(s, judgement);
        if (how != DETAIL_BRIEF)
            print_judgement_figures(s, judgement);
        if (how != DETAIL_BRIEF)
            print_estimate(s, events);
    } else {
        fputs(get_flag(run, "interrupted") ? "Verdict: undecided. The daemon ended during the run.\n"
                                           : "No verdict yet.\n",
              s->out);
    }
    if (how == DETAIL_BRIEF)
        return;
    print_use(s, json_object_get(detail, "use"));
    fprintf(s->out, "Digest: %s\n\n", get_word(detail, "digest"));
    print_survey(s, events);
    if (how == DETAIL_EVENTS)
        print_events(s, events);
    else
        print_cycles(s, events);
    if (json_array_size(json_object_get(detail, "addenda")) > 0)
        fputc('\n', s->out);
    print_addenda(s, json_object_get(detail, "addenda"));
}

/* All events of a run, page by page, into one list. */
static int all_events(struct client *c, struct journal_reader *reader, int64_t run_no, json_t *list)
{
    int64_t after = 0;
    bool more = true;
    while (more) {
        json_t *page = NULL;
        struct error err = {{0}};
        int status = EXIT_DONE;
        if (reader) {
            page = events_to_json(reader, run_no, after, JOURNAL_PAGE_MAX, &err);
            if (!page)
                return client_failed(c, &err);
        } else {
            struct json_build b = {.object = protocol_request(DO_RUN_EVENTS, 0)};
            b.bad = !b.object;
            build_integer(&b, "run", run_no);
            build_integer(&b, "after", after);
            status = client_result(c, build_end(&b), false, &page);
        }
        if (status != EXIT_DONE)
            return status;
        (void)json_array_extend(list, json_object_get(page, "events"));
        after = get_whole(page, "last_row");
        more = get_flag(page, "more");
        json_decref(page);
    }
    return EXIT_DONE;
}

static int show_run(struct client *c, struct journal_reader *reader, int64_t run_no, enum detail how)
{
    json_t *detail = NULL, *events = json_array();
    struct error err = {{0}};
    int status = EXIT_DONE;
    if (reader) {
        bool found = true;
        detail = run_detail_to_json(reader, run_no, &found, &err);
        if (!found)
            error_set(&err, "there is no run %lld on record; soakbench run list shows them", (long long)run_no);
        if (!detail)
            status = client_failed(c, &err);
    } else {
        struct json_build b = {.object = protocol_request(DO_RUN_SHOW, 0)};
        b.bad = !b.object;
        build_integer(&b, "run", run_no);
        status = client_result(c, build_end(&b), false, &detail);
    }
    if (status == EXIT_DONE && events)
        status = all_events(c, reader, run_no, events);
    if (status == EXIT_DONE && c->json) {
        json_object_set(detail, "events", events);
        status = client_print_json(c, json_incref(detail));
    } else if (status == EXIT_DONE) {
        print_run(&c->screen, detail, events, how);
    }
    json_decref(events);
    json_decref(detail);
    return status;
}

int command_run_show(struct client *c, const struct arguments *args)
{
    int64_t run_no = 0;
    if (client_run_operand(c, args, &run_no) != EXIT_DONE)
        return EXIT_WRONG_USE;
    struct journal_reader *reader = NULL;
    struct error err = {{0}};
    if (client_offline(c) && !(reader = client_journal(c, &err)))
        return client_failed(c, &err);
    enum detail how = argument_flag(args, "--events")  ? DETAIL_EVENTS
                      : argument_flag(args, "--brief") ? DETAIL_BRIEF
                                                       : DETAIL_CYCLES;
    int status = show_run(c, reader, run_no, how);
    journal_reader_close(reader);
    return status;
}
