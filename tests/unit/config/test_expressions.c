/* What the configuration takes as an expression the drivers must take too, or a bench that was checked does not start.
 * The two share no code; a table and random expressions hold them together. */
#include <check.h>
#include <regex.h>
#include <stdint.h>
#include <stdlib.h>

#include "suite_run.h"
#include "template_check.h"
#include "text_template.h"

static bool config_takes(const char *text)
{
    struct error err = {{0}};
    return expression_check(text, &err) == 0;
}

static bool driver_takes(const char *text)
{
    struct error err = {{0}};
    regex_t compiled;
    if (expression_compile(text, &compiled, &err) != 0)
        return false;
    regfree(&compiled);
    return true;
}

/* Taken by both. */
static const char *const good[] = {"T=([0-9.]+)",       "^A ([-+0-9.eE]+) degC$", "x{1,8}([0-9]+)", "a?b([0-9]+)",
                                   "[()*]+ ([0-9]{3})", "\\(([0-9]+)\\)",         "[]x]([0-9]+)",   "(a|b|[0-9]+)"};

/* Refused by both: what stalls a bus for seconds, or tells no number. */
static const char *const bad[] = {"(a*)*",          "([0-9]+)+",       "([0-9]+){4}",
                                  "a**([0-9])",     "a+*([0-9])",      "a?*([0-9])",
                                  "a?+([0-9])",     "a*?([0-9])",      "a?{32}([0-9])",
                                  "a{2}{2}([0-9])", "a{2}*([0-9])",    "a{2}?([0-9])",
                                  "a{33}([0-9])",   "a{1,999}([0-9])", "([0-9])\\1",
                                  "[0-9]+",         "([0-9]",          "a{1}b{1}c{1}d{1}e{1}([0-9])"};

START_TEST(both_take)
{
    ck_assert_msg(config_takes(good[_i]) && driver_takes(good[_i]), "%s", good[_i]);
}
END_TEST

START_TEST(both_refuse)
{
    ck_assert_msg(!config_takes(bad[_i]), "the configuration takes %s", bad[_i]);
    ck_assert_msg(!driver_takes(bad[_i]), "the drivers take %s", bad[_i]);
}
END_TEST

/* The other way round the configuration may be the stricter one. */
START_TEST(what_was_checked_works)
{
    static const char alphabet[] = "ab()()*+?{}{}[]^,13\\|.";
    uint32_t random = 20260105;
    int taken = 0;
    for (int n = 0; n < 200000; n++) {
        char text[16];
        size_t size = (size_t)(3 + n % 9);
        for (size_t i = 0; i < size; i++) {
            random = random * 1664525u + 1013904223u;
            text[i] = alphabet[(random >> 16) % (sizeof alphabet - 1)];
        }
        text[size] = '\0';
        if (!config_takes(text))
            continue;
        taken++;
        ck_assert_msg(driver_takes(text), "the drivers refuse %s", text);
    }
    ck_assert_int_gt(taken, 100);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("expressions");
    TCase *t = tcase_create("expressions");
    tcase_set_timeout(t, 60);
    tcase_add_loop_test(t, both_take, 0, sizeof good / sizeof good[0]);
    tcase_add_loop_test(t, both_refuse, 0, sizeof bad / sizeof bad[0]);
    tcase_add_test(t, what_was_checked_works);
    suite_add_tcase(s, t);
    return suite_run(s);
}
