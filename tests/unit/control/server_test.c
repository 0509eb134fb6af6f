/* The server over a real socket: verbs, and orders in two steps. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#include "fake_daemon.h"
#include "model_json.h"
#include "protocol.h"
#include "suite_run.h"

START_TEST(test_reading_verbs)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    json_t *answer = fake_ask(f, fd, "{\"v\":1,\"id\":1,\"do\":\"hello\"}\n");
    fake_expect(answer, 1, "done");
    ck_assert_str_eq(fake_word(answer, "result", "journal"), f->path);
    json_decref(answer);
    answer = fake_ask(f, fd, "{\"v\":1,\"id\":2,\"do\":\"status\"}\n");
    fake_expect(answer, 2, "done");
    const json_t *channels = json_object_get(json_object_get(answer, "result"), "channels");
    ck_assert_uint_eq(json_array_size(channels), 2);
    ck_assert_str_eq(fake_word(json_array_get(channels, 1), "channel", NULL), "B");
    ck_assert_str_eq(fake_word(json_array_get(channels, 1), "state", NULL), "free");
    json_decref(answer);
    answer = fake_ask(f, fd, "{\"v\":1,\"id\":3,\"do\":\"counters\"}\n");
    fake_expect(answer, 3, "done");
    ck_assert_ptr_nonnull(json_object_get(json_object_get(answer, "result"), "buses"));
    json_decref(answer);
    static const char *const empty[] = {"run-list", "unit-list", "run-events"};
    for (int i = 0; i < 3; i++) {
        char line[80];
        (void)text_format(line, sizeof line, "{\"v\":1,\"id\":4,\"do\":\"%s\"}\n", empty[i]);
        answer = fake_ask(f, fd, line);
        fake_expect(answer, 4, "done");
        json_decref(answer);
    }
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":5,\"do\":\"run-show\",\"run\":12}\n"), 5, "no run 12");
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":6,\"do\":\"run-show\"}\n"), 6, "number");
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":7,\"do\":\"status\",\"loud\":true}\n"), 7, "loud");
    close(fd);
    fake_free(f);
}
END_TEST

/* The bench comes through the socket to the byte. */
START_TEST(test_bench_round_trip)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    json_t *answer = fake_ask(f, fd, "{\"v\":1,\"id\":1,\"do\":\"bench\"}\n");
    fake_expect(answer, 1, "done");
    struct bench *back = calloc(1, sizeof *back);
    struct error err = {{0}};
    ck_assert_ptr_nonnull(back);
    ck_assert_msg(bench_from_json(json_object_get(answer, "result"), back, &err) == 0, "%s", err.text);
    size_t size = bench_encode(f->bench, NULL, 0);
    uint8_t *a = malloc(size), *b = malloc(size);
    ck_assert(a && b && bench_encode(f->bench, a, size) == size && bench_encode(back, b, size) == size);
    ck_assert_int_eq(memcmp(a, b, size), 0);
    free(a);
    free(b);
    free(back);
    json_decref(answer);
    close(fd);
    fake_free(f);
}
END_TEST

START_TEST(test_orders_in_two_steps)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    static const char rig[] = "{\"v\":1,\"id\":1,\"do\":\"channel-rig\",\"channel\":\"B\",\"who\":\"Sam\"}\n";
    json_t *answer = fake_ask(f, fd, rig);
    ck_assert_ptr_null(answer);
    ck_assert_int_eq(f->order_count, 1);
    ck_assert_int_eq(f->orders[0].verb, VERB_RIG);
    ck_assert_int_eq(f->orders[0].channel, 1);
    ck_assert_str_eq(f->orders[0].who, "Sam");
    ck_assert_int_eq(control_answer(f->control, f->orders[0].request, 0, "rigging"), 0);
    answer = fake_next(f, fd); /* has one answer only */
    fake_expect(answer, 1, "done");
    json_decref(answer);

    answer =
        fake_ask(f, fd, "{\"v\":1,\"id\":2,\"do\":\"channel-reset\",\"channel\":\"A\",\"reason\":\"fan mended\"}\n");
    ck_assert_ptr_null(answer);
    ck_assert_str_eq(f->orders[1].text, "fan mended");
    (void)control_answer(f->control, f->orders[1].request, 0, "");
    answer = fake_next(f, fd);
    fake_expect(answer, 2, "accepted");
    json_decref(answer);
    (void)control_answer(f->control, f->orders[1].request, 2, "all open");
    answer = fake_next(f, fd);
    fake_expect(answer, 2, "done");
    ck_assert_str_eq(fake_word(answer, "result", "text"), "all open");
    json_decref(answer);
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":3,\"do\":\"channel-reset\",\"channel\":\"A\"}\n"), 3, "reason");
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":4,\"do\":\"channel-rig\",\"channel\":\"C\"}\n"), 4, "no channel C");
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":5,\"do\":\"channel-rig\",\"channel\":\"all\"}\n"), 5, "all");
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":6,\"do\":\"watchdog-prove\",\"device\":\"meter\"}\n"), 6,
                 "load controller");
    close(fd);
    fake_free(f);
}
END_TEST

