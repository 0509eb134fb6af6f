/* The journal's disk for real: a file system of the test's own that is frozen under a load that is on, and one that
 * another program writes to without a pause. What must hold: the load opens within the limit of the record's age and
 * the lease, `end` and `status` stay at hand, a second daemon says why it cannot start, and when the disk is back
 * everything is there that happened meanwhile. Skipped (77) where a file system cannot be mounted or frozen. */
#define _GNU_SOURCE /* __WALL */
#include <check.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ptrace.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#include "error.h"
#include "journal_read.h"
#include "loop_disk.h"
#include "suite_run.h"
#include "tcp_bench.h"

enum { RATE = 10, DISK_MB = 96 };

static const char start_a[] =
    "run start A --unit HQ-0147 --point 1 --procedure proof --cycles 2 --start cold --who Ines --confirm-setup "
    "--control-at-maximum --accept time-to-open";

struct fixture {
    struct loop_disk disk;
    struct tcp_bench *bench;
};

static struct fixture *on_load(const char *limits)
{
    char why[TEXT_CAP], isolators[512], path[PATH_CAP + 32];
    struct fixture *f = calloc(1, sizeof *f);
    ck_assert_ptr_nonnull(f);
    ck_assert_msg(loop_disk_new(&f->disk, DISK_MB, why, sizeof why) == 0, "%s", why);
    f->bench = tcp_bench_new(RATE, NULL, tcp_bench_isolators(isolators, 60));
    text_format(f->bench->journal, sizeof f->bench->journal, "%.200s/two-units.db", f->disk.folder);
    text_format(path, sizeof path, "journal: {path: %s, free_floor: 10 MB}", f->bench->journal);
    tcp_bench_edit(f->bench, "journal: {path: two-units.db}", path);
    if (limits)
        tcp_bench_edit(f->bench, "\nlimits:\n", limits);
    tcp_bench_start_daemon(f->bench);
    tcp_bench_prepare(f->bench);
    tcp_bench_do(f->bench, start_a);
    ck_assert(tcp_bench_wait_closed(f->bench, 0, true, 20));
    tcp_bench_wait_text(f->bench, "status --json", "\"state\": \"on-load\"", 20);
    return f;
}

static void end(struct fixture *f)
{
    tcp_bench_free(f->bench);
    loop_disk_free(&f->disk);
    free(f);
}

struct record {
    uint64_t inputs, last_seq, events, last_event;
    int gaps, interlocks_journal;
    int64_t runs_open;
};

static int take_input(void *ctx, const struct input *in)
{
    struct record *r = ctx;
    r->inputs++;
    r->last_seq = in->seq;
    return 0;
}

static int take_event(void *ctx, const struct journal_event *e)
{
    struct record *r = ctx;
    r->events++;
    r->last_event = e->event.id;
    r->gaps += e->event.kind == EVENT_GAP;
    r->interlocks_journal += e->event.kind == EVENT_INTERLOCK && e->event.code == INTERLOCK_JOURNAL;
    return 0;
}

static int take_run(void *ctx, const struct journal_run *run)
{
    struct record *r = ctx;
    r->runs_open += run->end_utc_us == 0;
    return 0;
}

/* Every input and every event of the session, without a hole: what is numbered 1 to n is n rows. */
static struct record whole_record(const struct tcp_bench *b)
{
    struct error err = {""};
    struct record r = {0};
    struct row_filter filter = row_filter_any();
    struct journal_reader *reader = journal_reader_open(b->journal, &err);
    ck_assert_msg(reader != NULL, "%s", err.text);
    ck_assert_msg(journal_reader_inputs(reader, 1, 0, take_input, &r, &err) == 0, "%s", err.text);
    ck_assert_msg(journal_reader_events(reader, &filter, take_event, &r, &err) == 0, "%s", err.text);
    ck_assert_msg(journal_reader_runs(reader, NULL, take_run, &r, &err) == 0, "%s", err.text);
    journal_reader_close(reader);
    ck_assert_uint_gt(r.inputs, 100);
    ck_assert_uint_eq(r.inputs, r.last_seq);
    ck_assert_uint_eq(r.events, r.last_event);
    ck_assert_int_eq(r.gaps, 0);
    ck_assert_int_eq(r.runs_open, 0);
    return r;
}

