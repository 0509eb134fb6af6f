/* How near the journal and the renderer of lines come to what the bare library does with the same rows: rows a second
 * into the journal beside plain SQLite with the same pragmas, bytes a value at rest, and lines rendered and checked. */
#include <math.h>
#include <sqlite3.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "journal_fixture.h"
#include "line_protocol.h"
#include "speed.h"

enum { ROWS = 40000, ROUNDS = 5, VALUES = 12 };

static struct journal_reading row_of(int n)
{
    struct journal_reading m = fixture_reading((uint64_t)n + 1, 0, 1);
    for (int k = 0; k < VALUES; k++)
        m.values[k] = floor(1000.0 + 50.0 * sin(n * 0.001 + k)) / 10.0;
    return m;
}

static struct journal *open_journal(const char *path)
{
    struct error err = {""};
    struct bench *bench = calloc(1, sizeof *bench);
    struct journal *j = journal_open(path, JOURNAL_CREATE, &err);
    if (bench == NULL || j == NULL)
        speed_fail("open", err.text);
    (void)text_copy(bench->name, NAME_CAP, "north-bay");
    (void)text_copy(bench->channels[0].name, NAME_CAP, "A");
    bench->channel_count = 1;
    struct journal_session s = {.epoch = journal_next_epoch(j), .anchor_utc_ns = FIXTURE_UTC_NS, .rate = 1.0};
    if (journal_begin(j, &err) != 0 || journal_put_session(j, &s, bench, &err) != 0 || journal_commit(j, &err) != 0)
        speed_fail("session", err.text);
    free(bench);
    return j;
}

static double ours(const char *path, int batch, int rows)
{
    struct error err = {""};
    struct journal *j = open_journal(path);
    double begin = speed_now_s();
    for (int n = 0; n < rows;) {
        if (journal_begin(j, &err) != 0)
            speed_fail("begin", err.text);
        for (int i = 0; i < batch; i++, n++) {
            struct journal_reading m = row_of(n);
            if (journal_put_reading(j, &m, &err) != 0)
                speed_fail("reading", err.text);
        }
        if (journal_commit(j, &err) != 0)
            speed_fail("commit", err.text);
        if (n % 10000 == 0)
            (void)journal_checkpoint(j, false, &err);
    }
    double took = speed_now_s() - begin;
    (void)journal_checkpoint(j, true, &err);
    journal_close(j);
    return rows / took;
}

static double bare(const char *path, int batch, int rows)
{
    sqlite3 *db;
    sqlite3_stmt *st;
    if (sqlite3_open(path, &db) != SQLITE_OK ||
        sqlite3_exec(
            db,
            "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA wal_autocheckpoint=0;"
            "CREATE TABLE r(row INTEGER PRIMARY KEY, t INTEGER, a REAL, b REAL, c REAL, d REAL, e REAL, f REAL,"
            "g REAL, h REAL, i REAL, j REAL, k REAL, l REAL)",
            NULL, NULL, NULL) != SQLITE_OK ||
        sqlite3_prepare_v2(db, "INSERT INTO r VALUES(?,?,?,?,?,?,?,?,?,?,?,?,?,?)", -1, &st, NULL) != SQLITE_OK)
        speed_fail("sqlite", sqlite3_errmsg(db));
    double begin = speed_now_s();
    for (int n = 0; n < rows;) {
        (void)sqlite3_exec(db, "BEGIN IMMEDIATE", NULL, NULL, NULL);
        for (int i = 0; i < batch; i++, n++) {
            struct journal_reading m = row_of(n);
            (void)sqlite3_bind_int(st, 1, n + 1);
            (void)sqlite3_bind_int64(st, 2, m.stamp_ns / 1000);
            for (int k = 0; k < VALUES; k++)
                (void)sqlite3_bind_double(st, 3 + k, m.values[k]);
            if (sqlite3_step(st) != SQLITE_DONE)
                speed_fail("sqlite", sqlite3_errmsg(db));
            (void)sqlite3_reset(st);
        }
        (void)sqlite3_exec(db, "COMMIT", NULL, NULL, NULL);
        if (n % 10000 == 0)
            (void)sqlite3_wal_checkpoint_v2(db, NULL, SQLITE_CHECKPOINT_PASSIVE, NULL, NULL);
    }
    double took = speed_now_s() - begin;
    sqlite3_finalize(st);
    sqlite3_close(db);
    return rows / took;
}

