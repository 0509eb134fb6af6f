/* The description beside an export's tables: a Frictionless data package with units, meters, provenance, rating plate
 * and versions, and the files that were attached. */
#include <inttypes.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>

#include "quantity.h"
#include "run_export_private.h"

/* Of the layout of these files; raised when a column or key goes or changes its meaning, not when one is added. */
enum { EXPORT_VERSION = 1 };

static void add_field(json_t *fields, const char *name, const char *type, const char *unit, const char *description)
{
    json_t *field = json_pack("{s:s, s:s}", "name", name, "type", type);
    if (unit != NULL && unit[0] != '\0')
        (void)json_object_set_new(field, "unit", json_string(unit));
    if (description != NULL && description[0] != '\0')
        (void)json_object_set_new(field, "description", json_string(description));
    (void)json_array_append_new(fields, field);
}

static json_t *resource(const char *name, const char *file, json_t *fields)
{
    return json_pack("{s:s, s:s, s:s, s:s, s:s, s:s, s:{s:o, s:[s]}}", "name", name, "path", file, "profile",
                     "tabular-data-resource", "format", "csv", "mediatype", "text/csv", "encoding", "utf-8", "schema",
                     "fields", fields, "missingValues", "");
}

static void add_figure(json_t *to, const char *key, double value)
{
    if (isfinite(value))
        (void)json_object_set_new(to, key, json_real(value));
}

static void add_seconds(json_t *to, const char *key, int64_t ns)
{
    if (ns > 0)
        (void)json_object_set_new(to, key, json_real((double)ns / 1e9));
}

static void add_text(json_t *to, const char *key, const char *text)
{
    if (text[0] != '\0')
        (void)json_object_set_new(to, key, json_string(text));
}

/* What the meter's data sheet or certificate states of the column that was added last. */
static void add_meter(json_t *fields, const struct bench_signal *g)
{
    const struct uncertainty *u = &g->uncertainty;
    json_t *field = json_array_get(fields, json_array_size(fields) - 1);
    json_t *stated = json_pack(
        "{s:s, s:f, s:f, s:f, s:f}", "kind", u->kind == UNC_LIMIT ? "limits-of-error" : "expanded", "of_reading_pct",
        u->of_reading_pct, "of_range_pct", u->of_range_pct, "range", u->range, "absolute", u->absolute);
    if (u->kind == UNC_EXPANDED)
        add_figure(stated, "coverage_factor", u->k > 0 ? u->k : 2);
    (void)json_object_set_new(field, "uncertainty", stated);
    (void)json_object_set_new(field, "quantity", json_string(g->mean == MEAN_RMS ? "rms" : "mean"));
    add_text(field, "certificate", g->certificate);
    if (g->calibration_due_utc_s > 0) {
        char day[48];
        export_print_utc(day, sizeof day, g->calibration_due_utc_s * 1000000);
        day[10] = '\0';
        add_text(field, "calibration_due", day);
    }
    add_seconds(field, "refresh_s", g->refresh_ns);
    add_seconds(field, "averaging_s", g->averaging_ns);
    add_seconds(field, "damping_s", g->damping_ns);
}

static json_t *readings_resource(const struct exporter *x)
{
    json_t *fields = json_array();
    add_field(fields, "time_utc", "datetime", NULL, "middle of the meter's transaction, by the run's own time anchor");
    add_field(fields, "elapsed_s", "number", "s", "since the start of the run");
    add_field(fields, "half_width_s", "number", "s", "half of the transaction's length");
    for (int k = 0; k < SIG_KIND_COUNT_; k++) {
        if (!export_has_column(x, k))
            continue;
        const struct bench_signal *g = &x->bench->signals[x->bench->channels[x->run.channel].signal[k]];
        char name[NAME_CAP + 16];
        (void)text_format(name, sizeof name, "%s%s", signal_kind_name((enum signal_kind)k), dimension_suffix(g->dim));
        add_field(fields, name, "number", dimension_unit(g->dim), NULL);
        add_meter(fields, g);
    }
    add_field(fields, "lost", "string", NULL, "signals that were due here and had no good value");
    return resource("readings", "readings.csv", fields);
}

static json_t *events_resource(void)
{
    json_t *fields = json_array();
    add_field(fields, "time_utc", "datetime", NULL, "when it happened, by the evidence");
    add_field(fields, "elapsed_s", "number", "s", "since the start of the run");
    add_field(fields, "half_width_s", "number", "s", "half-width of that time");
    add_field(fields, "kind", "string", NULL, NULL);
    add_field(fields, "code", "integer", NULL, NULL);
    add_field(fields, "code2", "integer", NULL, NULL);
    for (int i = 0; i < EVENT_VALUES_MAX; i++) {
        char name[16];
        (void)text_format(name, sizeof name, "value%d", i);
        add_field(fields, name, "number", NULL, NULL);
    }
    add_field(fields, "text", "string", NULL, NULL);
    return resource("events", "events.csv", fields);
}

