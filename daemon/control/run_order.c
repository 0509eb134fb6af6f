#include "run_order.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "preflight_line.h"

static const int64_t second_ns = INT64_C(1000000000);
static const double week_s = 7 * 86400.0;

/* One word or number of "tig 160 A 40 % 400 V" against a point. */
static bool token_fits(const struct rating_point *p, const char *word, double number, const char *unit)
{
    enum process process;
    enum output_kind output;
    if (word) {
        if (process_parse(word, &process) == 0)
            return p->process == process;
        return output_parse(word, &output) == 0 && p->output == output;
    }
    double have = strcmp(unit, "A") == 0 ? p->current_a : strcmp(unit, "V") == 0 ? p->supply_v : p->percent_on;
    return fabs(have - number) < 1e-6;
}

static bool is_unit(const char *text)
{
    return strcmp(text, "A") == 0 || strcmp(text, "V") == 0 || strcmp(text, "%") == 0;
}

/* Does every token fit? *known is cleared when one is neither a word nor a quantity that plates have. */
static bool words_fit(const struct rating_point *p, const char *words, bool *known)
{
    char copy[TEXT_CAP];
    (void)text_copy(copy, sizeof copy, words);
    bool fits = true;
    char *state = NULL;
    for (char *t = strtok_r(copy, " ", &state); t; t = strtok_r(NULL, " ", &state)) {
        double number = NAN;
        enum process process;
        enum output_kind output;
        size_t digits = strspn(t, "0123456789.");
        if (digits > 0) {
            char unit[NAME_CAP];
            (void)text_copy(unit, sizeof unit, t + digits);
            t[digits] = 0;
            if (!unit[0]) {
                const char *next = strtok_r(NULL, " ", &state);
                (void)text_copy(unit, sizeof unit, next ? next : "");
            }
            *known = *known && number_parse(t, &number) == 0 && is_unit(unit);
            fits = fits && *known && token_fits(p, NULL, number, unit);
        } else {
            *known = *known && (process_parse(t, &process) == 0 || output_parse(t, &output) == 0);
            fits = fits && token_fits(p, t, 0.0, "");
        }
    }
    return fits;
}

static void list_points(const struct unit_plate *plate, char *to, size_t cap)
{
    (void)text_copy(to, cap, "Points on the plate:");
    for (int i = 0; i < plate->rating_count; i++) {
        char words[80];
        rating_point_print(words, sizeof words, &plate->ratings[i]);
        (void)text_append(to, cap, " %d: %s;", i + 1, words);
    }
}

int rating_point_pick(const struct unit_plate *plate, const char *words, struct protocol_error *err)
{
    char points[256];
    list_points(plate, points, sizeof points);
    if (plate->rating_count == 0)
        return protocol_fail(err, "point",
                             "Add the rating points to the unit file; without a plate there is no verdict.",
                             "unit %s has no rating point on file", plate->serial);
    double number = NAN;
    if (number_parse(words, &number) == 0) {
        for (int i = 0; i < plate->rating_count; i++) {
            if (number == (double)(i + 1))
                return i;
        }
        return protocol_fail(err, "point", points, "unit %s has no rating point number %s", plate->serial, words);
    }
    int found = -1, count = 0;
    bool known = true;
    for (int i = 0; i < plate->rating_count; i++) {
        if (words_fit(&plate->ratings[i], words, &known)) {
            found = i;
            count++;
        }
    }
    if (!known)
        return protocol_fail(err, "point", points,
                             "\"%.60s\" is no way to name a rating point: use its number or words like \"tig 160 A\"",
                             words);
    if (count != 1)
        return protocol_fail(err, "point", points, "%s of the rating points of unit %s %s \"%.60s\"",
                             count == 0 ? "none" : "more than one", plate->serial, count == 1 ? "fits" : "fit", words);
    return found;
}

