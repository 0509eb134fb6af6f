/* The page's server against hostile and clumsy requests. Host and Origin: RFC 9110, 7.2 and RFC 6454; Bearer: RFC 6750;
 * status codes: RFC 9110, 15 and RFC 6585, 4 (429). */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include "http_client.h"
#include "suite_run.h"
#include "web_fixture.h"

#define BEARER "Authorization: Bearer " FIXTURE_TOKEN "\r\n"
#define END_A "{\"do\":\"run-end\",\"channel\":\"A\",\"who\":\"J. Example\"}"

static int status_of(struct http_answer a)
{
    int status = a.status;
    http_free(&a);
    return status;
}

static int with_host(int port, const char *host)
{
    char text[400];
    (void)snprintf(text, sizeof text, "GET /api/status HTTP/1.1\r\n%sConnection: close\r\n\r\n", host);
    return status_of(http_raw(port, text));
}

START_TEST(only_names_of_ours_are_answered)
{
    struct web_fixture f;
    web_fixture_begin(&f, NULL);
    ck_assert_int_eq(with_host(f.port, "Host: localhost\r\n"), 200);
    ck_assert_int_eq(with_host(f.port, "Host: 127.0.0.1:99\r\n"), 200);
    ck_assert_int_eq(with_host(f.port, "Host: bench.example.org:8460\r\n"), 200);
    ck_assert_int_eq(with_host(f.port, "Host: bench.example.org.evil.example\r\n"), 421);
    ck_assert_int_eq(with_host(f.port, "Host: evil.example\r\n"), 421);
    ck_assert_int_eq(with_host(f.port, "Host: \r\n"), 421);
    /* RFC 9112, 3.2: a request without Host is bad. */
    int none = with_host(f.port, "");
    ck_assert(none == 400 || none == 421);
    web_fixture_end(&f);
}
END_TEST

START_TEST(an_order_needs_token_and_own_origin)
{
    struct web_fixture f;
    char own[200], foreign[200];
    web_fixture_begin(&f, FIXTURE_TOKEN);
    (void)snprintf(own, sizeof own, BEARER "Origin: http://127.0.0.1:%d\r\n", f.port);
    (void)snprintf(foreign, sizeof foreign, BEARER "Origin: http://127.0.0.1.evil.example:%d\r\n", f.port);
    ck_assert_int_eq(status_of(http_ask(f.port, "POST", "/api/orders", NULL, END_A)), 401);
    ck_assert_int_eq(status_of(http_ask(f.port, "POST", "/api/orders", "Authorization: Bearer \r\n", END_A)), 401);
    ck_assert_int_eq(status_of(http_ask(f.port, "POST", "/api/orders", "Authorization: Bearer a-token\r\n", END_A)),
                     401);
    ck_assert_int_eq(
        status_of(http_ask(f.port, "POST", "/api/orders", "Authorization: Bearer " FIXTURE_TOKEN "x\r\n", END_A)), 401);
    ck_assert_int_eq(status_of(http_ask(f.port, "POST", "/api/orders", foreign, END_A)), 403);
    ck_assert_int_eq(status_of(http_ask(f.port, "POST", "/api/orders", BEARER "Origin: null\r\n", END_A)), 403);
    ck_assert_int_eq(status_of(http_ask(f.port, "POST", "/api/orders", BEARER "Sec-Fetch-Site: cross-site\r\n", END_A)),
                     403);
    ck_assert_int_eq(f.daemon.end_count, 0);
    static const char reset[] =
        "{\"do\":\"channel-reset\",\"channel\":\"A\",\"reason\":\"seen\",\"who\":\"J. Example\"}";
    ck_assert_int_eq(status_of(http_ask(f.port, "POST", "/api/orders", own, reset)), 200);
    ck_assert_int_eq(f.daemon.order_count, 1);
    ck_assert_str_eq(f.daemon.orders[0].who, "J. Example");
    web_fixture_end(&f);
}
END_TEST

