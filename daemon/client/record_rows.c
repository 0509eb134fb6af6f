#include "record_rows.h"

#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SECOND INT64_C(1000000000)

static const int64_t hour_ns = 3600 * SECOND, day_ns = 24 * 3600 * SECOND;
static const int64_t longest_ns = INT64_C(1000000000) * SECOND; /* 31 years */

/* Readings of one moment that were written a little apart may have changed places. */
static const int64_t mixed_ns = 5 * SECOND;

struct record_rows {
    struct record_file file;
    struct record_map *map;
    struct record_warnings *warnings;
    struct csv_stream *stream;
    struct csv_row row;
    bool row_waits; /* the first row of data was read to count its cells */
    bool any;
    bool utc_is_local;
    int64_t rows;
    int64_t first_ns, latest_ns, step_ns, shift_ns; /* shift: what is taken out where the clock was set */
    int64_t first_utc_ns;
    int64_t last_ns[MAP_SIGNALS_MAX]; /* of each signal */
};

/* A row that outlives the next one. The caller frees what is returned; NULL when memory is short. */
static char *keep_row(struct csv_row *to, const struct csv_row *from)
{
    size_t size = 1;
    for (int i = 0; i < from->count; i++)
        size += strlen(from->cells[i]) + 1;
    char *text = malloc(size), *at = text;
    to->count = from->count;
    to->line = from->line;
    for (int i = 0; text && i < from->count; i++) {
        size_t n = strlen(from->cells[i]) + 1;
        memcpy(at, from->cells[i], n);
        to->cells[i] = at;
        at += n;
    }
    return text;
}

static int next_row(struct record_rows *r, const char *what, struct error *err)
{
    int got = csv_stream_row(r->stream, &r->row, err);
    return got == 0 ? error_set(err, "the file has no %s", what) : got;
}

/* Headings, units and the first row of data, by which the columns are resolved. */
static int read_heads(struct record_rows *r, struct error *err)
{
    char *head_text = NULL, *unit_text = NULL;
    struct csv_row *kept = calloc(2, sizeof *kept);
    int result = kept ? 0 : error_set(err, "memory is short");
    if (result == 0 && !r->file.no_headings) {
        result = next_row(r, "headings", err) == 1 ? 0 : -1;
        if (result == 0 && (head_text = keep_row(&kept[0], &r->row)) == NULL)
            result = error_set(err, "memory is short");
    }
    if (result == 0 && r->file.units_row) {
        result = next_row(r, "row of units", err) == 1 ? 0 : -1;
        if (result == 0 && (unit_text = keep_row(&kept[1], &r->row)) == NULL)
            result = error_set(err, "memory is short");
    }
    if (result == 0)
        result = next_row(r, "readings", err) == 1 ? 0 : -1;
    if (result == 0) {
        r->row_waits = true;
        result = record_map_resolve(r->map, head_text ? &kept[0] : NULL, unit_text ? &kept[1] : NULL,
                                    head_text ? kept[0].count : r->row.count, r->warnings, err);
    }
    free(head_text);
    free(unit_text);
    free(kept);
    return result;
}

struct record_rows *record_rows_open(const struct record_file *file, struct record_map *map,
                                     struct record_warnings *warnings, struct error *err)
{
    struct record_rows *r = calloc(1, sizeof *r);
    if (!r) {
        error_set(err, "memory is short");
        return NULL;
    }
    r->file = *file;
    r->map = map;
    r->warnings = warnings;
    for (int i = 0; i < MAP_SIGNALS_MAX; i++)
        r->last_ns[i] = INT64_MIN;
    r->stream = csv_stream_open(file->path, file->encoding, file->separator, err);
    if (r->stream && csv_stream_skip(r->stream, file->skip_lines, err) == 0 && read_heads(r, err) == 0)
        return r;
    error_prefix(err, "%s", file->path);
    record_rows_close(r);
    return NULL;
}

void record_rows_close(struct record_rows *r)
{
    if (!r)
        return;
    csv_stream_close(r->stream);
    free(r);
}

int64_t record_rows_count(const struct record_rows *r)
{
    return r->rows;
}

int64_t record_rows_first_utc_ns(const struct record_rows *r)
{
    return r->first_utc_ns;
}

bool record_rows_utc_is_local(const struct record_rows *r)
{
    return r->utc_is_local;
}

static const char *cell(const struct record_rows *r, int column)
{
    return column >= 0 && column < r->row.count ? r->row.cells[column] : "";
}

