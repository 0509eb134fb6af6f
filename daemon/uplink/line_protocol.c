#include "line_protocol.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "signals.h"

void line_text_clear(struct line_text *b)
{
    b->used = 0;
    b->bad = false;
}

void line_text_free(struct line_text *b)
{
    free(b->text);
    *b = (struct line_text){0};
}

static void put_raw(struct line_text *b, const char *text, size_t n)
{
    if (b->bad)
        return;
    if (b->cap - b->used < n + 1) {
        size_t cap = b->cap == 0 ? 4096 : b->cap;
        while (cap - b->used < n + 1)
            cap *= 2;
        char *grown = realloc(b->text, cap);
        if (grown == NULL) {
            b->bad = true;
            return;
        }
        b->text = grown;
        b->cap = cap;
    }
    memcpy(b->text + b->used, text, n);
    b->used += n;
    b->text[b->used] = '\0';
}

static void put(struct line_text *b, const char *text)
{
    put_raw(b, text, strlen(text));
}

/* A text of the protocol: the characters of special get a backslash, control characters become spaces. In names a
 * backslash would escape what follows it, and stores read several in a row each in its own way: it gives way to a
 * slash. */
static void put_escaped(struct line_text *b, const char *text, const char *special, bool name)
{
    for (const char *p = text; *p != '\0'; p++) {
        char c = *p;
        if ((unsigned char)c < 0x20 || c == 0x7f)
            c = ' ';
        if (name && c == '\\')
            c = '/';
        if (strchr(special, c) != NULL)
            put_raw(b, "\\", 1);
        put_raw(b, &c, 1);
    }
}

void line_put_measurement(struct line_text *b, const char *text)
{
    put_escaped(b, text, ", ", true);
}

void line_put_key(struct line_text *b, const char *text)
{
    put_escaped(b, text, ",= ", true);
}

void line_put_string(struct line_text *b, const char *text)
{
    put_raw(b, "\"", 1);
    put_escaped(b, text, "\"\\", false);
    put_raw(b, "\"", 1);
}

static int fits(char *to, const char *format, int precision, double value)
{
    (void)text_format(to, 32, format[1] == 'f' ? "%.*f" : "%.*g", precision, value);
    return strtod(to, NULL) == value;
}

/* The product with the scale may round to a whole number one decimal late: "16.420" is "16.42". */
static int trim_zeros(char *to)
{
    size_t n = strlen(to);
    if (strchr(to, '.') != NULL)
        while (to[n - 1] == '0')
            to[--n] = '\0';
    return (int)n;
}

int double_print(char *to, double value)
{
    /* Most readings are multiples of a meter's step: a few decimals are exact and quick to find. */
    double size = fabs(value);
    if (value == 0.0) {
        (void)text_copy(to, 32, "0");
        return 1;
    }
    if (size >= 1e-3 && size < 1e9) {
        double scale = 1.0;
        for (int decimals = 0; decimals <= 3; decimals++, scale *= 10.0) {
            double scaled = value * scale;
            if (scaled == (double)(int64_t)scaled && fits(to, "%f", decimals, value))
                return trim_zeros(to);
        }
    }
    for (int digits = 1; digits <= 17; digits++)
        if (fits(to, "%g", digits, value))
            break;
    return (int)strlen(to);
}

struct line {
    struct line_text *b;
    size_t begin;
    bool any; /* a field is there */
};

static struct line line_begin(struct line_text *b, const char *measurement)
{
    struct line l = {.b = b, .begin = b->used};
    line_put_measurement(b, measurement);
    return l;
}

static void tag(struct line *l, const char *key, const char *value)
{
    if (value[0] == '\0')
        return; /* an empty tag is refused by one store and moves the point to another series in the next */
    put_raw(l->b, ",", 1);
    line_put_key(l->b, key);
    put_raw(l->b, "=", 1);
    line_put_key(l->b, value);
}

static void field_key(struct line *l, const char *key)
{
    put_raw(l->b, l->any ? "," : " ", 1);
    line_put_key(l->b, key);
    put_raw(l->b, "=", 1);
    l->any = true;
}

static void field(struct line *l, const char *key, double value)
{
    if (!isfinite(value))
        return;
    char text[32];
    (void)double_print(text, value);
    field_key(l, key);
    put(l->b, text);
}

static void field_text(struct line *l, const char *key, const char *value)
{
    if (value[0] == '\0')
        return;
    field_key(l, key);
    line_put_string(l->b, value);
}

