/* Buffers of fast samples and latched peaks at the bus, on the line of a load controller that must not be kept waiting:
 * samples with honest stamps, what is no good said, beats and drops as if nothing were read. Bench's own rules: common
 * practice, no published source. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "bus_text.h"
#include "fixture.h"
#include "suite_run.h"

enum {
    STATE = 60,
    NUMBER = 61,
    ARM = 62,
    AGE = 63,
    PEAK = 70,
    PEAK_RESET = 71,
    U_FIRST = 100,
    I_FIRST = 140,
    COUNT = 40
};
enum { IDLE, WAITS, FILLS, WHOLE };

static struct fixture f;
static struct input_capture told[64];
static int told_count;

static int take_capture(void *ctx, const struct input_capture *c)
{
    (void)ctx;
    ck_assert_int_lt(told_count, 64);
    told[told_count++] = *c;
    return 0;
}

static int add(const char *name, enum register_table table, int reg, enum value_type type)
{
    struct device_map *m = &f.maps[0];
    struct map_point *p = &m->points[m->point_count];
    (void)text_copy(p->name, sizeof p->name, name);
    p->table = table;
    p->register_ = (uint16_t)reg;
    p->type = type;
    p->scale = p->to_base = 1;
    p->writable = table == TABLE_HOLDING;
    p->reset_point = -1;
    return m->point_count++;
}

static int peak_point;

static void describe(bool with_age, bool with_number)
{
    struct device_map *m = &f.maps[0];
    struct map_capture *c = &m->captures[m->capture_count++];
    *c = (struct map_capture){.arm_value = 1,
                              .armed = WAITS,
                              .filling = FILLS,
                              .has_filling = true,
                              .ready = WHOLE,
                              .interval_ns = 10 * MS,
                              .count = COUNT,
                              .before_pct = 50,
                              .trigger_point = -1,
                              .interval_point = -1,
                              .count_point = -1,
                              .age_point = -1,
                              .number_point = -1};
    c->state_point = add("state", TABLE_INPUT, STATE, TYPE_U16);
    c->arm_point = add("arm", TABLE_HOLDING, ARM, TYPE_U16);
    int number = add("number", TABLE_INPUT, NUMBER, TYPE_U16), age = add("age", TABLE_INPUT, AGE, TYPE_U16);
    c->number_point = with_number ? number : -1;
    c->age_point = with_age ? age : -1;
    m->points[age].scale = 0.001; /* s */
    c->samples[CAPTURED_U2] = add("u_samples", TABLE_INPUT, U_FIRST, TYPE_I16);
    c->samples[CAPTURED_I2] = add("i_samples", TABLE_INPUT, I_FIRST, TYPE_I16);
    m->points[c->samples[CAPTURED_U2]].block = m->points[c->samples[CAPTURED_I2]].block = true;
    m->points[c->samples[CAPTURED_U2]].scale = 0.1;
    peak_point = add("peak", TABLE_INPUT, PEAK, TYPE_U16);
    m->points[peak_point].latch = LATCH_WRITE;
    m->points[peak_point].reset_point = (int16_t)add("peak_reset", TABLE_HOLDING, PEAK_RESET, TYPE_U16);
    m->points[peak_point].reset_value = 7;
    f.signals[f.setup.signal_count] = (struct bus_signal){0, peak_point, f.setup.signal_count, 1, 0};
    f.setup.signal_count++;
    for (int i = 0; i < 2; i++)
        f.channels[i].capture_device = f.channels[i].peak_device = -1;
    f.channels[0].capture_device = f.channels[0].peak_device = 0;
    f.channels[0].peak = peak_point;
}

static void start(bool with_age, bool with_number)
{
    fixture_init(&f);
    describe(with_age, with_number);
    f.setup.sink.capture = take_capture;
    told_count = 0;
    fixture_up(&f);
    fixture_run_for(&f, SEC);
}

/* The device's own part: armed by the write, and samples of an event. */
static void device_arms(void)
{
    if (f.fakes[0].registers[ARM] != 1)
        return;
    f.fakes[0].registers[ARM] = 0;
    f.fakes[0].registers[STATE] = WAITS;
    f.fakes[0].registers[NUMBER]++;
}

