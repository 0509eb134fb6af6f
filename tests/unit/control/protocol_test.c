/* Requests and their fields: what is understood and what is refused with which words. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base64.h"
#include "protocol.h"
#include "suite_run.h"
#include "utc.h"

struct line_case {
    const char *line;
    bool good;
    int64_t id;
    enum protocol_verb verb;
    const char *where; /* of the error */
};

static const struct line_case line_cases[] = {
    {"{\"v\":1,\"id\":7,\"do\":\"status\"}", true, 7, DO_STATUS, ""},
    {"{\"v\":1,\"id\":7,\"do\":\"status\"}\r\n", true, 7, DO_STATUS, ""},
    {" { \"do\" : \"run-start\", \"id\" : -3, \"v\" : 1 } ", true, -3, DO_RUN_START, ""},
    {"", false, 0, 0, "line"},
    {"\n", false, 0, 0, "line"},
    {"status", false, 0, 0, "column"},
    {"[1,2]", false, 0, 0, "line"},
    {"17", false, 0, 0, "column"},
    {"{\"v\":1,\"id\":7,\"do\":\"status\"", false, 0, 0, "column"},
    {"{\"v\":1,\"id\":7,\"do\":\"status\"} x", false, 0, 0, "column"},
    {"{\"v\":1,\"id\":7,\"id\":8,\"do\":\"status\"}", false, 0, 0, "column"},
    {"{\"id\":7,\"do\":\"status\"}", false, 7, 0, "v"},
    {"{\"v\":2,\"id\":7,\"do\":\"status\"}", false, 7, 0, "v"},
    {"{\"v\":\"1\",\"id\":7,\"do\":\"status\"}", false, 7, 0, "v"},
    {"{\"v\":1,\"do\":\"status\"}", false, 0, 0, "id"},
    {"{\"v\":1,\"id\":1.5,\"do\":\"status\"}", false, 0, 0, "id"},
    {"{\"v\":1,\"id\":7}", false, 7, 0, "do"},
    {"{\"v\":1,\"id\":7,\"do\":\"halt\"}", false, 7, 0, "do"},
    {"{\"v\":1,\"id\":7,\"do\":7}", false, 7, 0, "do"},
    {"{\"v\":1,\"id\":99999999999999999999,\"do\":\"status\"}", false, 0, 0, "column"},
    {"{\"v\":1,\"id\":7,\"do\":\"\xff\xfe\"}", false, 0, 0, "column"},
    {"[[[[[[[[[[[[[[[[[[[[[]]]]]]]]]]]]]]]]]]]]]", false, 0, 0, "line"},
};

START_TEST(test_lines)
{
    const struct line_case *c = &line_cases[_i];
    json_t *body = NULL;
    enum protocol_verb verb = DO_COUNT_;
    int64_t id = 99;
    struct protocol_error err = {"", "", ""};
    int result = protocol_parse(c->line, strlen(c->line), &body, &verb, &id, &err);
    ck_assert_int_eq(result, c->good ? 0 : -1);
    ck_assert_int_eq(id, c->id);
    if (c->good) {
        ck_assert_int_eq(verb, c->verb);
        ck_assert_ptr_nonnull(body);
    } else {
        ck_assert_ptr_null(body);
        ck_assert_msg(strncmp(err.where, c->where, strlen(c->where)) == 0, "where is \"%s\"", err.where);
        ck_assert_msg(err.what[0] && err.remedy[0], "an error says what and what to do");
    }
    json_decref(body);
}
END_TEST

/* RFC 8259, 9: a parser may limit depth. A deep line must be refused before it can exhaust the stack. */
START_TEST(test_deep_line_is_refused)
{
    size_t size = 60000;
    char *line = malloc(size);
    ck_assert_ptr_nonnull(line);
    memset(line, '[', size);
    json_t *body;
    enum protocol_verb verb;
    int64_t id;
    struct protocol_error err;
    ck_assert_int_eq(protocol_parse(line, size, &body, &verb, &id, &err), -1);
    free(line);
}
END_TEST

