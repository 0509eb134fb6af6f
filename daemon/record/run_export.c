#include "run_export_private.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "deviation.h"
#include "quantity.h"
#include "run_captures.h"

int out_open(struct out_file *f, const char *folder, const char *name, struct error *err)
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

int out_close(struct out_file *f, int rc, struct error *err)
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

bool export_has_column(const struct exporter *x, int kind)
{
    return kind != SIG_OTHER && x->bench->channels[x->run.channel].signal[kind] >= 0;
}

void export_print_utc(char *to, size_t cap, int64_t utc_us)
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
    export_print_utc(when, sizeof when, m->utc_us);
    (void)fprintf(x->to, "%s,", when);
    put_number(x->to, elapsed_s(x, m->stamp_ns));
    (void)fprintf(x->to, ",%" PRId64 ".%06d", m->half_width_us / 1000000, (int)(m->half_width_us % 1000000));
    for (int k = 0; k < SIG_KIND_COUNT_; k++) {
        if (!export_has_column(x, k))
            continue;
        (void)fputc(',', x->to);
        put_number(x->to, m->values[k]);
    }
    (void)fputs(",", x->to);
    bool first = true;
    _Static_assert(SIG_KIND_COUNT_ <= 32, "a bit of `lost` for each kind");
    for (int k = 0; k < SIG_KIND_COUNT_; k++) {
        if (export_has_column(x, k) && (m->lost >> k & 1) != 0) {
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
            if (export_has_column(x, k))
                (void)fprintf(x->to, ",%s%s", signal_kind_name((enum signal_kind)k),
                              dimension_suffix(signal_kind_dimension((enum signal_kind)k)));
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
    export_print_utc(when, sizeof when, row->utc_us);
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

/* Fast samples, where a meter has them. */
static int write_captures(struct exporter *x, struct journal_reader *reader, const char *folder, struct error *err)
{
    struct out_file f;
    if (!x->bench->channels[x->run.channel].has_capture)
        return 0;
    int rc = out_open(&f, folder, "captures.csv", err);
    if (rc == 0)
        rc = run_captures_write(reader, &x->run, f.stream, err) < 0 ? -1 : 0;
    return out_close(&f, rc, err);
}

const struct export_column export_survey_columns[SURVEY_COLUMNS] = {
    {"current_a", "number", "A", "mean, as measured"},
    {"percent_on", "number", "%", "the unit's own, from cut-out and reset"},
    {"low_pct", "number", "%", "low end of the interval at 95 %"},
    {"high_pct", "number", "%", "high end; missing where no cut-out was seen"},
    {"square_law_pct", "number", "%", "from the rating point by the square law"},
    {"on_s", "number", "s", "mean on-load part until the cut-out"},
    {"reset_s", "number", "s", "mean time to reset"},
    {"intake_degc", "number", "degC", NULL}};
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
            (void)fprintf(x->to, ",%s", export_survey_columns[i].name);
        (void)fputs(",text\r\n", x->to);
        struct row_filter filter = row_filter_any();
        filter.run_no = x->run.run_no;
        rc = journal_reader_events(reader, &filter, put_survey_row, x, err);
    }
    return out_close(&f, rc, err);
}

