#include "run_export.h"

#include <errno.h>
#include <inttypes.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "bench.h"
#include "quantity.h"

enum { FILE_CAP = 4096 };

/* A file that appears under its name only when it is whole. */
struct out_file {
    FILE *stream;
    char path[FILE_CAP];
    char temporary[FILE_CAP];
};

static int out_open(struct out_file *f, const char *folder, const char *name, struct error *err)
{
    f->stream = NULL;
    if (text_format(f->path, sizeof f->path, "%s/%s", folder, name) != 0 ||
        text_format(f->temporary, sizeof f->temporary, "%s/%s.part", folder, name) != 0)
        return error_set(err, "%s: the folder's name is too long", folder);
    f->stream = fopen(f->temporary, "w");
    if (f->stream == NULL)
        return error_set(err, "%s: cannot be written (error %d); is the folder writable?", f->temporary, errno);
    return 0;
}

static int out_close(struct out_file *f, int rc, struct error *err)
{
    if (f->stream == NULL)
        return rc;
    bool bad = ferror(f->stream) != 0 || fflush(f->stream) != 0 || fsync(fileno(f->stream)) != 0;
    bad = fclose(f->stream) != 0 || bad;
    f->stream = NULL;
    if (rc == 0 && bad)
        rc = error_set(err, "%s: could not be written to the end; is the disk full?", f->temporary);
    if (rc == 0 && rename(f->temporary, f->path) != 0)
        rc = error_set(err, "%s: could not be put in place (error %d)", f->path, errno);
    if (rc != 0)
        (void)unlink(f->temporary);
    return rc;
}

struct exporter {
    struct journal_run run;
    struct journal_session session;
    struct bench *bench;
    FILE *to;
    int64_t rows;
    export_progress_fn progress;
    void *ctx;
};

static const char *unit_suffix(enum dimension dim)
{
    switch (dim) {
    case DIM_CURRENT:
        return "_a";
    case DIM_VOLTAGE:
        return "_v";
    case DIM_POWER:
        return "_w";
    case DIM_TEMPERATURE:
        return "_degc";
    case DIM_SPEED:
        return "_per_min";
    default:
        return "";
    }
}

static bool is_column(const struct exporter *x, int kind)
{
    return kind != SIG_OTHER && x->bench->channels[x->run.channel].signal[kind] >= 0;
}

static void print_utc(char *to, size_t cap, int64_t utc_us)
{
    time_t t = (time_t)(utc_us / 1000000);
    struct tm tm;
    char head[32] = "";
    if (gmtime_r(&t, &tm) != NULL)
        (void)strftime(head, sizeof head, "%Y-%m-%dT%H:%M:%S", &tm);
    (void)text_format(to, cap, "%s.%06dZ", head, (int)(utc_us % 1000000));
}

/* A CSV field: quoted when it must be (RFC 4180, 2.5 to 2.7). */
static void put_field(FILE *to, const char *text)
{
    if (strpbrk(text, ",\"\r\n") == NULL) {
        (void)fputs(text, to);
        return;
    }
    (void)fputc('"', to);
    for (const char *c = text; *c != '\0'; c++) {
        if (*c == '"')
            (void)fputc('"', to);
        (void)fputc(*c, to);
    }
    (void)fputc('"', to);
}

static void put_number(FILE *to, double v)
{
    if (isnan(v))
        return;
    char text[32];
    number_print(text, sizeof text, v);
    (void)fputs(text, to);
}

static double elapsed_s(const struct exporter *x, int64_t stamp_ns)
{
    return (double)(stamp_ns - x->run.start_ns) / 1e9;
}

static int put_reading_row(void *ctx, const struct journal_reading *m)
{
    struct exporter *x = ctx;
    char when[48];
    print_utc(when, sizeof when, m->utc_us);
    (void)fprintf(x->to, "%s,", when);
    put_number(x->to, elapsed_s(x, m->stamp_ns));
    (void)fprintf(x->to, ",%" PRId64 ".%06d", m->half_width_us / 1000000, (int)(m->half_width_us % 1000000));
    for (int k = 0; k < SIG_KIND_COUNT_; k++) {
        if (!is_column(x, k))
            continue;
        (void)fputc(',', x->to);
        put_number(x->to, m->values[k]);
    }
    (void)fputs(",", x->to);
    bool first = true;
    _Static_assert(SIG_KIND_COUNT_ <= 32, "a bit of `lost` for each kind");
    for (int k = 0; k < SIG_KIND_COUNT_; k++) {
        if (is_column(x, k) && (m->lost >> k & 1) != 0) {
            (void)fprintf(x->to, "%s%s", first ? "" : " ", signal_kind_name((enum signal_kind)k));
            first = false;
        }
    }
    (void)fputs("\r\n", x->to);
    if (++x->rows % 10000 == 0 && x->progress != NULL)
        x->progress(x->ctx, x->rows);
    return ferror(x->to) != 0;
}