/* "end" is taken when everything else is busy. */
START_TEST(test_end_is_never_busy)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    f->busy = true;
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":1,\"do\":\"channel-rig\",\"channel\":\"A\"}\n"), 1, "busy");
    ck_assert_ptr_null(fake_ask(f, fd, "{\"v\":1,\"id\":2,\"do\":\"run-end\",\"channel\":\"all\"}\n"));
    ck_assert_int_eq(f->end_count, 1);
    ck_assert_int_eq(f->ends[0].channel, -1);
    (void)control_answer(f->control, f->ends[0].request, 2, "nothing was running");
    json_t *answer = fake_next(f, fd);
    fake_expect(answer, 2, "done");
    json_decref(answer);
    close(fd);
    fake_free(f);
}
END_TEST

static void put_plate(struct fake *f, int fd)
{
    struct unit_plate plate = fake_plate();
    json_t *request = protocol_request(DO_UNIT_ADD, 1);
    ck_assert_int_eq(json_object_set_new(request, "plate", plate_to_json(&plate)), 0);
    size_t size;
    char *line = protocol_line(request, PROTOCOL_REQUEST_MAX, &size);
    ck_assert_ptr_nonnull(line);
    char *text = strndup(line, size);
    json_t *answer = fake_ask(f, fd, text);
    fake_expect(answer, 1, "done");
    json_decref(answer);
    free(text);
    free(line);
    json_decref(request);
}

/* The disk hangs, and with it whoever reads the record: what needs no record is answered meanwhile. */
START_TEST(test_a_hanging_record_holds_up_nothing_else)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    f->disk_hangs = true;
    ck_assert_ptr_null(fake_ask(f, fd, "{\"v\":1,\"id\":1,\"do\":\"run-list\"}\n"));
    json_t *answer = fake_ask(f, fd, "{\"v\":1,\"id\":2,\"do\":\"status\"}\n");
    fake_expect(answer, 2, "done");
    json_decref(answer);
    /* More than a client may have waiting is refused at once, so that its next order gets through. */
    for (int i = 0; i < 15; i++)
        ck_assert_ptr_null(fake_ask(f, fd, "{\"v\":1,\"id\":3,\"do\":\"unit-list\"}\n"));
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":4,\"do\":\"unit-list\"}\n"), 4, "busy");
    ck_assert_ptr_null(fake_ask(f, fd, "{\"v\":1,\"id\":5,\"do\":\"run-end\",\"channel\":\"all\"}\n"));
    ck_assert_int_eq(f->end_count, 1);
    (void)control_answer(f->control, f->ends[0].request, 2, "the load is open");
    answer = fake_next(f, fd);
    fake_expect(answer, 5, "done");
    json_decref(answer);
    f->disk_hangs = false;
    for (int i = 0; i < 16; i++) { /* those that waited, in their order */
        answer = fake_next(f, fd);
        fake_expect(answer, i == 0 ? 1 : 3, "done");
        json_decref(answer);
    }
    f->disk_hangs = true;
    ck_assert_ptr_null(fake_ask(f, fd, "{\"v\":1,\"id\":6,\"do\":\"run-show\",\"run\":1}\n"));
    f->now_ns += INT64_C(31000000000);
    fake_refused(fake_next(f, fd), 6, "could not be read");
    f->disk_hangs = false; /* what is read now comes to nothing */
    ck_assert_ptr_null(fake_next(f, fd));
    close(fd);
    fake_free(f);
}
END_TEST

