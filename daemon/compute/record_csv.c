#include "record_csv.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "quantity.h"

enum { COLUMNS_MAX = 256, CELL_CAP = 64, ROWS_MAX = 50 * 1000 * 1000 };

struct csv_record {
    int count, cap;
    double *values[CSV_COLUMN_COUNT_]; /* NULL: no such column */
    unsigned char *on;                 /* made for heat_fit */
};

static const char *const names[CSV_COLUMN_COUNT_] = {"time_s",           "current_a",   "load_voltage_v",
                                                     "temperature_degc", "intake_degc", "on"};

struct reader_state {
    const char *at, *end;
    int line;
    int columns;
    int known[COLUMNS_MAX]; /* what a column is; -1 unknown */
};

void record_csv_free(struct csv_record *record)
{
    if (record == NULL)
        return;
    for (int i = 0; i < CSV_COLUMN_COUNT_; i++)
        free(record->values[i]);
    free(record->on);
    free(record);
}

int record_csv_count(const struct csv_record *record)
{
    return record->count;
}

const double *record_csv_column(const struct csv_record *record, enum csv_column column)
{
    return (int)column >= 0 && column < CSV_COLUMN_COUNT_ ? record->values[column] : NULL;
}

/* Takes one cell, without blanks and quotes around it; what is too long is cut, since no number is that long. *last: it
 * ends its line. */
static int take_cell(struct reader_state *s, char cell[CELL_CAP], bool *last, struct error *err)
{
    size_t n = 0;
    while (s->at < s->end && (*s->at == ' ' || *s->at == '\t'))
        s->at++;
    bool quoted = s->at < s->end && *s->at == '"';
    if (quoted)
        s->at++;
    for (; s->at < s->end; s->at++) {
        char c = *s->at;
        if (quoted && c == '"' && !(s->at + 1 < s->end && s->at[1] == '"')) {
            s->at++;
            quoted = false;
            break;
        }
        if (quoted && c == '"')
            s->at++;
        if ((!quoted && c == ',') || c == '\n')
            break;
        if (c == '\0')
            return error_set(err, "line %d: a zero byte", s->line);
        if (n < CELL_CAP - 1)
            cell[n++] = c;
    }
    if (quoted)
        return error_set(err, "line %d: a quote is not closed", s->line);
    cell[n] = '\0';
    while (n > 0 && (cell[n - 1] == '\r' || cell[n - 1] == ' ' || cell[n - 1] == '\t'))
        cell[--n] = '\0';
    while (s->at < s->end && (*s->at == '\r' || *s->at == ' '))
        s->at++;
    *last = s->at >= s->end || *s->at == '\n';
    if (!*last && *s->at != ',')
        return error_set(err, "line %d: text behind a closed quote", s->line);
    if (s->at < s->end)
        s->at++;
    return 0;
}

static int take_header(struct reader_state *s, struct csv_record *record, struct error *err)
{
    bool last = false, seen[CSV_COLUMN_COUNT_] = {false};
    if ((size_t)(s->end - s->at) >= 3 && memcmp(s->at, "\xef\xbb\xbf", 3) == 0)
        s->at += 3;
    if (s->at >= s->end)
        return error_set(err, "the record is empty");
    while (!last) {
        char cell[CELL_CAP];
        if (s->columns == COLUMNS_MAX)
            return error_set(err, "line 1: more than %d columns", COLUMNS_MAX);
        if (take_cell(s, cell, &last, err) != 0)
            return -1;
        int known = -1;
        for (int i = 0; i < CSV_COLUMN_COUNT_; i++) {
            if (strcmp(cell, names[i]) == 0)
                known = i;
        }
        if (known >= 0 && seen[known])
            return error_set(err, "line 1: column %s is there twice", names[known]);
        if (known >= 0)
            seen[known] = true;
        s->known[s->columns++] = known;
    }
    if (!seen[CSV_TIME])
        return error_set(err, "line 1: there is no column time_s");
    for (int i = 0; i < CSV_COLUMN_COUNT_; i++) {
        if (seen[i] && (record->values[i] = calloc((size_t)record->cap, sizeof(double))) == NULL)
            return error_set(err, "out of memory");
    }
    return 0;
}

static int grow(struct csv_record *r, struct error *err)
{
    if (r->count < r->cap)
        return 0;
    if (r->cap >= ROWS_MAX)
        return error_set(err, "more than %d readings", ROWS_MAX);
    int cap = r->cap * 2;
    for (int i = 0; i < CSV_COLUMN_COUNT_; i++) {
        if (r->values[i] == NULL)
            continue;
        double *more = realloc(r->values[i], (size_t)cap * sizeof *more);
        if (more == NULL)
            return error_set(err, "out of memory");
        r->values[i] = more;
    }
    r->cap = cap;
    return 0;
}