static int write_readings(struct exporter *x, struct journal_reader *reader, const char *folder, struct error *err)
{
    struct out_file f;
    int rc = out_open(&f, folder, "readings.csv", err);
    if (rc == 0) {
        x->to = f.stream;
        (void)fputs("time_utc,elapsed_s,half_width_s", x->to);
        for (int k = 0; k < SIG_KIND_COUNT_; k++)
            if (is_column(x, k))
                (void)fprintf(x->to, ",%s%s", signal_kind_name((enum signal_kind)k),
                              unit_suffix(signal_kind_dimension((enum signal_kind)k)));
        (void)fputs(",lost\r\n", x->to);
        struct row_filter filter = row_filter_any();
        filter.run_no = x->run.run_no;
        rc = journal_reader_readings(reader, &filter, put_reading_row, x, err);
    }
    return out_close(&f, rc, err);
}

static int put_event_row(void *ctx, const struct journal_event *row)
{
    struct exporter *x = ctx;
    const struct event *e = &row->event;
    char when[48];
    print_utc(when, sizeof when, row->utc_us);
    (void)fprintf(x->to, "%s,", when);
    put_number(x->to, elapsed_s(x, e->at_ns));
    (void)fputc(',', x->to);
    put_number(x->to, (double)e->half_width_ns / 1e9);
    (void)fprintf(x->to, ",%s,%d,%d", event_kind_name(e->kind), (int)e->code, (int)e->code2);
    for (int i = 0; i < EVENT_VALUES_MAX; i++) {
        (void)fputc(',', x->to);
        if (i < e->value_count)
            put_number(x->to, e->values[i]);
    }
    (void)fputc(',', x->to);
    put_field(x->to, e->text);
    (void)fputs("\r\n", x->to);
    return ferror(x->to) != 0;
}

static int write_events(struct exporter *x, struct journal_reader *reader, const char *folder, struct error *err)
{
    struct out_file f;
    int rc = out_open(&f, folder, "events.csv", err);
    if (rc == 0) {
        x->to = f.stream;
        (void)fputs("time_utc,elapsed_s,half_width_s,kind,code,code2", x->to);
        for (int i = 0; i < EVENT_VALUES_MAX; i++)
            (void)fprintf(x->to, ",value%d", i);
        (void)fputs(",text\r\n", x->to);
        struct row_filter filter = row_filter_any();
        filter.run_no = x->run.run_no;
        rc = journal_reader_events(reader, &filter, put_event_row, x, err);
    }
    return out_close(&f, rc, err);
}

static const char *const survey_columns[] = {"current_a",      "percent_on", "low_pct", "high_pct",
                                             "square_law_pct", "on_s",       "reset_s", "intake_degc"};
enum { SURVEY_COLUMNS = sizeof survey_columns / sizeof survey_columns[0] };
_Static_assert((int)SURVEY_COLUMNS == (int)EVENT_VALUES_MAX, "a survey's point fills its event");

static int put_survey_row(void *ctx, const struct journal_event *row)
{
    struct exporter *x = ctx;
    const struct event *e = &row->event;
    if (e->kind != EVENT_SURVEY_POINT || e->value_count < SURVEY_COLUMNS)
        return 0;
    (void)fprintf(x->to, "%d,%s", (int)e->code, survey_outcome_name((enum survey_outcome)e->code2));
    for (int i = 0; i < SURVEY_COLUMNS; i++) {
        (void)fputc(',', x->to);
        put_number(x->to, e->values[i]);
    }
    (void)fputc(',', x->to);
    put_field(x->to, e->text);
    (void)fputs("\r\n", x->to);
    return ferror(x->to) != 0;
}

/* The map of a survey, a row a current. */
static int write_survey(struct exporter *x, struct journal_reader *reader, const char *folder, struct error *err)
{
    struct out_file f;
    int rc = out_open(&f, folder, "survey.csv", err);
    if (rc == 0) {
        x->to = f.stream;
        (void)fputs("number,outcome", x->to);
        for (int i = 0; i < SURVEY_COLUMNS; i++)
            (void)fprintf(x->to, ",%s", survey_columns[i]);
        (void)fputs(",text\r\n", x->to);
        struct row_filter filter = row_filter_any();
        filter.run_no = x->run.run_no;
        rc = journal_reader_events(reader, &filter, put_survey_row, x, err);
    }
    return out_close(&f, rc, err);
}

