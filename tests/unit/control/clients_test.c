/* Clients of the server that misbehave, that are slow, and that are many. */
#include <check.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#include "fake_daemon.h"
#include "protocol.h"
#include "suite_run.h"

START_TEST(test_garbage_is_answered)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    fake_refused(fake_ask(f, fd, "\x01\x02\xff garbage\n"), 0, "not JSON");
    fake_refused(fake_ask(f, fd, "\n"), 0, "empty");
    json_t *answer = fake_ask(f, fd, "{\"v\":1,\"id\":2,\"do\":\"hello\"}\n");
    fake_expect(answer, 2, "done");
    json_decref(answer);
    close(fd);
    fake_free(f);
}
END_TEST

START_TEST(test_oversize_line_ends_the_connection)
{
    struct fake *f = fake_new(false);
    int bad = fake_connect(f), good = fake_connect(f);
    char *line = malloc(PROTOCOL_REQUEST_MAX);
    ck_assert_ptr_nonnull(line);
    memset(line, 'x', PROTOCOL_REQUEST_MAX);
    size_t sent = 0;
    while (sent < PROTOCOL_REQUEST_MAX) {
        ssize_t n = send(bad, line + sent, PROTOCOL_REQUEST_MAX - sent, MSG_NOSIGNAL | MSG_DONTWAIT);
        if (n > 0)
            sent += (size_t)n;
        fake_turn(f);
    }
    fake_refused(fake_next(f, bad), 0, "longer than");
    ck_assert_ptr_null(fake_next(f, bad));
    ck_assert_int_eq(control_client_count(f->control), 1);
    json_t *answer = fake_ask(f, good, "{\"v\":1,\"id\":2,\"do\":\"hello\"}\n");
    fake_expect(answer, 2, "done");
    json_decref(answer);
    free(line);
    close(bad);
    close(good);
    fake_free(f);
}
END_TEST

/* One client takes no answers; the others do not notice, and it is hung up on. */
START_TEST(test_slow_client)
{
    struct fake *f = fake_new(false);
    int slow = fake_connect(f), good = fake_connect(f);
    static const char ask[] = "{\"v\":1,\"id\":1,\"do\":\"bench\"}\n";
    for (int i = 0; i < 3000; i++) {
        if (send(slow, ask, sizeof ask - 1, MSG_NOSIGNAL | MSG_DONTWAIT) < 0)
            break;
        fake_turn(f);
    }
    json_t *answer = fake_ask(f, good, "{\"v\":1,\"id\":2,\"do\":\"hello\"}\n");
    fake_expect(answer, 2, "done");
    json_decref(answer);
    ck_assert_int_eq(control_client_count(f->control), 2);
    f->now_ns += INT64_C(11000000000);
    fake_turn(f);
    ck_assert_int_eq(control_client_count(f->control), 1);
    answer = fake_ask(f, good, "{\"v\":1,\"id\":3,\"do\":\"hello\"}\n");
    fake_expect(answer, 3, "done");
    json_decref(answer);
    close(slow);
    close(good);
    fake_free(f);
}
END_TEST

START_TEST(test_half_a_line_and_idle_clients)
{
    struct fake *f = fake_new(false);
    int half = fake_connect(f), idle = fake_connect(f);
    ck_assert_int_eq(send(half, "{\"v\":1", 6, MSG_NOSIGNAL), 6);
    fake_turn(f);
    ck_assert_int_eq(control_client_count(f->control), 2);
    f->now_ns += INT64_C(61000000000);
    fake_turn(f);
    ck_assert_int_eq(control_client_count(f->control), 1);
    json_t *answer = fake_ask(f, idle, "{\"v\":1,\"id\":3,\"do\":\"hello\"}\n");
    fake_expect(answer, 3, "done");
    json_decref(answer);
    close(half);
    close(idle);
    fake_free(f);
}
END_TEST