static const char *const run_keys[] = {"v",
                                       "id",
                                       "do",
                                       "channel",
                                       "unit",
                                       "point",
                                       "procedure",
                                       "cycles",
                                       "soak_s",
                                       "to_equilibrium",
                                       "soak_cap_s",
                                       "go_on_after_cutout",
                                       "cap_s",
                                       "repeats",
                                       "currents_a",
                                       "rest_s",
                                       "consent_past_rating",
                                       "unattended",
                                       "together",
                                       "from_page",
                                       "setting",
                                       "heated_intake",
                                       "control_at_maximum",
                                       "setup_confirmed",
                                       "start",
                                       "strike",
                                       "who",
                                       "accept",
                                       "target_resistance_ohm",
                                       "baseline_u0_v",
                                       "wait",
                                       NULL};

static int check_keys(const json_t *body, struct protocol_error *err)
{
    const char *key;
    json_t *value;
    json_object_foreach((json_t *)body, key, value)
    {
        int i = 0;
        while (run_keys[i] && strcmp(run_keys[i], key) != 0)
            i++;
        if (!run_keys[i])
            return protocol_fail(err, "run-start", "docs/control-protocol.md lists the fields of run-start.",
                                 "\"%.60s\" is not a field of run-start", key);
    }
    return 0;
}

static int duration(const json_t *body, const char *key, int64_t *ns, struct protocol_error *err)
{
    double s = 0.0;
    int found = field_quantity(body, key, DIM_TIME, 0.0, week_s, &s, err);
    if (found > 0)
        *ns = (int64_t)(s * (double)second_ns);
    return found;
}

/* The currents of a survey: a list of quantities. */
static int currents_field(const json_t *body, struct run_request *run, struct protocol_error *err)
{
    const json_t *list = json_object_get(body, "currents_a");
    if (!list || json_is_null(list))
        return 0;
    if (!json_is_array(list) || json_array_size(list) > SURVEY_POINTS_MAX)
        return protocol_fail(err, "currents_a", "For example [100, 125, 160].", "currents_a is no list of at most %d",
                             SURVEY_POINTS_MAX);
    for (size_t i = 0; i < json_array_size(list); i++) {
        json_t *one = json_pack("{s:O}", "currents_a", json_array_get(list, i));
        int found = field_quantity(one, "currents_a", DIM_CURRENT, 1, 5000, &run->survey_a[i], err);
        json_decref(one);
        if (found <= 0)
            return found < 0 ? -1
                             : protocol_fail(err, "currents_a", "For example [100, 125, 160].",
                                             "a current of the survey is missing");
    }
    run->survey_count = (int32_t)json_array_size(list);
    return 0;
}

static int point_field(const json_t *body, const struct unit_plate *plate, struct run_request *run,
                       struct protocol_error *err)
{
    char words[TEXT_CAP];
    const json_t *field = json_object_get(body, "point");
    if (!field || json_is_null(field)) {
        if (plate->rating_count == 1) {
            run->point = plate->ratings[0];
            return 0;
        }
        list_points(plate, words, sizeof words);
        return protocol_fail(err, "point", words, "name the rating point of unit %s", plate->serial);
    }
    if (json_is_integer(field))
        (void)text_format(words, sizeof words, "%lld", (long long)json_integer_value(field));
    else if (field_text(body, "point", words, sizeof words, err) < 0)
        return -1;
    int index = rating_point_pick(plate, words, err);
    if (index < 0)
        return -1;
    run->point = plate->ratings[index];
    return 0;
}

/* A name that no line of the preflight has would be accepted for nothing, and somebody would rely on it. */
static int accept_field(const json_t *body, struct run_request *run, struct protocol_error *err)
{
    char unknown[NAME_CAP], all[sizeof err->remedy];
    if (field_text(body, "accept", run->accepts, sizeof run->accepts, err) < 0)
        return -1;
    if (!preflight_list_unknown(run->accepts, unknown, sizeof unknown))
        return 0;
    preflight_line_names(all, sizeof all);
    return protocol_fail(err, "accept", all, "the preflight has no line \"%s\"; those that it has can be accepted",
                         unknown);
}