static int put_verdict_row(void *ctx, const struct journal_verdict *row)
{
    struct exporter *x = ctx;
    const struct verdict *v = &row->verdict;
    char when[48];
    print_utc(when, sizeof when, row->utc_us);
    (void)fprintf(x->to, "%s,%d,%d,%s,%s,%s,%s", when, (int)v->revision, (int)v->rules_version,
                  verdict_kind_name(v->kind), basis_name(v->basis), shutoff_cause_name(v->cause),
                  shutoff_cause_name(v->cause_second));
    const double figures[] = {v->rated_percent_on,   v->rated_on_s,           v->at_rated_s,
                              v->time_uncertainty_s, v->percent_on_demanded,  v->percent_on_delivered,
                              v->shutoff_s,          v->shutoff_half_width_s, v->reset_s,
                              v->current_a,          v->load_voltage_v,       v->supply_v,
                              v->intake_degc,        v->drift_k_per_h};
    for (size_t i = 0; i < sizeof figures / sizeof figures[0]; i++) {
        (void)fputc(',', x->to);
        put_number(x->to, figures[i]);
    }
    (void)fputc(',', x->to);
    put_field(x->to, v->reason);
    (void)fputc(',', x->to);
    put_field(x->to, v->finding);
    (void)fputs("\r\n", x->to);
    return ferror(x->to) != 0;
}

static const char *const verdict_columns[] = {"time_utc",
                                              "revision",
                                              "rules_version",
                                              "verdict",
                                              "basis",
                                              "cause",
                                              "cause_second",
                                              "rated_percent_on",
                                              "rated_on_s",
                                              "at_rated_s",
                                              "time_uncertainty_s",
                                              "percent_on_demanded",
                                              "percent_on_delivered",
                                              "shutoff_s",
                                              "shutoff_half_width_s",
                                              "reset_s",
                                              "current_a",
                                              "load_voltage_v",
                                              "supply_v",
                                              "intake_degc",
                                              "drift_k_per_h",
                                              "reason",
                                              "finding"};
enum { VERDICT_COLUMNS = sizeof verdict_columns / sizeof verdict_columns[0] };

static int write_verdicts(struct exporter *x, struct journal_reader *reader, const char *folder, struct error *err)
{
    struct out_file f;
    int rc = out_open(&f, folder, "verdicts.csv", err);
    if (rc == 0) {
        x->to = f.stream;
        for (int i = 0; i < VERDICT_COLUMNS; i++)
            (void)fprintf(x->to, "%s%s", i > 0 ? "," : "", verdict_columns[i]);
        (void)fputs("\r\n", x->to);
        struct row_filter filter = row_filter_any();
        filter.run_no = x->run.run_no;
        rc = journal_reader_verdicts(reader, &filter, put_verdict_row, x, err);
    }
    return out_close(&f, rc, err);
}

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

