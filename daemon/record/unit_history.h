/* A unit over its life: what each run measured, and what changed against the unit's own baseline (or its own first run
 * of the same kind), normalised to that run's current, supply and intake air. A change is claimed only beyond the
 * bench's own repeatability together with the uncertainty of the times; anything less is told as no change. */
#ifndef UNIT_HISTORY_H
#define UNIT_HISTORY_H

#include "journal_read.h"

/* A figure of a run against the same figure of the run that it is compared with. */
struct history_change {
    double change_pct; /* normalised; NAN: not comparable */
    double limit_pct;  /* what the bench cannot tell from nothing */
    bool beyond;       /* |change| > limit */
};

/* What was not seen is NAN. */
struct history_row {
    struct journal_run run;
    double margin_pct;         /* time at rated current over the rated time, less 100 %; at least, without a shutoff */
    double rise_k;             /* case (else exhaust) over intake air at the end of the last on-load part */
    double start_rise_k;       /* the same at its beginning: how warm the unit was then */
    double on_load_s;          /* length of that part */
    double loss_w;             /* mean of P1 - I2 * U2 over that part */
    double resistance_k_per_w; /* rise over loss: apparent, since no steady state is needed for it */
    double idle_w;             /* mean P1 soon after that part, no current flowing: electronics and fan */
    double idle_uncertainty_w; /* expanded, of the supply meter there */
    bool rise_is_exhaust;
    int64_t against_run;   /* 0: nothing to compare with */
    bool against_baseline; /* false: the unit's own first run of this kind */
    struct history_change time_to_shutoff, own_percent_on, reset, resistance, idle;
};

/* What two runs of one unit that has not changed differ by on this bench, no more in 19 of 20 cases. */
struct history_repeatability {
    double pct;
    int check_runs; /* runs of the check unit that it rests on; 0: as the bench's configuration states it */
};

struct unit_history {
    struct history_row *rows; /* oldest first */
    size_t count, cap;
    int64_t baseline_run; /* 0: none set */
    struct history_repeatability times, heat;
};

/* Reads the judged runs of a unit, at most the newest limit ones (and compares within them and the baseline).
 * check_unit: serial of the unit that is run now and then to see what the bench itself does; once it has enough runs of
 * one kind, they say what the bench repeats, instead of the configuration. NULL or empty: none. Returns 0 or -1 with
 * err. Release with unit_history_free. */
int unit_history_load(struct journal_reader *reader, const char *serial, const char *check_unit, int64_t limit,
                      struct unit_history *history, struct error *err);
void unit_history_free(struct unit_history *history);

/* The factor that turns a time to shut-off (or a percent-on) of the run `of` into what it would have been at the
 * current, load voltage, supply and intake air of `at`: square law for I2; square roots for U2 and U1, and 1/65 a
 * kelvin of air (65 K of headroom): common practice, no published source. A figure that either has not seen counts as
 * the same in both. */
double history_normalising_factor(const struct verdict *of, const struct verdict *at);

/* Are two runs of the same kind: procedure, rating point and basis? */
bool history_comparable(const struct journal_run *a, const struct journal_run *b);

#endif
