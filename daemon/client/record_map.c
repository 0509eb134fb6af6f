#include "record_map.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "quantity.h"

const char *record_trouble_name(enum record_trouble t)
{
    static const char *const names[TROUBLE_COUNT_] = {"order",     "repeated", "clock", "gap",
                                                      "no-number", "cells",    "unit",  "slow"};
    return (unsigned)t < TROUBLE_COUNT_ ? names[t] : "?";
}

void record_warn(struct record_warnings *w, enum record_trouble kind, int64_t line, const char *format, ...)
{
    if (w->count[kind]++ >= WARNINGS_TOLD)
        return;
    int64_t n = w->count[kind] - 1;
    va_list args;
    va_start(args, format);
    (void)vsnprintf(w->told[kind][n].text, sizeof w->told[kind][n].text, format, args);
    va_end(args);
    w->told[kind][n].line = line;
}

void record_map_init(struct record_map *m)
{
    *m = (struct record_map){
        .format = {.kind = STAMP_NUMBER, .factor_ns = 1e9}, .half_column = -1, .lost_column = -1, .utc_column = -1};
}

int record_map_time(struct record_map *m, const char *heads, struct error *err)
{
    const char *plus = strchr(heads, '+');
    size_t first = plus ? (size_t)(plus - heads) : strlen(heads);
    if (first == 0 || first >= MAP_HEAD_CAP || (plus && (plus[1] == '\0' || strlen(plus + 1) >= MAP_HEAD_CAP)))
        return error_set(err, "--time: \"%s\" is no heading, and no two with + between (date and time)", heads);
    memcpy(m->time_heads[0], heads, first);
    m->time_heads[0][first] = '\0';
    m->time_count = plus ? 2 : 1;
    (void)text_copy(m->time_heads[1], MAP_HEAD_CAP, plus ? plus + 1 : "");
    return 0;
}

/* "0.1 % of 400 A": a share of the range. Returns 1 when it is one, 0 when not, -1 with err. */
static int take_range_share(struct record_signal *s, char *part, enum dimension dim, struct error *err)
{
    char *of = strstr(part, " of ");
    if (!of)
        return 0;
    *of = '\0';
    if (s->uncertainty.range > 0 || quantity_parse(part, DIM_PERCENT, &s->uncertainty.of_range_pct, err) != 0 ||
        quantity_parse(of + 4, dim, &s->uncertainty.range, err) != 0 || !(s->uncertainty.of_range_pct >= 0) ||
        !(s->uncertainty.range > 0))
        return error_set(err, "uncertainty \"%s of %s\" is not like \"0.1 %% of 400 %s\"", part, of + 4,
                         dimension_unit(dim));
    return 1;
}

/* "0.5 %", "0.8 A", "0.5 % + 0.1 % of 400 A" */
static int take_uncertainty(struct record_signal *s, char *text, enum uncertainty_kind kind, struct error *err)
{
    char *state = NULL;
    s->uncertainty = (struct uncertainty){.kind = kind, .k = 2};
    s->uncertainty_unknown = strcmp(text, "unknown") == 0;
    if (s->uncertainty_unknown)
        return 0;
    for (char *part = strtok_r(text, "+", &state); part; part = strtok_r(NULL, "+", &state)) {
        double value;
        struct error first;
        part += strspn(part, " ");
        size_t n = strlen(part);
        while (n > 0 && part[n - 1] == ' ')
            part[--n] = '\0';
        enum dimension dim = signal_kind_dimension(s->kind);
        int of_range = take_range_share(s, part, dim, err);
        if (of_range < 0)
            return -1;
        if (of_range > 0)
            continue;
        if (quantity_parse(part, DIM_PERCENT, &value, &first) == 0)
            s->uncertainty.of_reading_pct += value;
        else if (quantity_parse(part, dim == DIM_TEMPERATURE ? DIM_TEMP_DIFF : dim, &value, err) == 0)
            s->uncertainty.absolute += value;
        else
            return error_prefix(err, "uncertainty \"%s\"", part);
        if (value < 0)
            return error_set(err, "uncertainty \"%s\" is below zero", part);
    }
    s->uncertainty_stated = true;
    return 0;
}

static int take_time(const char *text, int64_t *ns, struct error *err)
{
    double s;
    if (quantity_parse(text, DIM_TIME, &s, err) != 0)
        return -1;
    if (!(s >= 0) || s > 3600)
        return error_set(err, "\"%s\" is no time from 0 s to 1 h", text);
    *ns = (int64_t)(s * 1e9);
    return 0;
}

