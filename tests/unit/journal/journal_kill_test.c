/* kill -9 at random moments inside the work that moves what is on record already: sealing, retention, the change of
 * older tables, checkpoints. Afterwards nothing is lost, nothing doubled, every digest fits up to the head that was
 * told before, and the work goes on where it stood. SOAKBENCH_LONG: 60 kills of each. */
#include <check.h>
#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "journal_fixture.h"
#include "suite_run.h"

#define OK(call) ck_assert_msg((call) == 0, "%s", err.text)

enum work { WORK_SEAL, WORK_RETAIN, WORK_MIGRATE, WORK_CHECKPOINT, WORK_COUNT_ };
enum { SESSIONS = 2, BATCHES = 60, PER_BATCH = 72 };

static const int64_t all_us = INT64_C(4000000000000000);

/* What the record holds, and how it is told whether it is all there. */
struct state {
    int64_t events, readings, inputs;
    struct digest head;
};

static void put_session(struct journal *j, int session)
{
    struct error err = {""};
    uint8_t bytes[1024];
    for (int b = 0; b < BATCHES; b++) {
        OK(journal_begin(j, &err));
        for (int i = 0; i < PER_BATCH; i++) {
            uint64_t n = (uint64_t)(b * PER_BATCH + i + 1);
            struct input in = {.seq = n, .seen_ns = (int64_t)n * 100000000, .kind = INPUT_READINGS};
            in.u.readings.count = 2;
            in.u.readings.stamp_ns = in.seen_ns - 1000000;
            in.u.readings.items[0].value = 160.0 + (double)(n % 13) / 10.0;
            struct writer w = writer_over(bytes, sizeof bytes);
            put_input(&w, &in);
            OK(journal_put_input(j, n, bytes, w.used, &err));
            struct journal_reading m = fixture_reading(n, (int)(n % 2), 0);
            OK(journal_put_reading(j, &m, &err));
        }
        struct event e = fixture_event((uint64_t)(session * BATCHES + b) + 1, 0, 0);
        OK(journal_put_event(j, &e, &err));
        OK(journal_commit(j, &err));
    }
}

/* A record that there is work to do on. */
static void prepare(const struct fixture *f, enum work work, struct state *s)
{
    struct error err = {""};
    struct journal *j = NULL;
    const struct journal_upkeep seal = {.seal_before_utc_us = all_us};
    for (int i = 0; i < SESSIONS; i++) {
        j = fixture_open(f, FIXTURE_UTC_NS + i * INT64_C(3600000000000));
        put_session(j, i);
        if (i + 1 < SESSIONS)
            journal_close(j);
    }
    while (work == WORK_RETAIN && journal_maintain(j, &seal, &err) == 1)
        ;
    journal_get_head(j, &s->head);
    if (work != WORK_CHECKPOINT)
        OK(journal_checkpoint(j, true, &err));
    journal_close(j);
    if (work == WORK_MIGRATE)
        fixture_change(f->path, "DROP TABLE sealed_inputs; PRAGMA user_version = 3");
}

/* The work itself, in a process of its own; it says when it begins. Rows go on being put meanwhile where a daemon would
 * put them. */
static void work_process(const struct fixture *f, enum work work, int pipe_fd)
{
    struct error err = {""};
    if (work == WORK_MIGRATE && write(pipe_fd, "b", 1) != 1)
        _exit(1);
    struct journal *j = fixture_open(f, FIXTURE_UTC_NS + 10 * INT64_C(3600000000000));
    if (work != WORK_MIGRATE && write(pipe_fd, "b", 1) != 1)
        _exit(1);
    struct journal_upkeep u = {.seal_before_utc_us = all_us, .utc_s = 1767400000};
    u.remove_before_utc_us = work == WORK_RETAIN ? all_us : 0;
    for (uint64_t n = 1; n < 400; n++) {
        int rc = 0;
        if (work == WORK_CHECKPOINT)
            rc = fixture_batch(j, n, &err) != 0 ? -1 : journal_checkpoint(j, n % 3 == 0, &err);
        else
            rc = journal_maintain(j, &u, &err);
        if (rc < 0)
            _exit(1);
        if (rc == 0 && work != WORK_CHECKPOINT)
            break;
    }
    journal_close(j);
    _exit(0);
}

static int64_t now_us(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000 + t.tv_nsec / 1000;
}

/* Kills the work after_us behind its beginning (0: lets it end). Returns how long it was at it. */
static int64_t run_and_kill(const struct fixture *f, enum work work, int64_t after_us, bool *killed)
{
    int fds[2];
    char byte;
    ck_assert_int_eq(pipe(fds), 0);
    pid_t pid = fork();
    ck_assert_int_ge(pid, 0);
    if (pid == 0) {
        (void)close(fds[0]);
        work_process(f, work, fds[1]);
    }
    (void)close(fds[1]);
    ck_assert_int_eq(read(fds[0], &byte, 1), 1);
    int64_t began_us = now_us();
    if (after_us > 0) {
        struct timespec t = {after_us / 1000000, after_us % 1000000 * 1000};
        while (nanosleep(&t, &t) != 0 && errno == EINTR)
            ;
        (void)kill(pid, SIGKILL);
    }
    int status = 0;
    ck_assert_int_eq(waitpid(pid, &status, 0), pid);
    (void)close(fds[0]);
    *killed = WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL;
    ck_assert_msg(*killed || (WIFEXITED(status) && WEXITSTATUS(status) == 0), "the work failed: %d", status);
    return now_us() - began_us;
}