/* A start waits for the plate; an order to end that comes meanwhile is not followed by that start. */
START_TEST(test_an_end_takes_the_starts_along_that_wait)
{
    static const char start[] =
        "{\"v\":1,\"id\":2,\"do\":\"run-start\",\"channel\":\"B\",\"unit\":\"HQ-0147\",\"point\":"
        "1,\"procedure\":\"proof\"}\n";
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    put_plate(f, fd);
    f->disk_hangs = true;
    ck_assert_ptr_null(fake_ask(f, fd, start));
    ck_assert_ptr_null(fake_ask(f, fd, "{\"v\":1,\"id\":3,\"do\":\"run-end\",\"channel\":\"A\"}\n")); /* another */
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":4,\"do\":\"run-end\",\"channel\":\"B\"}\n"), 2, "came before");
    ck_assert_ptr_null(fake_ask(f, fd, start));
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":5,\"do\":\"run-end\",\"channel\":\"all\"}\n"), 2, "came before");
    f->disk_hangs = false;
    ck_assert_ptr_null(fake_next(f, fd));
    ck_assert_int_eq(f->order_count, 0);
    ck_assert_int_eq(f->end_count, 3);
    /* Nor is a start done whose client has gone. */
    f->disk_hangs = true;
    int other = fake_connect(f);
    ck_assert_ptr_null(fake_ask(f, other, start));
    close(other);
    f->disk_hangs = false;
    fake_turn(f);
    ck_assert_int_eq(f->order_count, 0);
    ck_assert_ptr_null(fake_ask(f, fd, start));
    ck_assert_int_eq(f->order_count, 1);
    close(fd);
    fake_free(f);
}
END_TEST

START_TEST(test_an_engine_that_does_not_answer)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    ck_assert_ptr_null(fake_ask(f, fd, "{\"v\":1,\"id\":1,\"do\":\"channel-rig\",\"channel\":\"A\"}\n"));
    f->now_ns += INT64_C(11000000000);
    fake_refused(fake_next(f, fd), 1, "no answer");
    (void)control_answer(f->control, f->orders[0].request, 0, "late"); /* comes to nothing */
    ck_assert_ptr_null(fake_next(f, fd));
    close(fd);
    fake_free(f);
}
END_TEST