static void device_fills(int salt)
{
    for (int i = 0; i < COUNT; i++) {
        f.fakes[0].registers[U_FIRST + i] = (uint16_t)(i < COUNT / 2 ? 164 + i % 3 : 720 + salt);
        f.fakes[0].registers[I_FIRST + i] = (uint16_t)(i < COUNT / 2 ? 160 : 0);
    }
}

static void run_device(int64_t ns)
{
    for (int64_t until = f.now_ns + ns; f.now_ns < until;) {
        fixture_run_for(&f, 5 * MS);
        device_arms();
    }
}

static void order(enum capture_order what)
{
    struct command c = fixture_command(COMMAND_CAPTURE, 0);
    c.code = (int32_t)what;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
}

static void arm_it(void)
{
    order(CAPTURE_ARM);
    run_device(SEC);
    ck_assert_int_ge(told_count, 1);
    ck_assert_msg(told[told_count - 1].status == CAPTURE_ARMED, "%s", told[told_count - 1].text);
}

static const struct input_capture *last(void)
{
    ck_assert_int_gt(told_count, 0);
    return &told[told_count - 1];
}

/* Longest time between two beats since. */
static int64_t longest_beat_gap(int from_write)
{
    int64_t before = 0, longest = 0;
    for (int i = from_write; i < f.write_count; i++) {
        if (f.writes[i].address != 51)
            continue;
        if (before != 0 && f.writes[i].at_ns - before > longest)
            longest = f.writes[i].at_ns - before;
        before = f.writes[i].at_ns;
    }
    return longest;
}

START_TEST(samples_come_whole_with_their_time)
{
    start(_i == 1, true);
    arm_it();
    run_device(2500 * MS);
    int64_t event_ns = f.now_ns;
    f.fakes[0].registers[STATE] = FILLS;
    run_device(200 * MS);
    device_fills(0);
    f.fakes[0].registers[STATE] = WHOLE;
    order(CAPTURE_READ);
    int writes = f.write_count;
    static struct bus_stats before, after;
    bus_stats(f.bus, &before);
    for (int i = 0; i < 400 && last()->status != CAPTURE_WHOLE; i++) {
        f.fakes[0].registers[AGE] = (uint16_t)((f.now_ns - event_ns) / MS);
        fixture_run_for(&f, 5 * MS);
    }
    const struct input_capture *c = last();
    ck_assert_msg(c->status == CAPTURE_WHOLE, "%s: %s", capture_status_name(c->status), c->text);
    ck_assert_int_eq(c->channel, 0);
    ck_assert_int_eq(c->count, COUNT);
    ck_assert_int_eq(c->event, COUNT / 2);
    ck_assert_int_eq(c->interval_ns, 10 * MS);
    ck_assert(c->has[CAPTURED_U2] && c->has[CAPTURED_I2]);
    for (int i = 0; i < COUNT; i++) {
        ck_assert_double_eq_tol(c->values[i], i < COUNT / 2 ? 16.4 + 0.1 * (i % 3) : 72, 1e-9);
        ck_assert_double_eq(c->values[COUNT + i], i < COUNT / 2 ? 160 : 0);
    }
    /* The event is inside what the stamps allow, and with an age they allow little. */
    int64_t off = c->first_ns + c->event * c->interval_ns - event_ns;
    ck_assert_msg((off < 0 ? -off : off) <= c->half_width_ns, "%lld ms off, half-width %lld ms", (long long)(off / MS),
                  (long long)(c->half_width_ns / MS));
    ck_assert_int_le(c->half_width_ns, (_i == 1 ? 20 : 700) * MS);
    bus_stats(f.bus, &after);
    ck_assert_uint_eq(after.devices[0].polls_missed, before.devices[0].polls_missed);
    run_device(2 * SEC);
    ck_assert_int_gt(longest_beat_gap(writes), 0);
    ck_assert_int_le(longest_beat_gap(writes), 500 * MS + 3 * f.took_ns);
    fixture_free(&f);
}
END_TEST

