/* Plates over the socket: a fleet in one request or in parts, listed in pages; one serial number of two makers. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "fake_daemon.h"
#include "model_json.h"
#include "protocol.h"
#include "suite_run.h"

static json_t *import_of(const char *const *serials, int count, double current_a)
{
    struct unit_plate plate = fake_plate();
    json_t *request = protocol_request(DO_UNIT_IMPORT, 4), *list = json_array();
    plate.ratings[0].current_a = current_a;
    for (int i = 0; i < count; i++) {
        text_copy(plate.serial, NAME_CAP, serials[i]);
        ck_assert_int_eq(json_array_append_new(list, plate_to_json(&plate)), 0);
    }
    ck_assert_int_eq(json_object_set_new(request, "plates", list), 0);
    return request;
}

static json_t *ask_import(struct fake *f, int fd, json_t *request)
{
    size_t size;
    char *line = protocol_line(request, PROTOCOL_REQUEST_MAX, &size);
    ck_assert_ptr_nonnull(line);
    char *text = strndup(line, size);
    json_t *answer = fake_ask(f, fd, text);
    free(text);
    free(line);
    json_decref(request);
    return answer;
}

static json_t *ask_part(struct fake *f, int fd, int first, int count, bool more)
{
    struct unit_plate plate = fake_plate();
    json_t *request = protocol_request(DO_UNIT_IMPORT, 4), *list = json_array();
    for (int i = first; i < first + count; i++) {
        (void)text_format(plate.serial, NAME_CAP, "F-%05d", i);
        ck_assert_int_eq(json_array_append_new(list, plate_to_json(&plate)), 0);
    }
    ck_assert_int_eq(json_object_set_new(request, "plates", list), 0);
    ck_assert_int_eq(json_object_set_new(request, "more", json_boolean(more)), 0);
    return ask_import(f, fd, request);
}

/* What a socket holds at once: the server has no thread of its own here. */
static void begin_fleet(struct fake *f, int fd, int count)
{
    for (int i = 0; i < count; i += 100) {
        json_t *answer = ask_part(f, fd, i, 100, true);
        fake_expect(answer, 4, "done");
        json_decref(answer);
    }
}

static void expect_units(struct fake *f, int fd, const char *after, size_t count, bool more)
{
    char line[160];
    (void)text_format(line, sizeof line, "{\"v\":1,\"id\":6,\"do\":\"unit-list\",\"after\":\"%s\"}\n", after);
    json_t *answer = fake_ask(f, fd, line);
    fake_expect(answer, 6, "done");
    const json_t *result = json_object_get(answer, "result");
    ck_assert_uint_eq(json_array_size(json_object_get(result, "units")), count);
    ck_assert_int_eq(json_is_true(json_object_get(result, "more")), more);
    json_decref(answer);
}

/* More plates than a request holds come in parts; nothing is on file before the last one, and a part with a mistake
 * takes all of them along. */
START_TEST(test_a_fleet_in_parts)
{
    struct fake *f = fake_new(false);
    int fd = fake_connect(f), other = fake_connect(f);
    begin_fleet(f, fd, 600);
    ck_assert_int_eq(f->file_count, 0);
    fake_refused(ask_part(f, other, 9000, 1, false), 4, "busy"); /* one fleet at a time */
    json_t *bad = protocol_request(DO_UNIT_IMPORT, 4);
    ck_assert_int_eq(json_object_set_new(bad, "plates", json_pack("[{s:s}]", "serial", "")), 0);
    fake_refused(ask_import(f, fd, bad), 4, "plates[600]: the serial number is empty");
    ck_assert_int_eq(f->file_count, 0);
    expect_units(f, fd, "", 0, false);
    begin_fleet(f, fd, 1100);
    json_t *answer = ask_part(f, fd, 1100, 100, false);
    fake_expect(answer, 4, "done");
    json_decref(answer);
    ck_assert_int_eq(f->file_count, 1);
    expect_units(f, fd, "", 500, true);
    expect_units(f, fd, "F-00499", 500, true);
    expect_units(f, fd, "F-00999", 200, false);
    /* Whoever began and sends nothing more holds nobody up for long; who has left, not at all. */
    json_decref(ask_part(f, fd, 2000, 10, true));
    f->now_ns += INT64_C(61000000000);
    json_decref(ask_part(f, other, 3000, 10, true));
    close(other);
    fake_turn(f);
    answer = ask_part(f, fd, 4000, 1, false); /* what it had begun is forgotten */
    fake_expect(answer, 4, "done");
    json_decref(answer);
    expect_units(f, fd, "F-01999", 1, false);
    close(fd);
    fake_free(f);
}
END_TEST

