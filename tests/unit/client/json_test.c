/* docs/json.md and the client's answers, over a journal with something of everything. json_shapes.py does the holding.
 */
#include <check.h>
#include <stdlib.h>

#include "soak_journal.h"
#include "suite_run.h"

START_TEST(the_page_and_the_answers_agree)
{
    struct soak_journal s;
    struct error err = {{0}};
    soak_journal_begin(&s);
    struct soak_run runs[] = {soak_run_plain(1, 0), soak_run_plain(2, 90000)};
    soak_journal_run(&s, &runs[0]);
    soak_journal_run(&s, &runs[1]);
    struct journal_inspection test = {
        .serial = "HQ-0147", .kind = "safety test", .who = "Ines", .done_utc_s = 1767600000, .passed = true};
    struct journal_disposition sent = {
        .serial = "HQ-0147", .to = "hire", .who = "Ines", .utc_s = 1767700000, .run_no = 2};
    ck_assert_int_eq(journal_begin(s.journal, &err), 0);
    ck_assert_int_eq(journal_put_inspection(s.journal, &test, &err), 0);
    ck_assert_int_eq(journal_put_disposition(s.journal, &sent, &err), 0);
    struct journal_addendum remark = {
        .run_no = 1, .utc_s = 1767700000, .kind = ADDENDUM_REMARK, .who = "Ines", .note = "fan louder than usual"};
    ck_assert_int_eq(journal_put_addendum(s.journal, &remark, NULL, 0, &err), 0);
    ck_assert_int_eq(journal_commit(s.journal, &err), 0);
    char command[1000];
    (void)text_format(command, sizeof command, "python3 %s/tests/unit/client/json_shapes.py '%s' %s %s/docs/json.md",
                      SOURCE_DIR, SOAKBENCH_BINARY, s.path, SOURCE_DIR);
    ck_assert_int_eq(system(command), 0);
    soak_journal_end(&s);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("json");
    TCase *t = tcase_create("json");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, the_page_and_the_answers_agree);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