/* The record is whole, its digests fit, and the engine comes to the same by it. */
static struct record stop_and_look(struct fixture *f)
{
    char *words = NULL;
    ck_assert_int_eq(tcp_bench_stop_daemon(f->bench), 0);
    struct record r = whole_record(f->bench);
    const char *const verify[] = {SOAKBENCH_PATH, "verify", "--journal", f->bench->journal, NULL};
    const char *const replay[] = {SOAKBENCH_PATH, "replay", "1", "--journal", f->bench->journal, NULL};
    int status = tcp_bench_run(verify, 60, &words);
    ck_assert_msg(status == 0, "%s", words);
    free(words);
    status = tcp_bench_run(replay, 60, &words);
    ck_assert_msg(status == 0, "%s", words);
    free(words);
    return r;
}

static void second_daemon_says_why(struct fixture *f)
{
    char *words = NULL;
    const char *const second[] = {SOAKBENCHD_PATH, "--config", f->bench->config, NULL};
    int status = tcp_bench_run(second, 20, &words);
    ck_assert_msg(status > 0, "a second daemon hangs or starts beside the first: %d, %s", status, words);
    ck_assert_msg(strstr(words, "already written by process") != NULL, "%s", words);
    free(words);
}

START_TEST(a_frozen_disk_opens_and_loses_nothing)
{
    struct fixture *f = on_load(NULL);
    double began_s = tcp_bench_now_s();
    loop_disk_freeze(&f->disk);
    /* Still frozen: it opens by the age of the oldest input that is not on disk (journal_open, 5 s of real time) and by
     * the lease; the time limit of this test is no limit of the bench. */
    ck_assert(tcp_bench_wait_closed(f->bench, 0, false, 30));
    fprintf(stderr, "opened %.1f s after the disk was frozen\n", tcp_bench_now_s() - began_s);
    tcp_bench_wait_text(f->bench, "status --json", "\"state\": \"locked\"", 20);
    tcp_bench_wait_text(f->bench, "status --json", "\"journal_healthy\": false", 20);
    second_daemon_says_why(f);
    ck_assert_int_eq(tcp_bench_closed(f->bench, 0), 0);
    loop_disk_thaw(&f->disk);
    tcp_bench_wait_text(f->bench, "status --json", "\"journal_healthy\": true", 20);
    ck_assert_int_eq(tcp_bench_closed(f->bench, 0), 0); /* nothing closes again by itself */
    tcp_bench_wait_text(f->bench, "run show 1", "undecided", 20);
    struct record r = stop_and_look(f);
    ck_assert_int_eq(r.interlocks_journal, 1);
    end(f);
}
END_TEST

/* An order to end goes through while the disk is frozen, before any limit of the record's age. */
START_TEST(end_needs_no_disk)
{
    struct fixture *f = on_load("\nlimits:\n  journal_refuse: 30 s\n  journal_open: 60 s\n");
    loop_disk_freeze(&f->disk);
    tcp_bench_do(f->bench, "run end A --who Ines --reason smell");
    ck_assert(tcp_bench_wait_closed(f->bench, 0, false, 20));
    loop_disk_thaw(&f->disk);
    struct record r = stop_and_look(f);
    ck_assert_int_eq(r.interlocks_journal, 0);
    end(f);
}
END_TEST

static int control_connection(const struct tcp_bench *b)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    (void)text_copy(address.sun_path, sizeof address.sun_path, b->socket);
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    ck_assert_int_ge(fd, 0);
    ck_assert_int_eq(connect(fd, (const struct sockaddr *)&address, sizeof address), 0);
    return fd;
}

