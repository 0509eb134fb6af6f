/* unit import: many plates from a CSV file, one rating point a line. All lines are checked before the first unit is
 * entered. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "commands.h"
#include "csv.h"
#include "json_build.h"
#include "model_json.h"

enum { COLUMN_COUNT = 20 };

struct import_column {
    const char *key;
    bool of_unit; /* else of the rating point */
};

static const struct import_column import_columns[COLUMN_COUNT] = {
    {"serial", true},          {"maker", true},         {"model", true},
    {"asset", true},           {"rated_by", true},      {"year", true},
    {"protection", true},      {"process", false},      {"output", false},
    {"output_control", false}, {"supply_v", false},     {"phases", false},
    {"frequency_hz", false},   {"percent_on", false},   {"current_a", false},
    {"load_voltage_v", false}, {"no_load_v", false},    {"i1max_a", false},
    {"i1eff_a", false},        {"ambient_degc", false},
};

struct import {
    struct client *client;
    const char *path;
    struct csv csv;
    int columns[COLUMN_COUNT]; /* of the file; -1: not there */
    json_t *units;             /* object: SERIAL/MAKER -> plate */
    json_t *latest;            /* object: serial -> the plate of its row before */
    json_t *problems;          /* list of sentences */
};

static void complain(struct import *im, int line, const char *subject, const char *what)
{
    char text[600];
    (void)text_format(text, sizeof text, "%s:%d: %s%s%s", im->path, line, subject, subject[0] ? " " : "", what);
    (void)json_array_append_new(im->problems, json_text(text));
}

/* "current_a=Amps,serial=Serial no" */
static int map_columns(struct import *im, const char *mapping, struct error *err)
{
    for (int i = 0; i < COLUMN_COUNT; i++)
        im->columns[i] = csv_column(&im->csv, import_columns[i].key);
    char copy[1024];
    if (text_copy(copy, sizeof copy, mapping) != 0)
        return error_set(err, "--columns is too long");
    char *state = NULL;
    for (char *pair = strtok_r(copy, ",", &state); pair; pair = strtok_r(NULL, ",", &state)) {
        char *equals = strchr(pair, '=');
        int key = 0;
        if (equals)
            *equals = 0;
        while (equals && key < COLUMN_COUNT && strcmp(import_columns[key].key, pair) != 0)
            key++;
        if (!equals || key == COLUMN_COUNT)
            return error_set(err, "--columns: \"%s\" is no column of a plate; write current_a=HEADING", pair);
        im->columns[key] = csv_column(&im->csv, equals + 1);
        if (im->columns[key] < 0)
            return error_set(err, "--columns: %s has no heading \"%s\"", im->path, equals + 1);
    }
    static const int needed[] = {0, 7, 13, 14};
    for (size_t i = 0; i < sizeof needed / sizeof needed[0]; i++) {
        if (im->columns[needed[i]] < 0)
            return error_set(err, "%s has no column %s; name it with --columns %s=HEADING", im->path,
                             import_columns[needed[i]].key, import_columns[needed[i]].key);
    }
    return 0;
}

/* A cell as JSON: numbers as numbers, all else as text, which may carry a unit. */
static json_t *cell_value(const char *key, const char *text)
{
    double number;
    bool is_text = strcmp(key, "serial") == 0 || strcmp(key, "maker") == 0 || strcmp(key, "model") == 0 ||
                   strcmp(key, "asset") == 0 || strcmp(key, "rated_by") == 0;
    if (is_text || number_parse(text, &number) != 0)
        return json_text(text);
    bool whole = strcmp(key, "year") == 0 || strcmp(key, "phases") == 0;
    return whole ? json_integer((json_int_t)number) : json_real(number);
}