START_TEST(test_register_and_run_start)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    fake_refused(fake_ask(f, fd,
                          "{\"v\":1,\"id\":1,\"do\":\"run-start\",\"channel\":\"A\",\"unit\":\"HQ-0147\","
                          "\"procedure\":\"proof\"}\n"),
                 1, "not in the register");
    put_plate(f, fd);
    struct unit_plate plate = fake_plate();
    ck_assert_int_eq(f->filed.plate.rating_count, plate.rating_count);
    ck_assert_double_eq(f->filed.plate.ratings[0].current_a, 160.0);
    ck_assert(isnan(f->filed.plate.ratings[0].load_voltage_v));
    json_t *answer = fake_ask(f, fd,
                              "{\"v\":1,\"id\":2,\"do\":\"unit-inspect\",\"unit\":\"HQ-0147\",\"passed\":true,"
                              "\"who\":\"Sam\",\"done\":\"2026-02-27\"}\n");
    fake_expect(answer, 2, "done");
    json_decref(answer);
    answer = fake_ask(f, fd, "{\"v\":1,\"id\":3,\"do\":\"unit-show\",\"unit\":\"HQ-0147\"}\n");
    fake_expect(answer, 3, "done");
    ck_assert_uint_eq(json_array_size(json_object_get(json_object_get(answer, "result"), "inspections")), 1);
    json_decref(answer);

    answer = fake_ask(f, fd,
                      "{\"v\":1,\"id\":3,\"do\":\"unit-release\",\"unit\":\"HQ-0147\",\"to\":\"service\","
                      "\"who\":\"Sam\",\"note\":\"fan\"}\n");
    fake_expect(answer, 3, "done");
    json_decref(answer);
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":3,\"do\":\"unit-release\",\"unit\":\"HQ-0147\",\"to\":\"sea\"}\n"), 3,
                 "where the unit goes");
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":3,\"do\":\"unit-baseline\",\"unit\":\"HQ-0147\",\"run\":5}\n"), 3,
                 "no run of unit");
    answer = fake_ask(f, fd, "{\"v\":1,\"id\":3,\"do\":\"unit-show\",\"unit\":\"HQ-0147\"}\n");
    const json_t *went = json_object_get(json_object_get(answer, "result"), "dispositions");
    ck_assert_uint_eq(json_array_size(went), 1);
    ck_assert_str_eq(fake_word(json_array_get(went, 0), "to", NULL), "service");
    json_decref(answer);

    static const char start[] = "{\"v\":1,\"id\":4,\"do\":\"run-start\",\"channel\":\"B\",\"unit\":\"HQ-0147\","
                                "\"point\":\"tig 160 A\",\"procedure\":\"proof\",\"cycles\":2,\"start\":\"cold\","
                                "\"setup_confirmed\":true,\"who\":\"Sam\",\"accept\":\"circuit\"}\n";
    ck_assert_ptr_null(fake_ask(f, fd, start));
    ck_assert_int_eq(f->order_count, 1);
    const struct run_request *run = &f->orders[0].run;
    ck_assert_int_eq(f->orders[0].verb, VERB_START);
    ck_assert_int_eq(f->orders[0].channel, 1);
    ck_assert_int_eq(run->run_no, 1);
    ck_assert_int_eq(run->plate_version, 1);
    ck_assert_int_eq(run->safety_test_utc_s, 1772150400); /* 2026-02-27 */
    ck_assert_double_eq(run->point.percent_on, 40.0);
    ck_assert_int_eq(run->procedure, PROCEDURE_PROOF);
    ck_assert_int_eq(run->cycles, 2);
    ck_assert_int_eq(run->start, START_COLD);
    ck_assert_int_eq(run->protection, PROTECTION_FITTED);
    ck_assert(run->setup_confirmed && !run->unattended && isnan(run->target_resistance_ohm));
    ck_assert_str_eq(run->accepts, "circuit");
    (void)control_answer(f->control, f->orders[0].request, 0, "run 1 begins");
    answer = fake_next(f, fd);
    fake_expect(answer, 4, "accepted");
    ck_assert_int_eq(json_integer_value(json_object_get(json_object_get(answer, "result"), "run")), 1);
    json_decref(answer);
    close(fd);
    fake_free(f);
}
END_TEST

START_TEST(test_resend)
{
    struct fake *f = fake_new(false);
    struct error err = {{0}};
    int fd = fake_connect(f);
    struct event e = {.id = 1, .kind = EVENT_RUN_START, .channel = 0, .run_no = 7, .seen_ns = 1, .at_ns = 1};
    ck_assert_int_eq(journal_begin(f->journal, &err), 0);
    ck_assert_msg(journal_put_event(f->journal, &e, &err) == 0, "%s", err.text);
    ck_assert_int_eq(journal_commit(f->journal, &err), 0);
    json_t *answer = fake_ask(f, fd, "{\"v\":1,\"id\":1,\"do\":\"uplink-resend\",\"run\":7}\n");
    fake_expect(answer, 1, "done");
    json_decref(answer);
    ck_assert_int_ge(f->resend[FEED_EVENTS], 1);
    ck_assert_int_eq(f->resend[FEED_READINGS], -1); /* the run has none: that feed is left where it stands */
    answer =
        fake_ask(f, fd, "{\"v\":1,\"id\":2,\"do\":\"uplink-resend\",\"since\":\"1971-01-01\",\"store\":\"shop\"}\n");
    fake_expect(answer, 2, "done");
    json_decref(answer);
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":3,\"do\":\"uplink-resend\",\"run\":7,\"store\":\"x\"}\n"), 3,
                 "no such store");
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":4,\"do\":\"uplink-resend\"}\n"), 4, "from which run");
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":5,\"do\":\"uplink-resend\",\"run\":99}\n"), 5,
                 "nothing is on record");
    close(fd);
    fake_free(f);
}
END_TEST

