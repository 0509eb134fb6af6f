#include "replay_compare.h"

#include <jansson.h>
#include <stdlib.h>
#include <string.h>

#include "json_build.h"
#include "model_json.h"

enum { ENCODED_CAP = 2048 };

void differences_free(struct replay_differences *d)
{
    free(d->list);
    free(d->left[0]);
    free(d->left[1]);
    *d = (struct replay_differences){0};
}

void differences_add(struct replay_differences *d, const char *where, const char *field, const char *recorded,
                     const char *replayed)
{
    d->count++;
    if (d->kept == DIFFERENCES_MAX)
        return;
    if (d->kept == d->cap) {
        int cap = d->cap ? d->cap * 2 : 32;
        struct replay_difference *more = realloc(d->list, (size_t)cap * sizeof *more);
        if (!more)
            return;
        d->list = more;
        d->cap = cap;
    }
    struct replay_difference *to = &d->list[d->kept++];
    (void)text_copy(to->where, sizeof to->where, where);
    (void)text_copy(to->field, sizeof to->field, field);
    (void)text_copy(to->recorded, sizeof to->recorded, recorded);
    (void)text_copy(to->replayed, sizeof to->replayed, replayed);
}

/* A value as people read it: texts without quotes, numbers with as many digits as tell them apart. */
static void print_value(const json_t *value, char *to, size_t cap)
{
    if (json_is_string(value)) {
        (void)text_copy(to, cap, json_string_value(value));
        return;
    }
    char *text = value ? json_dumps(value, JSON_ENCODE_ANY | JSON_COMPACT) : NULL;
    if (text)
        json_shorten(text);
    (void)text_copy(to, cap, text ? text : "-");
    free(text);
}

static void tell(struct replay_differences *d, const char *where, const char *field, const json_t *was,
                 const json_t *is)
{
    char a[DIFFERENCE_CELL], b[DIFFERENCE_CELL];
    print_value(was, a, sizeof a);
    print_value(is, b, sizeof b);
    differences_add(d, where, field, a, b);
}

static const char *value_name(enum event_kind kind, size_t n)
{
    static const char *const cycle[] = {"commanded_s", "conducting_s",   "at_rated_s", "in_band_s",
                                        "current_a",   "load_voltage_v", "supply_v",   "intake_degc"};
    static const char *const shutoff[] = {"on_load_s", "confidence", "revises"};
    static const char *const reset[] = {"reset_s", "half_width_s"};
    switch (kind) {
    case EVENT_CYCLE:
        return n < sizeof cycle / sizeof cycle[0] ? cycle[n] : NULL;
    case EVENT_SHUTOFF:
    case EVENT_SHUTOFF_REVISED:
        return n < sizeof shutoff / sizeof shutoff[0] ? shutoff[n] : NULL;
    case EVENT_RESET_SEEN:
        return n < sizeof reset / sizeof reset[0] ? reset[n] : NULL;
    default:
        return NULL;
    }
}

static void compare_values(struct replay_differences *d, const char *where, enum event_kind kind, const json_t *was,
                           const json_t *is)
{
    size_t most = json_array_size(was) > json_array_size(is) ? json_array_size(was) : json_array_size(is);
    for (size_t n = 0; n < most; n++) {
        char field[40];
        const char *name = value_name(kind, n);
        if (json_equal(json_array_get(was, n), json_array_get(is, n)))
            continue;
        (void)text_format(field, sizeof field, "values[%zu]%s%s%s", n, name ? " (" : "", name ? name : "",
                          name ? ")" : "");
        tell(d, where, field, json_array_get(was, n), json_array_get(is, n));
    }
}

/* Keys that both or either have. kind: of an event, else 0. skip: a key that does not count. */
static void compare_objects(struct replay_differences *d, const char *where, enum event_kind kind, json_t *was,
                            json_t *is, const char *skip)
{
    const char *key;
    json_t *value;
    int64_t before = d->count;
    json_object_foreach(was, key, value)
    {
        const json_t *other = json_object_get(is, key);
        if (strcmp(key, skip) == 0 || json_equal(value, other))
            continue;
        if (kind && strcmp(key, "values") == 0)
            compare_values(d, where, kind, value, other);
        else
            tell(d, where, key, value, other);
    }
    json_object_foreach(is, key, value)
    {
        if (strcmp(key, skip) != 0 && !json_object_get(was, key))
            tell(d, where, key, NULL, value);
    }
    if (d->count == before) /* what no figure shows: the sign of a zero, a channel */
        differences_add(d, where, "bits", "differ", "differ");
    json_decref(was);
    json_decref(is);
}

