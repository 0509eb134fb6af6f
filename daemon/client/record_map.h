/* Which column of a foreign record is what: time, signals with unit, scale and the meter's own data. */
#ifndef RECORD_MAP_H
#define RECORD_MAP_H

#include "bench.h"
#include "csv_stream.h"
#include "record_time.h"

enum { MAP_SIGNALS_MAX = 24, MAP_HEAD_CAP = 96, WARNINGS_TOLD = 5 };

/* What is wrong with a record, but no reason to refuse it. Of each kind the first few are told, all are counted. */
enum record_trouble {
    TROUBLE_ORDER,    /* stamps that run back */
    TROUBLE_REPEATED, /* stamps that stand still */
    TROUBLE_CLOCK,    /* the clock was set, and that is taken out */
    TROUBLE_GAP,
    TROUBLE_NUMBER, /* cells that are no number */
    TROUBLE_CELLS,  /* rows that are too short or too long */
    TROUBLE_UNIT,   /* units that nobody states */
    TROUBLE_SLOW,   /* too few readings for this judgement */
    TROUBLE_COUNT_
};

struct record_warnings {
    int64_t count[TROUBLE_COUNT_];
    struct {
        int64_t line; /* 0: of no line */
        char text[TEXT_CAP];
    } told[TROUBLE_COUNT_][WARNINGS_TOLD];
};

const char *record_trouble_name(enum record_trouble t);
void record_warn(struct record_warnings *w, enum record_trouble kind, int64_t line, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

struct record_signal {
    enum signal_kind kind;
    int column;              /* from 0; -1: not resolved */
    char head[MAP_HEAD_CAP]; /* heading or "#N" as asked for, then as found */
    char unit[32];           /* "": by the heading */
    double factor, shift;    /* of the unit: base = (cell * scale + offset) * factor + shift */
    double scale, offset;
    struct uncertainty uncertainty;
    bool uncertainty_stated, uncertainty_unknown;
    int64_t refresh_ns, averaging_ns, damping_ns;
};

struct record_map {
    struct stamp_format format;
    bool format_stated;
    bool decimal_comma;
    int time_count; /* 1, or 2: date and time in columns of their own */
    int time_columns[2];
    char time_heads[2][MAP_HEAD_CAP];
    int half_column, lost_column, utc_column; /* of an export: -1 none */
    int column_count;                         /* of the file */
    int count;
    struct record_signal signals[MAP_SIGNALS_MAX];
};

void record_map_init(struct record_map *m);

/* "Zeit", "#1", or "Datum+Zeit". Returns 0 or -1 with err. */
int record_map_time(struct record_map *m, const char *heads, struct error *err);

/* "SIGNAL=HEADING;key=value;...", keys: unit, scale, offset, uncertainty, expanded, refresh, averaging, damping.
 * Returns 0 or -1 with err. */
int record_map_column(struct record_map *m, const char *spec, struct error *err);

/* Finds the columns among the headings, and by its own names those that were not mapped; units by mapping, by the row
 * of units (NULL: none) or by the heading. heads NULL: no headings, columns by number alone; count: cells of a row.
 * Returns 0 or -1 with err. */
int record_map_resolve(struct record_map *m, const struct csv_row *heads, const struct csv_row *units, int count,
                       struct record_warnings *warnings, struct error *err);

#endif
