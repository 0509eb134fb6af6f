/* Faults over TCP, each judged by what the load controller says over a connection of the test's own: a killed daemon, a
 * daemon told to end under load, devices that answer nonsense or nothing, clocks that do not fit. */
#include <check.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "error.h"
#include "suite_run.h"
#include "tcp_bench.h"

/* Slower than the demonstration, so that limits of the bench are long against the unrest of this computer. */
enum { RATE = 20 };

static const char start_a[] =
    "run start A --unit HQ-0147 --point 1 --procedure proof --cycles 2 --start cold --who Ines --confirm-setup "
    "--control-at-maximum --accept time-to-open";

static struct tcp_bench *on_load(void)
{
    char isolators[512];
    struct tcp_bench *b = tcp_bench_new(RATE, NULL, tcp_bench_isolators(isolators, 60));
    tcp_bench_start_daemon(b);
    tcp_bench_prepare(b);
    tcp_bench_do(b, start_a);
    ck_assert(tcp_bench_wait_closed(b, 0, true, 10));
    tcp_bench_pause(0.5); /* some readings on load */
    return b;
}

static void check_undecided(struct tcp_bench *b)
{
    char *output = NULL;
    tcp_bench_client(b, "run show 1", &output);
    ck_assert_msg(strstr(output, "undecided") != NULL, "%s", output);
    free(output);
}

START_TEST(a_killed_daemon_leaves_it_to_the_watchdog)
{
    struct tcp_bench *b = on_load();
    tcp_bench_kill_daemon(b);
    ck_assert_int_ne(tcp_bench_closed(b, 0), 0);
    /* watchdog_time is 10 s of bench time; then the contactor's travel. */
    double began_s = tcp_bench_now_s();
    ck_assert(tcp_bench_wait_closed(b, 0, false, 5));
    double took_s = (tcp_bench_now_s() - began_s) * RATE;
    ck_assert_double_le(took_s, 15);
    /* Started again: identity is read, everything is open and stays so, the run is closed undecided. */
    tcp_bench_start_daemon(b);
    tcp_bench_wait_text(b, "status --json", "\"up\": true", 10);
    check_undecided(b);
    tcp_bench_pause(1);
    ck_assert_int_eq(tcp_bench_closed(b, 0), 0);
    tcp_bench_log(b, "cut short by the last stop", true);
    ck_assert_int_eq(tcp_bench_stop_daemon(b), 0);
    tcp_bench_free(b);
}
END_TEST

START_TEST(told_to_end_under_load_it_opens_first)
{
    struct tcp_bench *b = on_load();
    ck_assert_int_eq(tcp_bench_stop_daemon(b), 0);
    ck_assert_int_eq(tcp_bench_closed(b, 0), 0);
    /* Not by the watchdog: that would have taken half a second more, and the log would complain. */
    tcp_bench_log(b, "not seen open", false);
    tcp_bench_log(b, "did not confirm", false);
    tcp_bench_start_daemon(b);
    check_undecided(b);
    tcp_bench_log(b, "cut short by the last stop", false); /* it had ended cleanly */
    tcp_bench_free(b);
}
END_TEST

START_TEST(a_lost_bench_is_an_interlock_and_not_the_end)
{
    struct tcp_bench *b = on_load();
    pid_t bench = b->bench;
    kill(bench, SIGSTOP); /* answers nothing, accepts nothing */
    tcp_bench_wait_text(b, "status --json", "\"up\": false", 10);
    kill(bench, SIGCONT);
    ck_assert(tcp_bench_wait_closed(b, 0, false, 5));
    tcp_bench_wait_text(b, "status --json", "\"up\": true", 10);
    tcp_bench_wait_text(b, "status --json", "\"state\": \"locked\"", 10);
    check_undecided(b);
    ck_assert_int_eq(tcp_bench_closed(b, 0), 0);
    ck_assert_int_eq(tcp_bench_stop_daemon(b), 0);
    tcp_bench_free(b);
}
END_TEST

/* Four ways of answering wrong, and one of not being there at all, on the meters' bus; the load's bus does not care,
 * and the daemon stays at hand. */
