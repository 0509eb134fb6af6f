/* A journal with made-up runs of one unit, written through the journal's own writer, for what reads records: papers and
 * histories. Figures are round, so that a test can say what has to be printed. */
#ifndef SOAK_JOURNAL_H
#define SOAK_JOURNAL_H

#include "journal.h"
#include "journal_read.h"

struct soak_journal {
    char folder[64], path[96];
    struct journal *journal;
    uint64_t seq, event_id;
};

/* What one run showed. */
struct soak_run {
    int64_t run_no;
    enum procedure procedure;
    enum start_condition start;
    double start_s, length_s; /* of the bench clock */
    double current_a;         /* mean and readings while on-load */
    double load_voltage_v, supply_v, intake_degc;
    double on_s;        /* on-load time of each cycle of 600 s */
    double reset_s;     /* NAN: no shutoff */
    double case_rise_k; /* case over intake at the end of each on-load part */
    double loss_w;      /* P1 less I2 * U2 while on-load */
    double idle_w;      /* P1 in the pauses; 0 counts as 20 */
    double reading_s;   /* interval of the readings; 0: none */
    int revisions;      /* 0 counts as 1 */
};

/* Unit HQ-0147 (tig dc 160 A at 40 %), one channel A, bench north-bay. The caller ends it. */
void soak_journal_begin(struct soak_journal *s);
void soak_journal_run(struct soak_journal *s, const struct soak_run *run);
/* One more event, between journal_begin and journal_commit; its number and seq are filled in. */
void soak_journal_event(struct soak_journal *s, struct event e);
void soak_journal_end(struct soak_journal *s);

/* A run that holds 240 s at 160 A. */
struct soak_run soak_run_plain(int64_t run_no, double start_s);

#endif
