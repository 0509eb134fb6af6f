/* The parts of a run's paper record, in their order on the page; run_record.c puts them together. */
#ifndef PAPER_PARTS_H
#define PAPER_PARTS_H

#include "run_record.h"

enum { CELL_CAP = 160 };

struct record {
    const struct run_data *data;
    const struct record_options *options;
    struct sheet sheet;
};

/* paper_unit.c: what was tested, for whom, by whom. */
void paper_verdict(struct record *r);
void paper_revisions(struct record *r);
void paper_unit(struct record *r);
void paper_test(struct record *r);

/* paper_conditions.c: start, air, supply, load path, and every deviation from the plate's own conditions. */
void paper_conditions(struct record *r);

/* paper_result.c: figures with their uncertainty, cycles, the other run of a pair, meters. */
void paper_result(struct record *r);
void paper_pair(struct record *r);
void paper_cycles(struct record *r);
void paper_meters(struct record *r);

/* paper_addenda.c: photos, remarks and corrections that were added when the run was over. */
void paper_addenda(struct record *r);

/* paper_survey.c: the map of a survey, as a table and a picture. Nothing for other runs. */
void paper_survey(struct record *r);

/* paper_claims.c: decision rule and its risk, what was not measured, cautions, digest. */
void paper_claims(struct record *r);

/* "2026-01-06" and "2026-01-06 08:06:42 UTC"; empty for 0. */
void paper_day(char *to, size_t cap, int64_t utc_s);
void paper_moment(char *to, size_t cap, int64_t utc_us);

/* A figure with digits and unit; empty for NAN. */
void paper_figure(char *to, size_t cap, double value, int digits, const char *unit);

/* A mean of the run's signal of a kind with its expanded uncertainty from the meter's statement: "140.7 A, U = 0.9 A
 * (k = 2)"; "..., U not stated" where the meter has none; empty for NAN. */
void paper_measured(char *to, size_t cap, const struct run_data *d, enum signal_kind kind, double value, int digits,
                    const char *unit);

/* The run's supply voltage likewise; where it comes from phases, line to line from their meters' statement. */
void paper_measured_supply(char *to, size_t cap, const struct run_data *d, double value);

/* The run's signal of a kind, NULL when the channel has none. */
const struct bench_signal *paper_signal(const struct run_data *d, enum signal_kind kind);

#endif