START_TEST(a_page_without_token_only_looks)
{
    struct web_fixture f;
    web_fixture_begin(&f, NULL);
    ck_assert_int_eq(status_of(http_ask(f.port, "POST", "/api/orders", BEARER, END_A)), 403);
    struct http_answer a = http_ask(f.port, "GET", "/api/status", NULL, NULL);
    json_t *o = http_json(&a);
    ck_assert(json_is_false(json_object_get(o, "may_act")));
    json_decref(o);
    http_free(&a);
    ck_assert_int_eq(f.daemon.end_count + f.daemon.order_count + f.daemon.file_count, 0);
    web_fixture_end(&f);
}
END_TEST

START_TEST(no_get_changes_anything)
{
    static const char *const paths[] = {"/api/orders",
                                        "/api/orders?do=run-end&channel=A&who=x",
                                        "/api/status?do=run-end",
                                        "/run/1?end=1",
                                        "/api/runs/1/end",
                                        "/start?channel=A"};
    struct web_fixture f;
    web_fixture_begin(&f, FIXTURE_TOKEN);
    for (size_t i = 0; i < sizeof paths / sizeof paths[0]; i++) {
        (void)status_of(http_ask(f.port, "GET", paths[i], BEARER, NULL));
        (void)status_of(http_ask(f.port, "HEAD", paths[i], BEARER, NULL));
        /* A body with a GET means nothing. */
        (void)status_of(http_ask(f.port, "GET", paths[i], BEARER, END_A));
    }
    ck_assert_int_eq(status_of(http_ask(f.port, "GET", "/api/orders", BEARER, NULL)), 404);
    ck_assert_int_eq(status_of(http_ask(f.port, "PUT", "/api/orders", BEARER, END_A)), 405);
    ck_assert_int_eq(status_of(http_ask(f.port, "DELETE", "/api/runs/1", BEARER, NULL)), 405);
    ck_assert_int_eq(status_of(http_ask(f.port, "POST", "/api/runs", BEARER, END_A)), 405);
    ck_assert_int_eq(f.daemon.end_count + f.daemon.order_count + f.daemon.file_count, 0);
    web_fixture_end(&f);
}
END_TEST

START_TEST(orders_that_a_page_may_not_give)
{
    static const char *const bodies[] = {
        "",
        "[]",
        "{",
        "{\"do\":7}",
        "{\"do\":\"run-end\",\"channel\":\"A\"}",                        /* nobody gives it */
        "{\"do\":\"channel-rigged\",\"channel\":\"A\",\"who\":\"J\"}",   /* only at the bench */
        "{\"do\":\"watchdog-prove\",\"device\":\"bank\",\"who\":\"J\"}", /* only at the bench */
        "{\"do\":\"run-end\",\"do\":\"run-start\",\"channel\":\"A\",\"who\":\"J\"}"};
    struct web_fixture f;
    web_fixture_begin(&f, FIXTURE_TOKEN);
    for (size_t i = 0; i < sizeof bodies / sizeof bodies[0]; i++)
        ck_assert_int_eq(status_of(http_ask(f.port, "POST", "/api/orders", BEARER, bodies[i])), 400);
    /* No key switch is seen on this bench. */
    ck_assert_int_eq(status_of(http_ask(f.port, "POST", "/api/orders", BEARER,
                                        "{\"do\":\"run-start\",\"channel\":\"A\",\"unit\":\"HQ-0147\",\"who\":\"J\"}")),
                     403);
    /* The daemon's own refusal comes through, with its words. */
    struct http_answer a =
        http_ask(f.port, "POST", "/api/orders", BEARER, "{\"do\":\"run-end\",\"channel\":\"Z\",\"who\":\"J\"}");
    ck_assert_int_eq(a.status, 409);
    ck_assert_ptr_nonnull(strstr(a.body, "no channel Z"));
    http_free(&a);
    ck_assert_int_eq(f.daemon.end_count + f.daemon.order_count, 0);
    web_fixture_end(&f);
}
END_TEST