static void clean(const char *path)
{
    static const char *const ends[] = {"", "-wal", "-shm", "-journal", ".lock"};
    for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
        char name[256];
        (void)snprintf(name, sizeof name, "%s%s", path, ends[i]);
        (void)unlink(name);
    }
}

static void compare(const char *dir, int batch, int rows)
{
    double a[ROUNDS], b[ROUNDS];
    char path[80], plain[80];
    (void)snprintf(path, sizeof path, "%s/speed-journal.db", dir);
    (void)snprintf(plain, sizeof plain, "%s/speed-plain.db", dir);
    double bytes = 0.0;
    for (int i = 0; i < ROUNDS; i++) {
        clean(path);
        clean(plain);
        a[i] = ours(path, batch, rows);
        b[i] = bare(plain, batch, rows);
        struct stat st;
        bytes = stat(path, &st) == 0 ? (double)st.st_size / ((double)rows * VALUES) : 0.0;
    }
    clean(path);
    clean(plain);
    double journal = speed_median(a, ROUNDS), plain_sqlite = speed_median(b, ROUNDS);
    (void)printf("%5d rows a batch: journal %8.0f rows/s, plain SQLite %8.0f rows/s, ratio %.2f; %.1f bytes a value\n",
                 batch, journal, plain_sqlite, journal / plain_sqlite, bytes);
}

enum { SEALED_ROWS = 200 * 1000 };

/* Bytes that the file needs with its free pages given back. */
static double compact_bytes(const char *path)
{
    sqlite3 *db;
    struct stat st;
    if (sqlite3_open(path, &db) != SQLITE_OK || sqlite3_exec(db, "VACUUM", NULL, NULL, NULL) != SQLITE_OK)
        speed_fail("compact", sqlite3_errmsg(db));
    (void)sqlite3_wal_checkpoint_v2(db, NULL, SQLITE_CHECKPOINT_TRUNCATE, NULL, NULL);
    sqlite3_close(db);
    return stat(path, &st) == 0 ? (double)st.st_size : 0.0;
}

static int64_t counted(const char *path, const char *text)
{
    sqlite3 *db;
    sqlite3_stmt *st;
    if (sqlite3_open(path, &db) != SQLITE_OK || sqlite3_prepare_v2(db, text, -1, &st, NULL) != SQLITE_OK ||
        sqlite3_step(st) != SQLITE_ROW)
        speed_fail("count", sqlite3_errmsg(db));
    int64_t n = sqlite3_column_int64(st, 0);
    sqlite3_finalize(st);
    sqlite3_close(db);
    return n;
}

static void seal_all(struct journal *j, int *steps, double *took, double *longest)
{
    struct error err = {""};
    const struct journal_upkeep u = {.seal_before_utc_us = INT64_MAX / 2};
    int rc;
    *steps = 0;
    *longest = 0.0;
    double begin = speed_now_s();
    for (double last = begin; (rc = journal_maintain(j, &u, &err)) == 1; ++*steps) {
        double now = speed_now_s();
        *longest = now - last > *longest ? now - last : *longest;
        last = now;
    }
    *took = speed_now_s() - begin;
    if (rc < 0)
        speed_fail("seal", err.text);
}

/* What sealed readings cost at rest: the whole file with and without the summaries of seconds, and without values (the
 * times, numbers and masks of the rows), so that each has a line of its own. */
