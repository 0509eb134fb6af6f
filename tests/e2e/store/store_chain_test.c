/* The whole way in one: virtual bench, daemon and client as programs over TCP, streaming to a real InfluxDB that is
 * killed while the unit is on-load and started again. What the store then holds of the run is compared with the journal
 * value for value: every column of every reading, event and verdict, and not one point more or less. */
#include <check.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "error.h"
#include "journal_read.h"
#include "real_store.h"
#include "tcp_bench.h"

enum { RATE = 60, SKIP = 77 };

static const char start_a[] =
    "run start A --unit HQ-0147 --point 1 --procedure proof --cycles 1 --start cold --who Ines --confirm-setup "
    "--control-at-maximum --accept time-to-open";

/* What a query brought back; one series. */
struct points {
    json_t *root, *columns, *rows;
    size_t at;
};

static struct points points_of(const struct real_store *s, const char *measurement)
{
    char query[128];
    struct points p = {0};
    text_format(query, sizeof query, "SELECT * FROM %s WHERE run_no = 1 ORDER BY time", measurement);
    char *text = real_store_query(s, query);
    p.root = json_loads(text, JSON_DECODE_INT_AS_REAL, NULL);
    ck_assert_msg(p.root != NULL, "%.500s", text);
    json_t *result = json_array_get(json_object_get(p.root, "results"), 0);
    json_t *series = json_array_get(json_object_get(result, "series"), 0);
    p.columns = json_object_get(series, "columns");
    p.rows = json_object_get(series, "values");
    free(text);
    return p;
}

static const json_t *cell(const struct points *p, const char *column)
{
    size_t i;
    json_t *name;
    json_array_foreach(p->columns, i, name)
    {
        if (strcmp(json_string_value(name), column) == 0)
            return json_array_get(json_array_get(p->rows, p->at), i);
    }
    return NULL;
}

/* NAN in the journal is no field in the store, and nothing else is. */
static void same_number(const struct points *p, const char *column, double want)
{
    const json_t *have = cell(p, column);
    if (!isfinite(want)) {
        ck_assert_msg(have == NULL || json_is_null(have), "point %zu, %s: the store has more", p->at, column);
        return;
    }
    ck_assert_msg(json_is_real(have) && json_real_value(have) == want,
                  "point %zu, %s: %.17g in the journal, %.17g in the store", p->at, column, want,
                  json_is_real(have) ? json_real_value(have) : (double)NAN);
}

static void same_text(const struct points *p, const char *column, const char *want)
{
    const char *have = json_string_value(cell(p, column));
    ck_assert_msg(strcmp(have ? have : "", want) == 0, "point %zu, %s: \"%s\", not \"%s\"", p->at, column,
                  have ? have : "", want);
}

static void is_there(const struct points *p)
{
    ck_assert_msg(p->at < json_array_size(p->rows), "the store has only %zu points", json_array_size(p->rows));
}

static int reading(void *ctx, const struct journal_reading *m)
{
    struct points *p = ctx;
    is_there(p);
    same_number(p, "time", (double)m->store_ms);
    for (int k = 0; k < SIG_OTHER; k++)
        same_number(p, signal_kind_name((enum signal_kind)k), m->values[k]);
    p->at++;
    return 0;
}

static int event(void *ctx, const struct journal_event *row)
{
    struct points *p = ctx;
    char name[16];
    is_there(p);
    same_number(p, "time", (double)row->store_ms);
    same_text(p, "kind", event_kind_name(row->event.kind));
    same_text(p, "channel", row->channel);
    same_text(p, "unit", row->serial);
    same_text(p, "text", row->event.text);
    same_number(p, "code", (double)row->event.code);
    same_number(p, "code2", (double)row->event.code2);
    for (int i = 0; i < row->event.value_count; i++) {
        text_format(name, sizeof name, "value%d", i);
        same_number(p, name, row->event.values[i]);
    }
    p->at++;
    return 0;
}

static int verdict(void *ctx, const struct journal_verdict *row)
{
    struct points *p = ctx;
    const struct verdict *v = &row->verdict;
    is_there(p);
    same_number(p, "time", (double)row->store_ms);
    same_number(p, "code", (double)v->kind);
    same_number(p, "basis_code", (double)v->basis);
    same_number(p, "cause_code", (double)v->cause);
    same_number(p, "at_rated_s", v->at_rated_s);
    same_number(p, "percent_on_delivered", v->percent_on_delivered);
    same_number(p, "current_a", v->current_a);
    same_number(p, "load_voltage_v", v->load_voltage_v);
    same_number(p, "shutoff_s", v->shutoff_s);
    same_number(p, "intake_degc", v->intake_degc);
    same_text(p, "reason", v->reason);
    same_text(p, "unit", row->serial);
    p->at++;
    return 0;
}