static json_t *row_part(const struct import *im, size_t row, bool of_unit)
{
    struct json_build b = build_begin();
    for (int i = 0; i < COLUMN_COUNT; i++) {
        if (import_columns[i].of_unit != of_unit || im->columns[i] < 0)
            continue;
        const char *cell = csv_cell(&im->csv, row, im->columns[i]);
        if (cell[0])
            build_add(&b, import_columns[i].key, cell_value(import_columns[i].key, cell));
    }
    return build_end(&b);
}

/* The latest plate of this serial number; another maker may have given it to another unit. A row that leaves the maker
 * out goes on with the plate before it. */
static json_t *plate_at(const struct import *im, const char *serial, const char *maker)
{
    json_t *latest = json_object_get(im->latest, serial), *plate = NULL;
    char key[512];
    if (latest && (maker[0] == '\0' || get_word(latest, "maker")[0] == '\0'))
        return latest;
    if (text_format(key, sizeof key, "%s/%s", serial, maker) == 0)
        plate = json_object_get(im->units, key);
    return plate;
}

static bool begin_plate(struct import *im, const char *serial, const char *maker, json_t *unit)
{
    char key[512];
    return unit && text_format(key, sizeof key, "%s/%s", serial, maker) == 0 &&
           json_object_set_new(unit, "ratings", json_array()) == 0 && json_object_set(im->latest, serial, unit) == 0 &&
           json_object_set_new(im->units, key, unit) == 0;
}

/* The plate that a row belongs to: begun by its first row, the same words about the unit in all of them. */
static json_t *plate_of_row(struct import *im, size_t row)
{
    const char *serial = csv_cell(&im->csv, row, im->columns[0]);
    const char *maker = im->columns[1] >= 0 ? csv_cell(&im->csv, row, im->columns[1]) : "";
    json_t *unit = row_part(im, row, true);
    json_t *plate = plate_at(im, serial, maker);
    if (!plate)
        return begin_plate(im, serial, maker, unit) ? unit : NULL;
    (void)json_object_set(im->latest, serial, plate);
    const char *key;
    json_t *value;
    json_object_foreach(unit, key, value)
    {
        if (!json_equal(value, json_object_get(plate, key)))
            complain(im, im->csv.lines[row], key, "differs from an earlier line of the same unit");
    }
    json_decref(unit);
    return plate;
}

static void take_row(struct import *im, size_t row)
{
    int line = im->csv.lines[row];
    if (!csv_cell(&im->csv, row, im->columns[0])[0]) {
        complain(im, line, "serial", "is empty");
        return;
    }
    json_t *plate = plate_of_row(im, row);
    json_t *ratings = json_object_get(plate, "ratings");
    if (!ratings || json_array_append_new(ratings, row_part(im, row, false)) != 0) {
        complain(im, line, "", "memory is short");
        return;
    }
    /* The point alone is checked here, so that the problem carries its own line. */
    struct unit_plate *checked = calloc(1, sizeof *checked);
    struct protocol_error problem = {{0}, {0}, {0}};
    struct json_build b = build_begin();
    build_text(&b, "serial", csv_cell(&im->csv, row, im->columns[0]));
    json_t *one = json_array();
    if (one)
        (void)json_array_append(one, json_array_get(ratings, json_array_size(ratings) - 1));
    build_add(&b, "ratings", one);
    json_t *alone = build_end(&b);
    if (!checked || !alone)
        complain(im, line, "", "memory is short");
    else if (plate_from_json(alone, checked, &problem) != 0)
        complain(im, line, "", problem.what);
    json_decref(alone);
    free(checked);
}

static void check_plates(struct import *im)
{
    struct unit_plate *plate = calloc(1, sizeof *plate);
    const char *key;
    json_t *object;
    json_object_foreach(im->units, key, object)
    {
        struct protocol_error problem = {{0}, {0}, {0}};
        if (plate && plate_from_json(object, plate, &problem) != 0 && json_array_size(im->problems) == 0) {
            char text[600];
            (void)text_format(text, sizeof text, "%s: unit %s: %s", im->path, get_word(object, "serial"), problem.what);
            (void)json_array_append_new(im->problems, json_text(text));
        }
    }
    free(plate);
}