static void sealed(const char *dir, int kind, const char *name)
{
    char path[80];
    struct error err = {""};
    (void)snprintf(path, sizeof path, "%s/speed-sealed.db", dir);
    clean(path);
    struct journal *j = open_journal(path);
    uint64_t state = 88172645463325252u;
    for (int n = 0; n < SEALED_ROWS;) {
        if (journal_begin(j, &err) != 0)
            speed_fail("begin", err.text);
        for (int i = 0; i < 1000; i++, n++) {
            struct journal_reading m = row_of(n);
            for (int k = 0; k <= SIG_FEEDBACK && k < SIG_KIND_COUNT_; k++) {
                state = state * 6364136223846793005u + 1442695040888963407u;
                double noise = (double)(state >> 11) / 9007199254740992.0 - 0.5;
                double v = 100.0 + 5.0 * sin(n * 0.001 + k) + 0.3 * noise;
                m.values[k] = k >= VALUES || kind == 0 ? (double)NAN : kind == 1 ? floor(v * 10.0) / 10.0 : v;
            }
            state = state * 6364136223846793005u + 1442695040888963407u;
            m.stamp_ns += (int64_t)((state >> 40) % 200) * 1000;
            if (journal_put_reading(j, &m, &err) != 0)
                speed_fail("reading", err.text);
        }
        if (journal_commit(j, &err) != 0)
            speed_fail("commit", err.text);
    }
    int steps;
    double took, longest;
    seal_all(j, &steps, &took, &longest);
    (void)journal_checkpoint(j, true, &err);
    journal_close(j);
    sqlite3 *db;
    if (sqlite3_open(path, &db) != SQLITE_OK || sqlite3_exec(db, "DELETE FROM reading_rows", NULL, NULL, NULL) !=
                                                    SQLITE_OK) /* the part of a block at the end */
        speed_fail("plain rows", sqlite3_errmsg(db));
    sqlite3_close(db);
    double rows = (double)counted(path, "SELECT sum(count) FROM reading_blocks");
    double all = compact_bytes(path);
    if (sqlite3_open(path, &db) != SQLITE_OK ||
        sqlite3_exec(db, "DELETE FROM second_rows", NULL, NULL, NULL) != SQLITE_OK)
        speed_fail("seconds", sqlite3_errmsg(db));
    sqlite3_close(db);
    double blocks = compact_bytes(path);
    (void)printf("sealed, %s: %.2f bytes a row in blocks (%.3f a value of %d), %.2f a row in seconds; %d steps, mean"
                 " %.0f ms, longest %.0f ms\n",
                 name, blocks / rows, blocks / rows / VALUES, VALUES, (all - blocks) / rows, steps, took / steps * 1e3,
                 longest * 1e3);
    clean(path);
}

static uint64_t next_random(uint64_t *state)
{
    *state = *state * 6364136223846793005u + 1442695040888963407u;
    return *state >> 11;
}

/* Readings as the engine takes them, ten a second. kind 0: no values; 1: steps of 0.1; 2: noise of full precision.
 * Stamp, length of the transaction and the time until the engine took it each jitter by some 200 us, in nanoseconds. */
static struct input input_of(int n, int kind, uint64_t *state)
{
    struct input in = {.seq = (uint64_t)n, .kind = INPUT_READINGS};
    in.u.readings.stamp_ns = n * INT64_C(100000000) + (int64_t)(next_random(state) % 200000);
    in.u.readings.half_width_ns = 1500000 + (int64_t)(next_random(state) % 200000);
    in.seen_ns = in.u.readings.stamp_ns + 1700000 + (int64_t)(next_random(state) % 200000);
    in.u.readings.count = kind == 0 ? 0 : VALUES;
    for (int k = 0; k < in.u.readings.count; k++) {
        double noise = (double)next_random(state) / 9007199254740992.0 - 0.5;
        double v = 100.0 + 5.0 * sin(n * 0.001 + k) + 0.3 * noise;
        in.u.readings.items[k] =
            (struct reading){.signal = k, .quality = QUALITY_GOOD, .value = kind == 1 ? floor(v * 10.0) / 10.0 : v};
    }
    return in;
}