static int count_event(void *ctx, const struct journal_event *e)
{
    struct state *s = ctx;
    ck_assert_int_eq(e->row, s->events + 1);
    s->events++;
    return 0;
}

static int count_reading(void *ctx, const struct journal_reading *m)
{
    struct state *s = ctx;
    ck_assert_int_eq(m->row, s->readings + 1);
    s->readings++;
    return 0;
}

static int count_input(void *ctx, const struct input *in)
{
    struct state *s = ctx;
    ck_assert_uint_eq(in->seq, (uint64_t)(s->inputs % (BATCHES * PER_BATCH)) + 1);
    s->inputs++;
    return 0;
}

static void tell(void *ctx, const char *sentence)
{
    char *words = ctx;
    if (words[0] == '\0')
        (void)text_copy(words, TEXT_CAP, sentence);
}

/* Every digest fits, up to the head before; every row is there once, in order, but for what a tombstone stands for. */
static void look(const struct fixture *f, const struct state *before, bool removes)
{
    struct error err = {""};
    struct journal_check_result res;
    struct state now = {0};
    struct row_filter until = row_filter_any();
    char words[TEXT_CAP] = "";
    until.until_row = SESSIONS * BATCHES * PER_BATCH;
    struct journal_reader *r = journal_reader_open(f->path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    OK(journal_reader_check(r, &err));
    OK(journal_verify(r, &before->head, tell, words, &res, &err));
    ck_assert_msg(res.problems == 0 && res.head_seen, "%s", words);
    OK(journal_reader_events(r, NULL, count_event, &now, &err));
    ck_assert_int_ge(now.events, SESSIONS * BATCHES);
    if (!removes) {
        OK(journal_reader_readings(r, &until, count_reading, &now, &err));
        for (uint64_t epoch = 1; epoch <= SESSIONS; epoch++)
            OK(journal_reader_inputs(r, epoch, 0, count_input, &now, &err));
        ck_assert_int_eq(now.readings, SESSIONS * BATCHES * PER_BATCH);
        ck_assert_int_eq(now.inputs, SESSIONS * BATCHES * PER_BATCH);
    } else {
        /* Sealed, plain or gone with a tombstone: each exactly once. */
        ck_assert_int_eq(fixture_ask(f->path, "SELECT ifnull(sum(count), 0) FROM reading_blocks") +
                             fixture_ask(f->path, "SELECT count(*) FROM reading_rows") + res.removed_readings,
                         SESSIONS * BATCHES * PER_BATCH);
        ck_assert_int_eq(fixture_ask(f->path, "SELECT ifnull(sum(count), 0) FROM sealed_inputs") +
                             fixture_ask(f->path, "SELECT ifnull(sum(count), 0) FROM input_blocks") +
                             res.removed_inputs,
                         SESSIONS * BATCHES * PER_BATCH);
    }
    journal_reader_close(r);
}

static void copy_to(const struct fixture *from, const struct fixture *to)
{
    char command[512];
    (void)text_format(command, sizeof command, "cp %s %s && { test ! -e %s-wal || cp %s-wal %s-wal; }", from->path,
                      to->path, from->path, from->path, to->path);
    ck_assert_int_eq(system(command), 0);
}

START_TEST(test_killed_inside)
{
    enum work work = (enum work)_i;
    int kills = getenv("SOAKBENCH_LONG") != NULL ? 60 : 2, inside = 0;
    struct fixture whole, f;
    struct state before = {0};
    bool killed;
    uint32_t random = 4711;
    fixture_make(&whole);
    prepare(&whole, work, &before);
    fixture_make(&f);
    copy_to(&whole, &f);
    int64_t took_us = run_and_kill(&f, work, 0, &killed);
    look(&f, &before, work == WORK_RETAIN);
    fixture_remove(&f);
    for (int i = 0; i < kills; i++) {
        fixture_make(&f);
        copy_to(&whole, &f);
        random = random * 1664525u + 1013904223u;
        (void)run_and_kill(&f, work, 1 + (int64_t)((uint64_t)random * (uint64_t)took_us >> 32), &killed);
        inside += killed;
        if (work != WORK_MIGRATE || fixture_ask(f.path, "SELECT user_version FROM pragma_user_version") == 4)
            look(&f, &before, work == WORK_RETAIN);
        /* And once more, to the end. */
        (void)run_and_kill(&f, work, 0, &killed);
        look(&f, &before, work == WORK_RETAIN);
        if (work == WORK_MIGRATE) {
            char copy[128];
            (void)text_format(copy, sizeof copy, "%s.tables-3", f.path);
            ck_assert_int_eq(fixture_ask(copy, "SELECT user_version FROM pragma_user_version"), 3);
        }
        fixture_remove(&f);
    }
    /* A machine that is slow at one time and fast at another lets some of them end before they are killed. */
    (void)printf("killed inside: %d of %d\n", inside, kills);
    fixture_remove(&whole);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("journal kills");
    TCase *t = tcase_create("kills");
    tcase_set_timeout(t, getenv("SOAKBENCH_LONG") != NULL ? 900 : 120);
    tcase_add_loop_test(t, test_killed_inside, 0, WORK_COUNT_);
    suite_add_tcase(s, t);
    return suite_run(s);
}