static json_t *table_resource(const char *name, const char *file, const struct export_column *columns, int count,
                              json_t *fields)
{
    for (int i = 0; i < count; i++)
        add_field(fields, columns[i].name, columns[i].type, columns[i].unit, columns[i].about);
    return resource(name, file, fields);
}

struct addenda_export {
    struct journal_reader *reader;
    const char *folder;
    json_t *list;
    struct error *err;
    int failed;
};

static int write_attachment(struct addenda_export *x, const char *name, const struct journal_addendum *a)
{
    uint8_t *bytes = NULL;
    size_t size = 0;
    struct out_file f;
    int found = journal_reader_blob(x->reader, &a->digest, &bytes, &size, x->err);
    if (found <= 0)
        return found < 0 ? -1 : error_set(x->err, "the file %s of this run is missing from the journal", a->name);
    int rc = out_open(&f, x->folder, name, x->err);
    if (rc == 0)
        (void)fwrite(bytes, 1, size, f.stream); /* out_close looks at the stream's state */
    free(bytes);
    return out_close(&f, rc, x->err);
}

static int put_addendum(void *ctx, const struct journal_addendum *a)
{
    struct addenda_export *x = ctx;
    char when[48], path[ATTACHMENT_NAME_CAP + 48], hex[DIGEST_HEX_CAP];
    export_print_utc(when, sizeof when, a->utc_s * 1000000);
    json_t *o = json_pack("{s:s, s:s, s:s, s:s}", "kind", addendum_kind_name(a->kind), "time_utc", when, "who", a->who,
                          "note", a->note);
    if (a->kind == ADDENDUM_CORRECTION) {
        (void)json_object_set_new(o, "correction", json_string(a->name));
        (void)json_object_set_new(o, "revision", json_integer(a->revision));
    }
    if (a->kind == ADDENDUM_FILE) {
        digest_print(&a->digest, hex);
        /* The number keeps names of files apart from those of the export itself. */
        (void)text_format(path, sizeof path, "attachment-%" PRId64 "-%s", a->id, a->name);
        (void)json_object_set_new(o, "path", json_string(path));
        (void)json_object_set_new(o, "bytes", json_integer(a->size));
        (void)json_object_set_new(o, "sha256", json_string(hex));
        x->failed = write_attachment(x, path, a);
    }
    if (json_array_append_new(x->list, o) != 0)
        x->failed = error_set(x->err, "memory is short");
    return x->failed != 0;
}

/* Files beside the tables, and the list of everything that was added when the run was over. NULL with err. */
static json_t *write_addenda(const struct exporter *x, struct journal_reader *reader, const char *folder,
                             struct error *err)
{
    struct addenda_export e = {.reader = reader, .folder = folder, .list = json_array(), .err = err};
    if (e.list == NULL)
        (void)error_set(err, "memory is short");
    else if (journal_reader_addenda(reader, x->run.run_no, put_addendum, &e, err) == 0 && e.failed == 0)
        return e.list;
    json_decref(e.list);
    return NULL;
}

static json_t *survey_resource(void)
{
    json_t *fields = json_array();
    add_field(fields, "number", "integer", NULL, "in the order in which the currents were taken");
    add_field(fields, "outcome", "string", NULL, "own, at-least or not-settled");
    json_t *r = table_resource("survey", "survey.csv", export_survey_columns, SURVEY_COLUMNS, fields);
    add_field(fields, "text", "string", NULL, NULL);
    return r;
}

static json_t *captures_resource(void)
{
    json_t *fields = json_array();
    add_field(fields, "capture", "integer", NULL, "counts up in the run");
    add_field(fields, "elapsed_s", "number", "s", "of the sample, since the start of the run");
    add_field(fields, "half_width_s", "number", "s", "of the capture as a whole; its samples keep their distance");
    add_field(fields, "u2_v", "number", "V", "as the meter's buffer has it, without correction");
    add_field(fields, "i2_a", "number", "A", "as the meter's buffer has it, without correction");
    return resource("captures", "captures.csv", fields);
}

static json_t *point_json(const struct rating_point *p)
{
    json_t *o = json_pack("{s:s, s:s, s:s}", "process", process_name(p->process), "output", output_name(p->output),
                          "output_control", control_name(p->control));
    add_figure(o, "supply_v", p->supply_v);
    (void)json_object_set_new(o, "phases", json_integer(p->phases));
    add_figure(o, "frequency_hz", p->frequency_hz);
    add_figure(o, "percent_on", p->percent_on);
    add_figure(o, "current_a", p->current_a);
    add_figure(o, "load_voltage_v", p->load_voltage_v);
    add_figure(o, "no_load_v", p->no_load_v);
    add_figure(o, "i1max_a", p->i1max_a);
    add_figure(o, "i1eff_a", p->i1eff_a);
    add_figure(o, "ambient_degc", p->ambient_degc);
    add_figure(o, "cycle_s", p->cycle_s);
    return o;
}

