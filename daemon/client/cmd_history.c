/* unit history: what a unit's runs measured over its life, and what changed beyond what the bench can tell. */
#include <math.h>
#include <string.h>

#include "commands.h"
#include "config.h"
#include "history_json.h"
#include "journal_json.h"
#include "json_build.h"
#include "unit_history.h"
#include "utc.h"

static json_t *row_json(const struct history_row *row)
{
    json_t *run = run_to_json(&row->run), *measured = history_row_to_json(row);
    if (!run || !measured || json_object_update(run, measured) != 0) {
        json_decref(run);
        run = NULL;
    }
    json_decref(measured);
    return run;
}

static int print_json(struct client *c, const char *serial, const struct unit_history *h)
{
    struct json_build b = {.object = history_head_to_json(h)};
    b.bad = !b.object;
    json_t *rows = json_array();
    for (size_t i = 0; rows && i < h->count; i++) {
        if (json_array_append_new(rows, row_json(&h->rows[i])) != 0)
            b.bad = true;
    }
    build_text(&b, "unit", serial);
    build_add(&b, "history", rows);
    return client_print_json(c, build_end(&b));
}

static void signed_pct(char *to, size_t cap, const struct history_change *change)
{
    if (isnan(change->change_pct))
        (void)text_copy(to, cap, "-");
    else
        (void)text_format(to, cap, "%+.1f %%%s", change->change_pct, change->beyond ? " !" : "");
}

static void print_table(const struct screen *s, const struct unit_history *h)
{
    const struct column columns[] = {
        {"run", true, false, false},         {"date", false, false, false},        {"procedure", false, false, false},
        {"basis", false, true, false},       {"verdict", false, false, true},      {"on-load", true, false, false},
        {"percent-on", true, false, false},  {"margin", true, false, false},       {"reset", true, false, false},
        {"rise", true, false, false},        {"K/kW", true, false, false},         {"against", true, false, false},
        {"time change", true, false, false}, {"reset change", true, false, false}, {"K/kW change", true, false, false}};
    struct table *t = table_new(columns, (int)(sizeof columns / sizeof columns[0]));
    for (size_t i = 0; i < h->count; i++) {
        const struct history_row *row = &h->rows[i];
        const struct verdict *v = &row->run.verdict;
        char started[UTC_CAP], text[8][32];
        utc_print_date(started, sizeof started, row->run.start_utc_us / 1000000);
        print_figure(text[0], sizeof text[0], v->at_rated_s, 0, "s");
        print_figure(text[1], sizeof text[1], v->percent_on_delivered, 1, "%");
        (void)text_format(text[2], sizeof text[2], isnan(row->margin_pct) ? "-" : "%+.0f %%", row->margin_pct);
        print_figure(text[3], sizeof text[3], v->reset_s, 0, "s");
        print_figure(text[4], sizeof text[4], row->rise_k, 1, "K");
        print_figure(text[5], sizeof text[5], row->resistance_k_per_w * 1000, 1, "");
        table_cell(t, "%lld", (long long)row->run.run_no);
        table_cell(t, "%s", started);
        table_cell(t, "%s", procedure_name(v->procedure));
        table_cell(t, "%s", basis_name(v->basis));
        table_cell(t, "%s", verdict_kind_name(v->kind));
        for (int k = 0; k < 6; k++)
            table_cell(t, "%s", text[k]);
        if (row->against_run)
            table_cell(t, "%lld%s", (long long)row->against_run, row->against_baseline ? " base" : "");
        else
            table_cell(t, "%s", row->run.run_no == h->baseline_run ? "baseline" : "-");
        signed_pct(text[6], sizeof text[6], &row->time_to_shutoff);
        signed_pct(text[7], sizeof text[7], &row->reset);
        table_cell(t, "%s", text[6]);
        table_cell(t, "%s", text[7]);
        signed_pct(text[6], sizeof text[6], &row->resistance);
        table_cell(t, "%s", text[6]);
    }
    table_print(t, s);
    table_free(t);
}

/* One change as a sentence. more_is_worse: longer resets and more kelvin a watt are. */
static void say_change(const struct screen *s, const char *what, const struct history_change *c, bool more_is_worse,
                       const char *advice)
{
    char text[TEXT_CAP * 2];
    if (isnan(c->change_pct))
        return;
    bool worse = c->beyond && (c->change_pct > 0) == more_is_worse;
    (void)text_format(text, sizeof text, "%s: %+.1f %%, the bench tells changes above %.1f %%: %s%s%s", what,
                      c->change_pct, c->limit_pct,
                      worse       ? "worse"
                      : c->beyond ? "better"
                                  : "no change that can be claimed",
                      worse ? ". " : "", worse ? advice : "");
    fputs("  ", s->out);
    print_wrapped(s, 4, text);
}