/* In the middle of reading a drop goes out as soon as the question under way is answered. */
START_TEST(a_drop_waits_for_no_buffer)
{
    start(true, true);
    f.fakes[0].block_max = 4; /* many pieces */
    arm_it();
    device_fills(0);
    f.fakes[0].registers[STATE] = WHOLE;
    order(CAPTURE_READ);
    fixture_run_for(&f, 900 * MS);
    int writes = f.write_count;
    int64_t asked_ns = f.now_ns;
    lease_drop(&f.leases[0]);
    bus_wake(f.bus);
    fixture_run_for(&f, SEC);
    int dropped = -1;
    for (int i = writes; i < f.write_count && dropped < 0; i++)
        dropped = f.writes[i].address == 50 ? i : -1;
    ck_assert_int_ge(dropped, 0);
    ck_assert_int_le(f.writes[dropped].at_ns - asked_ns, 2 * f.took_ns);
    fixture_free(&f);
}
END_TEST

/* What the device does once it is asked to be read, and what is said of it. */
static const struct {
    const char *name;
    bool number;
    int state, count_more; /* of its number, while it is read */
    enum fake_mood mood;
    int hole;
    enum capture_status says;
} wrong[] = {
    {"begins anew, told by number", true, WHOLE, 1, FAKE_ANSWERS, -1, CAPTURE_OVERWRITTEN},
    {"restarts", true, IDLE, 0, FAKE_ANSWERS, -1, CAPTURE_NOT_ARMED},
    {"sees no event", true, WAITS, 0, FAKE_ANSWERS, -1, CAPTURE_NOT_READY},
    {"falls silent", true, WHOLE, 0, FAKE_SILENT, -1, CAPTURE_LINK_LOST},
    {"ends too soon", true, WHOLE, 0, FAKE_ANSWERS, I_FIRST + 30, CAPTURE_BAD_LENGTH},
    {"has no such registers", true, WHOLE, 0, FAKE_ANSWERS, U_FIRST, CAPTURE_UNREADABLE},
};

START_TEST(what_is_no_good_is_said)
{
    start(true, wrong[_i].number);
    arm_it();
    device_fills(0);
    f.fakes[0].registers[STATE] = (uint16_t)wrong[_i].state;
    f.fakes[0].hole = wrong[_i].hole;
    f.fakes[0].block_max = 4; /* long enough to be disturbed */
    order(CAPTURE_READ);
    run_device(60 * MS);
    f.fakes[0].registers[NUMBER] = (uint16_t)(f.fakes[0].registers[NUMBER] + wrong[_i].count_more);
    f.fakes[0].mood = wrong[_i].mood;
    run_device(30 * SEC);
    ck_assert_msg(last()->status == wrong[_i].says, "%s: %s: %s", wrong[_i].name, capture_status_name(last()->status),
                  last()->text);
    ck_assert_int_eq(last()->count, 0);
    ck_assert_uint_gt(strlen(last()->text), 10);
    fixture_free(&f);
}
END_TEST

START_TEST(the_same_samples_again_are_frozen)
{
    start(false, false);
    for (int i = 0; i < 2; i++) {
        arm_it();
        device_fills(0);
        f.fakes[0].registers[STATE] = WHOLE;
        order(CAPTURE_READ);
        run_device(3 * SEC);
        ck_assert_int_eq(last()->status, i == 0 ? CAPTURE_WHOLE : CAPTURE_FROZEN);
    }
    /* A buffer that nobody armed is not read. */
    order(CAPTURE_READ);
    run_device(SEC);
    ck_assert_int_eq(last()->status, CAPTURE_NOT_ARMED);
    fixture_free(&f);
}
END_TEST

/* An event that nobody asks about makes room for the next one. */
START_TEST(an_event_nobody_wants_is_let_go)
{
    start(true, true);
    arm_it();
    f.fakes[0].registers[STATE] = WHOLE;
    run_device(40 * SEC);
    ck_assert_int_eq(f.fakes[0].registers[STATE], WAITS);
    ck_assert_int_eq(last()->status, CAPTURE_ARMED);
    fixture_free(&f);
}
END_TEST

