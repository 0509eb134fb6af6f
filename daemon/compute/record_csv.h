/* A record of readings as CSV text, so that any of the computations can be run on data of one's own: one header line
 * with names, comma between, a line a reading. Known columns: time_s (needed, rising), current_a, load_voltage_v,
 * temperature_degc, intake_degc, on (0 or 1); others are ignored. An empty cell is a missing reading; a cell that is no
 * number is an error with its line. Uses the mathematical library through heat.h. */
#ifndef RECORD_CSV_H
#define RECORD_CSV_H

#include <stdbool.h>
#include <stddef.h>

#include "crossing.h"
#include "cycle.h"
#include "deviation.h"
#include "error.h"
#include "heat.h"
#include "sliding.h"

enum csv_column { CSV_TIME, CSV_CURRENT, CSV_LOAD_VOLTAGE, CSV_TEMPERATURE, CSV_INTAKE, CSV_ON, CSV_COLUMN_COUNT_ };

struct csv_record; /* opaque */

/* Parses size bytes. Returns 0 and a record to be freed with record_csv_free; -1 with err naming line and column:
 * no header, no time_s, column twice, not a number, time that does not rise, no reading, out of memory. */
int record_csv_parse(const char *text, size_t size, struct csv_record **record, struct error *err);
void record_csv_free(struct csv_record *record); /* NULL is allowed */

int record_csv_count(const struct csv_record *record);

/* A column's values (NAN where a cell was empty), record_csv_count of them, owned by the record; NULL when the text had
 * no such column. */
const double *record_csv_column(const struct csv_record *record, enum csv_column column);

struct record_question {
    double rated_a;
    double rated_percent_on;      /* NAN: nothing to judge */
    double load_voltage_v;        /* U2 of the point; NAN: the band is by current alone and nothing is said of U2 */
    double current_uncertainty_a; /* expanded, of the current meter */
    double cycle_s;               /* 600 */
    double gap_s;                 /* readings further apart leave the time between unseen; 0: no limit */
    struct meter_timing timing;
};

enum { RECORD_CYCLES_MAX = 512 };

struct record_cycle {
    double from_s, to_s;
    bool whole; /* false: the record ends in it */
    struct cycle_figures figures;
    double percent_on_low, percent_on, percent_on_high; /* at or above rated, of a whole cycle; else NAN */
    enum run_outcome
        outcome; /* on-load at or above rated against the rated time; OUTCOME_UNCLEAR when nothing is rated */
};

struct record_answer {
    int count;
    struct record_cycle *cycles;   /* owned by the caller: free() */
    struct sliding_result sliding; /* of conducting time, by best estimate */
};

/* The times of each fixed cycle from the first reading on, and the sliding windows. Needs the column current_a. Returns
 * 0 or -1 with err. */
int record_csv_cycles(const struct csv_record *record, const struct record_question *question,
                      struct record_answer *answer, struct error *err);

/* The record as heat_fit takes it: needs temperature_degc, and either on, or current_a together with on_above_a (NAN: 5
 * % of the highest current). intake_degc may be a column, else intake_const_degc holds (NAN: an error without the
 * column). Points into the record. Returns 0 or -1 with err. */
int record_csv_heat(struct csv_record *record, double on_above_a, double intake_const_degc, double noise_k,
                    struct heat_record *heat, struct error *err);

#endif