static int take_key(struct record_signal *s, const char *key, char *value, struct error *err)
{
    if (strcmp(key, "unit") == 0)
        return text_copy(s->unit, sizeof s->unit, value) == 0 ? 0 : error_set(err, "unit \"%s\" is not known", value);
    if (strcmp(key, "scale") == 0)
        return number_parse(value, &s->scale) == 0 && isfinite(s->scale) && (s->scale < 0 || s->scale > 0)
                   ? 0
                   : error_set(err, "scale \"%s\" is no number but zero", value);
    if (strcmp(key, "offset") == 0)
        return number_parse(value, &s->offset) == 0 && isfinite(s->offset)
                   ? 0
                   : error_set(err, "offset \"%s\" is no number", value);
    if (strcmp(key, "uncertainty") == 0)
        return take_uncertainty(s, value, UNC_LIMIT, err);
    if (strcmp(key, "expanded") == 0)
        return take_uncertainty(s, value, UNC_EXPANDED, err);
    if (strcmp(key, "refresh") == 0)
        return take_time(value, &s->refresh_ns, err);
    if (strcmp(key, "averaging") == 0)
        return take_time(value, &s->averaging_ns, err);
    if (strcmp(key, "damping") == 0)
        return take_time(value, &s->damping_ns, err);
    return error_set(err, "\"%s\" is none of unit, scale, offset, uncertainty, expanded, refresh, averaging, damping",
                     key);
}

static struct record_signal *find_signal(struct record_map *m, enum signal_kind kind)
{
    for (int i = 0; i < m->count; i++)
        if (m->signals[i].kind == kind)
            return &m->signals[i];
    return NULL;
}

static struct record_signal *add_signal(struct record_map *m, enum signal_kind kind, const char *head)
{
    struct record_signal *s = &m->signals[m->count++];
    *s = (struct record_signal){.kind = kind, .column = -1, .factor = 1, .scale = 1};
    (void)text_copy(s->head, sizeof s->head, head);
    return s;
}

/* Contacts of a bench's own safety have no say about what was done elsewhere. */
static bool may_be_mapped(enum signal_kind kind)
{
    switch (kind) {
    case SIG_FAN_PROOF:
    case SIG_ESTOP:
    case SIG_SMOKE:
    case SIG_ISOLATED:
    case SIG_SUPPLY_OPEN:
    case SIG_KEY_SWITCH:
    case SIG_T_BANK:
    case SIG_OTHER:
    case SIG_KIND_COUNT_:
        return false;
    default:
        return true;
    }
}

int record_map_column(struct record_map *m, const char *spec, struct error *err)
{
    char copy[512], *state = NULL;
    if (text_copy(copy, sizeof copy, spec) != 0)
        return error_set(err, "--column \"%.40s...\" is too long", spec);
    char *head = strchr(copy, '='), *keys = strchr(copy, ';');
    if (!head || head == copy || head[1] == '\0' || head[1] == ';' || (keys && keys < head))
        return error_set(err, "--column \"%s\" is not like \"i2=Current;unit=A;uncertainty=0.5 %%\"", spec);
    *head++ = '\0';
    if (keys)
        *keys++ = '\0';
    enum signal_kind kind = signal_kind_parse(copy);
    if (!may_be_mapped(kind))
        return error_set(
            err,
            "--column: \"%s\" is no signal that a record can have: i2, u2, u1, i1, p1, t_intake, t_exhaust, "
            "t_case, t_lead, u_bank, u2_peak, u1_line, u1_a ... i1_c, breaker_aux, thermal_lamp, "
            "engine_speed, feedback",
            copy);
    if (find_signal(m, kind))
        return error_set(err, "--column: %s is given twice", copy);
    if (strlen(head) >= MAP_HEAD_CAP || m->count == MAP_SIGNALS_MAX)
        return error_set(err, "--column \"%.40s...\" is too long, or there are too many", spec);
    struct record_signal *s = add_signal(m, kind, head);
    for (char *pair = keys ? strtok_r(keys, ";", &state) : NULL; pair; pair = strtok_r(NULL, ";", &state)) {
        char *value = strchr(pair, '=');
        if (!value)
            return error_set(err, "--column %s: \"%s\" is no key=value", copy, pair);
        *value++ = '\0';
        if (take_key(s, pair, value, err) != 0)
            return error_prefix(err, "--column %s", copy);
    }
    return 0;
}

static void list_heads(const struct csv_row *heads, char *text, size_t cap)
{
    text[0] = '\0';
    for (int i = 0; heads && i < heads->count; i++)
        (void)text_append(text, cap, "%s%.40s", i ? ", " : "", heads->cells[i]);
}

