/* Orders whose facts are the daemon's, not the client's: what is added to a start, and the test message of the evening.
 */
#include <check.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "error.h"
#include "fake_daemon.h"
#include "protocol.h"
#include "suite_run.h"

static const int64_t second_ns = INT64_C(1000000000);

static void write_down(struct fake *f, const struct unit_plate *plate, const struct journal_inspection *t)
{
    struct error err = {{0}};
    int32_t version;
    ck_assert_msg(journal_begin(f->journal, &err) == 0, "%s", err.text);
    ck_assert_msg(!plate || journal_put_unit(f->journal, plate, 1, &version, &err) == 0, "%s", err.text);
    ck_assert_msg(!t || journal_put_inspection(f->journal, t, &err) == 0, "%s", err.text);
    ck_assert_msg(journal_commit(f->journal, &err) == 0, "%s", err.text);
}

/* The start as it reaches the engine. */
static const struct run_request *start(struct fake *f, int fd)
{
    int before = f->order_count;
    ck_assert_ptr_null(fake_ask(f, fd,
                                "{\"v\":1,\"id\":9,\"do\":\"run-start\",\"channel\":\"B\",\"unit\":\"HQ-0147\","
                                "\"point\":1,\"procedure\":\"screen\"}\n"));
    ck_assert_int_eq(f->order_count, before + 1);
    return &f->orders[before].run;
}

/* The latest inspection counts, also when it failed after one that was passed. */
START_TEST(the_latest_safety_test_goes_along)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    struct unit_plate plate = fake_plate();
    struct journal_inspection t = {
        .serial = "HQ-0147", .kind = "safety test", .done_utc_s = 1768435200, .due_utc_s = 1771113600, .passed = true};
    write_down(f, &plate, NULL);
    const struct run_request *run = start(f, fd);
    ck_assert_int_eq(run->safety_test_utc_s, 0);
    ck_assert(!run->safety_test_failed);
    write_down(f, NULL, &t);
    run = start(f, fd);
    ck_assert_int_eq(run->safety_test_utc_s, 1768435200);
    ck_assert_int_eq(run->safety_test_due_utc_s, 1771113600);
    ck_assert(!run->safety_test_failed);
    t.done_utc_s += 86400;
    t.passed = false;
    write_down(f, NULL, &t);
    run = start(f, fd);
    ck_assert_int_eq(run->safety_test_utc_s, 0);
    ck_assert(run->safety_test_failed);
    close(fd);
    fake_free(f);
}
END_TEST

/* A client cannot say how the stores stand: the daemon does. */
START_TEST(the_stores_go_along)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    struct unit_plate plate = fake_plate();
    write_down(f, &plate, NULL);
    f->stores = (struct run_stores){.count = 1, .worst = STORE_STAND_REFUSED, .in_trouble = 1, .name = "shop"};
    const struct run_request *run = start(f, fd);
    ck_assert_int_eq(run->stores.worst, STORE_STAND_REFUSED);
    ck_assert_str_eq(run->stores.name, "shop");
    fake_refused(fake_ask(f, fd,
                          "{\"v\":1,\"id\":9,\"do\":\"run-start\",\"channel\":\"B\",\"unit\":\"HQ-0147\",\"point\":1,"
                          "\"procedure\":\"screen\",\"stores\":{\"count\":0}}\n"),
                 9, "stores");
    close(fd);
    fake_free(f);
}
END_TEST

static void put_run(struct fake *f, const struct run_request *like, int64_t run_no, const char *serial)
{
    struct error err = {{0}};
    struct input *in = calloc(1, sizeof *in);
    ck_assert_ptr_nonnull(in);
    in->seq = (uint64_t)run_no;
    in->kind = INPUT_OPERATOR;
    in->u.operator_.verb = VERB_START;
    in->u.operator_.run = *like;
    in->u.operator_.run.run_no = run_no;
    (void)text_copy(in->u.operator_.run.serial, NAME_CAP, serial);
    ck_assert_msg(journal_put_run(f->journal, in, run_no * second_ns, &err) == 0, "%s", err.text);
    free(in);
}

static void put_event_at(struct fake *f, uint64_t id, enum event_kind kind, int64_t run_no, int64_t at_s)
{
    struct error err = {{0}};
    struct event v = {
        .id = id, .kind = kind, .channel = 0, .run_no = run_no, .seen_ns = at_s * second_ns, .at_ns = at_s * second_ns};
    ck_assert_msg(journal_put_event(f->journal, &v, &err) == 0, "%s", err.text);
}

/* When this unit was last on-load, on whatever channel: the run on A counts for a start on B. A run that never closed
 * its load, another unit's run and a note long after do not. */
START_TEST(the_units_last_load_goes_along)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    struct error err = {{0}};
    struct unit_plate plate = fake_plate();
    write_down(f, &plate, NULL);
    const struct run_request like = *start(f, fd);
    ck_assert_int_eq(like.unit_last_load_utc_ns, 0);
    ck_assert_msg(journal_begin(f->journal, &err) == 0, "%s", err.text);
    put_run(f, &like, 70, "HQ-0147");
    put_event_at(f, 1, EVENT_STEPS, 70, 100);
    put_event_at(f, 2, EVENT_CYCLE, 70, 340);
    put_event_at(f, 3, EVENT_NOTE, 70, 900);
    put_event_at(f, 6, EVENT_SHUTOFF, 70, 240);
    put_run(f, &like, 71, "HQ-0147");
    put_event_at(f, 4, EVENT_INTERLOCK, 71, 1000);
    put_run(f, &like, 72, "HQ-0203");
    put_event_at(f, 5, EVENT_STEPS, 72, 1100);
    ck_assert_msg(journal_commit(f->journal, &err) == 0, "%s", err.text);
    const struct run_request *run = start(f, fd);
    ck_assert_int_eq(run->unit_last_load_utc_ns, f->view.utc_ns + 340 * second_ns);
    ck_assert_int_eq(run->unit_cutouts, 1);
    close(fd);
    fake_free(f);
}
END_TEST