static json_t *readings_resource(const struct exporter *x)
{
    json_t *fields = json_array();
    add_field(fields, "time_utc", "datetime", NULL, "middle of the meter's transaction, by the run's own time anchor");
    add_field(fields, "elapsed_s", "number", "s", "since the start of the run");
    add_field(fields, "half_width_s", "number", "s", "half of the transaction's length");
    for (int k = 0; k < SIG_KIND_COUNT_; k++) {
        if (!is_column(x, k))
            continue;
        const struct bench_signal *g = &x->bench->signals[x->bench->channels[x->run.channel].signal[k]];
        char name[NAME_CAP + 16], about[TEXT_CAP];
        (void)text_format(name, sizeof name, "%s%s", signal_kind_name((enum signal_kind)k), unit_suffix(g->dim));
        (void)text_format(about, sizeof about,
                          "uncertainty: %g %% of reading, %g %% of range %g, %g absolute, %s; certificate %s; %s",
                          g->uncertainty.of_reading_pct, g->uncertainty.of_range_pct, g->uncertainty.range,
                          g->uncertainty.absolute, g->uncertainty.kind == UNC_LIMIT ? "limits of error" : "expanded",
                          g->certificate[0] != '\0' ? g->certificate : "none stated",
                          g->mean == MEAN_RMS ? "r.m.s. value" : "mean value");
        add_field(fields, name, "number", dimension_unit(g->dim), about);
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

static json_t *verdicts_resource(void)
{
    json_t *fields = json_array();
    for (int i = 0; i < VERDICT_COLUMNS; i++) {
        const char *type = i == 0                               ? "datetime"
                           : i <= 2                             ? "integer"
                           : i <= 6 || i >= VERDICT_COLUMNS - 2 ? "string"
                                                                : "number";
        add_field(fields, verdict_columns[i], type, NULL, NULL);
    }
    return resource("verdicts", "verdicts.csv", fields);
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
    print_utc(when, sizeof when, a->utc_s * 1000000);
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
    static const char *const units[SURVEY_COLUMNS] = {"A", "%", "%", "%", "%", "s", "s", "degC"};
    static const char *const about[SURVEY_COLUMNS] = {"mean, as measured",
                                                      "the unit's own, from cut-out and reset",
                                                      "low end of the interval at 95 %",
                                                      "high end; missing where no cut-out was seen",
                                                      "from the rating point by the square law",
                                                      "mean on-load part until the cut-out",
                                                      "mean time to reset",
                                                      NULL};
    json_t *fields = json_array();
    add_field(fields, "number", "integer", NULL, "in the order in which the currents were taken");
    add_field(fields, "outcome", "string", NULL, "own, at-least or not-settled");
    for (int i = 0; i < SURVEY_COLUMNS; i++)
        add_field(fields, survey_columns[i], "number", units[i], about[i]);
    add_field(fields, "text", "string", NULL, NULL);
    return resource("survey", "survey.csv", fields);
}

static json_t *provenance(const struct exporter *x, const struct digest *digest, const char *version)
{
    char hex[DIGEST_HEX_CAP], point[128];
    digest_print(digest, hex);
    rating_point_print(point, sizeof point, &x->run.request.point);
    return json_pack("{s:s, s:s, s:I, s:s, s:s, s:i, s:s, s:s, s:s, s:s, s:s, s:b, s:s}", "bench", x->bench->name,
                     "channel", x->run.channel_name, "run", (json_int_t)x->run.run_no, "unit", x->run.request.serial,
                     "rating_point", point, "plate_version", (int)x->run.request.plate_version, "procedure",
                     procedure_name(x->run.request.procedure), "procedure_words",
                     procedure_words(x->run.request.procedure), "tested_by", x->run.request.who, "engine",
                     x->session.engine_version, "software", version, "virtual_bench", (int)x->bench->virtual_bench,
                     "run_digest_sha256", hex);
}

static int write_description(struct exporter *x, struct journal_reader *reader, const char *folder, const char *version,
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
    struct out_file f;
    int rc = out_open(&f, folder, "datapackage.json", err);
    json_t *root = json_pack("{s:s, s:s, s:s, s:[o,o,o], s:o, s:o}", "name", name, "profile", "tabular-data-package",
                             "title", "Duty cycle check of an arc welding power source", "resources",
                             readings_resource(x), events_resource(), verdicts_resource(), "provenance",
                             provenance(x, &digest, version), "addenda", addenda);
    if (root != NULL && x->run.request.procedure == PROCEDURE_SURVEY)
        (void)json_array_append_new(json_object_get(root, "resources"), survey_resource());
    if (rc == 0 && root == NULL)
        rc = error_set(err, "the description of run %" PRId64 " could not be made: memory is short", x->run.run_no);
    if (rc == 0) {
        if (json_dumpf(root, f.stream, JSON_INDENT(2) | JSON_PRESERVE_ORDER) != 0)
            rc = error_set(err, "%s: could not be written", f.temporary);
    }
    json_decref(root);
    return out_close(&f, rc, err);
}

static int export_all(struct exporter *x, struct journal_reader *reader, int64_t run_no, const char *folder,
                      const char *version, struct error *err)
{
    int found = journal_reader_run(reader, run_no, &x->run, err);
    if (found == 0)
        return error_set(err, "there is no run %" PRId64 " in this journal; `soakbench run list` shows those there are",
                         run_no);
    if (found < 0 || journal_reader_session(reader, x->run.epoch, &x->session, err) < 0)
        return -1;
    int bench = journal_reader_bench(reader, x->run.epoch, x->bench, err);
    if (bench == 0)
        return error_set(err, "the journal has lost the bench description of run %" PRId64, run_no);
    if (bench < 0)
        return -1;
    if (mkdir(folder, 0777) != 0 && errno != EEXIST)
        return error_set(err, "%s: the folder could not be made (error %d)", folder, errno);
    if (write_readings(x, reader, folder, err) != 0 || write_events(x, reader, folder, err) != 0 ||
        write_verdicts(x, reader, folder, err) != 0 ||
        (x->run.request.procedure == PROCEDURE_SURVEY && write_survey(x, reader, folder, err) != 0))
        return -1;
    return write_description(x, reader, folder, version, err);
}

int run_export_csv(struct journal_reader *reader, int64_t run_no, const char *folder, const char *version,
                   export_progress_fn progress, void *ctx, struct error *err)
{
    struct exporter x = {.progress = progress, .ctx = ctx, .bench = malloc(sizeof *x.bench)};
    if (x.bench == NULL)
        return error_set(err, "memory is short");
    int rc = export_all(&x, reader, run_no, folder, version, err);
    free(x.bench);
    return rc;
}