/* Column of "#3" or of a heading; -1 with err. */
static int find_column(const char *what, const char *head, const struct csv_row *heads, int count, struct error *err)
{
    char all[400];
    if (head[0] == '#') {
        double n;
        if (number_parse(head + 1, &n) == 0 && n >= 1 && n <= count && floor(n) >= n)
            return (int)n - 1;
        return error_set(err, "%s: there is no column %s, the file has %d", what, head, count);
    }
    for (int i = 0; heads && i < heads->count; i++)
        if (strcmp(heads->cells[i], head) == 0)
            return i;
    for (int i = 0; heads && i < heads->count; i++)
        if (strcasecmp(heads->cells[i], head) == 0)
            return i;
    list_heads(heads, all, sizeof all);
    return error_set(err, "%s: no column has the heading \"%s\". %s%s", what, head,
                     heads ? "The headings are: " : "Without headings name it by number: #1", all);
}

/* The signal whose name, with the suffix of its unit or without, is the heading. */
static enum signal_kind kind_of_head(const char *head)
{
    for (int k = 0; k < SIG_OTHER; k++) {
        char name[NAME_CAP];
        const char *own = signal_kind_name((enum signal_kind)k);
        (void)text_format(name, sizeof name, "%s%s", own, dimension_suffix(signal_kind_dimension((enum signal_kind)k)));
        if (may_be_mapped((enum signal_kind)k) && (strcasecmp(head, name) == 0 || strcasecmp(head, own) == 0))
            return (enum signal_kind)k;
    }
    return SIG_OTHER;
}

/* "Strom I2 [mA]", "I2 (A)", "I2 / A": what stands there as the unit, "" for none. */
static void unit_of_head(const char *head, char *unit, size_t cap)
{
    const char *open = strrchr(head, '['), *close = open ? strchr(open, ']') : NULL;
    unit[0] = '\0';
    if (!close) {
        open = strrchr(head, '(');
        close = open ? strchr(open, ')') : NULL;
    }
    if (!close && (open = strrchr(head, '/')) != NULL)
        close = head + strlen(head);
    if (!open || !close)
        return;
    open += 1 + strspn(open + 1, " ");
    while (close > open && close[-1] == ' ')
        close--;
    (void)text_format(unit, cap, "%.*s", (int)(close - open), open);
}

/* Factor and shift of a unit as written. */
static int take_unit(struct record_signal *s, const char *unit)
{
    static const struct {
        const char *written, *ours;
    } words[] = {{"°C", "degC"}, {"C", "degC"},    {"ºC", "degC"},     {"VAC", "V"},  {"VDC", "V"}, {"ADC", "A"},
                 {"AAC", "A"},   {"rpm", "1/min"}, {"U/min", "1/min"}, {"Volt", "V"}, {"Amp", "A"}, {"Ampere", "A"}};
    enum dimension dim, wanted = signal_kind_dimension(s->kind);
    if (wanted == DIM_TEMPERATURE && (strcmp(unit, "°F") == 0 || strcmp(unit, "degF") == 0 || strcmp(unit, "F") == 0)) {
        s->factor = 5.0 / 9.0;
        s->shift = -160.0 / 9.0;
        return 0;
    }
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
        if (strcasecmp(unit, words[i].written) == 0)
            unit = words[i].ours;
    s->shift = 0;
    return unit_dimension(unit, &dim, &s->factor) == 0 && dim == wanted ? 0 : -1;
}

static int resolve_unit(struct record_signal *s, const char *head, const char *row_unit,
                        struct record_warnings *warnings, struct error *err)
{
    char unit[32];
    const char *name = signal_kind_name(s->kind);
    enum dimension dim = signal_kind_dimension(s->kind);
    unit_of_head(head, unit, sizeof unit);
    const char *written = s->unit[0] ? s->unit : row_unit[0] ? row_unit : unit;
    if (dim == DIM_NUMBER)
        return 0;
    if (written[0]) {
        if (take_unit(s, written) != 0)
            return error_set(err, "%s: \"%s\" is no unit of %s; state it: --column \"%s=%s;unit=%s\"", name, written,
                             name, name, s->head, dimension_unit(dim));
        (void)text_copy(s->unit, sizeof s->unit, written);
        return 0;
    }
    (void)text_copy(s->unit, sizeof s->unit, dimension_unit(dim));
    if (kind_of_head(head) != s->kind || strlen(head) == strlen(name))
        record_warn(warnings, TROUBLE_UNIT, 0, "nothing states the unit of %s (\"%.60s\"): taken as %s", name, head,
                    s->unit);
    return 0;
}

