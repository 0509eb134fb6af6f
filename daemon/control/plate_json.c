/* The rating plate out of its JSON form. */
#include "model_json.h"

#include <math.h>
#include <string.h>

static const double supply_max_v = 1000.0, current_max_a = 5000.0, voltage_max_v = 1000.0;

/* Reads a word of an enumeration through its parser. */
static int word_field(const json_t *object, const char *key, int (*parse)(const char *, int *), int *value,
                      struct protocol_error *err)
{
    char word[NAME_CAP];
    int found = field_text(object, key, word, sizeof word, err);
    if (found <= 0)
        return found;
    if (parse(word, value) != 0)
        return protocol_fail(err, key, "See docs/units.md for the words.", "%s: \"%s\" is not known", key, word);
    return 1;
}

static int parse_process(const char *text, int *value)
{
    enum process p;
    int result = process_parse(text, &p);
    if (result == 0)
        *value = (int)p;
    return result;
}

static int parse_output(const char *text, int *value)
{
    enum output_kind o;
    int result = output_parse(text, &o);
    if (result == 0)
        *value = (int)o;
    return result;
}

static int parse_control(const char *text, int *value)
{
    enum output_control c;
    int result = control_parse(text, &c);
    if (result == 0)
        *value = (int)c;
    return result;
}

static int parse_protection(const char *text, int *value)
{
    enum protection p;
    int result = protection_parse(text, &p);
    if (result == 0)
        *value = (int)p;
    return result;
}

static int required(int found, const char *key, struct protocol_error *err)
{
    return found != 0 ? found : protocol_fail(err, key, "Add it as it is printed on the plate.", "%s is missing", key);
}

static int point_words(const json_t *object, struct rating_point *p, struct protocol_error *err)
{
    int process = 0, output = OUTPUT_DC, control = CONTROL_TRIGGER;
    if (required(word_field(object, "process", parse_process, &process, err), "process", err) < 0 ||
        word_field(object, "output", parse_output, &output, err) < 0 ||
        required(word_field(object, "output_control", parse_control, &control, err), "output_control", err) < 0)
        return -1;
    p->process = (enum process)process;
    p->output = (enum output_kind)output;
    p->control = (enum output_control)control;
    return 0;
}

static int point_from_json(const json_t *object, struct rating_point *p, struct protocol_error *err)
{
    *p = (struct rating_point){.supply_v = NAN,
                               .phases = 1,
                               .frequency_hz = NAN,
                               .load_voltage_v = NAN,
                               .no_load_v = NAN,
                               .i1max_a = NAN,
                               .i1eff_a = NAN,
                               .ambient_degc = 40.0,
                               .cycle_s = 600.0};
    if (!json_is_object(object))
        return protocol_fail(err, "ratings", "Write each rating point as an object.", "a rating point is no object");
    if (point_words(object, p, err) != 0)
        return -1;
    int64_t phases = 1;
    if (field_integer(object, "phases", 0, 3, &phases, err) < 0)
        return -1;
    if (phases == 2)
        return protocol_fail(err, "phases", "1, 3, or 0 for engine and battery driven units.",
                             "a supply of two phases is not known");
    p->phases = (int)phases;
    if (required(field_quantity(object, "percent_on", DIM_PERCENT, 1.0, 100.0, &p->percent_on, err), "percent_on",
                 err) < 0 ||
        required(field_quantity(object, "current_a", DIM_CURRENT, 1.0, current_max_a, &p->current_a, err), "current_a",
                 err) < 0 ||
        field_quantity(object, "supply_v", DIM_VOLTAGE, 10.0, supply_max_v, &p->supply_v, err) < 0 ||
        field_quantity(object, "frequency_hz", DIM_FREQUENCY, 10.0, 500.0, &p->frequency_hz, err) < 0 ||
        field_quantity(object, "load_voltage_v", DIM_VOLTAGE, 1.0, voltage_max_v, &p->load_voltage_v, err) < 0 ||
        field_quantity(object, "no_load_v", DIM_VOLTAGE, 1.0, voltage_max_v, &p->no_load_v, err) < 0 ||
        field_quantity(object, "i1max_a", DIM_CURRENT, 0.1, current_max_a, &p->i1max_a, err) < 0 ||
        field_quantity(object, "i1eff_a", DIM_CURRENT, 0.1, current_max_a, &p->i1eff_a, err) < 0 ||
        field_quantity(object, "ambient_degc", DIM_TEMPERATURE, 0.0, 60.0, &p->ambient_degc, err) < 0 ||
        field_quantity(object, "cycle_s", DIM_TIME, 60.0, 3600.0, &p->cycle_s, err) < 0 ||
        field_flag(object, "strike", &p->strike, err) < 0)
        return -1;
    return 0;
}

int plate_from_json(const json_t *object, struct unit_plate *plate, struct protocol_error *err)
{
    *plate = (struct unit_plate){0};
    if (!json_is_object(object))
        return protocol_fail(err, "plate", "Put the plate into an object under \"plate\".", "there is no plate");
    int protection = PROTECTION_UNKNOWN;
    int64_t year = 0;
    if (required(field_text(object, "serial", plate->serial, sizeof plate->serial, err), "serial", err) < 0 ||
        field_text(object, "maker", plate->maker, sizeof plate->maker, err) < 0 ||
        field_text(object, "model", plate->model, sizeof plate->model, err) < 0 ||
        field_text(object, "asset", plate->asset, sizeof plate->asset, err) < 0 ||
        field_text(object, "rated_by", plate->rated_by, sizeof plate->rated_by, err) < 0 ||
        field_integer(object, "year", 0, 2200, &year, err) < 0 ||
        word_field(object, "protection", parse_protection, &protection, err) < 0 ||
        field_flag(object, "s_marked", &plate->s_marked, err) < 0)
        return -1;
    if (!plate->serial[0])
        return protocol_fail(err, "serial", "Give the unit a number of your own if the plate has none.",
                             "the serial number is empty");
    plate->year = (int)year;
    plate->protection = (enum protection)protection;
    const json_t *ratings = json_object_get(object, "ratings");
    if (ratings && !json_is_array(ratings))
        return protocol_fail(err, "ratings", "Write a list of rating points.", "ratings is no list");
    size_t count = json_array_size(ratings);
    if (count > RATINGS_MAX)
        return protocol_fail(err, "ratings", "Leave out the points that are never tested.",
                             "%zu rating points, %d fit on a plate here", count, (int)RATINGS_MAX);
    for (size_t i = 0; i < count; i++) {
        if (point_from_json(json_array_get(ratings, i), &plate->ratings[i], err) != 0) {
            char where[96];
            (void)text_format(where, sizeof where, "ratings[%zu].%s", i + 1, err->where);
            memcpy(err->where, where, sizeof where);
            return -1;
        }
    }
    plate->rating_count = (int)count;
    return 0;
}
