/* libFuzzer harness for records from elsewhere: reader, stamps, mapping, and the engine behind them. The first byte
 * holds switches; then, each ended by a zero, a --column specification and a time format; the rest is the file. Stamps
 * of a signal have to rise, and what is read has to be judged or refused in words. */
#define _GNU_SOURCE /* memfd_create */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

#include "record_replay.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(bool condition)
{
    if (!condition)
        abort();
}

/* A text up to the next zero; at most cap. */
static void take_text(const uint8_t **data, size_t *size, char *to, size_t cap)
{
    size_t n = 0;
    while (*size > 0 && **data != 0) {
        if (n + 1 < cap)
            to[n++] = (char)**data;
        (*data)++;
        (*size)--;
    }
    if (*size > 0) {
        (*data)++;
        (*size)--;
    }
    to[n] = '\0';
}

static int map_of(struct record_map *m, const char *column, const char *format, bool comma)
{
    struct error err;
    record_map_init(m);
    m->decimal_comma = comma;
    if (format[0] && stamp_format_parse(format, &m->format, &err) != 0)
        return -1;
    m->format_stated = format[0] != '\0';
    if (column[0] && record_map_column(m, column, &err) != 0)
        return -1;
    if (m->count == 0 || m->signals[0].kind != SIG_I2)
        (void)record_map_column(m, "i2=I;unit=A;uncertainty=1 %", &err);
    if (m->count == 0 || m->signals[0].kind != SIG_U2)
        (void)record_map_column(m, "u2=U;unit=V;uncertainty=unknown", &err);
    return 0;
}

static void read_rows(const struct record_file *file, const struct record_map *map)
{
    struct record_map m = *map;
    struct record_warnings *w = calloc(1, sizeof *w);
    struct record_row row;
    struct error err = {""};
    int64_t last[MAP_SIGNALS_MAX], line = 0;
    int got = 0;
    must(w != NULL);
    for (int i = 0; i < MAP_SIGNALS_MAX; i++)
        last[i] = INT64_MIN;
    struct record_rows *rows = record_rows_open(file, &m, w, &err);
    while (rows && (got = record_rows_next(rows, &row, &err)) > 0) {
        must(row.count > 0 && row.count <= m.count && row.line > line);
        line = row.line;
        for (int i = 0; i < row.count; i++) {
            must(row.readings[i].signal >= 0 && row.readings[i].signal < m.count);
            must(row.at_ns > last[row.readings[i].signal]);
            last[row.readings[i].signal] = row.at_ns;
        }
    }
    must((rows && got == 0) || err.text[0] != '\0');
    record_rows_close(rows);
    free(w);
}

static void judge(const struct record_file *file, const struct record_map *map)
{
    struct error err = {""};
    struct record_question *q = calloc(1, sizeof *q);
    must(q != NULL);
    q->file = *file;
    q->map = *map;
    q->intake_degc = NAN;
    q->run = (struct run_request){.run_no = 1,
                                  .procedure = PROCEDURE_PROOF,
                                  .cycles = CYCLES_ALL,
                                  .point = {.process = PROCESS_TIG,
                                            .phases = 1,
                                            .supply_v = 230,
                                            .frequency_hz = NAN,
                                            .percent_on = 40,
                                            .current_a = 160,
                                            .load_voltage_v = NAN,
                                            .no_load_v = NAN,
                                            .i1max_a = NAN,
                                            .i1eff_a = NAN,
                                            .ambient_degc = 40,
                                            .cycle_s = 600},
                                  .target_resistance_ohm = NAN,
                                  .baseline_u0_v = NAN};
    struct record_answer *a = record_replay(q, &err);
    must(a ? a->judged && a->verdict.kind != VERDICT_NONE : err.text[0] != '\0');
    record_answer_free(a);
    free(q);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const char separators[] = {'\0', ',', ';', '\t'};
    char column[256], format[80], path[64];
    struct record_map map;
    if (size == 0)
        return 0;
    unsigned switches = *data++;
    size--;
    take_text(&data, &size, column, sizeof column);
    take_text(&data, &size, format, sizeof format);
    if (map_of(&map, column, format, switches & 1) != 0)
        return 0;
    int fd = memfd_create("record", 0);
    must(fd >= 0 && write(fd, data, size) == (ssize_t)size);
    (void)snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
    struct record_file file = {.path = path,
                               .encoding = switches & 2 ? CSV_LATIN_1 : CSV_UTF_8,
                               .local_time = (switches & 4) != 0,
                               .units_row = (switches & 8) != 0,
                               .separator = separators[switches >> 4 & 3],
                               .no_headings = (switches & 64) != 0,
                               .skip_lines = switches & 128 ? 1 : 0,
                               .stamp_half_ns = -1};
    read_rows(&file, &map);
    judge(&file, &map);
    close(fd);
    return 0;
}