START_TEST(test_many_clients)
{
    struct fake *f = fake_new(false);
    int fds[CONTROL_CLIENTS_MAX + 1];
    for (int i = 0; i <= CONTROL_CLIENTS_MAX; i++) {
        fds[i] = fake_connect(f);
        fake_turn(f);
    }
    ck_assert_int_eq(control_client_count(f->control), CONTROL_CLIENTS_MAX);
    fake_refused(fake_next(f, fds[CONTROL_CLIENTS_MAX]), 0, "too many");
    for (int i = 0; i < CONTROL_CLIENTS_MAX; i++) {
        json_t *answer = fake_ask(f, fds[i], "{\"v\":1,\"id\":3,\"do\":\"status\"}\n");
        fake_expect(answer, 3, "done");
        json_decref(answer);
    }
    /* A request of a client that leaves is forgotten; its slot serves the next one. */
    ck_assert_ptr_null(fake_ask(f, fds[0], "{\"v\":1,\"id\":4,\"do\":\"channel-rig\",\"channel\":\"A\"}\n"));
    close(fds[0]);
    fake_turn(f);
    fds[0] = fake_connect(f);
    fake_turn(f);
    (void)control_answer(f->control, f->orders[0].request, 0, "for somebody else");
    ck_assert_ptr_null(fake_next(f, fds[0]));
    for (int i = 0; i <= CONTROL_CLIENTS_MAX; i++)
        close(fds[i]);
    fake_free(f);
}
END_TEST

/* A client with as many orders under way as it may have waits with the next, and loses none. */
START_TEST(test_orders_under_way_are_bounded)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    for (int i = 1; i <= 20; i++) {
        char line[80];
        (void)text_format(line, sizeof line, "{\"v\":1,\"id\":%d,\"do\":\"channel-rig\",\"channel\":\"A\"}\n", i);
        ck_assert_int_gt(send(fd, line, strlen(line), MSG_NOSIGNAL), 0);
    }
    fake_turn(f);
    ck_assert_int_eq(f->order_count, 16);
    for (int i = 0; i < 20; i++) {
        (void)control_answer(f->control, f->orders[i].request, 0, "");
        json_t *answer = fake_next(f, fd);
        fake_expect(answer, i + 1, "done");
        json_decref(answer);
    }
    ck_assert_int_eq(f->order_count, 20);
    close(fd);
    fake_free(f);
}
END_TEST

START_TEST(test_socket_itself)
{
    struct fake *f = fake_new(false);
    struct stat st;
    ck_assert_int_eq(stat(f->socket, &st), 0);
    ck_assert_int_eq(st.st_mode & 0777, 0660);
    struct control_hooks hooks = {.bench = f->bench};
    struct error err = {{0}};
    ck_assert_ptr_null(control_new(f->socket, &hooks, &err));
    ck_assert_msg(strstr(err.text, "another daemon") != NULL, "%s", err.text);
    ck_assert_ptr_null(control_new(f->path, &hooks, &err)); /* the journal's file must survive that */
    ck_assert_msg(strstr(err.text, "something else") != NULL, "%s", err.text);
    ck_assert_int_eq(access(f->path, F_OK), 0);
    ck_assert_ptr_null(control_new("/nowhere/control.sock", &hooks, &err));
    char longer[200];
    memset(longer, 'a', sizeof longer);
    longer[0] = '/';
    longer[sizeof longer - 1] = 0;
    ck_assert_ptr_null(control_new(longer, &hooks, &err));
    ck_assert_msg(strstr(err.text, "longer") != NULL, "%s", err.text);
    fake_free(f);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("control clients");
    TCase *t = tcase_create("clients");
    tcase_set_timeout(t, 30);
    tcase_add_test(t, test_garbage_is_answered);
    tcase_add_test(t, test_oversize_line_ends_the_connection);
    tcase_add_test(t, test_slow_client);
    tcase_add_test(t, test_half_a_line_and_idle_clients);
    tcase_add_test(t, test_many_clients);
    tcase_add_test(t, test_orders_under_way_are_bounded);
    tcase_add_test(t, test_socket_itself);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