static int line_end(struct line *l, int64_t store_ms)
{
    char text[32];
    if (!l->any) {
        l->b->used = l->begin;
        return 0;
    }
    (void)text_format(text, sizeof text, " %lld\n", (long long)store_ms);
    put(l->b, text);
    return l->b->bad ? -1 : 1;
}

int line_put_reading(struct line_text *b, const char *bench, const char *channel, const struct journal_reading *m)
{
    struct line l = line_begin(b, "reading");
    tag(&l, "bench", bench);
    tag(&l, "channel", channel);
    bool any = false;
    for (int k = 0; k < SIG_OTHER; k++)
        any = any || isfinite(m->values[k]) || ((m->lost | m->back) >> k & 1) != 0;
    if (any)
        field(&l, "run_no", (double)m->run_no);
    for (int k = 0; k < SIG_OTHER; k++) {
        const char *name = signal_kind_name((enum signal_kind)k);
        char valid[NAME_CAP];
        (void)text_format(valid, sizeof valid, "%s_valid", name);
        field(&l, name, m->values[k]);
        if ((m->lost >> k & 1) != 0)
            field(&l, valid, 0.0);
        else if ((m->back >> k & 1) != 0)
            field(&l, valid, 1.0);
    }
    return line_end(&l, m->store_ms);
}

int line_put_event(struct line_text *b, const char *bench, const struct journal_event *row, bool with_text)
{
    const struct event *e = &row->event;
    struct line l = line_begin(b, "event");
    tag(&l, "bench", bench);
    tag(&l, "channel", row->channel);
    tag(&l, "kind", event_kind_name(e->kind));
    tag(&l, "unit", row->serial);
    field(&l, "run_no", (double)e->run_no);
    field(&l, "kind_code", (double)e->kind);
    field(&l, "code", (double)e->code);
    field(&l, "code2", (double)e->code2);
    field(&l, "half_width_s", (double)e->half_width_ns / 1e9);
    for (int i = 0; i < e->value_count && i < EVENT_VALUES_MAX; i++) {
        char name[16];
        (void)text_format(name, sizeof name, "value%d", i);
        field(&l, name, e->values[i]);
    }
    if (with_text)
        field_text(&l, "text", e->text);
    return line_end(&l, row->store_ms);
}

int line_put_verdict(struct line_text *b, const char *bench, const struct journal_verdict *row, bool with_text)
{
    const struct verdict *v = &row->verdict;
    struct line l = line_begin(b, "verdict");
    tag(&l, "bench", bench);
    tag(&l, "channel", row->channel);
    tag(&l, "unit", row->serial);
    const struct {
        const char *name;
        double value;
    } fields[] = {
        {"run_no", (double)v->run_no},
        {"revision", (double)v->revision},
        {"rules_version", (double)v->rules_version},
        {"code", (double)v->kind},
        {"basis_code", (double)v->basis},
        {"procedure_code", (double)v->procedure},
        {"cause_code", (double)v->cause},
        {"cause2_code", (double)v->cause_second},
        {"deviations", (double)v->deviations},
        {"cycles_valid", (double)v->cycles_valid},
        {"cycles_void", (double)v->cycles_void},
        {"rated_percent_on", v->rated_percent_on},
        {"rated_on_s", v->rated_on_s},
        {"commanded_s", v->commanded_s},
        {"conducting_s", v->conducting_s},
        {"at_rated_s", v->at_rated_s},
        {"in_band_s", v->in_band_s},
        {"percent_on_demanded", v->percent_on_demanded},
        {"percent_on_delivered", v->percent_on_delivered},
        {"shutoff_s", v->shutoff_s},
        {"shutoff_half_width_s", v->shutoff_half_width_s},
        {"reset_s", v->reset_s},
        {"own_percent_on", v->own_percent_on},
        {"time_uncertainty_s", v->time_uncertainty_s},
        {"current_a", v->current_a},
        {"load_voltage_v", v->load_voltage_v},
        {"supply_v", v->supply_v},
        {"intake_degc", v->intake_degc},
        {"drift_k_per_h", v->drift_k_per_h},
    };
    for (size_t i = 0; i < sizeof fields / sizeof fields[0]; i++)
        field(&l, fields[i].name, fields[i].value);
    if (with_text) {
        char digest[DIGEST_HEX_CAP];
        digest_print(&row->run_digest, digest);
        field_text(&l, "reason", v->reason);
        field_text(&l, "finding", v->finding);
        field_text(&l, "run_digest", digest);
    }
    return line_end(&l, row->store_ms);
}