/* A survey's currents, and runs that wait: always unattended, whatever is asked for. */
START_TEST(test_survey_and_queue_orders)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    put_plate(f, fd);
    f->order_count = 0;
    static const char survey[] =
        "{\"v\":1,\"id\":4,\"do\":\"run-start\",\"channel\":\"B\",\"unit\":\"HQ-0147\",\"point\":1,"
        "\"procedure\":\"survey\",\"currents_a\":[100,\"125 A\",160],\"rest_s\":\"90 min\"}\n";
    ck_assert_ptr_null(fake_ask(f, fd, survey));
    ck_assert_int_eq(f->order_count, 1);
    ck_assert_int_eq(f->orders[0].run.survey_count, 3);
    ck_assert_double_eq(f->orders[0].run.survey_a[1], 125);
    ck_assert_int_eq(f->orders[0].run.survey_rest_ns, INT64_C(5400000000000));
    fake_refused(fake_ask(f, fd,
                          "{\"v\":1,\"id\":5,\"do\":\"run-start\",\"channel\":\"B\",\"unit\":\"HQ-0147\",\"point\":1,"
                          "\"procedure\":\"survey\",\"currents_a\":[100,\"125 V\"]}\n"),
                 5, "currents_a");
    static const char queue[] =
        "{\"v\":1,\"id\":6,\"do\":\"run-queue\",\"channel\":\"B\",\"unit\":\"HQ-0147\",\"point\":1,"
        "\"procedure\":\"screen\",\"together\":true,\"unattended\":false,\"who\":\"Sam\"}\n";
    ck_assert_ptr_null(fake_ask(f, fd, queue));
    ck_assert_int_eq(f->order_count, 2);
    ck_assert_int_eq(f->orders[1].verb, VERB_QUEUE);
    ck_assert(f->orders[1].run.unattended && f->orders[1].run.together);
    (void)control_answer(f->control, f->orders[1].request, 0, "run 2 waits");
    json_t *answer = fake_next(f, fd);
    ck_assert_int_eq(json_integer_value(json_object_get(json_object_get(answer, "result"), "run")),
                     f->orders[1].run.run_no);
    json_decref(answer);
    ck_assert_ptr_null(fake_ask(f, fd, "{\"v\":1,\"id\":7,\"do\":\"run-unqueue\",\"run\":2,\"who\":\"Sam\"}\n"));
    ck_assert_int_eq(f->orders[2].verb, VERB_UNQUEUE);
    ck_assert_int_eq(f->orders[2].run.run_no, 2);
    ck_assert_int_eq(f->orders[2].channel, -1);
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":8,\"do\":\"run-unqueue\",\"who\":\"Sam\"}\n"), 8, "channel");
    close(fd);
    fake_free(f);
}
END_TEST

/* A refusal by the preflight comes with its reasons, which are on record by then. */
START_TEST(test_refused_start_brings_its_reasons)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    put_plate(f, fd);
    ck_assert_ptr_null(fake_ask(f, fd,
                                "{\"v\":1,\"id\":4,\"do\":\"run-start\",\"channel\":\"B\",\"unit\":\"HQ-0147\","
                                "\"point\":2,\"procedure\":\"soak\"}\n"));
    (void)control_answer(f->control, f->orders[0].request, 1, "preflight refuses");
    ck_assert_ptr_null(fake_next(f, fd)); /* waits for the record */
    struct error err = {{0}};
    ck_assert_int_eq(journal_begin(f->journal, &err), 0);
    for (int i = 0; i < 3; i++) {
        struct event e = {.id = (uint64_t)i + 1, .kind = EVENT_PREFLIGHT, .channel = 1, .run_no = 1, .code = i};
        (void)text_copy(e.text, sizeof e.text, i == 2 ? "safety test: not on file" : "lead: near its rating");
        ck_assert_msg(journal_put_event(f->journal, &e, &err) == 0, "%s", err.text);
    }
    ck_assert_msg(journal_commit(f->journal, &err) == 0, "%s", err.text);
    f->now_ns += INT64_C(100000000);
    json_t *answer = fake_next(f, fd);
    fake_expect(answer, 4, "refused");
    const json_t *lines = json_object_get(answer, "lines");
    ck_assert_uint_eq(json_array_size(lines), 2);
    ck_assert_str_eq(fake_word(json_array_get(lines, 1), "result", NULL), "refuse");
    ck_assert_str_eq(fake_word(json_array_get(lines, 1), "text", NULL), "safety test: not on file");
    json_decref(answer);
    close(fd);
    fake_free(f);
}
END_TEST