static int strike_field(const json_t *body, struct run_request *run, struct protocol_error *err)
{
    char word[NAME_CAP] = "";
    int found = field_text(body, "strike", word, sizeof word, err), i = 0;
    if (found <= 0)
        return found;
    while (i < STRIKE_USE_COUNT_ && strcmp(strike_use_name((enum strike_use)i), word) != 0)
        i++;
    if (i == STRIKE_USE_COUNT_)
        return protocol_fail(err, "strike", "One of by-unit, use, none.", "strike \"%s\" is not known", word);
    run->strike = (enum strike_use)i;
    return 0;
}

static int words_fields(const json_t *body, struct run_request *run, struct protocol_error *err)
{
    char word[NAME_CAP] = "";
    int found = field_text(body, "procedure", word, sizeof word, err);
    if (found < 0)
        return -1;
    if (found == 0 || procedure_parse(word, &run->procedure) != 0 || run->procedure == PROCEDURE_WATCHDOG)
        return protocol_fail(err, "procedure", "One of screen, proof, soak, to-cutout, survey.",
                             found ? "procedure \"%s\" is not known" : "the procedure is missing%s", found ? word : "");
    found = field_text(body, "start", word, sizeof word, err);
    if (found < 0)
        return -1;
    run->start = START_UNKNOWN;
    if (found > 0) {
        int i = 0;
        while (i < START_CONDITION_COUNT_ && strcmp(start_condition_name((enum start_condition)i), word) != 0)
            i++;
        if (i == START_CONDITION_COUNT_)
            return protocol_fail(err, "start", "One of cold, warm, unknown.", "start condition \"%s\" is not known",
                                 word);
        run->start = (enum start_condition)i;
    }
    if (strike_field(body, run, err) != 0)
        return -1;
    if (field_text(body, "who", run->who, sizeof run->who, err) < 0)
        return -1;
    return accept_field(body, run, err);
}

static int flag_fields(const json_t *body, struct run_request *run, struct protocol_error *err)
{
    const struct {
        const char *key;
        bool *flag;
    } flags[] = {{"to_equilibrium", &run->to_equilibrium},
                 {"go_on_after_cutout", &run->go_on_after_cutout},
                 {"consent_past_rating", &run->consent_past_rating},
                 {"unattended", &run->unattended},
                 {"together", &run->together},
                 {"from_page", &run->from_page},
                 {"setting", &run->setting},
                 {"heated_intake", &run->heated_intake},
                 {"control_at_maximum", &run->control_at_maximum},
                 {"setup_confirmed", &run->setup_confirmed}};
    for (size_t i = 0; i < sizeof flags / sizeof flags[0]; i++) {
        if (field_flag(body, flags[i].key, flags[i].flag, err) < 0)
            return -1;
    }
    return 0;
}

int run_order_from_json(const json_t *body, const struct unit_plate *plate, struct run_request *run,
                        struct protocol_error *err)
{
    *run = (struct run_request){.protection = plate->protection,
                                .s_marked = plate->s_marked,
                                .target_resistance_ohm = NAN,
                                .baseline_u0_v = NAN};
    (void)text_copy(run->serial, sizeof run->serial, plate->serial);
    int64_t cycles = 0, repeats = 0;
    if (check_keys(body, err) != 0 || words_fields(body, run, err) != 0 || point_field(body, plate, run, err) != 0 ||
        flag_fields(body, run, err) != 0 || field_integer(body, "cycles", 0, 1000, &cycles, err) < 0 ||
        field_integer(body, "repeats", 0, 100, &repeats, err) < 0 || duration(body, "soak_s", &run->soak_ns, err) < 0 ||
        currents_field(body, run, err) < 0 || duration(body, "rest_s", &run->survey_rest_ns, err) < 0 ||
        duration(body, "soak_cap_s", &run->soak_cap_ns, err) < 0 || duration(body, "cap_s", &run->cap_ns, err) < 0 ||
        field_quantity(body, "target_resistance_ohm", DIM_RESISTANCE, 0.001, 1000.0, &run->target_resistance_ohm, err) <
            0 ||
        field_quantity(body, "baseline_u0_v", DIM_VOLTAGE, 1.0, 1000.0, &run->baseline_u0_v, err) < 0)
        return -1;
    run->cycles = (int32_t)cycles;
    run->repeats = (int32_t)repeats;
    return 0;
}