static void put_inputs(struct journal *j, int count, int per_batch, int kind)
{
    struct error err = {""};
    uint8_t bytes[2048];
    uint64_t state = 88172645463325252u;
    for (int n = 1; n <= count;) {
        if (journal_begin(j, &err) != 0)
            speed_fail("begin", err.text);
        for (int i = 0; i < per_batch && n <= count; i++, n++) {
            struct input in = input_of(n, kind, &state);
            struct writer w = writer_over(bytes, sizeof bytes);
            put_input(&w, &in);
            if (journal_put_input(j, in.seq, bytes, w.used, &err) != 0)
                speed_fail("input", err.text);
        }
        if (journal_commit(j, &err) != 0)
            speed_fail("commit", err.text);
    }
    (void)journal_checkpoint(j, true, &err);
}

/* What the input log costs at rest, as it is committed and sealed: the file without what an empty one holds. */
static void inputs(const char *dir, int kind, const char *name, int per_batch)
{
    enum { INPUTS = 100 * 1000 };
    char path[256];
    struct error err = {""};
    int steps;
    double took, longest;
    sqlite3 *db;
    (void)snprintf(path, sizeof path, "%s/speed-inputs.db", dir);
    clean(path);
    journal_close(open_journal(path));
    double empty = compact_bytes(path);
    struct journal *j = open_journal(path);
    put_inputs(j, INPUTS, per_batch, kind);
    journal_close(j);
    double plain = compact_bytes(path) - empty;
    j = open_journal(path); /* the next session: the one before is sealed to its end */
    seal_all(j, &steps, &took, &longest);
    (void)journal_checkpoint(j, true, &err);
    journal_close(j);
    double at_rest = compact_bytes(path) - empty;
    if (sqlite3_open(path, &db) != SQLITE_OK ||
        sqlite3_exec(db, "DELETE FROM sealed_inputs", NULL, NULL, NULL) != SQLITE_OK)
        speed_fail("sealed inputs", sqlite3_errmsg(db));
    sqlite3_close(db);
    double chain = compact_bytes(path) - empty;
    (void)printf("inputs, %s, %d a batch: %.1f bytes an input as committed, %.2f sealed, of which the chain has %.2f",
                 name, per_batch, plain / INPUTS, at_rest / INPUTS, chain / INPUTS);
    if (kind != 0)
        (void)printf(" (%.3f a value of %d)", at_rest / INPUTS / VALUES, VALUES);
    (void)printf("; %d steps, mean %.0f ms, longest %.0f ms\n", steps, took / steps * 1e3, longest * 1e3);
    clean(path);
}

static void lines(void)
{
    struct line_text text = {0};
    struct error err;
    double render = 0.0, check = 0.0;
    for (int n = 0; n < ROWS; n++) {
        struct journal_reading m = row_of(n);
        m.store_ms = 1767323045000 + n;
        line_text_clear(&text);
        double begin = speed_now_s();
        (void)line_put_reading(&text, "north-bay", "A", &m);
        render += speed_now_s() - begin;
        begin = speed_now_s();
        if (line_check(text.text, text.used - 1, &err) != 0)
            speed_fail("line", err.text);
        check += speed_now_s() - begin;
    }
    (void)printf("lines of %zu bytes: rendered in %.0f ns, checked in %.0f ns\n", text.used, render / ROWS * 1e9,
                 check / ROWS * 1e9);
    line_text_free(&text);
}

int main(int argc, char **argv)
{
    const char *dir = argc > 1 ? argv[1] : "/tmp";
    compare(dir, 1, 1000);
    compare(dir, 10, 5000);
    compare(dir, 100, ROWS);
    compare(dir, 1000, ROWS);
    sealed(dir, 0, "times alone");
    sealed(dir, 1, "steps of 0.1");
    sealed(dir, 2, "full-precision noise");
    inputs(dir, 0, "no values", 1000);
    inputs(dir, 1, "steps of 0.1", 1000);
    inputs(dir, 2, "full-precision noise", 1000);
    inputs(dir, 1, "steps of 0.1", 10);
    lines();
    return 0;
}