/* ---- the test message of the evening ---- */

static const char ask_message[] = "{\"v\":1,\"id\":5,\"do\":\"notify-test\",\"who\":\"Sam\"}\n";

START_TEST(a_test_message_that_cannot_be_sent)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    (void)text_copy(f->notify_trouble, sizeof f->notify_trouble, "nobody is told: no smtp and no webhook");
    json_t *answer = fake_ask(f, fd, ask_message);
    ck_assert_ptr_nonnull(strstr(fake_word(answer, "error", "remedy"), "notify:"));
    fake_refused(answer, 5, "nobody is told");
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":6,\"do\":\"notify-test\",\"who\":7}\n"), 6, "who");
    close(fd);
    fake_free(f);
}
END_TEST

/* Two answers: on its way, then what became of it. A mail server may take longer than the engine ever does. */
START_TEST(a_test_message_is_sent)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    json_t *answer = fake_ask(f, fd, ask_message);
    fake_expect(answer, 5, "accepted");
    json_decref(answer);
    ck_assert_str_eq(f->notify_who, "Sam");
    f->now_ns += 45 * second_ns;
    ck_assert_ptr_null(fake_next(f, fd));
    ck_assert_int_eq(control_answer(f->control, f->notify_request, 2, "test message sent to 2 of 2"), 0);
    answer = fake_next(f, fd);
    fake_expect(answer, 5, "done");
    ck_assert_str_eq(fake_word(answer, "result", "text"), "test message sent to 2 of 2");
    json_decref(answer);
    json_decref(fake_ask(f, fd, ask_message));
    ck_assert_int_eq(control_answer(f->control, f->notify_request, 1, "test message sent to 0 of 2"), 0);
    fake_refused(fake_next(f, fd), 5, "sent to 0 of 2");
    close(fd);
    fake_free(f);
}
END_TEST

/* Who asked and hung up hears nothing, and nothing breaks. */
START_TEST(whoever_asked_may_leave)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    json_decref(fake_ask(f, fd, ask_message));
    close(fd);
    fake_turn(f);
    ck_assert_int_eq(control_answer(f->control, f->notify_request, 2, "test message sent to 1 of 1"), 0);
    fake_turn(f);
    fd = fake_connect(f);
    json_t *answer = fake_ask(f, fd, ask_message);
    fake_expect(answer, 5, "accepted");
    json_decref(answer);
    close(fd);
    fake_free(f);
}
END_TEST

START_TEST(a_test_message_is_acknowledged)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    (void)text_copy(f->notify_code, sizeof f->notify_code, "204817");
    json_t *answer =
        fake_ask(f, fd, "{\"v\":1,\"id\":6,\"do\":\"notify-acknowledge\",\"code\":\"204818\",\"who\":\"Sam\"}\n");
    ck_assert_ptr_nonnull(strstr(fake_word(answer, "error", "remedy"), "notify test"));
    fake_refused(answer, 6, "not the code");
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":6,\"do\":\"notify-acknowledge\",\"who\":\"Sam\"}\n"), 6,
                 "not the code"); /* none given */
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":6,\"do\":\"notify-acknowledge\",\"code\":204817}\n"), 6, "code");
    ck_assert_str_eq(f->notify_who, "");
    answer = fake_ask(f, fd, "{\"v\":1,\"id\":7,\"do\":\"notify-acknowledge\",\"code\":\"204817\",\"who\":\"Sam\"}\n");
    fake_expect(answer, 7, "done");
    ck_assert_ptr_nonnull(strstr(fake_word(answer, "result", "text"), "acknowledged"));
    json_decref(answer);
    ck_assert_str_eq(f->notify_who, "Sam");
    close(fd);
    fake_free(f);
}
END_TEST

START_TEST(a_daemon_that_tells_nobody)
{
    struct fake *f = fake_new(true);
    int fd = fake_connect(f);
    fake_refused(fake_ask(f, fd, ask_message), 5, "tells nobody");
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":8,\"do\":\"notify-acknowledge\",\"code\":\"1\"}\n"), 8,
                 "tells nobody");
    close(fd);
    fake_free(f);
}
END_TEST

/* The label that was read at the bench goes to the engine with the confirmation. */
START_TEST(the_label_goes_along)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    f->accept_all = true;
    json_t *answer =
        fake_ask(f, fd, "{\"v\":1,\"id\":3,\"do\":\"channel-rigged\",\"channel\":\"A\",\"unit\":\"HQ-0147\"}\n");
    fake_expect(answer, 3, "done");
    json_decref(answer);
    ck_assert_int_eq(f->orders[0].verb, VERB_RIGGED);
    ck_assert_str_eq(f->orders[0].text, "HQ-0147");
    close(fd);
    fake_free(f);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("control orders");
    TCase *t = tcase_create("orders");
    tcase_set_timeout(t, 30);
    tcase_add_test(t, the_latest_safety_test_goes_along);
    tcase_add_test(t, the_stores_go_along);
    tcase_add_test(t, the_units_last_load_goes_along);
    tcase_add_test(t, a_test_message_that_cannot_be_sent);
    tcase_add_test(t, a_test_message_is_sent);
    tcase_add_test(t, whoever_asked_may_leave);
    tcase_add_test(t, a_test_message_is_acknowledged);
    tcase_add_test(t, a_daemon_that_tells_nobody);
    tcase_add_test(t, the_label_goes_along);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
