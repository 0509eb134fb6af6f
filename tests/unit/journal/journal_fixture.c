#include "journal_fixture.h"

#include <check.h>
#include <dirent.h>
#include <math.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

void fixture_make(struct fixture *f)
{
    (void)text_copy(f->dir, sizeof f->dir, "/tmp/journal-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(f->dir));
    (void)text_format(f->path, sizeof f->path, "%s/journal.db", f->dir);
}

void fixture_remove(const struct fixture *f)
{
    DIR *dir = opendir(f->dir);
    for (struct dirent *e; dir != NULL && (e = readdir(dir)) != NULL;) {
        char path[512];
        (void)text_format(path, sizeof path, "%s/%s", f->dir, e->d_name);
        if (e->d_name[0] != '.')
            (void)unlink(path);
    }
    if (dir != NULL)
        (void)closedir(dir);
    (void)rmdir(f->dir);
}

static void add_signal(struct bench *b, const char *name, enum signal_kind kind, int channel)
{
    struct bench_signal *s = &b->signals[b->signal_count];
    (void)text_copy(s->name, sizeof s->name, name);
    s->kind = kind;
    s->channel = channel;
    s->dim = signal_kind_dimension(kind);
    (void)text_copy(s->certificate, sizeof s->certificate, channel == 0 ? "HQ-C-118" : "HQ-C-119");
    if (channel >= 0)
        b->channels[channel].signal[kind] = b->signal_count;
    b->signal_count++;
}

struct bench *fixture_bench(void)
{
    struct bench *b = calloc(1, sizeof *b);
    ck_assert_ptr_nonnull(b);
    (void)text_copy(b->name, sizeof b->name, "north-bay");
    b->rate = 1.0;
    bench_limits_default(&b->limits);
    b->device_count = 1;
    b->bus_count = 1;
    (void)text_copy(b->bus_names[0], NAME_CAP, "rack");
    (void)text_copy(b->devices[0].name, NAME_CAP, "bank");
    b->devices[0].powered_from = -1;
    b->channel_count = 2;
    for (int c = 0; c < 2; c++) {
        struct bench_channel *ch = &b->channels[c];
        (void)text_copy(ch->name, sizeof ch->name, c == 0 ? "A" : "B");
        ch->circuit = -1;
        for (int k = 0; k < SIG_KIND_COUNT_; k++)
            ch->signal[k] = -1;
        ch->load.feedback_signal = -1;
        add_signal(b, c == 0 ? "a_i2" : "b_i2", SIG_I2, c);
        add_signal(b, c == 0 ? "a_u2" : "b_u2", SIG_U2, c);
    }
    return b;
}

struct journal *fixture_open(const struct fixture *f, int64_t utc_ns)
{
    struct error err = {""};
    struct journal *j = journal_open(f->path, JOURNAL_CREATE, &err);
    ck_assert_msg(j != NULL, "%s", err.text);
    struct bench *bench = fixture_bench();
    struct journal_session s = {.epoch = journal_next_epoch(j),
                                .boot_id = "boot",
                                .engine_version = "engine-1",
                                .program_version = "0",
                                .anchor_utc_ns = utc_ns,
                                .rate = 1.0};
    ck_assert_msg(journal_begin(j, &err) == 0, "%s", err.text);
    ck_assert_msg(journal_put_session(j, &s, bench, &err) == 0, "%s", err.text);
    ck_assert_msg(journal_put_blob(j, BLOB_CONFIG, "bench.yaml", "bench: north-bay\n", 17, NULL, &err) == 0, "%s",
                  err.text);
    ck_assert_msg(journal_commit(j, &err) == 0, "%s", err.text);
    free(bench);
    return j;
}

struct event fixture_event(uint64_t n, int32_t channel, int64_t run_no)
{
    struct event e = {.id = n,
                      .seq = n,
                      .kind = EVENT_CYCLE,
                      .channel = channel,
                      .run_no = run_no,
                      .seen_ns = (int64_t)n * 100000000 + 5000000,
                      .at_ns = (int64_t)n * 100000000,
                      .half_width_ns = 1500000,
                      .code = (int32_t)(n % 7),
                      .code2 = 1,
                      .value_count = 3,
                      .values = {0.1 * (double)n, 1.0 / 3.0, (double)NAN},
                      .text = "cycle \"valid\", so far"};
    return e;
}

struct journal_reading fixture_reading(uint64_t n, int32_t channel, int64_t run_no)
{
    struct journal_reading m = {.channel = channel,
                                .run_no = run_no,
                                .seq = n,
                                .stamp_ns = (int64_t)n * 100000000 + 123456,
                                .half_width_ns = 1500500};
    for (int k = 0; k < SIG_KIND_COUNT_; k++)
        m.values[k] = (double)NAN;
    m.values[SIG_I2] = 160.0 + sin((double)n) * 0.7;
    m.values[SIG_U2] = 16.4 + 0.1 * (double)(n % 5);
    m.values[SIG_FEEDBACK] = 5.0;
    return m;
}

struct verdict fixture_verdict(int64_t run_no, int32_t revision)
{
    struct verdict v = {.run_no = run_no,
                        .revision = revision,
                        .rules_version = 1,
                        .channel = 0,
                        .procedure = PROCEDURE_PROOF,
                        .kind = VERDICT_HELD,
                        .basis = BASIS_COLD_CYCLE,
                        .deviations = KIND_COLD_START | KIND_COOL_INTAKE,
                        .cycles_valid = 1,
                        .rated_percent_on = 40.0,
                        .rated_on_s = 240.0,
                        .commanded_s = 241.0,
                        .conducting_s = 240.9,
                        .at_rated_s = 240.25,
                        .in_band_s = 239.0,
                        .percent_on_demanded = 40.1,
                        .percent_on_delivered = 40.05,
                        .shutoff_s = (double)NAN,
                        .shutoff_half_width_s = (double)NAN,
                        .reset_s = (double)NAN,
                        .own_percent_on = (double)NAN,
                        .time_uncertainty_s = 0.2,
                        .current_a = 160.4,
                        .load_voltage_v = 16.42,
                        .supply_v = 229.0,
                        .intake_degc = 22.0,
                        .drift_k_per_h = (double)NAN};
    (void)text_copy(v.reason, sizeof v.reason, "held its rated current for the rated on-time from cold");
    return v;
}

struct input fixture_start(uint64_t seq, int64_t run_no, int32_t channel)
{
    struct input in = {.seq = seq, .seen_ns = (int64_t)seq * 100000000, .kind = INPUT_OPERATOR};
    in.u.operator_.verb = VERB_START;
    in.u.operator_.channel = channel;
    in.u.operator_.device = -1;
    struct run_request *q = &in.u.operator_.run;
    q->run_no = run_no;
    (void)text_copy(q->serial, sizeof q->serial, "HQ-0147");
    (void)text_copy(q->who, sizeof q->who, "bench 1");
    q->plate_version = 1;
    q->procedure = PROCEDURE_PROOF;
    q->cycles = 1;
    q->point = (struct rating_point){.process = PROCESS_TIG, .percent_on = 40.0, .current_a = 160.0, .cycle_s = 600.0};
    q->target_resistance_ohm = (double)NAN;
    q->baseline_u0_v = (double)NAN;
    return in;
}

static int put_rows(struct journal *j, uint64_t n, struct error *err)
{
    uint8_t bytes[1024];
    struct writer w = writer_over(bytes, sizeof bytes);
    struct input in = {.seq = n, .seen_ns = (int64_t)n * 100000000, .kind = INPUT_READINGS};
    in.u.readings.count = 2;
    in.u.readings.stamp_ns = in.seen_ns;
    put_input(&w, &in);
    if (journal_put_input(j, n, bytes, w.used, err) != 0)
        return -1;
    for (int c = 0; c < 2; c++) {
        struct journal_reading m = fixture_reading(n, c, c == 0 ? 1 : 0);
        if (journal_put_reading(j, &m, err) != 0)
            return -1;
    }
    struct event e = fixture_event(n, 0, 1);
    return n % 10 == 0 ? journal_put_event(j, &e, err) : 0;
}

int fixture_batch(struct journal *j, uint64_t n, struct error *err)
{
    if (journal_begin(j, err) == 0 && put_rows(j, n, err) == 0 && journal_commit(j, err) == 0)
        return 0;
    journal_rollback(j);
    return -1;
}

int64_t fixture_ask(const char *path, const char *text)
{
    sqlite3 *db;
    sqlite3_stmt *st;
    ck_assert_int_eq(sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
    ck_assert_msg(sqlite3_prepare_v2(db, text, -1, &st, NULL) == SQLITE_OK, "%s", sqlite3_errmsg(db));
    ck_assert_int_eq(sqlite3_step(st), SQLITE_ROW);
    int64_t value = sqlite3_column_int64(st, 0);
    sqlite3_finalize(st);
    sqlite3_close(db);
    return value;
}

void fixture_change(const char *path, const char *text)
{
    sqlite3 *db;
    ck_assert_int_eq(sqlite3_open(path, &db), SQLITE_OK);
    ck_assert_msg(sqlite3_exec(db, text, NULL, NULL, NULL) == SQLITE_OK, "%s", sqlite3_errmsg(db));
    sqlite3_close(db);
}

void fixture_copy_file(const char *from, const char *to)
{
    FILE *a = fopen(from, "rb"), *b = fopen(to, "wb");
    ck_assert(a != NULL && b != NULL);
    char bytes[65536];
    size_t n;
    while ((n = fread(bytes, 1, sizeof bytes, a)) > 0)
        ck_assert_uint_eq(fwrite(bytes, 1, n, b), n);
    ck_assert_int_eq(fclose(a), 0);
    ck_assert_int_eq(fclose(b), 0);
}

int fixture_keep_run(void *ctx, const struct journal_run *run)
{
    *(struct journal_run *)ctx = *run;
    return 0;
}