static struct journal_reader *open_journal(const struct tcp_bench *b)
{
    struct error err = {""};
    struct journal_reader *r = journal_reader_open(b->journal, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    return r;
}

/* Everything that is in the journal now is in the store for good. */
static void wait_settled(const struct tcp_bench *b)
{
    struct error err = {""};
    struct journal_cursor cursor;
    int64_t rows[FEED_COUNT_];
    struct journal_reader *r = open_journal(b);
    double end_s = tcp_bench_now_s() + 60;
    ck_assert_msg(journal_reader_last_rows(r, rows, &err) == 0, "%s", err.text);
    for (;;) {
        bool all = journal_reader_cursor(r, "shop", &cursor, &err) == 1;
        for (int i = 0; all && i < FEED_COUNT_; i++)
            all = cursor.settled[i] >= rows[i];
        if (all)
            break;
        ck_assert_msg(tcp_bench_now_s() < end_s, "%s", "the store never had it all");
        tcp_bench_pause(0.1);
    }
    journal_reader_close(r);
}

static void compare(const struct tcp_bench *b, const struct real_store *s, const char *measurement)
{
    struct error err = {""};
    struct journal_reader *r = open_journal(b);
    struct row_filter filter = row_filter_any();
    struct points p = points_of(s, measurement);
    filter.run_no = 1;
    int status = strcmp(measurement, "reading") == 0 ? journal_reader_readings(r, &filter, reading, &p, &err)
                 : strcmp(measurement, "event") == 0 ? journal_reader_events(r, &filter, event, &p, &err)
                                                     : journal_reader_verdicts(r, &filter, verdict, &p, &err);
    ck_assert_msg(status == 0, "%s", err.text);
    ck_assert_msg(p.at == json_array_size(p.rows), "%s: %zu in the journal, %zu in the store", measurement, p.at,
                  json_array_size(p.rows));
    ck_assert_msg(p.at > 0, "no %s at all", measurement);
    printf("%s: %zu points, value for value\n", measurement, p.at);
    json_decref(p.root);
    journal_reader_close(r);
}

START_TEST(a_run_arrives_once_though_the_store_was_killed)
{
    char stores[512], isolators[512], *output = NULL;
    struct real_store s;
    real_store_make(&s, REAL_INFLUXDB);
    text_format(stores, sizeof stores,
                "stores:\n  - {name: shop, kind: influxdb-v1, url: \"%s\", database: soak, settle: 1 s}\n", s.url);
    struct tcp_bench *b = tcp_bench_new(RATE, stores, tcp_bench_isolators(isolators, 300));
    /* Limits long against the unrest of a busy computer: they are not what is tested here. */
    tcp_bench_edit(b, "lease: 8 s", "lease: 25 s");
    tcp_bench_edit(b, "watchdog_time: 10 s", "watchdog_time: 30 s");
    tcp_bench_edit(b, "safety: 10 s", "safety: 30 s");
    tcp_bench_start_daemon(b);
    tcp_bench_prepare(b);
    tcp_bench_do(b, start_a);
    ck_assert(tcp_bench_wait_closed(b, 0, true, 10));
    tcp_bench_pause(1);
    real_store_kill(&s);
    tcp_bench_pause(1); /* a minute of the bench's time on-load with nobody to send to */
    real_store_start(&s);
    int status = tcp_bench_client(b, "run watch A", &output);
    ck_assert_msg(status == 0 && strstr(output, "held"), "exit %d: %.2000s", status, output);
    free(output);
    wait_settled(b);
    compare(b, &s, "reading");
    compare(b, &s, "event");
    compare(b, &s, "verdict");
    ck_assert_int_eq(tcp_bench_stop_daemon(b), 0);
    tcp_bench_free(b);
    real_store_remove(&s);
}
END_TEST

int main(void)
{
    if (!real_store_installed(REAL_INFLUXDB)) {
        fprintf(stderr, "skipped: no influxd on this computer\n");
        return SKIP;
    }
    Suite *suite = suite_create("store chain");
    TCase *t = tcase_create("store chain");
    tcase_set_timeout(t, 110);
    tcase_add_test(t, a_run_arrives_once_though_the_store_was_killed);
    suite_add_tcase(suite, t);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
