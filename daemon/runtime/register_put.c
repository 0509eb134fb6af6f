#include "register_put.h"

#include <math.h>

/* A figure of the inspection, with its unit, when it was taken. */
static void add_figure(char *note, size_t cap, const char *what, double value, const char *unit)
{
    if (!isnan(value))
        text_append(note, cap, "%s%s %g %s", note[0] ? ", " : "", what, value, unit);
}

static int put_inspection(struct journal *journal, const struct register_order *order, int64_t utc_s, struct error *err)
{
    const struct inspection *from = &order->inspection;
    struct journal_inspection to = {.done_utc_s = from->tested_utc_s ? from->tested_utc_s : utc_s,
                                    .due_utc_s = order->next_due_utc_s,
                                    .passed = from->passed};
    text_copy(to.serial, sizeof to.serial, order->serial);
    text_copy(to.kind, sizeof to.kind, "inspection and electrical safety test");
    text_copy(to.who, sizeof to.who, order->who);
    text_copy(to.reference, sizeof to.reference, from->certificate);
    if (from->instrument[0])
        text_append(to.note, sizeof to.note, "instrument %s", from->instrument);
    add_figure(to.note, sizeof to.note, "protective conductor", from->protective_conductor_ohm, "ohm");
    add_figure(to.note, sizeof to.note, "insulation", from->insulation_mohm, "Mohm");
    add_figure(to.note, sizeof to.note, "leakage", from->leakage_ma, "mA");
    add_figure(to.note, sizeof to.note, "U0", from->no_load_v, "V");
    if (from->remark[0])
        text_append(to.note, sizeof to.note, "%s%s", to.note[0] ? ", " : "", from->remark);
    return journal_put_inspection(journal, &to, err);
}

int register_put(struct journal *journal, const struct register_order *order, int64_t utc_s, struct error *err)
{
    int64_t at_utc_s = order->utc_s ? order->utc_s : utc_s;
    int32_t version;
    switch (order->kind) {
    case REGISTER_PLATE:
        return journal_put_unit(journal, &order->plate, at_utc_s, &version, err);
    case REGISTER_INSPECTION:
        return put_inspection(journal, order, at_utc_s, err);
    case REGISTER_DISPOSITION:
    case REGISTER_BASELINE:
        break;
    }
    return error_set(err, "this journal keeps neither dispositions nor baselines yet");
}
