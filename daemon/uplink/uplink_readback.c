#include "uplink_readback.h"

#include <jansson.h>
#include <string.h>

/* Count in the n-th statement of a version 1 answer; 0 when the store has no such points; -1 when it makes no sense. */
static int64_t count_in(const json_t *root, size_t n)
{
    const json_t *result = json_array_get(json_object_get(root, "results"), n);
    if (result == NULL || json_object_get(result, "error") != NULL)
        return -1;
    const json_t *series = json_array_get(json_object_get(result, "series"), 0);
    if (series == NULL)
        return 0;
    const json_t *row = json_array_get(json_object_get(series, "values"), 0);
    const json_t *count = json_array_get(row, 1);
    return json_is_number(count) ? (int64_t)json_number_value(count) : -1;
}

static void quote(char *to, size_t cap, const char *name)
{
    size_t used = 0;
    for (const char *p = name; *p != '\0' && used + 3 < cap; p++) {
        if (*p == '\'' || *p == '\\')
            to[used++] = '\\';
        to[used++] = *p;
    }
    to[used] = '\0';
}

int readback_counts(struct store_http *http, const char *bench_name, const struct pending *p,
                    struct store_answer *answer)
{
    static const char *const measurement[FEED_COUNT_] = {"reading", "event", "verdict"};
    char query[2048] = "", bench[2 * NAME_CAP];
    enum feed asked[FEED_COUNT_];
    size_t count = 0;
    quote(bench, sizeof bench, bench_name);
    for (int f = 0; f < FEED_COUNT_; f++) {
        if (p->lines[f] == 0)
            continue;
        (void)text_append(query, sizeof query,
                          "SELECT count(\"run_no\") FROM \"%s\" WHERE \"bench\" = '%s' AND time >= %lldms AND time <= "
                          "%lldms;",
                          measurement[f], bench, (long long)p->first_ms[f], (long long)p->last_ms[f]);
        asked[count++] = (enum feed)f;
    }
    if (count == 0)
        return 1;
    store_http_query(http, query, answer);
    if (answer->status != 200)
        return -1;
    json_t *root = json_loads(answer->text, 0, NULL);
    int rc = root == NULL ? -1 : 1;
    for (size_t i = 0; rc == 1 && i < count; i++) {
        int64_t found = count_in(root, i);
        if (found < 0)
            rc = -1;
        else if (found < p->lines[asked[i]])
            rc = 0;
    }
    json_decref(root);
    return rc;
}

double readback_marker_value(void)
{
    /* More digits than a narrow float has, fewer than a double: a store that narrows shows it. */
    return 1234.5678;
}

bool readback_marker(struct store_http *http, enum uplink_kind kind, const char *bench, int64_t marker_ms,
                     struct store_answer *answer)
{
    char ask[512], want[96], name[2 * NAME_CAP];
    quote(name, sizeof name, bench);
    if (kind == UPLINK_VICTORIAMETRICS) {
        (void)text_format(ask, sizeof ask, "marker_value{bench='%s'}", name);
        store_http_export(http, ask, answer);
        (void)text_format(want, sizeof want, "%lld", (long long)marker_ms);
        return answer->status == 200 && strstr(answer->text, want) != NULL && strstr(answer->text, "1234.5678") != NULL;
    }
    (void)text_format(ask, sizeof ask, "SELECT \"value\" FROM \"marker\" WHERE \"bench\" = '%s' AND time = %lldms",
                      name, (long long)marker_ms);
    store_http_query(http, ask, answer);
    (void)text_format(want, sizeof want, "[%lld,1234.5678]", (long long)marker_ms);
    return answer->status == 200 && strstr(answer->text, want) != NULL;
}