/* What nobody mapped and is named as an export names it. */
static void take_own_names(struct record_map *m, const struct csv_row *heads)
{
    static const char *const times[] = {"elapsed_s", "time_s", "time_utc", "time", "timestamp"};
    for (size_t k = 0; m->time_count == 0 && k < sizeof times / sizeof times[0]; k++) {
        for (int i = 0; i < heads->count; i++) {
            if (strcasecmp(heads->cells[i], times[k]) != 0)
                continue;
            (void)text_copy(m->time_heads[0], MAP_HEAD_CAP, times[k]);
            m->time_count = 1;
            break;
        }
    }
    for (int i = 0; i < heads->count; i++) {
        enum signal_kind kind = kind_of_head(heads->cells[i]);
        if (strcmp(heads->cells[i], "half_width_s") == 0)
            m->half_column = i;
        else if (strcmp(heads->cells[i], "lost") == 0)
            m->lost_column = i;
        else if (strcmp(heads->cells[i], "time_utc") == 0)
            m->utc_column = i;
        else if (kind != SIG_OTHER && !find_signal(m, kind) && m->count < MAP_SIGNALS_MAX)
            (void)add_signal(m, kind, heads->cells[i]);
    }
}

static int resolve_time(struct record_map *m, const struct csv_row *heads, int count, struct error *err)
{
    char all[400];
    list_heads(heads, all, sizeof all);
    if (m->time_count == 0)
        return error_set(err, "which column is the time? --time HEADING (or #N). %s%s",
                         all[0] ? "The headings are: " : "", all);
    for (int k = 0; k < m->time_count; k++) {
        m->time_columns[k] = find_column("--time", m->time_heads[k], heads, count, err);
        if (m->time_columns[k] < 0)
            return -1;
    }
    /* Two columns are a date and a time of day; one that is not said to be something else may be either. */
    if (!m->format_stated && (m->time_count == 2 || strcasecmp(m->time_heads[0], "time_utc") == 0))
        m->format.kind = STAMP_ISO;
    return 0;
}

/* A judgement without an uncertainty is one without a guard band: that is for a person to say. */
static int check_uncertainty(struct record_map *m, struct error *err)
{
    static const enum signal_kind judged[] = {SIG_I2, SIG_U2};
    for (size_t i = 0; i < sizeof judged / sizeof judged[0]; i++) {
        const struct record_signal *s = find_signal(m, judged[i]);
        if (s->uncertainty_stated || s->uncertainty_unknown)
            continue;
        return error_set(err,
                         "what is the meter of %s good for? By its data sheet or certificate: --column \"%s=%s;"
                         "uncertainty=0.5 %%\" (limits of error; expanded=... for k = 2). uncertainty=unknown judges "
                         "without a guard band, and says so",
                         signal_kind_name(s->kind), signal_kind_name(s->kind), s->head);
    }
    return 0;
}

int record_map_resolve(struct record_map *m, const struct csv_row *heads, const struct csv_row *units, int count,
                       struct record_warnings *warnings, struct error *err)
{
    if (heads)
        take_own_names(m, heads);
    m->column_count = count;
    if (resolve_time(m, heads, count, err) != 0)
        return -1;
    for (int i = 0; i < m->count; i++) {
        struct record_signal *s = &m->signals[i];
        char what[64];
        (void)text_format(what, sizeof what, "--column %s", signal_kind_name(s->kind));
        s->column = find_column(what, s->head, heads, count, err);
        if (s->column < 0)
            return -1;
        for (int k = 0; k < i; k++)
            if (m->signals[k].column == s->column)
                return error_set(err, "%s and %s are both mapped to column %d", signal_kind_name(m->signals[k].kind),
                                 signal_kind_name(s->kind), s->column + 1);
        const char *head = heads ? heads->cells[s->column] : "";
        if (heads)
            (void)text_copy(s->head, sizeof s->head, head);
        const char *row_unit = units && s->column < units->count ? units->cells[s->column] : "";
        if (resolve_unit(s, head, row_unit, warnings, err) != 0)
            return -1;
    }
    if (!find_signal(m, SIG_I2) || !find_signal(m, SIG_U2)) {
        const char *missing = find_signal(m, SIG_I2) ? "u2" : "i2";
        char all[400];
        list_heads(heads, all, sizeof all);
        return error_set(
            err,
            "which column is %s? A judgement needs welding current and load voltage: --column \"%s=HEADING\". %s%s",
            missing, missing, all[0] ? "The headings are: " : "", all);
    }
    return check_uncertainty(m, err);
}
