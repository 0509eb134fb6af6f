/* Over TCP, with the programs as they are: a mail server that hangs disturbs no run, and after a kill a person goes on.
 */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "error.h"
#include "message_sink.h"
#include "suite_run.h"
#include "tcp_bench.h"

enum { RATE = 60 };

static const char start_a[] =
    "run start A --unit HQ-0147 --point 1 --procedure proof --cycles 1 --start cold --who Ines --confirm-setup "
    "--control-at-maximum --accept time-to-open,start";

START_TEST(a_mail_server_that_hangs_disturbs_no_run)
{
    char isolators[512], extra[512], *output = NULL;
    struct message_sink *mail = message_sink_new(SINK_SMTP);
    message_sink_set(mail, SINK_HANGS);
    text_format(extra, sizeof extra,
                "notify:\n  - {name: mail, kind: smtp, url: \"smtp://127.0.0.1:%d\", to: night@example.org, "
                "timeout: 5 s}\n",
                message_sink_port(mail));
    struct tcp_bench *b = tcp_bench_new(RATE, extra, tcp_bench_isolators(isolators, 240));
    tcp_bench_start_daemon(b);
    tcp_bench_prepare(b);
    tcp_bench_do(b, start_a);
    /* While the test message hangs, the run goes on, and so does everything that people ask. */
    const char *test[] = {SOAKBENCH_PATH, "notify", "test", "--who", "Ines", "--socket", b->socket, NULL};
    ck_assert_int_eq(tcp_bench_run(test, 30, &output), 1);
    ck_assert_msg(strstr(output, "0 of 1") != NULL, "%s", output);
    free(output);
    ck_assert_int_ge(message_sink_calls(mail), 1);
    int status = tcp_bench_client(b, "run watch A", &output);
    ck_assert_msg(status == 0 && strstr(output, "held"), "exit %d: %s", status, output);
    free(output);
    /* A night is refused, by name. */
    tcp_bench_do(b, "run release A --who Ines");
    tcp_bench_do(b, "rig A --who Ines");
    tcp_bench_do(b, "rigged A --who Ines");
    char words[512];
    text_format(words, sizeof words, "%s --unattended", start_a);
    status = tcp_bench_client(b, words, &output);
    ck_assert_int_eq(status, 1);
    static const char *const lines[] = {"unattended: ", "notification: ", "outside: ", "standby-supply: "};
    for (size_t i = 0; i < sizeof lines / sizeof lines[0]; i++)
        ck_assert_msg(strstr(output, lines[i]) != NULL, "no %s in %s", lines[i], output);
    free(output);
    ck_assert_int_eq(tcp_bench_stop_daemon(b), 0);
    ck_assert_int_eq(tcp_bench_closed(b, 0), 0);
    tcp_bench_free(b);
    message_sink_free(mail);
}
END_TEST

START_TEST(after_a_kill_a_person_goes_on)
{
    char isolators[512], *output = NULL;
    struct tcp_bench *b = tcp_bench_new(RATE, NULL, tcp_bench_isolators(isolators, 240));
    tcp_bench_start_daemon(b);
    tcp_bench_prepare(b);
    tcp_bench_do(b, start_a);
    ck_assert(tcp_bench_wait_closed(b, 0, true, 10));
    tcp_bench_pause(1);
    tcp_bench_kill_daemon(b);
    tcp_bench_start_daemon(b);
    ck_assert(tcp_bench_wait_closed(b, 0, false, 10));
    tcp_bench_wait_text(b, "status --json", "\"up\": true", 10);
    tcp_bench_pause(1);
    tcp_bench_wait_text(b, "run show 1 --brief", "undecided", 10);
    tcp_bench_do(b, "rig A --who Ines");
    tcp_bench_do(b, "rigged A --who Ines");
    int status = tcp_bench_client(b, start_a, &output);
    ck_assert_msg(status == 1 && strstr(output, "interruption"), "exit %d: %s", status, output);
    free(output);
    ck_assert_int_eq(tcp_bench_closed(b, 0), 0);
    tcp_bench_do(b, "continue A --reason power-cut --who Ines");
    tcp_bench_do(b, start_a);
    ck_assert(tcp_bench_wait_closed(b, 0, true, 10));
    tcp_bench_wait_text(b, "morning", "still running", 10);
    ck_assert_int_eq(tcp_bench_stop_daemon(b), 0);
    tcp_bench_free(b);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("night over tcp");
    TCase *t = tcase_create("night over tcp");
    tcase_set_timeout(t, 100);
    tcase_add_test(t, a_mail_server_that_hangs_disturbs_no_run);
    tcase_add_test(t, after_a_kill_a_person_goes_on);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