START_TEST(test_a_fleet_in_one_request)
{
    static const char *const serials[] = {"HQ-0147", "HQ-0152", "HQ-0163"};
    static const char *const hollow[] = {"HQ-0147", ""};
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    /* The second has no serial number: refused by its place, and nothing is handed on. */
    fake_refused(ask_import(f, fd, import_of(hollow, 2, 160)), 4, "plates[1]");
    fake_refused(fake_ask(f, fd, "{\"v\":1,\"id\":4,\"do\":\"unit-import\",\"plates\":[]}\n"), 4, "no plates");
    ck_assert_int_eq(f->file_count, 0);
    json_t *answer = ask_import(f, fd, import_of(serials, 3, 160));
    fake_expect(answer, 4, "done");
    json_decref(answer);
    ck_assert_int_eq(f->file_count, 1);
    ck_assert_int_eq(f->filed.plate_count, 3);
    answer = fake_ask(f, fd, "{\"v\":1,\"id\":5,\"do\":\"unit-list\"}\n");
    ck_assert_uint_eq(json_array_size(json_object_get(json_object_get(answer, "result"), "units")), 3);
    json_decref(answer);
    close(fd);
    fake_free(f);
}
END_TEST

static json_t *ask_plate(struct fake *f, int fd, const char *maker, const char *of_unit)
{
    struct unit_plate plate = fake_plate();
    (void)text_copy(plate.maker, sizeof plate.maker, maker);
    json_t *request = protocol_request(DO_UNIT_ADD, 1);
    ck_assert_int_eq(json_object_set_new(request, "plate", plate_to_json(&plate)), 0);
    if (of_unit)
        ck_assert_int_eq(json_object_set_new(request, "unit", json_string(of_unit)), 0);
    return ask_import(f, fd, request);
}

/* Two makers gave one serial number: nothing is done for "HQ-0147" alone, and what to write is said. */
START_TEST(test_one_serial_number_of_two_makers)
{
    static const char start[] = "{\"v\":1,\"id\":4,\"do\":\"run-start\",\"channel\":\"B\",\"unit\":\"%s\",\"point\":1,"
                                "\"procedure\":\"proof\"}\n";
    static const char *const asks[] = {"unit-show", "unit-inspect", "unit-release", "unit-baseline", "run-list"};
    char line[256];
    struct fake *f = fake_new(false);
    int fd = fake_connect(f);
    json_decref(ask_plate(f, fd, "Quayline", NULL));
    json_decref(ask_plate(f, fd, "Marrowgate", NULL));
    for (size_t i = 0; i < sizeof asks / sizeof asks[0]; i++) {
        (void)text_format(line, sizeof line, "{\"v\":1,\"id\":2,\"do\":\"%s\",\"unit\":\"HQ-0147\"}\n", asks[i]);
        fake_refused(fake_ask(f, fd, line), 2, "HQ-0147/Quayline or HQ-0147/Marrowgate");
    }
    (void)text_format(line, sizeof line, start, "HQ-0147");
    fake_refused(fake_ask(f, fd, line), 4, "HQ-0147/Quayline or HQ-0147/Marrowgate");
    (void)text_format(line, sizeof line, start, "HQ-0147/Quayline");
    ck_assert_ptr_null(fake_ask(f, fd, line));
    ck_assert_str_eq(f->orders[0].run.serial, "HQ-0147"); /* as it has been called on record all along */
    (void)text_format(line, sizeof line, start, "HQ-0147/marrowgate");
    ck_assert_ptr_null(fake_ask(f, fd, line));
    ck_assert_str_eq(f->orders[1].run.serial, "HQ-0147/Marrowgate");
    /* The label that was read says which; one that is not on file stays as it was read. */
    fake_refused(
        fake_ask(f, fd, "{\"v\":1,\"id\":5,\"do\":\"channel-rigged\",\"channel\":\"A\",\"unit\":\"HQ-0147\"}\n"), 5,
        "HQ-0147/Marrowgate");
    ck_assert_ptr_null(fake_ask(
        f, fd, "{\"v\":1,\"id\":5,\"do\":\"channel-rigged\",\"channel\":\"A\",\"unit\":\"HQ-0147/Quayline\"}\n"));
    ck_assert_str_eq(f->orders[2].text, "HQ-0147");
    ck_assert_ptr_null(
        fake_ask(f, fd, "{\"v\":1,\"id\":5,\"do\":\"channel-rigged\",\"channel\":\"A\",\"unit\":\"HQ-9999\"}\n"));
    ck_assert_str_eq(f->orders[3].text, "HQ-9999");
    /* A maker corrected. */
    json_t *answer = ask_plate(f, fd, "Marrow Gate", "HQ-0147/Marrowgate");
    fake_expect(answer, 1, "done");
    json_decref(answer);
    answer = fake_ask(f, fd, "{\"v\":1,\"id\":6,\"do\":\"unit-show\",\"unit\":\"HQ-0147/Marrow Gate\"}\n");
    fake_expect(answer, 6, "done");
    const json_t *unit = json_object_get(json_object_get(answer, "result"), "unit");
    ck_assert_str_eq(fake_word(unit, "unit", NULL), "HQ-0147/Marrowgate");
    ck_assert_int_eq(json_integer_value(json_object_get(unit, "plate_version")), 2);
    json_decref(answer);
    close(fd);
    fake_free(f);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("control fleet");
    TCase *t = tcase_create("fleet");
    tcase_set_timeout(t, 30);
    tcase_add_test(t, test_a_fleet_in_one_request);
    tcase_add_test(t, test_a_fleet_in_parts);
    tcase_add_test(t, test_one_serial_number_of_two_makers);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