static const char *const bad_starts[][2] = {
    {"\"procedure\":\"proof\",\"point\":3", "number 3"},
    {"\"procedure\":\"proof\",\"point\":\"tig\"", "more than one"},
    {"\"procedure\":\"proof\",\"point\":\"mig 160 A\"", "none"},
    {"\"procedure\":\"proof\",\"point\":\"strong\"", "no way to name"},
    {"\"procedure\":\"proof\",\"point\":\"160 kg\"", "no way to name"},
    {"\"procedure\":\"proof\"", "rating point"},
    {"\"point\":1", "procedure"},
    {"\"point\":1,\"procedure\":\"roast\"", "roast"},
    {"\"point\":1,\"procedure\":\"watchdog\"", "watchdog"},
    {"\"point\":1,\"procedure\":\"proof\",\"cycles\":-1", "cycles"},
    {"\"point\":1,\"procedure\":\"proof\",\"cycles\":1.5", "cycles"},
    {"\"point\":1,\"procedure\":\"proof\",\"start\":\"hot\"", "hot"},
    {"\"point\":1,\"procedure\":\"proof\",\"unattended\":1", "unattended"},
    {"\"point\":1,\"procedure\":\"soak\",\"soak_s\":\"8 V\"", "soak_s"},
    {"\"point\":1,\"procedure\":\"soak\",\"soaks\":8", "soaks"},
    {"\"point\":1,\"procedure\":\"proof\",\"accept\":\"start time-to-opn\"", "no line \"time-to-opn\""},
    {"\"point\":1,\"procedure\":\"proof\",\"accept\":\"time\"", "no line \"time\""},
    {"\"point\":1,\"procedure\":\"proof\",\"accept\":\"start,all\"", "no line \"all\""},
};

START_TEST(test_bad_starts)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    put_plate(f, fd);
    for (size_t i = 0; i < sizeof bad_starts / sizeof bad_starts[0]; i++) {
        char line[400];
        (void)text_format(line, sizeof line,
                          "{\"v\":1,\"id\":9,\"do\":\"run-start\",\"channel\":\"A\",\"unit\":\"HQ-0147\",%s}\n",
                          bad_starts[i][0]);
        fake_refused(fake_ask(f, fd, line), 9, bad_starts[i][1]);
    }
    ck_assert_int_eq(f->order_count, 0);
    f->run_no = -1;
    fake_refused(fake_ask(f, fd,
                          "{\"v\":1,\"id\":9,\"do\":\"run-start\",\"channel\":\"A\",\"unit\":\"HQ-0147\","
                          "\"point\":1,\"procedure\":\"proof\"}\n"),
                 9, "no run number");
    close(fd);
    fake_free(f);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("control server");
    TCase *t = tcase_create("server");
    tcase_set_timeout(t, 30);
    tcase_add_test(t, test_reading_verbs);
    tcase_add_test(t, test_bench_round_trip);
    tcase_add_test(t, test_orders_in_two_steps);
    tcase_add_test(t, test_end_is_never_busy);
    tcase_add_test(t, test_a_hanging_record_holds_up_nothing_else);
    tcase_add_test(t, test_an_end_takes_the_starts_along_that_wait);
    tcase_add_test(t, test_an_engine_that_does_not_answer);
    tcase_add_test(t, test_register_and_run_start);
    tcase_add_test(t, test_resend);
    tcase_add_test(t, test_refused_start_brings_its_reasons);
    tcase_add_test(t, test_survey_and_queue_orders);
    tcase_add_test(t, test_bad_starts);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
