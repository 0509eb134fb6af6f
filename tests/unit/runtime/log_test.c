#define _GNU_SOURCE /* pipe2 */
/* The daemon's log: levels, the repeated line, the ring that is full. */
#include <check.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "bench_clock.h"
#include "log.h"
#include "suite_run.h"

static const int64_t s_ns = INT64_C(1000000000);

static char *read_all(int fd)
{
    char *text = calloc(1, 400000);
    size_t used = 0;
    ssize_t n;
    while ((n = read(fd, text + used, 399999 - used)) > 0)
        used += (size_t)n;
    return text;
}

START_TEST(a_repeated_line_is_held_back_and_counted)
{
    int fds[2];
    ck_assert_int_eq(pipe2(fds, O_NONBLOCK), 0);
    struct bench_clock *clock = bench_clock_new_virtual(0, 1);
    struct log *log = log_new(clock, fds[1], LOG_LEVEL_INFO, 1);
    for (int i = 0; i < 5; i++)
        log_write(log, LOG_LEVEL_ERROR, "meter %d: no answer", 7);
    log_write(log, LOG_LEVEL_DEBUG, "not shown");
    log_write(log, LOG_LEVEL_INFO, "another");
    log_drain(log);
    char *text = read_all(fds[0]);
    ck_assert_str_eq(text, "<3>meter 7: no answer\n<6>another\n");
    free(text);
    bench_clock_advance(clock, bench_clock_now_ns(clock) + 11 * s_ns);
    log_write(log, LOG_LEVEL_ERROR, "meter %d: no answer", 7);
    log_drain(log);
    text = read_all(fds[0]);
    ck_assert_str_eq(text, "<3>meter 7: no answer (and 4 times before)\n");
    free(text);
    log_free(log);
    bench_clock_free(clock);
    close(fds[0]);
    close(fds[1]);
}
END_TEST

START_TEST(a_full_ring_drops_and_says_so)
{
    char path[] = "/tmp/soakbench-log-XXXXXX";
    int fd = mkstemp(path);
    ck_assert_int_ge(fd, 0);
    unlink(path);
    struct bench_clock *clock = bench_clock_new_virtual(0, 1);
    struct log *log = log_new(clock, fd, LOG_LEVEL_INFO, 0);
    for (int i = 0; i < 20000; i++)
        log_write(log, LOG_LEVEL_INFO, "line number %d of very many", i);
    log_drain(log);
    ck_assert_int_eq(lseek(fd, 0, SEEK_SET), 0);
    char *text = read_all(fd);
    ck_assert_ptr_eq(strstr(text, "line number 0 of"), text);
    ck_assert_ptr_nonnull(strstr(text, "lines dropped"));
    free(text);
    log_free(log);
    bench_clock_free(clock);
    close(fd);
}
END_TEST

START_TEST(the_thread_writes_what_is_left_at_the_end)
{
    int fds[2];
    ck_assert_int_eq(pipe2(fds, O_NONBLOCK), 0);
    struct bench_clock *clock = bench_clock_new_real();
    struct log *log = log_new(clock, fds[1], LOG_LEVEL_INFO, 0);
    ck_assert_int_eq(log_start(log), 0);
    log_write(log, LOG_LEVEL_NOTICE, "last words");
    log_free(log);
    char *text = read_all(fds[0]);
    ck_assert_str_eq(text, "last words\n");
    free(text);
    bench_clock_free(clock);
    close(fds[0]);
    close(fds[1]);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("log");
    TCase *t = tcase_create("log");
    tcase_add_test(t, a_repeated_line_is_held_back_and_counted);
    tcase_add_test(t, a_full_ring_drops_and_says_so);
    tcase_add_test(t, the_thread_writes_what_is_left_at_the_end);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