const struct export_column export_verdict_columns[VERDICT_COLUMNS] = {
    {"time_utc", "datetime", NULL, NULL},
    {"revision", "integer", NULL, "1 for the first; a later one supersedes"},
    {"rules_version", "integer", NULL, "of the rules of judgement"},
    {"verdict", "string", NULL, NULL},
    {"basis", "string", NULL, NULL},
    {"cause", "string", NULL, "of the shutoff that decided"},
    {"cause_second", "string", NULL, "the other candidate"},
    {"cycles_valid", "integer", NULL, NULL},
    {"cycles_void", "integer", NULL, NULL},
    {"rated_percent_on", "number", "%", NULL},
    {"rated_on_s", "number", "s", "rated on-load time of a cycle"},
    {"commanded_s", "number", "s", "the four times of the deciding cycle"},
    {"conducting_s", "number", "s", NULL},
    {"at_rated_s", "number", "s", "at or above rated current, less the meter's uncertainty"},
    {"in_band_s", "number", "s", "inside the test-condition band"},
    {"time_uncertainty_s", "number", "s", "expanded, k = 2"},
    {"percent_on_demanded", "number", "%", NULL},
    {"percent_on_delivered", "number", "%", NULL},
    {"own_percent_on", "number", "%", "the unit's own, from settled cut-outs and resets"},
    {"shutoff_s", "number", "s", "from the begin of the on-load part"},
    {"shutoff_half_width_s", "number", "s", NULL},
    {"reset_s", "number", "s", NULL},
    {"current_a", "number", "A", "means over the deciding on-load part"},
    {"load_voltage_v", "number", "V", NULL},
    {"supply_v", "number", "V", NULL},
    {"intake_degc", "number", "degC", NULL},
    {"drift_k_per_h", "number", "K/h", "upper confidence bound"},
    {"deviations", "string", NULL, "from the plate's own conditions, a semicolon between"},
    {"reason", "string", NULL, NULL},
    {"finding", "string", NULL, "on the installation"}};

static void put_deviations(FILE *to, uint32_t bits)
{
    int n;
    const struct deviation_rule *rules = deviation_rules(&n);
    const char *between = "";
    for (int i = 0; i < n; i++) {
        if ((bits & (uint32_t)rules[i].bit) == 0)
            continue;
        (void)fprintf(to, "%s%s", between, rules[i].name);
        between = "; ";
    }
}

static int put_verdict_row(void *ctx, const struct journal_verdict *row)
{
    struct exporter *x = ctx;
    const struct verdict *v = &row->verdict;
    char when[48];
    export_print_utc(when, sizeof when, row->utc_us);
    (void)fprintf(x->to, "%s,%d,%d,%s,%s,%s,%s,%d,%d", when, (int)v->revision, (int)v->rules_version,
                  verdict_kind_name(v->kind), basis_name(v->basis), shutoff_cause_name(v->cause),
                  shutoff_cause_name(v->cause_second), (int)v->cycles_valid, (int)v->cycles_void);
    const double figures[] = {v->rated_percent_on,
                              v->rated_on_s,
                              v->commanded_s,
                              v->conducting_s,
                              v->at_rated_s,
                              v->in_band_s,
                              v->time_uncertainty_s,
                              v->percent_on_demanded,
                              v->percent_on_delivered,
                              v->own_percent_on,
                              v->shutoff_s,
                              v->shutoff_half_width_s,
                              v->reset_s,
                              v->current_a,
                              v->load_voltage_v,
                              v->supply_v,
                              v->intake_degc,
                              v->drift_k_per_h};
    for (size_t i = 0; i < sizeof figures / sizeof figures[0]; i++) {
        (void)fputc(',', x->to);
        put_number(x->to, figures[i]);
    }
    (void)fputc(',', x->to);
    put_deviations(x->to, v->deviations);
    (void)fputc(',', x->to);
    put_field(x->to, v->reason);
    (void)fputc(',', x->to);
    put_field(x->to, v->finding);
    (void)fputs("\r\n", x->to);
    return ferror(x->to) != 0;
}

static int write_verdicts(struct exporter *x, struct journal_reader *reader, const char *folder, struct error *err)
{
    struct out_file f;
    int rc = out_open(&f, folder, "verdicts.csv", err);
    if (rc == 0) {
        x->to = f.stream;
        for (int i = 0; i < VERDICT_COLUMNS; i++)
            (void)fprintf(x->to, "%s%s", i > 0 ? "," : "", export_verdict_columns[i].name);
        (void)fputs("\r\n", x->to);
        struct row_filter filter = row_filter_any();
        filter.run_no = x->run.run_no;
        rc = journal_reader_verdicts(reader, &filter, put_verdict_row, x, err);
    }
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
        write_verdicts(x, reader, folder, err) != 0 || write_captures(x, reader, folder, err) != 0 ||
        (x->run.request.procedure == PROCEDURE_SURVEY && write_survey(x, reader, folder, err) != 0))
        return -1;
    return export_describe(x, reader, folder, version, err);
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