static bool same_event(const struct event *a, const struct event *b, bool shifted)
{
    uint8_t bytes[2][ENCODED_CAP];
    struct writer w[2] = {writer_over(bytes[0], ENCODED_CAP), writer_over(bytes[1], ENCODED_CAP)};
    struct event other = *b;
    if (shifted)
        other.id = a->id;
    put_event(&w[0], a);
    put_event(&w[1], &other);
    return w[0].used == w[1].used && memcmp(bytes[0], bytes[1], w[0].used) == 0;
}

bool same_verdict(const struct verdict *a, const struct verdict *b)
{
    uint8_t bytes[2][ENCODED_CAP];
    struct writer w[2] = {writer_over(bytes[0], ENCODED_CAP), writer_over(bytes[1], ENCODED_CAP)};
    struct verdict other = *b;
    other.rules_version = a->rules_version;
    put_verdict(&w[0], a);
    put_verdict(&w[1], &other);
    return w[0].used == w[1].used && memcmp(bytes[0], bytes[1], w[0].used) == 0;
}

static bool alike(const struct event *a, const struct event *b)
{
    return a->kind == b->kind && a->channel == b->channel && a->run_no == b->run_no;
}

static void compare_event(struct replay_differences *d, const struct event *was, const struct event *is)
{
    char where[96];
    if (same_event(was, is, d->shifted))
        return;
    (void)text_format(where, sizeof where, "event %llu %s", (unsigned long long)was->id, event_kind_name(was->kind));
    compare_objects(d, where, was->kind, event_to_json(was, NULL), event_to_json(is, NULL), d->shifted ? "event" : "");
}

static void tell_one_side(struct replay_differences *d, const struct event *e, bool on_record)
{
    char where[96], what[DIFFERENCE_CELL];
    (void)text_format(where, sizeof where, "event %llu %s", (unsigned long long)e->id, event_kind_name(e->kind));
    (void)text_format(what, sizeof what, "code %d, %d%s%s", (int)e->code, (int)e->code2, e->text[0] ? ": " : "",
                      e->text);
    differences_add(d, where, "event", on_record ? what : "-", on_record ? "-" : what);
}

static void one_side(struct replay_differences *d, const struct event *e, bool on_record)
{
    int side = on_record ? 0 : 1;
    d->shifted = true;
    if (!d->left[side])
        d->left[side] = calloc(LEFT_MAX, sizeof *d->left[side]);
    if (!d->left[side] || d->left_count[side] == LEFT_MAX)
        tell_one_side(d, e, on_record);
    else
        d->left[side][d->left_count[side]++] = *e;
}

void compare_left(struct replay_differences *d)
{
    for (int i = 0; i < d->left_count[0]; i++) {
        const struct event *was = &d->left[0][i];
        int k = 0;
        while (k < d->left_count[1] && !(d->left[1][k].id > 0 && alike(was, &d->left[1][k])))
            k++;
        if (k == d->left_count[1]) {
            tell_one_side(d, was, true);
            continue;
        }
        compare_event(d, was, &d->left[1][k]);
        d->left[1][k].id = 0; /* paired */
    }
    for (int k = 0; k < d->left_count[1]; k++)
        if (d->left[1][k].id > 0)
            tell_one_side(d, &d->left[1][k], false);
    d->left_count[0] = d->left_count[1] = 0;
}

static int find(const struct event *list, int from, int count, const struct event *wanted)
{
    for (int i = from; i < count; i++)
        if (alike(&list[i], wanted))
            return i;
    return -1;
}

void compare_events(struct replay_differences *d, const struct event *was, int was_count, const struct event *is,
                    int is_count)
{
    int i = 0, k = 0;
    while (i < was_count && k < is_count) {
        if (alike(&was[i], &is[k])) {
            compare_event(d, &was[i++], &is[k++]);
            continue;
        }
        if (find(was, i, was_count, &is[k]) >= 0)
            one_side(d, &was[i++], true);
        else
            one_side(d, &is[k++], false);
    }
    while (i < was_count)
        one_side(d, &was[i++], true);
    while (k < is_count)
        one_side(d, &is[k++], false);
}

void compare_verdicts(struct replay_differences *d, const char *where, const struct verdict *was,
                      const struct verdict *is)
{
    if (!same_verdict(was, is))
        compare_objects(d, where, (enum event_kind)0, verdict_to_json(was), verdict_to_json(is), "rules_version");
}