START_TEST(test_verbs_have_distinct_names)
{
    for (int i = 0; i < DO_COUNT_; i++) {
        ck_assert_ptr_nonnull(protocol_verb_name((enum protocol_verb)i));
        for (int k = 0; k < i; k++)
            ck_assert_str_ne(protocol_verb_name((enum protocol_verb)i), protocol_verb_name((enum protocol_verb)k));
    }
    ck_assert_str_eq(protocol_verb_name(DO_COUNT_), "?");
    ck_assert(!protocol_verb_changes(DO_STATUS));
    ck_assert(protocol_verb_changes(DO_RUN_END));
}
END_TEST

START_TEST(test_fields)
{
    json_t *body = json_loads("{\"t\":\"abc\",\"long\":\"0123456789\",\"n\":5,\"f\":true,\"none\":null,\"q\":\"160 A\","
                              "\"bare\":160.5,\"bad\":\"160 V\",\"tab\":\"a\\tb\"}",
                              0, NULL);
    ck_assert_ptr_nonnull(body);
    struct protocol_error err;
    char text[8] = "before";
    int64_t n = -1;
    bool flag = false;
    double q = NAN;
    ck_assert_int_eq(field_text(body, "t", text, sizeof text, &err), 1);
    ck_assert_str_eq(text, "abc");
    ck_assert_int_eq(field_text(body, "absent", text, sizeof text, &err), 0);
    ck_assert_int_eq(field_text(body, "none", text, sizeof text, &err), 0);
    ck_assert_str_eq(text, "abc");
    ck_assert_int_eq(field_text(body, "long", text, sizeof text, &err), -1);
    ck_assert_int_eq(field_text(body, "tab", text, sizeof text, &err), -1);
    ck_assert_int_eq(field_text(body, "n", text, sizeof text, &err), -1);
    ck_assert_int_eq(field_integer(body, "n", 0, 9, &n, &err), 1);
    ck_assert_int_eq(n, 5);
    ck_assert_int_eq(field_integer(body, "n", 6, 9, &n, &err), -1);
    ck_assert_int_eq(field_integer(body, "bare", 0, 999, &n, &err), -1);
    ck_assert_int_eq(field_flag(body, "f", &flag, &err), 1);
    ck_assert(flag);
    ck_assert_int_eq(field_flag(body, "n", &flag, &err), -1);
    ck_assert_int_eq(field_quantity(body, "q", DIM_CURRENT, 0, 500, &q, &err), 1);
    ck_assert_double_eq(q, 160.0);
    ck_assert_int_eq(field_quantity(body, "bare", DIM_CURRENT, 0, 500, &q, &err), 1);
    ck_assert_double_eq(q, 160.5);
    ck_assert_int_eq(field_quantity(body, "bad", DIM_CURRENT, 0, 500, &q, &err), -1);
    ck_assert_int_eq(field_quantity(body, "q", DIM_CURRENT, 0, 100, &q, &err), -1);
    ck_assert_int_eq(field_quantity(body, "f", DIM_CURRENT, 0, 100, &q, &err), -1);
    json_decref(body);
}
END_TEST

/* Lines come out the same however the bytes are cut. */
START_TEST(test_line_buffer_in_pieces)
{
    static const char text[] = "one\n\nthree, longer than the others\nrest";
    for (size_t piece = 1; piece < sizeof text; piece++) {
        struct line_buffer b = line_buffer_over(1000);
        char joined[128] = "";
        int lines = 0;
        for (size_t at = 0; at < sizeof text - 1; at += piece) {
            size_t n = sizeof text - 1 - at < piece ? sizeof text - 1 - at : piece;
            ck_assert_int_eq(line_buffer_add(&b, text + at, n), 0);
            const char *line;
            size_t size;
            while (line_buffer_line(&b, &line, &size)) {
                (void)text_append(joined, sizeof joined, "<%.*s>", (int)size, line);
                line_buffer_drop(&b);
                lines++;
            }
        }
        ck_assert_int_eq(lines, 3);
        ck_assert_str_eq(joined, "<one><><three, longer than the others>");
        ck_assert_uint_eq(b.used, 4);
        line_buffer_free(&b);
    }
}
END_TEST

