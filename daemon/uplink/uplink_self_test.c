#include <string.h>

#include "uplink_private.h"

static const char *bench_tag(const struct uplink *u)
{
    return u->setup.bench[0] != '\0' ? u->setup.bench : "bench";
}

/* A point of our own goes out and must come back with the same value at the same millisecond. Its stamp is that of the
 * newest row, so that no store finds it too old or too new. Returns -1 when an exchange was made. */
static int64_t write_marker(struct uplink *u, int64_t now_ns)
{
    struct uplink_batch *b = u->batch;
    struct error err = {""};
    struct batch_limits one = {.lines = 1, .bytes = 1, .with_text = false, .bench = u->setup.bench};
    int64_t after[FEED_COUNT_];
    for (int f = 0; f < FEED_COUNT_; f++)
        after[f] = u->status.newest[f] > 0 ? u->status.newest[f] - 1 : 0;
    if (uplink_batch_fill(b, u->reader, after, &one, &err) != 0 || b->lines == 0)
        return 0; /* nothing recorded yet: the test waits */
    u->marker_ms = b->only_ms;
    line_text_clear(&b->text);
    line_put_measurement(&b->text, "marker");
    char value[40];
    (void)double_print(value, readback_marker_value());
    char line[256];
    (void)text_copy(line, sizeof line, b->text.text);
    line_text_clear(&b->text);
    line_put_key(&b->text, bench_tag(u));
    (void)text_append(line, sizeof line, ",bench=%s value=%s %lld\n", b->text.text, value, (long long)u->marker_ms);
    store_http_write(u->http, line, strlen(line), u->answer);
    uplink_exchanged(u);
    if (u->answer->status == 204) {
        u->self_test_until_ns = now_ns + 90 * second_ns;
        return -1;
    }
    u->marker_ms = 0;
    if (u->answer->status == 400) {
        u->status.self_test = SELF_TEST_FAILED;
        uplink_tell(u, "self-test", u->answer->text);
        return -1;
    }
    if (u->answer->status == 401 || u->answer->status == 403 || u->answer->status == 404)
        return uplink_refused(u, now_ns);
    return uplink_lost(u, now_ns, "self-test");
}

/* Returns -1 when this call has made its exchange, a wait above zero when it failed, 0 when there is nothing to do. */
int64_t uplink_self_test(struct uplink *u, int64_t now_ns)
{
    if (u->status.self_test != SELF_TEST_OPEN)
        return 0;
    if (u->setup.kind == UPLINK_INFLUXDB_V2) {
        u->status.self_test = SELF_TEST_NOT_POSSIBLE; /* its query language is another matter */
        return 0;
    }
    if (u->marker_ms == 0)
        return write_marker(u, now_ns);
    /* A victoriametrics shows a point only after some ten seconds: ask each second, and send meanwhile. */
    if (now_ns < u->self_test_next_ns)
        return 0;
    u->self_test_next_ns = now_ns + second_ns;
    bool back = readback_marker(u->http, u->setup.kind, bench_tag(u), u->marker_ms, u->answer);
    uplink_exchanged(u);
    if (back) {
        u->status.self_test = SELF_TEST_PASSED;
    } else if (u->setup.kind == UPLINK_INFLUXDB_V1 || now_ns > u->self_test_until_ns) {
        u->status.self_test = SELF_TEST_FAILED;
        uplink_tell(u, "self-test: the marker did not come back as it was sent", u->answer->text);
    }
    return u->setup.kind == UPLINK_VICTORIAMETRICS ? 0 : -1;
}