static void say_latest(const struct screen *s, const char *serial, const struct unit_history *h)
{
    const struct history_row *row = NULL;
    for (size_t i = h->count; i > 0 && !row; i--) {
        if (h->rows[i - 1].against_run)
            row = &h->rows[i - 1];
    }
    if (!row) {
        fprintf(s->out,
                "\nNo two runs are of one kind yet (procedure, rating point and basis), so nothing is compared. "
                "Run the same check again after the next hire.\n");
        return;
    }
    fprintf(s->out, "\nRun %lld against run %lld (%s), at that run's current, supply and intake air:\n",
            (long long)row->run.run_no, (long long)row->against_run,
            row->against_baseline ? "the baseline" : "its own first run of this kind");
    if (isnan(row->time_to_shutoff.change_pct))
        fputs("  time to cut-out: not seen in both, so how long it would last is not compared\n", s->out);
    say_change(s, "time to cut-out", &row->time_to_shutoff, false,
               "Look at fan, vents and dust before you hire it out.");
    say_change(s, "own percent-on", &row->own_percent_on, false, "Look at fan, vents and dust.");
    say_change(s, "time to reset", &row->reset, true, "It cools more slowly than it did: fan, vents, dust.");
    say_change(s, row->rise_is_exhaust ? "exhaust rise a watt" : "case rise a watt", &row->resistance, true,
               "The air does not carry the heat off as it did, or a sensor sits elsewhere: look at both.");
    say_change(s, "draw after load", &row->idle, false, "Does its fan run?");
    if (!h->baseline_run)
        fprintf(s->out,
                "No baseline is set. Name a run as new or after service: soakbench unit set-baseline %s --run RUN "
                "--who NAME\n",
                serial);
}

struct last_service {
    int64_t utc_s;
};

static int take_service(void *ctx, const struct journal_disposition *d)
{
    struct last_service *last = ctx;
    if (strcmp(d->to, "service") != 0)
        return 0;
    last->utc_s = d->utc_s;
    return 1; /* newest first */
}

/* The runs on both sides of the last service are a pair: as found and as left. */
static void say_pair(const struct screen *s, const struct unit_history *h, int64_t service_utc_s)
{
    int64_t found = 0, left = 0;
    for (size_t i = 0; i < h->count; i++) {
        int64_t start_utc_s = h->rows[i].run.start_utc_us / 1000000;
        if (start_utc_s <= service_utc_s)
            found = h->rows[i].run.run_no;
        else if (!left)
            left = h->rows[i].run.run_no;
    }
    if (service_utc_s && found && left)
        fprintf(
            s->out,
            "Last service: run %lld as found, run %lld as left. Both on one record: soakbench record %lld --pdf FILE "
            "--as-found %lld\n",
            (long long)found, (long long)left, (long long)left, (long long)found);
    else if (service_utc_s && found)
        fprintf(s->out, "Sent to service after run %lld (as found). The next run shows it as left.\n",
                (long long)found);
}

/* What says how well the bench repeats itself. */
static void say_repeatability(const struct screen *s, const struct unit_history *h)
{
    if (h->times.check_runs > 0 || h->heat.check_runs > 0)
        fprintf(s->out,
                "\nThe check unit's own runs say what this bench repeats: times to %.1f %% (%d runs), rise a watt to "
                "%.1f %% (%d runs).\n",
                h->times.pct, h->times.check_runs, h->heat.pct, h->heat.check_runs);
}

static const char *check_unit_of(struct client *c)
{
    const struct config *config = c->config_option ? client_config(c) : NULL;
    return config ? config->record.check_unit : NULL;
}

int command_unit_history(struct client *c, const struct arguments *args)
{
    struct error err = {{0}};
    struct unit_history history = {0};
    struct last_service service = {0};
    char serial[NAME_CAP];
    struct journal_reader *reader = client_journal(c, &err);
    int status = EXIT_REFUSED;
    if (!reader || client_unit(reader, args->operands[0], serial, &err) != 0 ||
        unit_history_load(reader, serial, check_unit_of(c), (int64_t)argument_number(args, "--limit", 50), &history,
                          &err) != 0 ||
        journal_reader_dispositions(reader, serial, take_service, &service, &err) != 0) {
        status = client_failed(c, &err);
    } else if (history.count == 0) {
        error_set(
            &err,
            "unit %s has no judged run yet. Check it with: soakbench run plan CHANNEL --unit %s --procedure screen",
            serial, serial);
        status = client_failed(c, &err);
    } else if (c->json) {
        status = print_json(c, serial, &history);
    } else {
        print_table(&c->screen, &history);
        say_latest(&c->screen, serial, &history);
        say_repeatability(&c->screen, &history);
        say_pair(&c->screen, &history, service.utc_s);
        status = EXIT_DONE;
    }
    unit_history_free(&history);
    journal_reader_close(reader);
    return status;
}