START_TEST(test_line_buffer_is_bounded)
{
    struct line_buffer b = line_buffer_over(10);
    ck_assert_int_eq(line_buffer_add(&b, "12345678", 8), 0);
    ck_assert_int_eq(line_buffer_add(&b, "123", 3), -1);
    ck_assert_uint_eq(b.used, 8);
    ck_assert_int_eq(line_buffer_add(&b, "9\n", 2), 0);
    const char *line;
    size_t size;
    ck_assert(line_buffer_line(&b, &line, &size));
    ck_assert_uint_eq(size, 9);
    line_buffer_free(&b);
}
END_TEST

/* Test vectors of RFC 4648, section 10. */
START_TEST(test_base64_vectors)
{
    static const char *const plain[] = {"", "f", "fo", "foo", "foob", "fooba", "foobar"};
    static const char *const coded[] = {"", "Zg==", "Zm8=", "Zm9v", "Zm9vYg==", "Zm9vYmE=", "Zm9vYmFy"};
    for (size_t i = 0; i < 7; i++) {
        char *text = base64_encode((const uint8_t *)plain[i], strlen(plain[i]));
        ck_assert_ptr_nonnull(text);
        ck_assert_str_eq(text, coded[i]);
        free(text);
        size_t size = 99;
        uint8_t *bytes = base64_decode(coded[i], strlen(coded[i]), &size);
        ck_assert_ptr_nonnull(bytes);
        ck_assert_uint_eq(size, strlen(plain[i]));
        ck_assert_int_eq(memcmp(bytes, plain[i], size), 0);
        free(bytes);
    }
    static const char *const bad[] = {"Z", "Zg=", "Zg===", "Z===", "====", "Zm9v!A==", "Zg==Zg=="};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        size_t size;
        uint8_t *bytes = base64_decode(bad[i], strlen(bad[i]), &size);
        ck_assert_msg(bytes == NULL, "\"%s\" is no base 64", bad[i]);
    }
}
END_TEST

/* RFC 3339 examples and the calendar's own rules; seconds from a desk calculation. */
START_TEST(test_utc)
{
    static const struct {
        const char *text;
        int64_t utc_s;
    } good[] = {{"1970-01-01", 0},
                {"1970-01-02", 86400},
                {"2000-02-29", 951782400},
                {"2000-03-01T00:00:01Z", 951868801},
                {"1985-04-12T23:20:50Z", 482196050},
                {"2026-03-01 22:15", 1772403300},
                {"2100-03-01", 4107542400}};
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        int64_t s = -1;
        char text[UTC_CAP];
        ck_assert_int_eq(utc_parse(good[i].text, &s), 0);
        ck_assert_msg(s == good[i].utc_s, "%s is %lld", good[i].text, (long long)s);
        utc_print(text, sizeof text, s * 1000000000 + 250000000);
        int64_t back = -1;
        ck_assert_int_eq(strncmp(text, good[i].text, 10), 0);
        text[19] = 0;
        ck_assert_int_eq(utc_parse(text, &back), 0);
        ck_assert_int_eq(back, s);
    }
    static const char *const bad[] = {"2026-02-29",
                                      "2100-02-29",
                                      "2026-13-01",
                                      "2026-3-1",
                                      "26-03-01",
                                      "2026-03-01T",
                                      "2026-03-01T24:00",
                                      "2026-03-01T22:15:60Z",
                                      "2026-03-01T22:15+01:00",
                                      "today",
                                      ""};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        int64_t s;
        ck_assert_msg(utc_parse(bad[i], &s) == -1, "\"%s\" is no date", bad[i]);
    }
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("protocol");
    TCase *t = tcase_create("protocol");
    tcase_add_loop_test(t, test_lines, 0, (int)(sizeof line_cases / sizeof line_cases[0]));
    tcase_add_test(t, test_deep_line_is_refused);
    tcase_add_test(t, test_verbs_have_distinct_names);
    tcase_add_test(t, test_fields);
    tcase_add_test(t, test_line_buffer_in_pieces);
    tcase_add_test(t, test_line_buffer_is_bounded);
    tcase_add_test(t, test_base64_vectors);
    tcase_add_test(t, test_utc);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
