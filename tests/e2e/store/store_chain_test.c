/* The whole way in one: virtual bench, daemon and client as programs over TCP, streaming to a real InfluxDB that is
 * killed while the unit is on-load and started again. What the store then holds of the run is compared with the journal
 * value for value: every column of every reading, event and verdict, no column that is not expected, and not one point
 * more or less. The names are those of docs/store-schema.md. */
#include <check.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "error.h"
#include "journal_read.h"
#include "real_store.h"
#include "suite_run.h"
#include "tcp_bench.h"

enum { RATE = 60, SKIP = 77, COLUMNS_MAX = 128 };

static const char start_a[] =
    "run start A --unit HQ-0147 --point 1 --procedure proof --cycles 1 --start cold --who Ines --confirm-setup "
    "--control-at-maximum --accept time-to-open";

/* What a query brought back; one series. */
struct points {
    json_t *root, *columns, *rows;
    size_t at;
    bool looked_at[COLUMNS_MAX]; /* columns of the present point that were compared */
    uint32_t good, gone;         /* signals whose latest word in the journal was a good value, or a loss */
    int lost, back;              /* samples of a loss and of a return */
    int64_t until_ms;            /* readings after this may still be on their way */
    const struct bench *bench;
};

/* Readings are those of channel A in the whole session, until the run's end; events and verdicts the run's. */
static struct points points_of(const struct real_store *s, const char *measurement, int64_t until_ms)
{
    char query[160];
    struct points p = {.until_ms = until_ms};
    if (strcmp(measurement, "reading") == 0)
        text_format(query, sizeof query, "SELECT * FROM reading WHERE channel = 'A' AND time <= %lldms ORDER BY time",
                    (long long)until_ms);
    else
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

static const json_t *cell(struct points *p, const char *column)
{
    size_t i;
    json_t *name;
    json_array_foreach(p->columns, i, name)
    {
        if (strcmp(json_string_value(name), column) != 0)
            continue;
        p->looked_at[i] = true;
        return json_array_get(json_array_get(p->rows, p->at), i);
    }
    return NULL;
}

/* NAN in the journal is no field in the store, and nothing else is. */
static void same_number(struct points *p, const char *column, double want)
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

static void same_text(struct points *p, const char *column, const char *want)
{
    const char *have = json_string_value(cell(p, column));
    ck_assert_msg(strcmp(have ? have : "", want) == 0, "point %zu, %s: \"%s\", not \"%s\"", p->at, column,
                  have ? have : "", want);
}

static void begin_point(struct points *p)
{
    ck_assert_msg(p->at < json_array_size(p->rows), "the store has only %zu points", json_array_size(p->rows));
    ck_assert_uint_le(json_array_size(p->columns), COLUMNS_MAX);
    memset(p->looked_at, 0, sizeof p->looked_at);
    same_text(p, "bench", p->bench->name);
}

/* Whatever was not compared must not be there. */
static void end_point(struct points *p)
{
    size_t i;
    json_t *name;
    json_array_foreach(p->columns, i, name)
    {
        const json_t *have = json_array_get(json_array_get(p->rows, p->at), i);
        ck_assert_msg(p->looked_at[i] || json_is_null(have), "point %zu: %s is in the store and not in the journal",
                      p->at, json_string_value(name));
    }
    p->at++;
}

/* 0 where a signal was due and is not good, 1 where it is good again or for the first time in the session: found here
 * from the values alone, row by row. */
static void same_valid(struct points *p, const struct journal_reading *m)
{
    char name[NAME_CAP];
    for (int k = 0; k < SIG_OTHER; k++) {
        uint32_t bit = UINT32_C(1) << k;
        bool lost = (m->lost & bit) != 0, back = isfinite(m->values[k]) && !(p->good & bit);
        text_format(name, sizeof name, "%s_valid", signal_kind_name((enum signal_kind)k));
        same_number(p, name, lost ? 0 : back ? 1 : NAN);
        p->lost += lost;
        p->back += back && (p->gone & bit) != 0;
        if (isfinite(m->values[k]))
            p->good |= bit;
        if (lost) {
            p->good &= ~bit;
            p->gone |= bit;
        }
    }
}

static int reading(void *ctx, const struct journal_reading *m)
{
    struct points *p = ctx;
    if (m->channel != 0 || m->store_ms > p->until_ms)
        return 0;
    begin_point(p);
    same_number(p, "time", (double)m->store_ms);
    same_number(p, "run_no", (double)m->run_no);
    same_text(p, "channel", "A");
    for (int k = 0; k < SIG_OTHER; k++)
        same_number(p, signal_kind_name((enum signal_kind)k), m->values[k]);
    same_valid(p, m);
    end_point(p);
    return 0;
}

static int latest(void *ctx, const struct journal_reading *m)
{
    int64_t *ms = ctx;
    if (m->channel == 0 && m->store_ms > *ms)
        *ms = m->store_ms;
    return 0;
}

static int event(void *ctx, const struct journal_event *row)
{
    struct points *p = ctx;
    const struct event *e = &row->event;
    char name[16];
    begin_point(p);
    same_number(p, "time", (double)row->store_ms);
    same_number(p, "run_no", 1);
    same_text(p, "kind", event_kind_name(e->kind));
    same_number(p, "kind_code", (double)e->kind);
    same_text(p, "channel", row->channel);
    same_text(p, "unit", row->serial);
    same_text(p, "text", e->text);
    same_number(p, "code", (double)e->code);
    same_number(p, "code2", (double)e->code2);
    same_number(p, "half_width_s", (double)e->half_width_ns / 1e9);
    for (int i = 0; i < e->value_count; i++) {
        text_format(name, sizeof name, "value%d", i);
        same_number(p, name, e->values[i]);
    }
    end_point(p);
    return 0;
}

static int verdict(void *ctx, const struct journal_verdict *row)
{
    struct points *p = ctx;
    const struct verdict *v = &row->verdict;
    char digest[DIGEST_HEX_CAP];
    digest_print(&row->run_digest, digest);
    begin_point(p);
    same_number(p, "time", (double)row->store_ms);
    same_text(p, "channel", p->bench->channels[v->channel].name);
    same_text(p, "unit", row->serial);
    const struct {
        const char *name;
        double value;
    } figures[] = {
        {"run_no", (double)v->run_no},
        {"revision", v->revision},
        {"rules_version", v->rules_version},
        {"code", v->kind},
        {"basis_code", v->basis},
        {"procedure_code", v->procedure},
        {"cause_code", v->cause},
        {"cause2_code", v->cause_second},
        {"deviations", v->deviations},
        {"cycles_valid", v->cycles_valid},
        {"cycles_void", v->cycles_void},
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
    for (size_t i = 0; i < sizeof figures / sizeof figures[0]; i++)
        same_number(p, figures[i].name, figures[i].value);
    same_text(p, "reason", v->reason);
    same_text(p, "finding", v->finding);
    same_text(p, "run_digest", digest);
    end_point(p);
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
static void wait_settled(const struct tcp_bench *b, const char *store)
{
    struct error err = {""};
    struct journal_cursor cursor;
    int64_t rows[FEED_COUNT_];
    struct journal_reader *r = open_journal(b);
    double end_s = tcp_bench_now_s() + 60;
    ck_assert_msg(journal_reader_last_rows(r, rows, &err) == 0, "%s", err.text);
    for (;;) {
        bool all = journal_reader_cursor(r, store, &cursor, &err) == 1;
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
    int64_t until_ms = 0;
    filter.run_no = 1;
    ck_assert_msg(journal_reader_readings(r, &filter, latest, &until_ms, &err) == 0, "%s", err.text);
    struct points p = points_of(s, measurement, until_ms);
    struct bench *bench = calloc(1, sizeof *bench);
    bool readings = strcmp(measurement, "reading") == 0;
    ck_assert_ptr_nonnull(bench);
    ck_assert_msg(journal_reader_bench(r, 1, bench, &err) > 0, "%s", err.text);
    p.bench = bench;
    if (readings)
        filter = row_filter_any();
    int status = readings                            ? journal_reader_readings(r, &filter, reading, &p, &err)
                 : strcmp(measurement, "event") == 0 ? journal_reader_events(r, &filter, event, &p, &err)
                                                     : journal_reader_verdicts(r, &filter, verdict, &p, &err);
    ck_assert_msg(status == 0, "%s", err.text);
    ck_assert_msg(p.at == json_array_size(p.rows), "%s: %zu in the journal, %zu in the store", measurement, p.at,
                  json_array_size(p.rows));
    ck_assert_msg(p.at > 0, "no %s at all", measurement);
    ck_assert_msg(!readings || (p.lost > 0 && p.back > 0), "%d losses and %d returns were compared", p.lost, p.back);
    printf("%s: %zu points, value for value\n", measurement, p.at);
    json_decref(p.root);
    free(bench);
    journal_reader_close(r);
}

/* ---- sent again on order ---- */

/* The daemon rewinds the store's cursor on its next round: seen, or over again already. */
static void resend(struct tcp_bench *b, const char *words, const char *store)
{
    struct error err = {""};
    struct journal_cursor before, now;
    char *output = NULL;
    struct journal_reader *r = open_journal(b);
    ck_assert_int_eq(journal_reader_cursor(r, store, &before, &err), 1);
    int status = tcp_bench_client(b, words, &output);
    ck_assert_msg(status == 0 && strstr(output, "again"), "exit %d: %.500s", status, output);
    free(output);
    double end_s = tcp_bench_now_s() + 5;
    do {
        tcp_bench_pause(0.05);
        ck_assert_int_eq(journal_reader_cursor(r, store, &now, &err), 1);
    } while (now.settled[FEED_EVENTS] >= before.settled[FEED_EVENTS] && tcp_bench_now_s() < end_s);
    journal_reader_close(r);
}

static int64_t events_of_run(const struct real_store *s)
{
    struct points p = points_of(s, "event", 0);
    int64_t count = (int64_t)json_array_size(p.rows);
    json_decref(p.root);
    return count;
}

/* What the store lost is there again, and nothing is there twice. */
static void resend_to_influx(struct tcp_bench *b, const struct real_store *s)
{
    static const char *const words[] = {"uplink resend 1 --store shop", "uplink resend --since 2000-01-01"};
    for (size_t i = 0; i < 2; i++) {
        int64_t events = events_of_run(s);
        free(real_store_query(s, "DROP MEASUREMENT event"));
        free(real_store_query(s, "DROP MEASUREMENT verdict"));
        if (i == 1)
            free(real_store_query(s, "DROP MEASUREMENT reading"));
        resend(b, words[i], "shop");
        double end_s = tcp_bench_now_s() + 60;
        while (events_of_run(s) < events && tcp_bench_now_s() < end_s)
            tcp_bench_pause(0.1);
        wait_settled(b, "shop");
        compare(b, s, "reading");
        compare(b, s, "event");
        compare(b, s, "verdict");
    }
}

/* Stamps of channel A's current in the journal, up to the run's end. */
struct stamps {
    json_t *have;
    size_t at;
    int64_t until_ms;
};

static int same_stamp(void *ctx, const struct journal_reading *m)
{
    struct stamps *k = ctx;
    if (m->channel != 0 || m->store_ms > k->until_ms || !isfinite(m->values[SIG_I2]))
        return 0;
    int64_t have = (int64_t)json_number_value(json_array_get(k->have, k->at));
    ck_assert_msg(have == m->store_ms, "point %zu: %lld in the store, %lld in the journal", k->at, (long long)have,
                  (long long)m->store_ms);
    k->at++;
    return 0;
}

/* Does victoriametrics hold as many samples of the run's current as the journal, each once? It shows them late. */
static void compare_stamps(const struct tcp_bench *b, const struct real_store *s)
{
    struct error err = {""};
    struct row_filter filter = row_filter_any();
    struct stamps k = {0};
    struct journal_reader *r = open_journal(b);
    filter.run_no = 1;
    ck_assert_msg(journal_reader_readings(r, &filter, latest, &k.until_ms, &err) == 0, "%s", err.text);
    char *text = real_store_query(s, "reading_i2{channel=\"A\"}");
    json_t *root = json_loads(text, JSON_DISABLE_EOF_CHECK, NULL);
    ck_assert_msg(root != NULL, "%.200s", text);
    k.have = json_object_get(root, "timestamps");
    ck_assert_msg(journal_reader_readings(r, NULL, same_stamp, &k, &err) == 0, "%s", err.text);
    ck_assert_uint_gt(k.at, 100);
    while (k.at < json_array_size(k.have)) /* later ones */
        ck_assert_int_gt((int64_t)json_number_value(json_array_get(k.have, k.at++)), k.until_ms);
    printf("victoriametrics: %zu samples of the current, each once\n", k.at);
    json_decref(root);
    free(text);
    journal_reader_close(r);
}

/* The store lost its disk and gets everything again; once more, and it holds nothing twice: with its de-duplication on,
 * as deploy/stores/ has it. Without it this kind of store keeps both. */
static void resend_to_victoria(struct tcp_bench *b, struct real_store *s)
{
    wait_settled(b, "yard");
    compare_stamps(b, s);
    real_store_kill(s);
    real_store_wipe(s);
    real_store_start(s);
    for (int i = 0; i < 2; i++) {
        resend(b, "uplink resend --since 2000-01-01 --store yard", "yard");
        wait_settled(b, "yard");
        compare_stamps(b, s);
    }
}

START_TEST(a_run_arrives_once_though_the_store_was_killed)
{
    char stores[512], isolators[512], scenario[768], *output = NULL;
    struct real_store s, yard;
    bool two = real_store_installed(REAL_VICTORIAMETRICS);
    real_store_make(&s, REAL_INFLUXDB);
    text_format(stores, sizeof stores,
                "stores:\n  - {name: shop, kind: influxdb-v1, url: \"%s\", database: soak, settle: 1 s}\n", s.url);
    if (two) {
        real_store_make(&yard, REAL_VICTORIAMETRICS);
        text_append(stores, sizeof stores, "  - {name: yard, kind: victoriametrics, url: \"%s\", settle: 1 s}\n",
                    yard.url);
    }
    /* The scanner answers nothing of use for a while: short enough to be borne, long enough to be told. */
    text_format(scenario, sizeof scenario,
                "%s  - {at_s: 420, do: fault, kind: exception, device: scanner, code: 4, for_s: 40}\n",
                tcp_bench_isolators(isolators, 300));
    struct tcp_bench *b = tcp_bench_new(RATE, stores, scenario);
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
    wait_settled(b, "shop");
    compare(b, &s, "reading");
    compare(b, &s, "event");
    compare(b, &s, "verdict");
    resend_to_influx(b, &s);
    if (two) {
        resend_to_victoria(b, &yard);
        real_store_remove(&yard);
    }
    /* Beside all that, the daemon looked once through the whole file. */
    tcp_bench_log(b, "the file was checked and is sound", true);
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
    return suite_run(suite);
}
