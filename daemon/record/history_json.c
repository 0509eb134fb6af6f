#include "history_json.h"

#include <math.h>

/* What was not seen is null. */
static json_t *figure(double v)
{
    return isfinite(v) ? json_real(v) : json_null();
}

static json_t *change(const struct history_change *c)
{
    return json_pack("{s:o, s:o, s:b}", "change_pct", figure(c->change_pct), "limit_pct", figure(c->limit_pct),
                     "beyond", (int)c->beyond);
}

json_t *history_row_to_json(const struct history_row *row)
{
    return json_pack("{s:I, s:o, s:o, s:o, s:o, s:s, s:o, s:o, s:o, s:o, s:b, s:o, s:o, s:o, s:o, s:o}", "run",
                     (json_int_t)row->run.run_no, "margin_pct", figure(row->margin_pct), "rise_k", figure(row->rise_k),
                     "start_rise_k", figure(row->start_rise_k), "on_load_s", figure(row->on_load_s), "rise_of",
                     row->rise_is_exhaust ? "exhaust" : "case", "loss_w", figure(row->loss_w), "resistance_k_per_w",
                     figure(row->resistance_k_per_w), "idle_w", figure(row->idle_w), "against_run",
                     row->against_run != 0 ? json_integer(row->against_run) : json_null(), "against_baseline",
                     (int)row->against_baseline, "time_to_shutoff", change(&row->time_to_shutoff), "own_percent_on",
                     change(&row->own_percent_on), "reset", change(&row->reset), "resistance", change(&row->resistance),
                     "idle", change(&row->idle));
}

json_t *history_head_to_json(const struct unit_history *h)
{
    return json_pack("{s:o, s:o, s:o, s:i, s:i}", "baseline_run",
                     h->baseline_run != 0 ? json_integer(h->baseline_run) : json_null(), "repeatability_pct",
                     figure(h->count > 0 ? h->times.pct : NAN), "heat_repeatability_pct",
                     figure(h->count > 0 ? h->heat.pct : NAN), "check_runs", h->times.check_runs, "heat_check_runs",
                     h->heat.check_runs);
}
