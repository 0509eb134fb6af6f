/* What was tested, for whom and by whom, and the verdict with the revisions behind it. */
#include <math.h>

#include "load_voltage.h"
#include "paper_parts.h"

void paper_unit(struct record *r)
{
    const struct unit_plate *p = &r->data->unit.plate;
    const struct rating_point *q = &r->data->run.request.point;
    char year[16] = "", version[16], point[CELL_CAP], u2[CELL_CAP], supply[CELL_CAP], i1[CELL_CAP], ambient[CELL_CAP];
    if (p->year != 0)
        (void)text_format(year, sizeof year, "%d", p->year);
    (void)text_format(version, sizeof version, "%d", (int)r->data->run.request.plate_version);
    rating_point_print(point, sizeof point, q);
    struct load_point load;
    u2[0] = '\0';
    if (load_point_find(q->process, q->current_a, q->load_voltage_v, &load, NULL) == 0)
        (void)text_format(u2, sizeof u2, "%.1f V (%s), %.4f ohm", load.voltage_v, load.from_plate ? "plate" : "formula",
                          load.resistance_ohm);
    (void)text_format(supply, sizeof supply, "%g V, %d phase", q->supply_v, q->phases);
    i1[0] = '\0';
    if (!isnan(q->i1max_a) && !isnan(q->i1eff_a))
        (void)text_format(i1, sizeof i1, "%g A / %g A", q->i1max_a, q->i1eff_a);
    (void)text_format(ambient, sizeof ambient, "%g degC, cycle of %g min", q->ambient_degc, q->cycle_s / 60);
    sheet_heading(&r->sheet, "Unit and rating plate");
    const struct sheet_pair pairs[] = {
        {"serial number", p->serial},
        {"asset number", p->asset},
        {"maker", p->maker},
        {"model", p->model},
        {"year", year},
        {"rated by", p->rated_by},
        {"rating point", point},
        {"conventional U2", u2},
        {"supply", supply},
        {"I1max / I1eff", i1},
        {"rated at", ambient},
        {"output control", control_name(q->control)},
        {"thermal protection", protection_name(p->protection)},
        {"plate version", version},
    };
    sheet_pairs(&r->sheet, pairs, (int)(sizeof pairs / sizeof pairs[0]));
}

static const char *stated(const char *text)
{
    return text != NULL && text[0] != '\0' ? text : "not stated";
}

void paper_test(struct record *r)
{
    const struct run_data *d = r->data;
    const struct record_options *o = r->options;
    char received[32], issued[32], start[48], end[48], safety[2 * TEXT_CAP];
    paper_day(received, sizeof received, o->received_utc_s);
    paper_day(issued, sizeof issued, o->issued_utc_s);
    paper_moment(start, sizeof start, d->run.start_utc_us);
    paper_moment(end, sizeof end, d->run.end_utc_us);
    if (d->has_inspection) {
        char day[32];
        paper_day(day, sizeof day, d->inspection.done_utc_s);
        (void)text_format(safety, sizeof safety, "%s, %s, by %s, sheet %s", d->inspection.passed ? "passed" : "FAILED",
                          day, d->inspection.who, d->inspection.reference);
    } else {
        (void)text_copy(safety, sizeof safety, "not done");
    }
    char bench_channel[CELL_CAP];
    (void)text_format(bench_channel, sizeof bench_channel, "%s, channel %s", d->bench->name, d->run.channel_name);
    sheet_heading(&r->sheet, "Test");
    const struct sheet_pair pairs[] = {
        {"tested at", o->site},
        {"bench, channel", bench_channel},
        {"customer", stated(o->customer)},
        {"job or hire number", stated(o->job)},
        {"received", stated(received)},
        {"issued", issued},
        {"begun", start},
        {"ended", end},
        {"procedure", procedure_words(d->run.request.procedure)},
        {"tested by", stated(d->run.request.who)},
        {"approved by", o->approver != NULL ? o->approver : "not yet: ........................"},
        {"electrical safety test", safety},
        {"warnings accepted", d->run.request.accepts},
        {"state of the unit", o->pair_role},
        {"remark", o->remark},
    };
    sheet_pairs(&r->sheet, pairs, (int)(sizeof pairs / sizeof pairs[0]));
}

void paper_verdict(struct record *r)
{
    const struct run_data *d = r->data;
    if (!d->run.judged) {
        sheet_box(&r->sheet, "No verdict yet", "The run has not been judged.");
        return;
    }
    const struct verdict *v = &d->run.verdict;
    char first[TEXT_CAP];
    (void)text_format(first, sizeof first, "Verdict: %s   (basis: %s)", verdict_kind_name(v->kind),
                      basis_name(v->basis));
    char rest[3 * TEXT_CAP];
    (void)text_format(rest, sizeof rest, "%s", v->reason);
    if (v->finding[0] != '\0')
        (void)text_append(rest, sizeof rest, "\nFinding on the installation, not on the unit: %s", v->finding);
    sheet_box(&r->sheet, first, rest);
}

/* Earlier revisions are named, so that nobody takes an old print for the present state. */
void paper_revisions(struct record *r)
{
    const struct run_data *d = r->data;
    if (!d->run.judged || d->run.verdict.revision <= 1)
        return;
    char line[2 * TEXT_CAP];
    (void)text_format(line, sizeof line, "Revision %d. It supersedes and replaces:", d->run.verdict.revision);
    sheet_paragraph(&r->sheet, line, 8, true);
    for (size_t i = 0; i < d->verdict_count; i++) {
        const struct verdict *v = &d->verdicts[i].verdict;
        char day[48];
        if (v->revision >= d->run.verdict.revision)
            continue;
        paper_moment(day, sizeof day, d->verdicts[i].utc_us);
        (void)text_format(line, sizeof line, "revision %d of %s: %s. %s", v->revision, day, verdict_kind_name(v->kind),
                          v->reason);
        sheet_paragraph(&r->sheet, line, 7.5, false);
    }
}
