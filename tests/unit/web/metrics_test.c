/* The metrics in both formats, read by Debian's promtool (package prometheus): the older one by `check metrics`, and
 * OpenMetrics 1.0 by making blocks from it, for which each sample is given a stamp. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "suite_run.h"
#include "web_metrics.h"

static const char snapshot_text[] =
    "{\"sequence\":3,\"age_ms\":120,\"reachable\":true,\"status\":{\"journal_healthy\":true,\"channels\":["
    "{\"channel\":\"A\",\"state\":\"on-load\",\"signals\":{\"i2\":{\"value\":160.25,\"unit\":\"A\",\"quality\":"
    "\"good\"},"
    "\"u2\":{\"value\":16.5,\"unit\":\"V\",\"quality\":\"stale\"},\"t_case\":{\"value\":null,\"quality\":\"invalid\"}}}"
    ","
    "{\"channel\":\"back \\\"slash\\\" \\\\ and\\nline\",\"state\":\"free\",\"signals\":{}}],"
    "\"devices\":[{\"device\":\"bank\",\"up\":true,\"watchdog_proved\":false},{\"device\":\"scanner\",\"up\":false}]},"
    "\"counters\":{\"buses\":[{\"name\":\"rack\",\"transactions\":1234}],\"journal\":{\"commits\":9,\"failures\":0,"
    "\"oldest_unsynced_ms\":250.5,\"free_bytes\":123456789,\"file_bytes\":4096},\"stores\":[{\"name\":\"shop\","
    "\"readings\":{\"sent\":5,\"settled\":4,\"newest\":9},\"events\":{\"settled\":1,\"newest\":1},"
    "\"verdicts\":{\"settled\":0,\"newest\":0}}]}}";

static char *print_metrics(const char *text, bool open)
{
    json_t *snapshot = json_loads(text, 0, NULL);
    ck_assert_ptr_nonnull(snapshot);
    char *out = web_metrics_print(snapshot, open);
    ck_assert_ptr_nonnull(out);
    json_decref(snapshot);
    return out;
}

/* Runs a command with the text on its standard input; returns its exit status. */
static int feed(const char *command, const char *text)
{
    FILE *to = popen(command, "w");
    ck_assert_ptr_nonnull(to);
    (void)fputs(text, to);
    return pclose(to);
}

START_TEST(the_older_format_is_accepted)
{
    char *text = print_metrics(snapshot_text, false);
    ck_assert_int_eq(feed("promtool check metrics", text), 0);
    ck_assert_ptr_nonnull(strstr(text, "# TYPE soakbench_bus_transactions_total counter\n"));
    ck_assert_ptr_null(strstr(text, "# EOF"));
    free(text);
    text = print_metrics("{\"sequence\":0,\"age_ms\":-1,\"reachable\":false,\"status\":null,\"counters\":null}", false);
    ck_assert_int_eq(feed("promtool check metrics", text), 0);
    free(text);
}
END_TEST

START_TEST(open_metrics_is_accepted)
{
    char folder[] = "/tmp/metrics-test-XXXXXX", command[256];
    ck_assert_ptr_nonnull(mkdtemp(folder));
    char *text = print_metrics(snapshot_text, true);
    (void)snprintf(command, sizeof command,
                   "sed '/^#/!s/$/ 1767686400/' >%s/in && promtool tsdb create-blocks-from openmetrics %s/in %s/out"
                   " >%s/log && test \"$(ls %s/out | wc -l)\" -gt 0",
                   folder, folder, folder, folder, folder);
    ck_assert_int_eq(feed(command, text), 0);
    /* OpenMetrics 1.0: the text ends with the end mark and a line feed. */
    ck_assert_str_eq(text + strlen(text) - 6, "# EOF\n");
    free(text);
    (void)snprintf(command, sizeof command, "rm -rf %s", folder);
    ck_assert_int_eq(system(command), 0);
}
END_TEST

START_TEST(only_good_values_count)
{
    char *text = print_metrics(snapshot_text, true);
    ck_assert_ptr_nonnull(strstr(text, "soakbench_signal{channel=\"A\",signal=\"i2\"} 160.25\n"));
    ck_assert_ptr_null(strstr(text, "signal=\"u2\""));
    ck_assert_ptr_null(strstr(text, "signal=\"t_case\""));
    ck_assert_ptr_nonnull(strstr(text, "channel=\"back \\\"slash\\\" \\\\ and\\nline\""));
    ck_assert_ptr_nonnull(strstr(text, "soakbench_channel_state{channel=\"A\",state=\"on-load\"} 1\n"));
    ck_assert_ptr_nonnull(strstr(text, "soakbench_store_backlog_rows{store=\"shop\",feed=\"readings\"} 5\n"));
    free(text);
}
END_TEST

int main(void)
{
    if (system("command -v promtool >/dev/null") != 0) {
        (void)puts("skipped: no promtool (Debian package prometheus)");
        return 77;
    }
    Suite *suite = suite_create("web metrics");
    TCase *tc = tcase_create("formats");
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, the_older_format_is_accepted);
    tcase_add_test(tc, open_metrics_is_accepted);
    tcase_add_test(tc, only_good_values_count);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