static void send_line(int fd, const char *line)
{
    ck_assert_int_eq(send(fd, line, strlen(line), MSG_NOSIGNAL), (ssize_t)strlen(line));
}

/* The next answer's first bytes; the rest of its line is read over. */
static void next_answer(int fd, char *to, size_t cap)
{
    size_t used = 0;
    for (char c = 0; c != '\n';) {
        struct pollfd p = {.fd = fd, .events = POLLIN};
        ck_assert_msg(poll(&p, 1, 20000) == 1, "no answer within 20 s");
        ck_assert_int_eq(recv(fd, &c, 1, 0), 1);
        if (used < cap - 1)
            to[used++] = c;
    }
    to[used] = '\0';
}

/* Holds one thread of the daemon where it is, as a disk does that hangs under its reading; -1: not permitted here.
 * Whether a real reading hangs on a frozen file system is chance: only one that has to mark, in a file there, how far
 * it reads, and another reader may have marked the same before. */
static pid_t hold_thread(const struct tcp_bench *b, const char *name)
{
    char path[300], comm[32];
    text_format(path, sizeof path, "/proc/%d/task", (int)b->daemon);
    DIR *folder = opendir(path);
    ck_assert_ptr_nonnull(folder);
    pid_t tid = -1;
    for (struct dirent *e; tid < 0 && (e = readdir(folder)) != NULL;) {
        text_format(path, sizeof path, "/proc/%d/task/%.20s/comm", (int)b->daemon, e->d_name);
        char *text = tcp_bench_file(path);
        text_copy(comm, sizeof comm, text);
        free(text);
        comm[strcspn(comm, "\n")] = '\0';
        if (strcmp(comm, name) == 0)
            tid = (pid_t)strtol(e->d_name, NULL, 10);
    }
    closedir(folder);
    ck_assert_msg(tid > 0, "the daemon has no thread \"%s\"", name);
    if (ptrace(PTRACE_SEIZE, tid, NULL, NULL) != 0)
        return -1;
    int status;
    ck_assert_int_eq(ptrace(PTRACE_INTERRUPT, tid, NULL, NULL), 0);
    ck_assert_int_eq(waitpid(tid, &status, __WALL), tid);
    return tid;
}

/* Somebody who reads the record hangs with its disk, and nobody else does: status and the order to end, over the same
 * connection and by the client, are answered while the first requests wait, and before any limit of the record's age
 * acts. */
START_TEST(a_reader_that_hangs_holds_up_nobody)
{
    char answer[256];
    struct fixture *f = on_load("\nlimits:\n  journal_refuse: 300 s\n  journal_open: 600 s\n");
    int fd = control_connection(f->bench);
    loop_disk_freeze(&f->disk);
    pid_t reader = hold_thread(f->bench, "record");
    if (reader < 0) {
        loop_disk_thaw(&f->disk);
        fprintf(stderr, "skipped: a thread cannot be held here: %s\n", strerror(errno));
        end(f);
        return;
    }
    send_line(fd, "{\"v\":1,\"id\":2,\"do\":\"run-list\"}\n{\"v\":1,\"id\":3,\"do\":\"run-show\",\"run\":1}\n");
    send_line(fd, "{\"v\":1,\"id\":4,\"do\":\"status\"}\n");
    next_answer(fd, answer, sizeof answer);
    ck_assert_msg(strstr(answer, "\"id\":4,") != NULL, "%s", answer);
    tcp_bench_do(f->bench, "status");
    send_line(fd, "{\"v\":1,\"id\":5,\"do\":\"run-end\",\"channel\":\"A\",\"reason\":\"smell\",\"who\":\"Ines\"}\n");
    next_answer(fd, answer, sizeof answer);
    ck_assert_msg(strstr(answer, "\"id\":5,") != NULL && strstr(answer, "\"accepted\"") != NULL, "%s", answer);
    next_answer(fd, answer, sizeof answer);
    ck_assert_msg(strstr(answer, "\"id\":5,") != NULL && strstr(answer, "\"done\"") != NULL, "%s", answer);
    ck_assert(tcp_bench_wait_closed(f->bench, 0, false, 20));
    ck_assert_int_eq(ptrace(PTRACE_DETACH, reader, NULL, NULL), 0);
    loop_disk_thaw(&f->disk);
    for (int id = 2; id <= 3; id++) { /* in the order in which they were asked */
        char key[16];
        (void)text_format(key, sizeof key, "\"id\":%d,", id);
        next_answer(fd, answer, sizeof answer);
        ck_assert_msg(strstr(answer, key) != NULL && strstr(answer, "\"done\"") != NULL, "%s", answer);
    }
    close(fd);
    struct record r = stop_and_look(f);
    ck_assert_int_eq(r.interlocks_journal, 0);
    end(f);
}
END_TEST

