#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "journal_fixture.h"
#include "power_cut.h"
#include "suite_run.h"

#define OK(call) ck_assert_msg((call) == 0, "%s", err.text)

static void assert_sound(const char *path)
{
    struct error err = {""};
    struct journal_check_result result;
    struct journal_reader *r = journal_reader_open(path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    ck_assert_msg(journal_reader_check(r, &err) == 0, "%s", err.text);
    OK(journal_verify(r, NULL, NULL, NULL, &result, &err));
    ck_assert_int_eq(result.problems, 0);
    journal_reader_close(r);
}

/* Writes events with the journal and tells each one's number through the pipe once it is committed. */
static void writer_process(const char *path, int pipe_fd)
{
    struct fixture f;
    (void)text_copy(f.path, sizeof f.path, path);
    struct error err = {""};
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    uint64_t epoch = journal_next_epoch(j) - 1;
    for (uint64_t n = 1;; n++) {
        struct event e = fixture_event(n, 0, 0);
        struct journal_reading m = fixture_reading(n, 1, 0);
        uint64_t told[2] = {epoch, n};
        if (journal_begin(j, &err) != 0 || journal_put_event(j, &e, &err) != 0 ||
            journal_put_reading(j, &m, &err) != 0 || journal_commit(j, &err) != 0 ||
            write(pipe_fd, told, sizeof told) != (ssize_t)sizeof told)
            _exit(1);
        if (n % 50 == 0 && journal_checkpoint(j, n % 100 == 0, &err) != 0)
            _exit(1);
    }
}

struct wanted {
    uint64_t epoch, id;
    bool found;
};

static int find_event(void *ctx, const struct journal_event *e)
{
    struct wanted *w = ctx;
    w->found = e->epoch == w->epoch && e->event.id == w->id;
    return 0;
}

/* Every event that was announced is there after kill -9 at a moment of no choosing. SOAKBENCH_LONG: 200 kills. */
START_TEST(test_kill_writer)
{
    struct fixture f;
    fixture_make(&f);
    int kills = getenv("SOAKBENCH_LONG") != NULL ? 200 : 5;
    for (int i = 0; i < kills; i++) {
        int fds[2];
        ck_assert_int_eq(pipe(fds), 0);
        pid_t pid = fork();
        if (pid == 0) {
            (void)close(fds[0]);
            writer_process(f.path, fds[1]);
        }
        (void)close(fds[1]);
        uint64_t told[2] = {0, 0};
        int stop_after = 40 + (i * 7919) % 250;
        for (int n = 0; n < stop_after; n++)
            ck_assert_int_eq(read(fds[0], told, sizeof told), (ssize_t)sizeof told);
        ck_assert_int_eq(kill(pid, SIGKILL), 0);
        ck_assert_int_eq(waitpid(pid, NULL, 0), pid);
        uint64_t more[2];
        while (read(fds[0], more, sizeof more) == (ssize_t)sizeof more)
            memcpy(told, more, sizeof told);
        (void)close(fds[0]);
        struct error err = {""};
        struct journal_reader *r = journal_reader_open(f.path, &err);
        ck_assert_msg(r != NULL, "%s", err.text);
        struct wanted w = {.epoch = told[0], .id = told[1]};
        struct row_filter filter = row_filter_any();
        filter.epoch = told[0];
        /* find_event keeps the state of the last row only, so look at rows up to the one announced last. */
        int64_t rows[FEED_COUNT_];
        OK(journal_reader_last_rows(r, rows, &err));
        filter.after_row = rows[FEED_EVENTS] - 2;
        bool found = false;
        for (int64_t row = filter.after_row; row < rows[FEED_EVENTS] && !found; row++) {
            struct row_filter one = {.after_row = row, .until_row = row + 1, .channel = CHANNEL_ANY};
            OK(journal_reader_events(r, &one, find_event, &w, &err));
            found = w.found;
        }
        ck_assert_msg(found, "event %llu of session %llu is missing", (unsigned long long)told[1],
                      (unsigned long long)told[0]);
        journal_reader_close(r);
    }
    assert_sound(f.path);
    fixture_remove(&f);
}
END_TEST

/* The disk is full for a while (stood in for by the limit on the size of files, which gives the same failed writes):
 * the batch fails, is put again later, and nothing else is disturbed. */
START_TEST(test_full_disk)
{
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    (void)signal(SIGXFSZ, SIG_IGN);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    for (uint64_t n = 1; n <= 20; n++)
        OK(fixture_batch(j, n, &err));
    struct rlimit old, tight;
    ck_assert_int_eq(getrlimit(RLIMIT_FSIZE, &old), 0);
    struct stat st;
    char wal[128];
    (void)text_format(wal, sizeof wal, "%s-wal", f.path);
    ck_assert_int_eq(stat(wal, &st), 0);
    tight = old;
    tight.rlim_cur = (rlim_t)st.st_size + 30000;
    ck_assert_int_eq(setrlimit(RLIMIT_FSIZE, &tight), 0);
    uint64_t n = 21;
    while (n < 1000 && fixture_batch(j, n, &err) == 0)
        n++;
    ck_assert_msg(n < 1000, "the disk never filled");
    ck_assert_msg(strstr(err.text, "journal") != NULL, "%s", err.text);
    for (int again = 0; again < 3; again++)
        ck_assert_int_eq(fixture_batch(j, n, &err), -1);
    struct journal_stats stats;
    OK(journal_get_stats(j, &stats, &err));
    ck_assert_uint_ge(stats.failures, 4);
    ck_assert_int_eq(setrlimit(RLIMIT_FSIZE, &old), 0);
    for (; n <= 60; n++)
        OK(fixture_batch(j, n, &err));
    journal_close(j);
    struct journal_reader *r = journal_reader_open(f.path, &err);
    int64_t rows[FEED_COUNT_];
    OK(journal_reader_last_rows(r, rows, &err));
    ck_assert_int_eq(rows[FEED_READINGS], 120);
    ck_assert_int_eq(rows[FEED_EVENTS], 6);
    journal_reader_close(r);
    assert_sound(f.path);
    fixture_remove(&f);
}
END_TEST

START_TEST(test_second_writer)
{
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    char pid[32];
    (void)text_format(pid, sizeof pid, "process %ld:", (long)getpid());
    ck_assert_ptr_null(journal_open(f.path, JOURNAL_CREATE, &err));
    ck_assert_msg(strstr(err.text, pid) != NULL, "%s", err.text);
    journal_close(j);
    j = journal_open(f.path, 0, &err);
    ck_assert_msg(j != NULL, "%s", err.text);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

static void run_sql(const char *path, const char *text)
{
    sqlite3 *db;
    ck_assert_int_eq(sqlite3_open(path, &db), SQLITE_OK);
    ck_assert_msg(sqlite3_exec(db, text, NULL, NULL, NULL) == SQLITE_OK, "%s: %s", text, sqlite3_errmsg(db));
    sqlite3_close(db);
}

START_TEST(test_wrong_files)
{
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    ck_assert_ptr_null(journal_open(f.path, 0, &err));
    ck_assert_msg(strstr(err.text, "does not exist") != NULL, "%s", err.text);
    ck_assert_ptr_null(journal_reader_open(f.path, &err));
    /* another program's database */
    run_sql(f.path, "CREATE TABLE t(x)");
    ck_assert_ptr_null(journal_open(f.path, JOURNAL_CREATE, &err));
    ck_assert_msg(strstr(err.text, "not a journal") != NULL, "%s", err.text);
    fixture_remove(&f);
    fixture_make(&f);
    /* no database at all */
    FILE *file = fopen(f.path, "w");
    ck_assert_ptr_nonnull(file);
    for (int i = 0; i < 1000; i++)
        (void)fputs("minutes of the yard meeting\n", file);
    (void)fclose(file);
    ck_assert_ptr_null(journal_open(f.path, JOURNAL_CREATE, &err));
    ck_assert_msg(strstr(err.text, "no readable journal") != NULL, "%s", err.text);
    ck_assert_ptr_null(journal_reader_open(f.path, &err));
    fixture_remove(&f);
    fixture_make(&f);
    /* a newer version's: may be read, not written */
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    for (uint64_t n = 1; n <= 20; n++)
        OK(fixture_batch(j, n, &err));
    journal_close(j);
    run_sql(f.path, "PRAGMA user_version = 99");
    ck_assert_ptr_null(journal_open(f.path, 0, &err));
    ck_assert_msg(strstr(err.text, "newer version") != NULL, "%s", err.text);
    struct journal_reader *r = journal_reader_open(f.path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    ck_assert_int_eq(journal_reader_schema(r), 99);
    journal_reader_close(r);
    fixture_remove(&f);
}
END_TEST

/* Everything that a reader hands out, as one digest. */
struct export
{
    struct digest_stream *stream;
    struct digest digest;
};

static int export_writer(struct export *x, const struct writer *w)
{
    ck_assert(!w->bad);
    return digest_stream_add(x->stream, w->bytes, w->used);
}

static int export_event(void *ctx, const struct journal_event *e)
{
    uint8_t bytes[1024];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_event(&w, &e->event);
    put_i64(&w, e->row);
    put_i64(&w, e->utc_us);
    put_i64(&w, e->seen_utc_us);
    put_i64(&w, e->store_ms);
    put_text(&w, e->channel);
    put_text(&w, e->serial);
    return export_writer(ctx, &w);
}

static int export_reading(void *ctx, const struct journal_reading *m)
{
    uint8_t bytes[1024];
    struct writer w = writer_over(bytes, sizeof bytes);
    for (int k = 0; k < SIG_OTHER; k++)
        put_f64(&w, m->values[k]);
    const int64_t whole[] = {m->row,    m->channel,  m->run_no,        (int64_t)m->seq,  m->stamp_ns,
                             m->utc_us, m->store_ms, m->half_width_us, (int64_t)m->lost, (int64_t)m->back};
    for (size_t i = 0; i < sizeof whole / sizeof whole[0]; i++)
        put_i64(&w, whole[i]);
    return export_writer(ctx, &w);
}

static int export_input(void *ctx, const struct input *in)
{
    uint8_t bytes[4096];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_input(&w, in);
    return export_writer(ctx, &w);
}

static int export_run(void *ctx, const struct journal_run *run)
{
    uint8_t bytes[4096];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_text(&w, run->channel_name);
    put_text(&w, run->request.serial);
    put_i64(&w, run->run_no);
    put_i64(&w, run->start_utc_us);
    put_i64(&w, run->end_utc_us);
    return export_writer(ctx, &w);
}

/* Reads everything; damage may give errors, never a crash. Returns true when something reported the damage. */
static bool read_all(const char *path, struct digest *digest)
{
    struct error err = {""};
    struct journal_reader *r = journal_reader_open(path, &err);
    if (r == NULL)
        return true;
    struct export x = {.stream = digest_stream_new()};
    ck_assert(x.stream != NULL && digest_stream_begin(x.stream) == 0);
    struct journal_check_result result;
    bool told = journal_reader_check(r, &err) != 0;
    told |= journal_verify(r, NULL, NULL, NULL, &result, &err) != 0 || result.problems > 0;
    told |= journal_reader_events(r, NULL, export_event, &x, &err) != 0;
    told |= journal_reader_readings(r, NULL, export_reading, &x, &err) != 0;
    told |= journal_reader_inputs(r, 1, 0, export_input, &x, &err) != 0;
    told |= journal_reader_runs(r, NULL, export_run, &x, &err) != 0;
    journal_reader_close(r);
    ck_assert_int_eq(digest_stream_end(x.stream, digest), 0);
    digest_stream_free(x.stream);
    return told;
}

static void copy_file(const char *from, const char *to, long flip_at, unsigned flip_bit, long cut)
{
    FILE *a = fopen(from, "rb"), *b = fopen(to, "wb");
    ck_assert(a != NULL && b != NULL);
    for (long at = 0; cut < 0 || at < cut; at++) {
        int c = fgetc(a);
        if (c == EOF)
            break;
        if (at == flip_at)
            c ^= 1 << flip_bit;
        (void)fputc(c, b);
    }
    (void)fclose(a);
    (void)fclose(b);
}

START_TEST(test_damaged)
{
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    struct input start = fixture_start(1, 1, 0);
    OK(journal_begin(j, &err));
    OK(journal_put_run(j, &start, start.seen_ns, &err));
    OK(journal_commit(j, &err));
    for (uint64_t n = 1; n <= 200; n++)
        OK(fixture_batch(j, n, &err));
    OK(journal_checkpoint(j, true, &err));
    journal_close(j);
    struct stat st;
    ck_assert_int_eq(stat(f.path, &st), 0);
    char damaged[128];
    (void)text_format(damaged, sizeof damaged, "%s/damaged.db", f.dir);
    struct digest whole, now;
    ck_assert(!read_all(f.path, &whole));
    for (int i = 1; i <= 8; i++) {
        copy_file(f.path, damaged, -1, 0, (long)st.st_size * i / 9 - i * 13);
        ck_assert_msg(read_all(damaged, &now), "cut at part %d went unseen", i);
    }
    uint32_t random = 12345;
    int flips = getenv("SOAKBENCH_LONG") != NULL ? 1000 : 60;
    for (int i = 0; i < flips; i++) {
        random = random * 1664525u + 1013904223u;
        long at = (long)((uint64_t)random * (uint64_t)st.st_size >> 32);
        copy_file(f.path, damaged, at, random >> 3 & 7, -1);
        /* Found, or in a place that changes nothing of what is handed out. */
        bool told = read_all(damaged, &now);
        ck_assert_msg(told || memcmp(&now, &whole, sizeof now) == 0, "bit %u of byte %ld went unseen", random >> 3 & 7,
                      at);
    }
    fixture_remove(&f);
}
END_TEST

/* One reader that stays open holds the WAL: the journal goes on, and says so. */
START_TEST(test_open_reader)
{
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    sqlite3 *db;
    ck_assert_int_eq(sqlite3_open_v2(f.path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
    ck_assert_int_eq(sqlite3_exec(db, "BEGIN; SELECT count(*) FROM event_rows", NULL, NULL, NULL), SQLITE_OK);
    struct journal_stats stats = {0};
    uint64_t n = 1;
    for (; n < 20000 && !stats.wal_alarm; n++) {
        OK(journal_begin(j, &err));
        for (int i = 0; i < 800; i++) {
            struct journal_reading m = fixture_reading(n * 800 + (uint64_t)i, 0, 0);
            OK(journal_put_reading(j, &m, &err));
        }
        OK(journal_commit(j, &err));
        OK(journal_checkpoint(j, true, &err));
        OK(journal_get_stats(j, &stats, &err));
    }
    ck_assert(stats.wal_alarm);
    ck_assert_int_gt(stats.wal_left_pages, 0);
    ck_assert_int_gt(stats.free_bytes, 0);
    ck_assert_int_eq(sqlite3_exec(db, "COMMIT", NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(db);
    OK(journal_checkpoint(j, true, &err));
    OK(journal_get_stats(j, &stats, &err));
    ck_assert(!stats.wal_alarm);
    ck_assert_int_lt(stats.wal_bytes, 5 * 1024 * 1024);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

/* The power fails at an arbitrary operation: unsynced writes are gone or torn. Every event whose commit had returned is
 * there, and the record verifies. SOAKBENCH_LONG: 200 cuts. */
START_TEST(test_power_lost)
{
    struct error err = {""};
    int cuts = getenv("SOAKBENCH_LONG") != NULL ? 200 : 12;
    for (int i = 0; i < cuts; i++) {
        struct fixture f, after;
        fixture_make(&f);
        fixture_make(&after);
        struct power_cut *power = power_cut_new(77u + (uint32_t)i);
        struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
        OK(fixture_batch(j, 10, &err));
        power_cut_at(power, 1 + (uint64_t)(i * 7919) % 400);
        uint64_t announced = 10, n = 11;
        for (; !power_cut_happened(power); n++) {
            OK(fixture_batch(j, n, &err));
            if (n % 10 == 0 && !power_cut_happened(power))
                announced = n;
            if (n % 7 == 0)
                OK(journal_checkpoint(j, n % 14 == 0, &err));
        }
        journal_close(j);
        power_cut_restore(power, after.path);
        power_cut_free(power);
        struct journal_reader *r = journal_reader_open(after.path, &err);
        ck_assert_msg(r != NULL, "cut %d: %s", i, err.text);
        int64_t rows[FEED_COUNT_];
        OK(journal_reader_last_rows(r, rows, &err));
        ck_assert_msg(rows[FEED_EVENTS] * 10 >= (int64_t)announced, "cut %d: event %llu is missing", i,
                      (unsigned long long)announced);
        journal_reader_close(r);
        assert_sound(after.path);
        j = fixture_open(&after, FIXTURE_UTC_NS); /* and it can be written on */
        OK(fixture_batch(j, 10, &err));
        journal_close(j);
        fixture_remove(&f);
        fixture_remove(&after);
    }
}
END_TEST

/* A copy taken while rows go in is a whole record up to its own head, and can be written on. */
START_TEST(test_backup)
{
    struct fixture f;
    struct error err = {""};
    char copy[128];
    fixture_make(&f);
    (void)text_format(copy, sizeof copy, "%s/copy.db", f.dir);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    for (uint64_t n = 1; n <= 50; n++)
        OK(fixture_batch(j, n, &err));
    struct journal_reader *r = journal_reader_open(f.path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    OK(journal_backup(r, copy, &err));
    ck_assert_int_eq(journal_backup(r, copy, &err), -1);
    ck_assert_msg(strstr(err.text, "never overwrites") != NULL, "%s", err.text);
    ck_assert_int_eq(journal_backup(r, "/nowhere/copy.db", &err), -1);
    for (uint64_t n = 51; n <= 60; n++)
        OK(fixture_batch(j, n, &err));
    journal_reader_close(r);
    journal_close(j);
    assert_sound(copy);
    r = journal_reader_open(copy, &err);
    int64_t rows[FEED_COUNT_];
    OK(journal_reader_last_rows(r, rows, &err));
    ck_assert_int_eq(rows[FEED_READINGS], 100);
    journal_reader_close(r);
    (void)text_copy(f.path, sizeof f.path, copy);
    j = fixture_open(&f, FIXTURE_UTC_NS);
    OK(fixture_batch(j, 10, &err));
    journal_close(j);
    assert_sound(copy);
    fixture_remove(&f);
}
END_TEST

/* Another user, who may not write here, reads the journal while it is written and after a clean stop. */
START_TEST(test_other_user)
{
    if (geteuid() != 0)
        return; /* only root can take another user's place */
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    ck_assert_int_eq(chmod(f.dir, 0755), 0);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    OK(fixture_batch(j, 10, &err));
    for (int i = 0; i < 2; i++) {
        ck_assert_int_eq(seteuid(65534), 0);
        struct journal_reader *r = journal_reader_open(f.path, &err);
        int64_t rows[FEED_COUNT_] = {0};
        int rc = r != NULL ? journal_reader_last_rows(r, rows, &err) : -1;
        journal_reader_close(r);
        ck_assert_int_eq(seteuid(0), 0);
        ck_assert_msg(rc == 0, "%s", err.text);
        ck_assert_int_eq(rows[FEED_EVENTS], 1);
        if (i == 0)
            journal_close(j);
    }
    fixture_remove(&f);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("journal faults");
    TCase *t = tcase_create("faults");
    tcase_set_timeout(t, getenv("SOAKBENCH_LONG") != NULL ? 600 : 100);
    tcase_add_test(t, test_kill_writer);
    tcase_add_test(t, test_full_disk);
    tcase_add_test(t, test_second_writer);
    tcase_add_test(t, test_wrong_files);
    tcase_add_test(t, test_damaged);
    tcase_add_test(t, test_open_reader);
    tcase_add_test(t, test_power_lost);
    tcase_add_test(t, test_backup);
    tcase_add_test(t, test_other_user);
    suite_add_tcase(s, t);
    return suite_run(s);
}
