/* How long it takes, over real TCP in real time, from an order to end, and from the emergency stop's contact, until the
 * load controller says that its steps are open: every bus busy, both channels under load, the disk slow. The figures
 * are printed; the limits asserted are wide, since the computer has other work. docs/safety.md quotes figures of this
 * program. */
#include <check.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "error.h"
#include "suite_run.h"
#include "tcp_bench.h"

enum { ROUNDS = 5 };

static const char start_a[] =
    "run start A --unit HQ-0147 --point 1 --procedure soak --soak 1h --start warm --who Ines --confirm-setup "
    "--control-at-maximum --accept time-to-open,start";

struct times {
    double least, most, sum;
    int count;
};

static void take(struct times *t, double s)
{
    t->least = t->count == 0 || s < t->least ? s : t->least;
    t->most = s > t->most ? s : t->most;
    t->sum += s;
    t->count++;
}

static void print_times(const char *what, const struct times *t)
{
    printf("%-46s %d times: least %.0f ms, mean %.0f ms, most %.0f ms\n", what, t->count, t->least * 1e3,
           t->sum / t->count * 1e3, t->most * 1e3);
    fflush(stdout);
}

/* Keeps the disk that holds the journal busy: writes and syncs without a pause. Stopped by its own number. */
static pid_t slow_disk(struct tcp_bench *b)
{
    char path[PATH_CAP + 32];
    text_format(path, sizeof path, "%s/busy", b->folder);
    pid_t pid = fork();
    ck_assert_int_ge(pid, 0);
    if (pid == 0) {
        static char block[1 << 20];
        for (;;) {
            FILE *f = fopen(path, "w");
            if (!f || fwrite(block, 1, sizeof block, f) != sizeof block || fflush(f) || fsync(fileno(f)))
                _exit(1);
            fclose(f);
        }
    }
    return pid;
}

/* A client that asks for everything over and over, beside the bench hand. */
static pid_t busy_client(struct tcp_bench *b)
{
    pid_t pid = fork();
    ck_assert_int_ge(pid, 0);
    if (pid == 0) {
        for (;;) {
            char *output = NULL;
            tcp_bench_client(b, "status --figures --json", &output);
            free(output);
        }
    }
    return pid;
}

static void stop_child(pid_t pid)
{
    kill(pid, SIGKILL);
}

static double until_open(struct tcp_bench *b, double began_s)
{
    ck_assert(tcp_bench_wait_closed(b, 0, false, 20));
    return tcp_bench_now_s() - began_s;
}

static void begin_run(struct tcp_bench *b)
{
    tcp_bench_do(b, start_a);
    ck_assert(tcp_bench_wait_closed(b, 0, true, 20));
    tcp_bench_pause(1);
}

START_TEST(order_to_end)
{
    char isolators[512];
    struct times ends = {0}, kills = {0};
    struct tcp_bench *b = tcp_bench_new(1, NULL, tcp_bench_isolators(isolators, 20));
    tcp_bench_start_daemon(b);
    tcp_bench_prepare(b);
    pid_t disk = slow_disk(b), client = busy_client(b);
    for (int i = 0; i < ROUNDS; i++) {
        begin_run(b);
        double began_s = tcp_bench_now_s();
        tcp_bench_do(b, "run end A --reason measure --who Ines");
        take(&ends, until_open(b, began_s));
        tcp_bench_wait_text(b, "status --json", "\"state\": \"done\"", 20);
    }
    /* The daemon is gone from one moment to the next: the controller's watchdog, stated as 10 s, opens. */
    begin_run(b);
    double began_s = tcp_bench_now_s();
    tcp_bench_kill_daemon(b);
    take(&kills, until_open(b, began_s));
    stop_child(client);
    stop_child(disk);
    print_times("order to end until seen open", &ends);
    print_times("daemon killed until opened by the watchdog", &kills);
    ck_assert_double_lt(ends.most, 4);
    ck_assert_double_lt(kills.most, 13);
    tcp_bench_free(b);
}
END_TEST

START_TEST(emergency_contact)
{
    char isolators[512], events[640];
    struct times acted = {0};
    /* The virtual bench opens by itself when its stop circuit is pressed, as a hard-wired one does. So the contact that
     * stands for what only the daemon acts on is the smoke detector's. */
    text_format(events, sizeof events, "%s  - {at_s: 45, do: smoke, device: bank}\n",
                tcp_bench_isolators(isolators, 20));
    struct tcp_bench *b = tcp_bench_new(1, NULL, events);
    double zero_s = tcp_bench_now_s();
    tcp_bench_start_daemon(b);
    tcp_bench_prepare(b);
    pid_t disk = slow_disk(b), client = busy_client(b);
    begin_run(b);
    uint16_t mask = 1;
    ck_assert(tcp_bench_closed(b, 0) > 0);
    double end_s = zero_s + 60, opened_s = 0;
    while (mask && tcp_bench_now_s() < end_s) {
        int closed = tcp_bench_closed(b, 0);
        mask = closed < 0 ? 1 : (uint16_t)closed;
        opened_s = tcp_bench_now_s();
    }
    stop_child(client);
    stop_child(disk);
    take(&acted, opened_s - zero_s - 45);
    print_times("smoke contact until seen open", &acted);
    ck_assert_msg(mask == 0, "still closed after the smoke contact");
    ck_assert_double_lt(acted.most, 6);
    tcp_bench_free(b);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("time to open");
    TCase *t = tcase_create("time to open");
    tcase_set_timeout(t, 110);
    tcase_add_test(t, order_to_end);
    tcase_add_test(t, emergency_contact);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