/* Some plates in one request. Plates are of bounded length: so many always fit into one. */
enum { PLATES_A_REQUEST = 100 };

static int send_part(struct client *c, json_t *list, const char *who, bool more)
{
    struct json_build b = {.object = protocol_request(DO_UNIT_IMPORT, 0)};
    json_t *result = NULL;
    b.bad = !b.object || !list;
    build_add(&b, "plates", list);
    build_flag(&b, "more", more);
    if (who)
        build_text(&b, "who", who);
    int status = client_result(c, build_end(&b), false, &result);
    json_decref(result);
    return status;
}

/* Part by part: the daemon puts them on file together, or none. */
static int send_units(struct import *im, const char *who)
{
    struct client *c = im->client;
    const char *key;
    json_t *plate, *list = NULL;
    size_t count = json_object_size(im->units), sent = 0;
    int status = EXIT_DONE;
    json_object_foreach(im->units, key, plate)
    {
        if (!list)
            list = json_array();
        if (!list || json_array_append(list, plate) != 0)
            break;
        sent++;
        if (sent == count || sent % PLATES_A_REQUEST == 0) {
            status = send_part(c, list, who, sent < count); /* takes the list */
            list = NULL;
        }
        if (status != EXIT_DONE)
            break;
    }
    if (status == EXIT_DONE && sent < count) {
        struct error err;
        error_set(&err, "memory is short");
        status = client_failed(c, &err);
    }
    json_decref(list);
    if (status != EXIT_DONE) {
        fprintf(c->errors.out, "Nothing was entered.\n");
        return status;
    }
    if (c->json)
        return client_print_json(c, json_pack("{s:I}", "units", (json_int_t)count));
    fprintf(c->screen.out, "%zu units are in the register.\n", count);
    return EXIT_DONE;
}

static int report_problems(struct import *im)
{
    struct client *c = im->client;
    size_t count = json_array_size(im->problems);
    if (c->json)
        (void)client_print_json(c, json_pack("{s:O}", "problems", im->problems));
    for (size_t i = 0; i < count; i++)
        fprintf(c->errors.out, "%s\n", json_string_value(json_array_get(im->problems, i)));
    fprintf(c->errors.out, "Refused: %zu problem%s; nothing was entered. Correct the file and import it again.\n",
            count, count == 1 ? "" : "s");
    return EXIT_REFUSED;
}

static int report_sound(struct import *im)
{
    struct client *c = im->client;
    size_t count = json_object_size(im->units);
    if (c->json)
        return client_print_json(c, json_pack("{s:I, s:[]}", "units", (json_int_t)count, "problems"));
    fprintf(c->screen.out, "%zu units, no problem found. Nothing was entered.\n", count);
    return EXIT_DONE;
}

int command_unit_import(struct client *c, const struct arguments *args)
{
    struct import im = {.client = c, .path = args->operands[0]};
    struct error err = {{0}};
    int status = EXIT_REFUSED;
    im.units = json_object();
    im.latest = json_object();
    im.problems = json_array();
    if (!im.units || !im.latest || !im.problems)
        error_set(&err, "memory is short");
    else if (csv_read(im.path, &im.csv, &err) == 0 &&
             map_columns(&im, argument_text(args, "--columns", ""), &err) == 0) {
        for (size_t row = 0; row < im.csv.row_count; row++)
            take_row(&im, row);
        check_plates(&im);
        if (json_array_size(im.problems) > 0)
            status = report_problems(&im);
        else if (argument_flag(args, "--check-only"))
            status = report_sound(&im);
        else
            status = send_units(&im, argument_text(args, "--who", NULL));
    }
    if (err.text[0])
        status = client_failed(c, &err);
    csv_free(&im.csv);
    json_decref(im.latest);
    json_decref(im.units);
    json_decref(im.problems);
    return status;
}