static int64_t peak_width(void)
{
    const struct input_readings *in = NULL;
    ck_assert_ptr_nonnull(last_reading(&f, f.setup.signal_count - 1, &in));
    return in->half_width_ns;
}

/* A latched peak was there some time since it was let go. */
START_TEST(a_peaks_stamp_is_as_wide_as_its_latch)
{
    start(false, false);
    fixture_run_for(&f, 20 * SEC);
    ck_assert_int_ge(peak_width(), 20 * SEC);
    struct command reset = fixture_command(COMMAND_PEAK_RESET, 0);
    int writes = f.write_count;
    ck_assert_int_eq(bus_post(f.bus, &reset), 0);
    fixture_run_for(&f, SEC);
    ck_assert_int_eq(count_writes(&f, writes, PEAK_RESET), 1);
    ck_assert_int_eq(f.fakes[0].registers[PEAK_RESET], 7);
    ck_assert_ptr_nonnull(last_ack(&f, reset.number));
    ck_assert_int_eq(last_ack(&f, reset.number)->kind, ACK_DONE);
    ck_assert_int_le(peak_width(), SEC + 10 * MS);
    fixture_run_for(&f, 4 * SEC);
    ck_assert_int_ge(peak_width(), 4 * SEC);
    fixture_free(&f);
}
END_TEST

START_TEST(each_reading_lets_go_of_its_own)
{
    fixture_init(&f);
    describe(false, false);
    f.maps[0].points[peak_point].latch = LATCH_READ;
    fixture_up(&f);
    fixture_run_for(&f, 3 * SEC);
    ck_assert_int_le(peak_width(), 110 * MS);
    /* No reset is known, and none is sent. */
    struct command reset = fixture_command(COMMAND_PEAK_RESET, 0);
    ck_assert_int_eq(bus_post(f.bus, &reset), -1);
    fixture_free(&f);
}
END_TEST

START_TEST(lists_of_numbers)
{
    static const struct device_map map = {.out_of_range = {"OL"}};
    double v[4];
    ck_assert_int_eq(text_list_read(&map, "1.5, -2E1 ,OL", v, 4), 3);
    ck_assert_double_eq(v[0], 1.5);
    ck_assert_double_eq(v[1], -20);
    ck_assert(isnan(v[2]));
    ck_assert_int_eq(text_list_read(&map, "", v, 4), 0);
    ck_assert_int_eq(text_list_read(&map, "9.91E37", v, 4), 1); /* SCPI-99: not a number */
    ck_assert(isnan(v[0]));
    static const char *const bad[] = {"1,2,3,4,5", "1,,2", "1,", ",1", "1;2", "1 2", "x"};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        ck_assert_msg(text_list_read(&map, bad[i], v, 4) == -1, "%s", bad[i]);
    char line[32];
    bool parted;
    ck_assert_int_eq(text_part_query("D? {first},{count}", 120, 64, line, sizeof line, &parted), 0);
    ck_assert(parted);
    ck_assert_str_eq(line, "D? 120,64");
    ck_assert_int_eq(text_part_query("D?", 0, 64, line, sizeof line, &parted), 0);
    ck_assert(!parted);
    ck_assert_int_eq(text_part_query("D? {first},{count}", 120, 64, line, 8, &parted), -1);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("captures at the bus");
    TCase *t = tcase_create("captures");
    tcase_add_loop_test(t, samples_come_whole_with_their_time, 0, 2);
    tcase_add_test(t, a_drop_waits_for_no_buffer);
    tcase_add_loop_test(t, what_is_no_good_is_said, 0, (int)(sizeof wrong / sizeof wrong[0]));
    tcase_add_test(t, the_same_samples_again_are_frozen);
    tcase_add_test(t, an_event_nobody_wants_is_let_go);
    tcase_add_test(t, a_peaks_stamp_is_as_wide_as_its_latch);
    tcase_add_test(t, each_reading_lets_go_of_its_own);
    tcase_add_test(t, lists_of_numbers);
    suite_add_tcase(s, t);
    return suite_run(s);
}