/* The rating plate as it stood in the register when the run was judged, and the point that was run. */
static json_t *plate_json(const struct exporter *x, struct journal_reader *reader, struct error *err)
{
    struct journal_unit *u = calloc(1, sizeof *u);
    const struct run_request *q = &x->run.request;
    json_t *o = json_pack("{s:s, s:i, s:o}", "unit", q->serial, "version", (int)q->plate_version, "rating_point",
                          point_json(&q->point));
    int found =
        u && o ? journal_reader_unit(reader, q->serial, q->plate_version, u, err) : error_set(err, "memory is short");
    if (found > 0) {
        add_text(o, "serial", u->plate.serial);
        add_text(o, "maker", u->plate.maker);
        add_text(o, "model", u->plate.model);
        add_text(o, "asset", u->plate.asset);
        add_text(o, "rated_by", u->plate.rated_by);
        add_text(o, "protection", protection_name(u->plate.protection));
        if (u->plate.year > 0)
            (void)json_object_set_new(o, "year", json_integer(u->plate.year));
        json_t *all = json_array();
        for (int i = 0; i < u->plate.rating_count; i++)
            (void)json_array_append_new(all, point_json(&u->plate.ratings[i]));
        (void)json_object_set_new(o, "ratings", all);
    }
    free(u);
    if (found >= 0)
        return o;
    json_decref(o);
    return NULL;
}

static json_t *provenance(const struct exporter *x, const struct digest *digest)
{
    char hex[DIGEST_HEX_CAP], point[128];
    digest_print(digest, hex);
    rating_point_print(point, sizeof point, &x->run.request.point);
    return json_pack("{s:s, s:s, s:I, s:s, s:s, s:i, s:s, s:s, s:s, s:b, s:s}", "bench", x->bench->name, "channel",
                     x->run.channel_name, "run", (json_int_t)x->run.run_no, "unit", x->run.request.serial,
                     "rating_point", point, "plate_version", (int)x->run.request.plate_version, "procedure",
                     procedure_name(x->run.request.procedure), "procedure_words",
                     procedure_words(x->run.request.procedure), "tested_by", x->run.request.who, "virtual_bench",
                     (int)x->bench->virtual_bench, "run_digest_sha256", hex);
}

/* Of everything that made these figures and this file; the rules of each verdict stand in its row. */
static json_t *versions_json(const struct exporter *x, const char *version)
{
    return json_pack("{s:s, s:s, s:i, s:i}", "software", version, "engine", x->session.engine_version, "rules",
                     (int)(x->run.judged ? x->run.verdict.rules_version : 0), "export", EXPORT_VERSION);
}

int export_describe(struct exporter *x, struct journal_reader *reader, const char *folder, const char *version,
                    struct error *err)
{
    struct digest digest = {{0}};
    if (journal_reader_run_digest(reader, x->run.run_no, &digest, err) < 0)
        return -1;
    char name[NAME_CAP];
    (void)text_format(name, sizeof name, "run-%" PRId64, x->run.run_no);
    json_t *addenda = write_addenda(x, reader, folder, err);
    if (addenda == NULL)
        return -1;
    json_t *plate = plate_json(x, reader, err);
    if (plate == NULL) {
        json_decref(addenda);
        return -1;
    }
    struct out_file f;
    int rc = out_open(&f, folder, "datapackage.json", err);
    json_t *root = json_pack(
        "{s:s, s:s, s:s, s:[o,o,o], s:o, s:o, s:o, s:o}", "name", name, "profile", "tabular-data-package", "title",
        "Duty cycle check of an arc welding power source", "resources", readings_resource(x), events_resource(),
        table_resource("verdicts", "verdicts.csv", export_verdict_columns, VERDICT_COLUMNS, json_array()), "provenance",
        provenance(x, &digest), "versions", versions_json(x, version), "rating_plate", plate, "addenda", addenda);
    if (root != NULL && x->run.request.procedure == PROCEDURE_SURVEY)
        (void)json_array_append_new(json_object_get(root, "resources"), survey_resource());
    if (root != NULL && x->bench->channels[x->run.channel].has_capture)
        (void)json_array_append_new(json_object_get(root, "resources"), captures_resource());
    if (rc == 0 && root == NULL)
        rc = error_set(err, "the description of run %" PRId64 " could not be made: memory is short", x->run.run_no);
    if (rc == 0) {
        if (json_dumpf(root, f.stream, JSON_INDENT(2) | JSON_PRESERVE_ORDER) != 0)
            rc = error_set(err, "%s: could not be written", f.temporary);
    }
    json_decref(root);
    return out_close(&f, rc, err);
}
