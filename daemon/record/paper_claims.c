/* What a record claims and what it does not: decision rule and its risk, what was estimated, cautions, digest. */
#include <math.h>

#include "paper_parts.h"

static const double small = 7;

static void say(struct record *r, const char *text)
{
    sheet_paragraph(&r->sheet, text, small, false);
}

static void say_rule(struct record *r)
{
    const struct run_data *d = r->data;
    char line[3 * TEXT_CAP];
    say(r,
        "Decision rule: guarded acceptance after JCGM 106 with a guard band of U (k = 2, about 95 %). The time at or "
        "above "
        "rated current, less U, must reach the rated on-load time for a pass; a shutoff by the unit itself before the "
        "rated time, beyond U, is a fail; what lies between is undecided. Risk: a unit that lies exactly at its limit "
        "is passed wrongly in about 1 of 40 checks by timing, and failed wrongly as often; farther from the limit both "
        "are rarer. Kind deviations never support a pass beyond the basis named; harsh ones never support a fail.");
    if (d->run.judged && !isnan(d->run.verdict.time_uncertainty_s)) {
        (void)text_format(
            line, sizeof line,
            "In this run: rated %.1f s, at rated current %.1f s, U = %.1f s, so the time lies between %.1f s "
            "and %.1f s.",
            d->run.verdict.rated_on_s, d->run.verdict.at_rated_s, d->run.verdict.time_uncertainty_s,
            d->run.verdict.at_rated_s - d->run.verdict.time_uncertainty_s,
            d->run.verdict.at_rated_s + d->run.verdict.time_uncertainty_s);
        say(r, line);
    }
}

/* The last word of the heating on record, "" where there is none. */
static const char *last_estimate(const struct run_data *d)
{
    const char *text = "";
    for (int i = 0; i < (int)d->event_count; i++)
        if (d->events[i].event.kind == EVENT_ESTIMATE)
            text = d->events[i].event.text;
    return text;
}

static void say_estimated(struct record *r)
{
    const struct run_data *d = r->data;
    const struct rating_point *q = &d->run.request.point;
    char line[4 * TEXT_CAP];
    (void)text_format(line, sizeof line, "Estimated, not measured: %s",
                      isnan(q->load_voltage_v)
                          ? "U2 of the rating point comes from the formula of the process, since the "
                            "plate as entered prints none; "
                          : "");
    (void)text_append(line, sizeof line, "the moment of a shutoff lies between two readings, its half-width is stated");
    if (!d->run.judged || d->run.verdict.basis != BASIS_EQUILIBRIUM_40)
        (void)text_append(line, sizeof line,
                          "; how the unit behaves with intake air of %g degC was not tested and is not claimed",
                          q->ambient_degc);
    (void)text_append(line, sizeof line,
                      ". Not measured: windings and semiconductors; case and exhaust temperatures stand in for them.");
    if (last_estimate(d)[0])
        (void)text_append(line, sizeof line, " From the course of heating, with intervals for k = 2: %s.",
                          last_estimate(d));
    say(r, line);
}

void paper_claims(struct record *r)
{
    const struct run_data *d = r->data;
    sheet_heading(&r->sheet, "What this record claims, and what it does not");
    say_rule(r);
    say_estimated(r);
    say(r,
        "Load conditions taken from the conventional load voltage of IEC 60974-1 (a resistive load stands for the "
        "arc). "
        "Nothing here is a type test or a claim of conformity or accreditation. Torches, guns and the customer's own "
        "leads and supply were not part of the test. This record relates only to the item tested.");
    say(r, "Caution: mains and welding outputs can kill, load banks and leads burn. Testing is for qualified people, "
           "under "
           "local electrical rules and the makers' instructions, with a hard-wired emergency stop and guards. A "
           "verdict is "
           "no safety test.");
    if (d->bench->virtual_bench)
        sheet_paragraph(&r->sheet, "VIRTUAL BENCH: these figures come from a simulation. No real unit was tested.", 9,
                        true);
    char hex[DIGEST_HEX_CAP], line[512];
    digest_print(&d->run_digest, hex);
    (void)text_format(line, sizeof line,
                      "Digest of the run's record (SHA-256): %s. Judged by rules version %d, engine %s, software %s.",
                      hex, d->run.judged ? d->run.verdict.rules_version : 0, d->session.engine_version,
                      r->options->version);
    sheet_paragraph(&r->sheet, line, small, false);
}