START_TEST(devices_that_answer_nonsense_harm_nobody_else)
{
    static const char faults[] = "events:\n"
                                 "  - {at_s: 0, do: fault, kind: exception, code: 2, device: supply1}\n"
                                 "  - {at_s: 0, do: fault, kind: dribble, delay_s: 1, device: supply2}\n"
                                 "  - {at_s: 0, do: fault, kind: noise, device: scanner}\n";
    char *output = NULL;
    struct tcp_bench *b = tcp_bench_new(RATE, NULL, faults);
    tcp_bench_start_daemon(b);
    tcp_bench_wait_text(b, "status --json", "\"up\": true", 10);
    tcp_bench_pause(3);
    for (int i = 0; i < 5; i++) {
        double began_s = tcp_bench_now_s();
        tcp_bench_client(b, "status --json", &output);
        ck_assert_double_lt(tcp_bench_now_s() - began_s, 2);
        if (i < 4)
            free(output);
    }
    int up = 0;
    for (const char *at = strstr(output, "\"up\": true"); at; at = strstr(at + 1, "\"up\": true"))
        up++;
    ck_assert_msg(up == 1, "%s", output); /* the load controller, and nothing else */
    free(output);
    char words[1024];
    text_format(words, sizeof words, "unit add " SOURCE_DIR "/config/examples/units/hq-0147.yaml");
    tcp_bench_do(b, words);
    tcp_bench_do(b, "rig A --who Ines");
    tcp_bench_do(b, "rigged A --who Ines");
    int status = tcp_bench_client(b, start_a, &output);
    ck_assert_msg(status == 1, "%s", output); /* refused: what is needed for a judgement is not there */
    free(output);
    ck_assert_int_eq(tcp_bench_closed(b, 0), 0);
    ck_assert_int_eq(tcp_bench_stop_daemon(b), 0);
    tcp_bench_free(b);
}
END_TEST

START_TEST(nobody_listens)
{
    char *output = NULL;
    struct tcp_bench *b = tcp_bench_new(RATE, NULL, NULL);
    kill(b->bench, SIGTERM); /* its ports are free, and nobody is there */
    tcp_bench_pause(0.3);
    tcp_bench_start_daemon(b);
    tcp_bench_pause(2);
    ck_assert_int_eq(tcp_bench_client(b, "status --json", &output), 0);
    ck_assert_ptr_null(strstr(output, "\"up\": true"));
    free(output);
    double began_s = tcp_bench_now_s();
    ck_assert_int_eq(tcp_bench_stop_daemon(b), 0);
    ck_assert_double_lt(tcp_bench_now_s() - began_s, 8);
    char *log = tcp_bench_file(b->log);
    int lines = 0;
    for (const char *at = log; (at = strchr(at, '\n')) != NULL; at++)
        lines++;
    ck_assert_int_lt(lines, 60); /* said, but not again and again */
    free(log);
    tcp_bench_free(b);
}
END_TEST

/* Time may be scaled only where every device says that it is virtual and runs at the same rate. */
START_TEST(a_clock_that_does_not_fit_is_refused)
{
    char *output = NULL;
    struct tcp_bench *b = tcp_bench_new(RATE, NULL, NULL);
    char *text = tcp_bench_file(b->config);
    char *rate = strstr(text, "rate: 20");
    ck_assert_ptr_nonnull(rate);
    memcpy(rate, "rate: 30", 8);
    FILE *f = fopen(b->config, "w");
    ck_assert_ptr_nonnull(f);
    fputs(text, f);
    fclose(f);
    free(text);
    tcp_bench_start_daemon(b);
    tcp_bench_pause(2);
    tcp_bench_client(b, "status --json", &output);
    ck_assert_msg(strstr(output, "\"up\": true") == NULL, "%s", output);
    free(output);
    tcp_bench_log(b, "rate 20", true);
    ck_assert_int_eq(tcp_bench_stop_daemon(b), 0);
    tcp_bench_free(b);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("tcp faults");
    TCase *t = tcase_create("tcp faults");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, a_killed_daemon_leaves_it_to_the_watchdog);
    tcase_add_test(t, told_to_end_under_load_it_opens_first);
    tcase_add_test(t, a_lost_bench_is_an_interlock_and_not_the_end);
    tcase_add_test(t, devices_that_answer_nonsense_harm_nobody_else);
    tcase_add_test(t, nobody_listens);
    tcase_add_test(t, a_clock_that_does_not_fit_is_refused);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