START_TEST(bodies_beyond_64_kib_are_refused)
{
    struct web_fixture f;
    web_fixture_begin(&f, FIXTURE_TOKEN);
    size_t size = 64 * 1024 + 1;
    char *body = malloc(size + 1);
    ck_assert_ptr_nonnull(body);
    memset(body, ' ', size);
    body[size] = '\0';
    ck_assert_int_eq(status_of(http_ask(f.port, "POST", "/api/orders", BEARER, body)), 413);
    body[size - 1] = '\0';
    ck_assert_int_eq(status_of(http_ask(f.port, "POST", "/api/orders", BEARER, body)), 400);
    free(body);
    /* A size beyond all bounds is answered without waiting for what will not come. */
    ck_assert_int_eq(status_of(http_raw(f.port, "POST /api/orders HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n"
                                                "Content-Length: 99999999999\r\n\r\n")),
                     413);
    web_fixture_end(&f);
}
END_TEST

START_TEST(a_flood_from_one_address_is_slowed)
{
    struct web_fixture f;
    int refused = 0, other = 0;
    char text[16];
    web_fixture_begin(&f, NULL);
    for (int i = 0; i < 400; i++) {
        struct http_answer a = http_ask(f.port, "GET", "/api/status", NULL, NULL);
        if (a.status == 429) {
            refused++;
            ck_assert_str_eq(http_header(&a, "Retry-After", text, sizeof text), "1");
        } else if (a.status != 200) {
            other++;
        }
        http_free(&a);
    }
    ck_assert_int_gt(refused, 20);
    ck_assert_int_eq(other, 0);
    /* And it recovers. */
    int status = 429;
    for (int i = 0; i < 40 && status != 200; i++) {
        (void)nanosleep(&(struct timespec){.tv_nsec = 100000000}, NULL);
        status = status_of(http_ask(f.port, "GET", "/health", NULL, NULL));
    }
    ck_assert_int_eq(status, 200);
    web_fixture_end(&f);
}
END_TEST

START_TEST(idle_connections_are_closed)
{
    struct web_fixture f;
    char byte;
    web_fixture_begin(&f, NULL);
    int silent = http_connect(f.port), halfway = http_connect(f.port);
    ck_assert_int_eq(send(halfway, "GET /api/st", 11, MSG_NOSIGNAL), 11);
    time_t begin = time(NULL);
    ck_assert_int_eq(recv(silent, &byte, 1, 0), 0);
    while (recv(halfway, &byte, 1, 0) > 0)
        ; /* a 408 may come first (RFC 9110, 15.5.9) */
    ck_assert_int_le(time(NULL) - begin, 15);
    (void)close(silent);
    (void)close(halfway);
    web_fixture_end(&f);
}
END_TEST

START_TEST(every_answer_bears_the_safety_headers)
{
    static const char *const asks[][2] = {
        {"GET", "/"},        {"GET", "/assets/page.js"}, {"GET", "/api/status"},  {"GET", "/metrics"},
        {"GET", "/nothing"}, {"GET", "/api/runs/99"},    {"POST", "/api/orders"}, {"DELETE", "/"},
        {"GET", "/run/1"}};
    struct web_fixture f;
    char value[400];
    web_fixture_begin(&f, NULL);
    for (size_t i = 0; i < sizeof asks / sizeof asks[0]; i++) {
        struct http_answer a = http_ask(f.port, asks[i][0], asks[i][1], NULL, NULL);
        ck_assert_ptr_nonnull(http_header(&a, "Content-Security-Policy", value, sizeof value));
        /* W3C CSP 3: nothing but what is named; no inline script or style, no frames, no forms elsewhere. */
        ck_assert_ptr_nonnull(strstr(value, "default-src 'none'"));
        ck_assert_ptr_nonnull(strstr(value, "frame-ancestors 'none'"));
        ck_assert_ptr_null(strstr(value, "unsafe"));
        ck_assert_str_eq(http_header(&a, "X-Content-Type-Options", value, sizeof value), "nosniff");
        ck_assert_str_eq(http_header(&a, "Referrer-Policy", value, sizeof value), "no-referrer");
        ck_assert_ptr_nonnull(http_header(&a, "Cache-Control", value, sizeof value));
        ck_assert_ptr_null(http_header(&a, "Access-Control-Allow-Origin", value, sizeof value));
        http_free(&a);
    }
    web_fixture_end(&f);
}
END_TEST