static int fail(const struct record_rows *r, int column, struct error *err)
{
    return error_prefix(err, "%s: line %lld, cell %d", r->file.path, (long long)r->row.line, column + 1);
}

/* A decimal comma where points are expected, or the other way round: every figure of the file would be lost. */
static bool other_sign(const char *text, bool decimal_comma)
{
    double v;
    return cell_number(text, !decimal_comma, &v) == 0;
}

static int read_stamp(struct record_rows *r, struct stamp *stamp, bool *good, struct error *err)
{
    const struct record_map *m = r->map;
    char text[128];
    (void)text_format(text, sizeof text, "%s%s%s", cell(r, m->time_columns[0]), m->time_count == 2 ? " " : "",
                      m->time_count == 2 ? cell(r, m->time_columns[1]) : "");
    *good = stamp_parse(text, &m->format, m->decimal_comma, stamp) == 0;
    if (*good)
        return 0;
    if (!r->any || (m->format.kind == STAMP_NUMBER && other_sign(text, m->decimal_comma))) {
        error_set(err, "\"%.60s\" is no stamp as expected%s", text,
                  m->format.kind == STAMP_NUMBER ? " (a number of seconds): --time-format says what it is, "
                                                   "--decimal-comma how fractions are written"
                                                 : ": say how it is written with --time-format, for example "
                                                   "\"%d.%m.%Y %H:%M:%S\"");
        return fail(r, m->time_columns[0], err);
    }
    record_warn(r->warnings, TROUBLE_NUMBER, r->row.line, "\"%.60s\" is no stamp: the row is left out", text);
    return 0;
}

/* Steps of the clock that are none of time. */
static void follow_clock(struct record_rows *r, const struct stamp *s)
{
    int64_t step = s->ns + r->shift_ns - r->latest_ns, slack = 2 * r->step_ns + 2 * SECOND;
    if (!s->dated && r->map->format.kind == STAMP_PATTERN && step < -day_ns / 2) {
        r->shift_ns += day_ns; /* a time of day went past midnight */
    } else if (r->file.local_time && s->dated && !s->zoned && step < -hour_ns + slack && step > -hour_ns - slack) {
        r->shift_ns += hour_ns;
        record_warn(r->warnings, TROUBLE_CLOCK, r->row.line, "back by an hour: end of summer time, taken out");
    } else if (r->file.local_time && s->dated && !s->zoned && step > hour_ns - slack && step < hour_ns + slack) {
        r->shift_ns -= hour_ns;
        record_warn(r->warnings, TROUBLE_CLOCK, r->row.line, "forth by an hour: begin of summer time, taken out");
    }
}

static int take_stamp(struct record_rows *r, struct record_row *row, bool *good, struct error *err)
{
    struct stamp s;
    if (read_stamp(r, &s, good, err) != 0)
        return -1;
    if (!*good)
        return 0;
    if (!r->any) {
        struct stamp utc;
        const struct stamp_format iso = {.kind = STAMP_ISO};
        bool has_utc = r->map->utc_column >= 0 && stamp_parse(cell(r, r->map->utc_column), &iso, false, &utc) == 0;
        r->first_ns = r->latest_ns = s.ns;
        r->first_utc_ns = s.dated ? s.ns : has_utc ? utc.ns : 0;
        r->utc_is_local = s.dated && !s.zoned;
    }
    follow_clock(r, &s);
    int64_t at = s.ns + r->shift_ns;
    if (at - r->first_ns > longest_ns || at - r->first_ns < -longest_ns) {
        error_set(err, "this stamp lies more than 30 years from the first");
        return fail(r, r->map->time_columns[0], err);
    }
    if (r->any && at > r->latest_ns)
        r->step_ns = at - r->latest_ns;
    r->any = true;
    r->latest_ns = at > r->latest_ns ? at : r->latest_ns;
    row->at_ns = at - r->first_ns;
    row->half_ns = r->file.stamp_half_ns >= 0 ? r->file.stamp_half_ns : s.digit_ns / 2;
    double half_s;
    if (r->file.stamp_half_ns < 0 && r->map->half_column >= 0 &&
        cell_number(cell(r, r->map->half_column), r->map->decimal_comma, &half_s) == 0 && half_s >= 0 && half_s < 3600)
        row->half_ns = (int64_t)floor(half_s * 1e9 + 0.5);
    return 0;
}