static pid_t heavy_writer(const struct loop_disk *d)
{
    char path[PATH_CAP + 16];
    text_format(path, sizeof path, "%s/ballast", d->folder);
    pid_t pid = fork();
    ck_assert_int_ge(pid, 0);
    if (pid != 0)
        return pid;
    static char block[1 << 20];
    int fd = open(path, O_CREAT | O_RDWR, 0600);
    for (unsigned i = 0;; i++) {
        memset(block, (int)i, sizeof block);
        if (pwrite(fd, block, sizeof block, (off_t)(i % 32) << 20) < 0 || fsync(fd) != 0)
            _exit(1);
    }
}

/* Commits beside a program that writes and syncs without a pause: slow or not, nothing is lost, and the load is off
 * only if the record was older than its limit. */
START_TEST(a_heavy_writer_costs_time_and_nothing_else)
{
    struct fixture *f = on_load(NULL);
    pid_t writer = heavy_writer(&f->disk);
    for (int i = 0; i < 20; i++) {
        char *words = NULL;
        ck_assert_int_eq(tcp_bench_client(f->bench, "status --json", &words), 0);
        free(words);
        tcp_bench_pause(0.2);
    }
    kill(writer, SIGKILL);
    waitpid(writer, NULL, 0);
    char *figures = NULL;
    ck_assert_int_eq(tcp_bench_client(f->bench, "status --figures --json", &figures), 0);
    const char *at = strstr(figures, "\"longest_commit_ms\": ");
    ck_assert_ptr_nonnull(at);
    double longest_ms = strtod(at + 21, NULL);
    fprintf(stderr, "longest commit %.0f ms\n", longest_ms);
    free(figures);
    struct record r = stop_and_look(f);
    if (r.interlocks_journal > 0)
        ck_assert_double_gt(longest_ms, 1000); /* of the 5 s, some are waiting in the queue */
    end(f);
}
END_TEST

int main(void)
{
    char why[TEXT_CAP] = "";
    struct loop_disk disk;
    pid_t trial = fork();
    if (trial == 0) {
        bool can = loop_disk_new(&disk, 16, why, sizeof why) == 0;
        if (can)
            loop_disk_free(&disk);
        else
            printf("skipped: no file system to freeze here: %s\n", why);
        fflush(stdout);
        _exit(can ? 0 : 77);
    }
    int status = 0;
    waitpid(trial, &status, 0);
    if (!WIFEXITED(status) || WEXITSTATUS(status) != 0)
        return 77;
    Suite *suite = suite_create("slow disk");
    TCase *t = tcase_create("slow disk");
    tcase_set_timeout(t, 120);
    tcase_add_test(t, a_frozen_disk_opens_and_loses_nothing);
    tcase_add_test(t, end_needs_no_disk);
    tcase_add_test(t, a_reader_that_hangs_holds_up_nobody);
    tcase_add_test(t, a_heavy_writer_costs_time_and_nothing_else);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