/* Text from outside stays text: the API is JSON that no browser takes for markup, the page holds none of it. */
START_TEST(markup_in_a_unit_never_becomes_markup)
{
    static const char order[] =
        "{\"do\":\"unit-add\",\"who\":\"J. Example\",\"plate\":{\"serial\":"
        "\"<img src=x onerror=alert(1)>/\\\"&\",\"maker\":\"</script><script>\",\"ratings\":[]}}";
    struct web_fixture f;
    char type[80];
    web_fixture_begin(&f, FIXTURE_TOKEN);
    ck_assert_int_eq(status_of(http_ask(f.port, "POST", "/api/orders", BEARER, order)), 200);
    struct http_answer a =
        http_ask(f.port, "GET", "/api/unit?serial=%3Cimg%20src%3Dx%20onerror%3Dalert(1)%3E%2F%22%26", NULL, NULL);
    ck_assert_int_eq(a.status, 200);
    ck_assert_str_eq(http_header(&a, "Content-Type", type, sizeof type), "application/json; charset=utf-8");
    http_free(&a);
    a = http_ask(f.port, "GET", "/unit?serial=%3Cimg%20src%3Dx%20onerror%3Dalert(1)%3E", NULL, NULL);
    ck_assert_int_eq(a.status, 200);
    ck_assert_ptr_null(strstr(a.body, "onerror"));
    http_free(&a);
    a = http_ask(f.port, "GET", "/api/%3Cscript%3E", NULL, NULL);
    ck_assert_int_eq(a.status, 404);
    ck_assert_ptr_null(strstr(a.body, "<script>"));
    http_free(&a);
    /* Bytes that are no UTF-8 (RFC 3629) neither break the answer nor come back as such. */
    a = http_ask(f.port, "GET", "/api/unit?serial=%FF%FE%80", NULL, NULL);
    ck_assert_int_eq(a.status, 404);
    json_decref(http_json(&a));
    http_free(&a);
    web_fixture_end(&f);
}
END_TEST

START_TEST(a_lost_daemon_shows)
{
    struct web_fixture f;
    web_fixture_begin(&f, NULL);
    web_fixture_lose_daemon(&f);
    int status = 200;
    for (int i = 0; i < 200 && status == 200; i++) {
        (void)nanosleep(&(struct timespec){.tv_nsec = 50000000}, NULL);
        status = status_of(http_ask(f.port, "GET", "/health", NULL, NULL));
    }
    ck_assert_int_eq(status, 503);
    /* The record can still be read, and what was seen last is still there with its age. */
    ck_assert_int_eq(status_of(http_ask(f.port, "GET", "/api/units", NULL, NULL)), 200);
    struct http_answer a = http_ask(f.port, "GET", "/api/status", NULL, NULL);
    json_t *o = http_json(&a);
    ck_assert(json_is_false(json_object_get(o, "reachable")));
    ck_assert(json_is_object(json_object_get(o, "status")));
    ck_assert_int_gt(json_integer_value(json_object_get(o, "age_ms")), 0);
    json_decref(o);
    http_free(&a);
    web_fixture_end(&f);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("web server");
    TCase *tc = tcase_create("requests");
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, only_names_of_ours_are_answered);
    tcase_add_test(tc, an_order_needs_token_and_own_origin);
    tcase_add_test(tc, a_page_without_token_only_looks);
    tcase_add_test(tc, no_get_changes_anything);
    tcase_add_test(tc, orders_that_a_page_may_not_give);
    tcase_add_test(tc, bodies_beyond_64_kib_are_refused);
    tcase_add_test(tc, a_flood_from_one_address_is_slowed);
    tcase_add_test(tc, idle_connections_are_closed);
    tcase_add_test(tc, every_answer_bears_the_safety_headers);
    tcase_add_test(tc, markup_in_a_unit_never_becomes_markup);
    tcase_add_test(tc, a_lost_daemon_shows);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