/* Is the signal among those that the row says were due and had no value? */
static bool is_lost(const struct record_rows *r, enum signal_kind kind)
{
    const char *name = signal_kind_name(kind), *text = cell(r, r->map->lost_column);
    size_t n = strlen(name);
    for (const char *at = text; (at = strstr(at, name)) != NULL; at += n)
        if ((at == text || at[-1] == ' ') && (at[n] == '\0' || at[n] == ' '))
            return true;
    return false;
}

/* A stamp that does not come after the signal's last one has no place. */
static bool in_order(struct record_rows *r, int i, const struct record_row *row, bool *told)
{
    int64_t last = r->last_ns[i];
    if (last == INT64_MIN ? row->at_ns > -mixed_ns : row->at_ns > last) {
        r->last_ns[i] = row->at_ns;
        return true;
    }
    if (*told)
        return false;
    *told = true;
    last = last == INT64_MIN ? 0 : last;
    if (row->at_ns == last)
        record_warn(r->warnings, TROUBLE_REPEATED, row->line,
                    "the stamp of the row before again: left out. Are stamps written with all their digits?");
    else
        record_warn(r->warnings, TROUBLE_ORDER, row->line, "the stamp runs back by %.3f s: left out%s",
                    (double)(last - row->at_ns) / 1e9,
                    last - row->at_ns > hour_ns - 60 * SECOND && last - row->at_ns < hour_ns + SECOND
                        ? ". If that is the end of summer time, --local-time takes it out"
                        : "");
    return false;
}

static int take_value(struct record_rows *r, int i, struct record_row *row, bool *told, struct error *err)
{
    const struct record_signal *s = &r->map->signals[i];
    const char *text = cell(r, s->column);
    bool lost = r->map->lost_column >= 0 && text[0] == '\0' && is_lost(r, s->kind);
    if (text[0] == '\0' && !lost)
        return 0;
    double v = NAN;
    bool number = !lost && cell_number(text, r->map->decimal_comma, &v) == 0;
    if (!number && !lost && other_sign(text, r->map->decimal_comma)) {
        error_set(err, "\"%.40s\" is no number with a decimal %s: %s --decimal-comma", text,
                  r->map->decimal_comma ? "comma" : "point", r->map->decimal_comma ? "leave out" : "say");
        return fail(r, s->column, err);
    }
    if (!in_order(r, i, row, told))
        return 0;
    if (!number && !lost)
        record_warn(r->warnings, TROUBLE_NUMBER, row->line, "%s: \"%.40s\" is no number: no reading",
                    signal_kind_name(s->kind), text);
    double base = (v * s->scale + s->offset) * s->factor + s->shift;
    row->readings[row->count++] = (struct record_reading){i, number ? QUALITY_GOOD : QUALITY_INVALID, base};
    return 0;
}

static int check_cells(struct record_rows *r, struct error *err)
{
    int most = r->map->column_count;
    for (int i = most; i < r->row.count; i++) {
        if (r->row.cells[i][0] == '\0')
            continue;
        error_set(
            err,
            "%d cells where %d are expected: a decimal comma between commas? State --separator, or look at the line",
            r->row.count, most);
        return fail(r, i, err);
    }
    if (r->row.count < most && r->row.count > 1)
        record_warn(r->warnings, TROUBLE_CELLS, r->row.line, "%d cells where %d are expected", r->row.count, most);
    return 0;
}

int record_rows_next(struct record_rows *r, struct record_row *row, struct error *err)
{
    for (;;) {
        int got = r->row_waits ? 1 : csv_stream_row(r->stream, &r->row, err);
        bool good = false, told = false;
        r->row_waits = false;
        if (got < 0)
            return error_prefix(err, "%s", r->file.path);
        if (got == 0)
            return r->any ? 0 : error_set(err, "%s has no readings", r->file.path);
        r->rows++;
        *row = (struct record_row){.line = r->row.line};
        if (check_cells(r, err) != 0 || take_stamp(r, row, &good, err) != 0)
            return -1;
        if (!good || (r->file.from_ns > 0 && row->at_ns < r->file.from_ns) ||
            (r->file.until_ns > 0 && row->at_ns > r->file.until_ns))
            continue;
        for (int i = 0; i < r->map->count; i++)
            if (take_value(r, i, row, &told, err) != 0)
                return -1;
        if (row->count > 0)
            return 1;
    }
}

int record_rows_digest(struct record_rows *r, struct digest *digest, struct error *err)
{
    return csv_stream_digest(r->stream, digest, err) == 0 ? 0 : error_prefix(err, "%s", r->file.path);
}