static int check_row(const struct csv_record *r, int line, struct error *err)
{
    const double *times_s = r->values[CSV_TIME];
    if (times_s == NULL)
        return error_set(err, "there is no column time_s");
    double time_s = times_s[r->count];
    if (isnan(time_s))
        return error_set(err, "line %d: time_s is missing", line);
    if (fabs(time_s) > 4e9)
        return error_set(err, "line %d: time_s is out of range", line);
    if (r->count > 0 && !(time_s > times_s[r->count - 1]))
        return error_set(err, "line %d: time does not rise", line);
    if (r->values[CSV_ON] != NULL) {
        double on = r->values[CSV_ON][r->count];
        if (!(on >= 0 && on <= 0) && !(on >= 1 && on <= 1))
            return error_set(err, "line %d: on must be 0 or 1", line);
    }
    if (r->values[CSV_CURRENT] != NULL && r->values[CSV_CURRENT][r->count] < -1e6)
        return error_set(err, "line %d: current_a is out of range", line);
    return 0;
}

static int take_row(struct reader_state *s, struct csv_record *r, struct error *err)
{
    bool last = false;
    int column = 0;
    while (!last) {
        char cell[CELL_CAP];
        if (take_cell(s, cell, &last, err) != 0)
            return -1;
        if (column == 0 && last && cell[0] == '\0' && s->columns > 1)
            return 0; /* an empty line */
        if (column >= s->columns)
            return error_set(err, "line %d: more cells than the header has columns", s->line);
        int known = s->known[column++];
        if (known < 0)
            continue;
        double *value = &r->values[known][r->count];
        if (cell[0] == '\0')
            *value = NAN;
        else if (number_parse(cell, value) != 0 || !isfinite(*value))
            return error_set(err, "line %d: %s: \"%s\" is not a number", s->line, names[known], cell);
    }
    if (column < s->columns)
        return error_set(err, "line %d: %d cells, the header has %d columns", s->line, column, s->columns);
    if (check_row(r, s->line, err) != 0)
        return -1;
    r->count++;
    return 0;
}

int record_csv_parse(const char *text, size_t size, struct csv_record **record, struct error *err)
{
    struct reader_state s = {.at = text, .end = text + size, .line = 1};
    struct csv_record *r = calloc(1, sizeof *r);
    if (r == NULL)
        return error_set(err, "out of memory");
    r->cap = 1024;
    if (take_header(&s, r, err) != 0)
        goto fail;
    while (s.at < s.end) {
        s.line++;
        if (grow(r, err) != 0 || take_row(&s, r, err) != 0)
            goto fail;
    }
    if (r->count == 0) {
        error_set(err, "the record has no readings");
        goto fail;
    }
    *record = r;
    return 0;
fail:
    record_csv_free(r);
    return -1;
}

int record_csv_heat(struct csv_record *record, double on_above_a, double intake_const_degc, double noise_k,
                    struct heat_record *heat, struct error *err)
{
    const double *current = record->values[CSV_CURRENT], *on = record->values[CSV_ON];
    if (record->values[CSV_TEMPERATURE] == NULL)
        return error_set(err, "there is no column temperature_degc");
    if (on == NULL && current == NULL)
        return error_set(err, "there is neither a column on nor current_a: nothing tells when the load was on");
    if (record->values[CSV_INTAKE] == NULL && isnan(intake_const_degc))
        return error_set(err, "there is no column intake_degc, and no intake temperature was given");
    double highest = 0;
    for (int i = 0; current != NULL && i < record->count; i++)
        highest = current[i] > highest ? current[i] : highest;
    double above = isnan(on_above_a) ? 0.05 * highest : on_above_a;
    free(record->on);
    record->on = calloc((size_t)record->count, 1);
    if (record->on == NULL)
        return error_set(err, "out of memory");
    for (int i = 0; i < record->count; i++) {
        if (on == NULL && isnan(current[i]))
            return error_set(err, "reading %d: current_a is missing, so it is not known whether the load was on",
                             i + 1);
        record->on[i] = on != NULL ? on[i] > 0 : current[i] > above;
    }
    *heat = (struct heat_record){
        .count = record->count,
        .time_s = record->values[CSV_TIME],
        .temperature_degc = record->values[CSV_TEMPERATURE],
        .intake_degc = record->values[CSV_INTAKE],
        .intake_const_degc = intake_const_degc,
        .on = record->on,
        .noise_k = noise_k,
    };
    return 0;
}
