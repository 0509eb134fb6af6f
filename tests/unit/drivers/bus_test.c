/* Behaviour of a bus on the virtual clock, with a load controller of our own making as peer in process. What a bus must
 * do is the bench's own rule (drop first, lease before beat ...): common practice, no published source. */
#include <check.h>
#include <math.h>
#include <poll.h>

#include <stdlib.h>
#include <string.h>

#include "fixture.h"
#include "suite_run.h"

static struct fixture f;

static void begin(void)
{
    fixture_init(&f);
}

static void end(void)
{
    fixture_free(&f);
}

/* Identity first, then drop-all as the first write of all, then the watchdog's limit (2 s in steps of 0.1 s). */
START_TEST(connects_in_order)
{
    fixture_start(&f, -1);
    ck_assert(fixture_run_up(&f, 0, true));
    ck_assert_int_ge(f.write_count, 2);
    ck_assert_int_eq(f.writes[0].address, 50);
    ck_assert_int_eq(f.writes[0].value, 1);
    ck_assert_int_eq(f.writes[1].address, 52);
    ck_assert_int_eq(f.writes[1].value, 20);
    ck_assert(!isnan(f.identity.power_up) && isnan(f.identity.rate) && !f.identity.is_virtual);
    ck_assert_int_eq(last_link(&f, 0)->tells, POWER_UP_COUNT); /* whether the proof stands is for the engine to say */
    ck_assert_double_eq(last_link(&f, 0)->power_up_value, f.fakes[0].registers[5]);
    fixture_run_for(&f, 5 * SEC);
    ck_assert_int_eq(count_writes(&f, 0, 51), 0); /* dormant lease: no beat */
}
END_TEST

START_TEST(another_device_is_not_trusted)
{
    f.fakes[0].registers[0] = 78;
    fixture_start(&f, -1);
    ck_assert(fixture_run_up(&f, 0, false));
    fixture_run_for(&f, 60 * SEC);
    ck_assert_ptr_nonnull(strstr(last_link(&f, 0)->text, "not the device expected"));
    ck_assert_int_eq(f.write_count, 0);
    lease_drop(&f.leases[0]);
    fixture_run_for(&f, 5 * SEC);
    ck_assert_int_eq(f.write_count, 0);
    f.fakes[0].registers[0] = 77;
    ck_assert(fixture_run_up(&f, 0, true));
    ck_assert_int_eq(f.writes[0].address, 50);
    ck_assert_int_eq(count_acks(&f, ACK_DROPPED), 1);
}
END_TEST

START_TEST(the_runtime_may_refuse_a_device)
{
    f.refuse_identity = true;
    fixture_start(&f, -1);
    ck_assert(fixture_run_up(&f, 0, false));
    ck_assert_str_eq(last_link(&f, 0)->text, "says that it is virtual");
    ck_assert_int_eq(f.write_count, 0);
}
END_TEST

START_TEST(a_watchdog_that_does_not_take_its_limit)
{
    f.maps[0].watchdog_point = 8; /* an input register: cannot be written at all */
    fixture_start(&f, -1);
    ck_assert(fixture_run_up(&f, 0, false));
    f.maps[0].watchdog_point = 5;
    f.devices[0].watchdog_ns = 0;
    ck_assert(fixture_run_up(&f, 0, true));
}
END_TEST

START_TEST(stamps_are_the_middle_of_the_transaction)
{
    f.fakes[0].registers[10] = 5;
    f.fakes[0].registers[20] = 0x41C1; /* 24.2 as in values_test */
    f.fakes[0].registers[21] = 0x999A;
    f.maps[0].max_gap = 8;
    fixture_up(&f);
    fixture_run_for(&f, SEC);
    const struct input_readings *in = NULL;
    ck_assert_double_eq(last_reading(&f, 0, &in)->value, 5);
    ck_assert_int_eq(in->count, 3); /* all of one request in one input */
    ck_assert_int_eq(in->half_width_ns, 2 * MS);
    ck_assert_double_eq_tol(last_reading(&f, 2, NULL)->value, 24.2, 1e-6);
    for (int i = 0; i < f.input_count; i++) {
        if (f.inputs[i].kind == INPUT_READINGS)
            ck_assert_int_ge(f.inputs[i].seen_ns, f.inputs[i].u.readings.stamp_ns);
    }
}
END_TEST

/* A minute of polls, each 100 ms, with beats and commands between: begin times stay on the grid. */
START_TEST(polls_keep_their_phase)
{
    fixture_up(&f);
    int first = f.input_count;
    fixture_run_for(&f, 60 * SEC);
    int count = 0;
    for (int i = first; i < f.input_count; i++) {
        const struct input_readings *r = &f.inputs[i].u.readings;
        if (f.inputs[i].kind != INPUT_READINGS || r->count == 0 || r->items[0].signal != 0)
            continue;
        int64_t begun = r->stamp_ns - r->half_width_ns;
        int64_t off = (begun - 1000 * SEC) % (100 * MS);
        ck_assert_msg(off <= 3 * f.took_ns, "poll %d began %lld ns behind its time", count, (long long)off);
        count++;
    }
    ck_assert_int_ge(count, 599);
    ck_assert_int_le(count, 601);
    static struct bus_stats s;
    bus_stats(f.bus, &s);
    ck_assert_uint_eq(s.devices[0].polls_missed, 0);
    ck_assert_int_le(time_histogram_quantile(&s.lateness, 1), 3 * f.took_ns);
    ck_assert_uint_eq(s.errors[BUS_TIMEOUT], 0);
    ck_assert_int_eq(time_histogram_quantile(&s.latency, 0.5), f.took_ns);
    ck_assert_uint_ge(s.devices[0].beats, 119);
}
END_TEST

/* Requests that take 250 ms on a grid of 100 ms: the times that went by are counted, not caught up with. */
START_TEST(a_slow_device_keeps_the_grid)
{
    fixture_up(&f);
    f.took_ns = 150 * MS;
    f.configs[0].answer_ns = 0;
    fixture_run_for(&f, 20 * SEC);
    static struct bus_stats s;
    bus_stats(f.bus, &s);
    ck_assert_uint_gt(s.devices[0].polls_missed, 50);
    ck_assert_uint_lt(s.devices[0].transactions, 150);
}
END_TEST

START_TEST(beats_follow_the_lease)
{
    fixture_up(&f);
    int from = f.write_count;
    fixture_run_for(&f, 10 * SEC);
    int beats = count_writes(&f, from, 51);
    ck_assert_int_ge(beats, 19);
    ck_assert_int_le(beats, 21);
    int last = -1;
    for (int i = from; i < f.write_count; i++) {
        ck_assert_int_ne(f.writes[i].value, last); /* a new value each time */
        last = f.writes[i].value;
    }
}
END_TEST

START_TEST(a_lease_that_runs_out_drops)
{
    fixture_up(&f);
    int64_t until = f.now_ns + 3 * SEC;
    lease_renew(&f.leases[0], until);
    fixture_run_for(&f, 10 * SEC);
    int drop = -1;
    for (int i = 2; i < f.write_count; i++) {
        if (f.writes[i].address == 50 && drop < 0)
            drop = i;
        if (f.writes[i].address == 51)
            ck_assert_int_lt(f.writes[i].at_ns, until);
    }
    ck_assert_int_ge(drop, 0);
    ck_assert_int_le(f.writes[drop].at_ns, until + f.took_ns * 2);
    ck_assert_int_eq(count_acks(&f, ACK_LEASE_EXPIRED), 1);
    ck_assert_int_eq(count_acks(&f, ACK_DROPPED), 1);
    /* Renewing is not enough; a start and a renewal are. */
    int from = f.write_count;
    lease_renew(&f.leases[0], f.now_ns + 100 * SEC);
    fixture_run_for(&f, 3 * SEC);
    ck_assert_int_eq(count_writes(&f, from, -1), 0);
    lease_beat_start(&f.leases[0]);
    fixture_run_for(&f, 3 * SEC);
    ck_assert_int_eq(count_writes(&f, from, -1), 0);
    lease_renew(&f.leases[0], f.now_ns + 100 * SEC);
    fixture_run_for(&f, 3 * SEC);
    ck_assert_int_ge(count_writes(&f, from, 51), 5);
    ck_assert_int_eq(count_writes(&f, from, 50), 0);
}
END_TEST

/* While the beat is stopped reads go on and nothing is written, even when the lease's time goes by. */
START_TEST(stopped_beat_leaves_the_watchdog_to_act)
{
    fixture_up(&f);
    lease_renew(&f.leases[0], f.now_ns + 2 * SEC);
    fixture_run_for(&f, SEC);
    lease_beat_stop(&f.leases[0]);
    int from = f.write_count, inputs = f.input_count;
    fixture_run_for(&f, 10 * SEC);
    ck_assert_int_eq(count_writes(&f, from, -1), 0);
    ck_assert_int_gt(f.input_count, inputs + 150);
    lease_beat_start(&f.leases[0]);
    fixture_run_for(&f, 2 * SEC);
    ck_assert_int_eq(count_writes(&f, from, -1), 0);
    lease_renew(&f.leases[0], f.now_ns + 20 * SEC);
    fixture_run_for(&f, 2 * SEC);
    ck_assert_int_ge(count_writes(&f, from, 51), 3);
}
END_TEST

/* The runtime stops and starts the beat by command; the acknowledgement tells when the last beat was over. */
START_TEST(beat_is_stopped_by_command)
{
    fixture_up(&f);
    fixture_run_for(&f, 5 * SEC);
    struct command c = fixture_command(COMMAND_BEAT_STOP, -1);
    c.device = 0;
    c.number = 5;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    fixture_run_for(&f, SEC);
    int last = 0;
    for (int i = 0; i < f.write_count; i++)
        last = f.writes[i].address == 51 ? i : last;
    ck_assert_int_eq(last_ack(&f, 5)->kind, ACK_DONE);
    ck_assert_int_eq(last_ack(&f, 5)->stamp_ns, f.writes[last].at_ns + f.took_ns);
    ck_assert(atomic_load(&f.leases[0].beat_stopped));
    c.kind = COMMAND_BEAT_START;
    c.number = 6;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    fixture_run_for(&f, SEC);
    ck_assert_int_eq(last_ack(&f, 6)->kind, ACK_DONE);
    ck_assert(!atomic_load(&f.leases[0].beat_stopped));
    c.device = 1;
    ck_assert_int_eq(bus_post(f.bus, &c), -1);
}
END_TEST

/* Three transactions without an answer: lost, told once for each signal, back by itself with the drop first. */
START_TEST(a_lost_device_is_told_once)
{
    fixture_up(&f);
    fixture_run_for(&f, SEC);
    f.fakes[0].mood = FAKE_SILENT;
    int from = f.input_count;
    fixture_run_for(&f, 60 * SEC);
    int lost = 0, links = 0;
    for (int i = from; i < f.input_count; i++) {
        const struct input_readings *r = &f.inputs[i].u.readings;
        links += f.inputs[i].kind == INPUT_LINK;
        for (int k = 0; f.inputs[i].kind == INPUT_READINGS && k < r->count; k++)
            lost += r->items[k].quality == QUALITY_LINK_LOST && isnan(r->items[k].value);
    }
    ck_assert_int_eq(lost, 3);
    ck_assert_int_eq(links, 1);
    f.fakes[0].mood = FAKE_ANSWERS;
    int writes = f.write_count;
    ck_assert(fixture_run_up(&f, 0, true));
    ck_assert_int_eq(f.writes[writes].address, 50);
    ck_assert(!last_link(&f, 0)->power_up); /* the same count of starts as before */
}
END_TEST

START_TEST(a_restart_is_noticed)
{
    fixture_up(&f);
    fixture_run_for(&f, SEC);
    f.fakes[0].registers[5]++;
    int from = f.write_count, inputs = f.input_count;
    fixture_run_for(&f, SEC);
    if (f.writes[from].address == 51)
        from++; /* a beat that was due before the poll that noticed */
    ck_assert_int_eq(f.writes[from].address, 50);
    ck_assert(last_link(&f, 0)->up && last_link(&f, 0)->power_up);
    int links = 0;
    for (int i = inputs; i < f.input_count; i++)
        links += f.inputs[i].kind == INPUT_LINK;
    ck_assert_int_eq(links, 2);
}
END_TEST

static void start_beat(void)
{
    struct command c = fixture_command(COMMAND_BEAT_START, -1);
    c.device = 0;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    fixture_run_for(&f, SEC);
}

/* A device that marks its restart until the mark is taken off: told at each connection until the engine has begun the
 * heartbeat anew after a proof; cleared then, and noticed again. */
START_TEST(a_mark_of_a_restart_is_taken_off)
{
    struct map_point *p = &f.maps[0].points[f.maps[0].point_count++];
    *p = f.maps[0].points[0];
    strcpy(p->name, "power_up_clear");
    p->register_ = 5; /* the fake keeps both in one place */
    f.maps[0].power_up_kind = POWER_UP_MARK;
    f.fakes[0].registers[5] = 1;
    fixture_up(&f);
    for (int i = 0; i < 2; i++) {
        ck_assert(last_link(&f, 0)->up && last_link(&f, 0)->power_up);
        int inputs = f.input_count;
        fixture_run_for(&f, 5 * SEC);
        ck_assert_int_eq(f.fakes[0].registers[5], 1);
        for (int n = inputs; n < f.input_count; n++)
            ck_assert_int_ne(f.inputs[n].kind, INPUT_LINK); /* told once */
        f.fakes[0].mood = FAKE_GONE;
        ck_assert(fixture_run_up(&f, 0, false));
        f.fakes[0].mood = FAKE_ANSWERS;
        ck_assert(fixture_run_up(&f, 0, true));
    }
    start_beat();
    ck_assert_int_eq(f.fakes[0].registers[5], 0);
    f.fakes[0].mood = FAKE_GONE;
    ck_assert(fixture_run_up(&f, 0, false));
    f.fakes[0].mood = FAKE_ANSWERS;
    ck_assert(fixture_run_up(&f, 0, true));
    ck_assert(!last_link(&f, 0)->power_up);
    f.fakes[0].registers[5] = 1;
    fixture_run_for(&f, SEC);
    ck_assert(last_link(&f, 0)->up && last_link(&f, 0)->power_up);
}
END_TEST

/* A device that tells the time since its start: a restart shows whether the link was lost meanwhile or not. */
START_TEST(an_uptime_tells_of_a_restart)
{
    f.maps[0].power_up_kind = POWER_UP_UPTIME;
    f.fakes[0].registers[5] = 500;
    fixture_up(&f);
    ck_assert(!last_link(&f, 0)->power_up);
    ck_assert_double_eq(last_link(&f, 0)->power_up_value, 500);
    for (int s = 1; s <= 100; s++) {
        f.fakes[0].registers[5] = (uint16_t)(500 + s);
        fixture_run_for(&f, SEC);
    }
    ck_assert(last_link(&f, 0)->up && !last_link(&f, 0)->power_up);
    /* Away for longer than it had been on: what it reads is more than before, and yet it restarted. */
    f.fakes[0].mood = FAKE_GONE;
    ck_assert(fixture_run_up(&f, 0, false));
    fixture_run_for(&f, 1000 * SEC);
    f.fakes[0].registers[5] = 900;
    f.fakes[0].mood = FAKE_ANSWERS;
    ck_assert(fixture_run_up(&f, 0, true));
    ck_assert(last_link(&f, 0)->power_up);
    f.fakes[0].registers[5] = 3;
    fixture_run_for(&f, SEC);
    ck_assert(last_link(&f, 0)->up && last_link(&f, 0)->power_up);
    ck_assert_double_eq(last_link(&f, 0)->power_up_value, 3);
}
END_TEST

/* Two dead meters beside the load controller: its polls go on in time but for the rare attempts on the dead. */
START_TEST(dead_devices_do_not_starve_the_bus)
{
    fixture_add_meter(&f, 100 * MS)->mood = FAKE_SILENT;
    fixture_add_meter(&f, 100 * MS)->mood = FAKE_SILENT;
    struct fake_device *good = fixture_add_meter(&f, 100 * MS);
    good->registers[1] = 42;
    fixture_up(&f);
    fixture_run_for(&f, 60 * SEC); /* pauses have grown to about 15 s */
    int from = f.input_count, polls = 0, meter = 0;
    fixture_run_for(&f, 60 * SEC);
    for (int i = from; i < f.input_count; i++) {
        const struct input_readings *r = &f.inputs[i].u.readings;
        polls += f.inputs[i].kind == INPUT_READINGS && r->device == 0 && r->items[0].signal == 0 && r->count > 0;
        meter += f.inputs[i].kind == INPUT_READINGS && r->device == 3;
    }
    ck_assert_int_ge(polls, 560);
    ck_assert_int_ge(meter, 560);
    ck_assert_double_eq(last_reading(&f, 8, NULL)->value, 42);
}
END_TEST

START_TEST(exceptions_make_a_reading_invalid_but_lose_nothing)
{
    struct fake_device *meter = fixture_add_meter(&f, 100 * MS);
    fixture_up(&f);
    fixture_run_for(&f, SEC);
    meter->mood = FAKE_REFUSES;
    meter->exception = 4;
    fixture_run_for(&f, 5 * SEC);
    ck_assert_int_eq(last_reading(&f, 3, NULL)->quality, QUALITY_INVALID);
    ck_assert(last_link(&f, 1)->up);
    meter->exception = 11; /* a gateway says that its target does not answer: that is a loss */
    ck_assert(fixture_run_up(&f, 1, false));
    ck_assert_int_eq(last_reading(&f, 3, NULL)->quality, QUALITY_LINK_LOST);
    static struct bus_stats s;
    bus_stats(f.bus, &s);
    ck_assert_uint_gt(s.devices[1].exceptions[4], 40);
    ck_assert_uint_ge(s.devices[1].exceptions[11], 3);
}
END_TEST

/* Long blocks refused with 03 or 02: read in smaller ones from then on, and every value still arrives. */
START_TEST(smaller_blocks_after_a_refusal)
{
    struct fake_device *meter = fixture_add_meter(&f, 100 * MS);
    struct device_map *map = &f.maps[1];
    for (int i = 0; i < 40; i++) {
        struct map_point *p = &map->points[map->point_count];
        *p = map->points[0];
        p->register_ = (uint16_t)(2 + i);
        f.signals[f.setup.signal_count] = (struct bus_signal){
            .device = 1, .point = map->point_count, .signal = f.setup.signal_count, .gain = 1, .offset = 0};
        f.setup.signal_count++;
        map->point_count++;
        meter->registers[2 + i] = (uint16_t)(1000 + i);
    }
    meter->block_max = 6;
    meter->block_exception = _i == 0 ? 3 : 2;
    fixture_up(&f);
    fixture_run_for(&f, 10 * SEC);
    for (int i = 0; i < 40; i++) {
        ck_assert_int_eq(last_reading(&f, 5 + i, NULL)->quality, QUALITY_GOOD);
        ck_assert_double_eq(last_reading(&f, 5 + i, NULL)->value, 1000 + i);
    }
    f.longest_read = 0;
    fixture_run_for(&f, 10 * SEC);
    ck_assert_int_le(f.longest_read, 6);
    /* One register that is not there costs its own value only. */
    meter->block_max = 0;
    meter->hole = 20;
    fixture_run_for(&f, 10 * SEC);
    for (int i = 0; i < 40; i++)
        ck_assert_int_eq(last_reading(&f, 5 + i, NULL)->quality, i == 18 ? QUALITY_INVALID : QUALITY_GOOD);
}
END_TEST

/* V1.1b3 6.5, 6.6, 6.16: a device may not know the single or the mask write; then the multiple write, or read, change
 * and write. Channel 1 shares a register with channel 0 as a bit field. */
START_TEST(writes_by_whatever_the_device_knows)
{
    f.maps[0].points[0].bits = 8;
    f.maps[0].points[1].register_ = 40;
    f.maps[0].points[1].bit = 8;
    f.maps[0].points[1].bits = 8;
    f.fakes[0].single_writes = (_i & 1) != 0;
    f.fakes[0].mask_writes = (_i & 2) != 0;
    fixture_up(&f);
    struct command c = fixture_command(COMMAND_STEPS, 0);
    c.mask = 0x15;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    fixture_run_for(&f, SEC);
    c.channel = 1;
    c.mask = 0x2A;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    c = fixture_command(COMMAND_TRIGGER, 0);
    c.on = true;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    fixture_run_for(&f, SEC);
    ck_assert_uint_eq(f.fakes[0].registers[40], 0x2A15);
    ck_assert_uint_eq(f.fakes[0].coils[3], 1);
    ck_assert_int_eq(count_acks(&f, ACK_DONE), 3);
}
END_TEST

static int convert(void *ctx, const struct map_point *point, double value, double junction, double *converted)
{
    (void)ctx;
    *converted = value * 1000 + junction; /* V to mV, one degree a millivolt */
    return point->sensor != SENSOR_THERMOCOUPLE || isnan(junction) ? -1 : *converted > 900;
}

START_TEST(sensors_are_converted_by_the_runtime)
{
    struct fake_device *meter = fixture_add_meter(&f, 100 * MS);
    struct map_point *tc = &f.maps[1].points[1];
    strcpy(f.maps[1].points[0].name, "t_cj");
    tc->sensor = SENSOR_THERMOCOUPLE;
    tc->to_base = 0.001;
    strcpy(tc->cold_junction, "t_cj");
    f.signals[4].gain = 2;
    f.signals[4].offset = 1;
    meter->registers[0] = 20;
    meter->registers[1] = 7;
    f.setup.sink.convert = convert;
    fixture_up(&f);
    fixture_run_for(&f, SEC);
    ck_assert_double_eq_tol(last_reading(&f, 4, NULL)->value, 27 * 2 + 1, 1e-9);
    meter->registers[1] = 1000;
    fixture_run_for(&f, SEC);
    ck_assert_int_eq(last_reading(&f, 4, NULL)->quality, QUALITY_OUT_OF_RANGE);
}
END_TEST

START_TEST(posting_wakes)
{
    fixture_up(&f);
    fixture_run_for(&f, SEC + 60 * MS); /* between polls */
    struct pollfd p = {.fd = bus_wake_fd(f.bus), .events = POLLIN};
    ck_assert_int_eq(poll(&p, 1, 0), 0);
    struct command c = fixture_command(COMMAND_OPEN, 0);
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    ck_assert_int_eq(poll(&p, 1, 0), 1);
    ck_assert_int_le(bus_next_due_ns(f.bus), f.now_ns);
    bus_run(f.bus);
    ck_assert_int_eq(poll(&p, 1, 0), 0);
    ck_assert_int_eq(bus_drop_now(f.bus), 0);
}
END_TEST

/* Ten thousand exchanges with moods that change at random: it must not hang, lose its order, or stay down. */
START_TEST(random_faults)
{
    fixture_add_meter(&f, 50 * MS);
    fixture_add_meter(&f, 70 * MS);
    f.config.baud = _i == 0 ? 19200 : 0;
    fixture_up(&f);
    uint32_t x = 12345;
    int drops = 0;
    while (f.exchanges < 10000) {
        x = x * 1664525u + 1013904223u;
        struct fake_device *fake = &f.fakes[x >> 28 & 3];
        fake->mood = (enum fake_mood)((x >> 20) % 6);
        fake->exception = (int)(x >> 12) % 12;
        if ((x >> 24) % 7 == 0) {
            lease_drop(&f.leases[0]);
            drops++;
        }
        fixture_run_for(&f, (int64_t)(x >> 16) % 400 * MS);
        f.fakes[(x >> 8) % 3].mood = FAKE_ANSWERS;
        if (f.input_count > FIX_INPUTS - 2000)
            f.input_count = 0;
        if (f.write_count > FIX_WRITES - 500)
            f.write_count = 0;
    }
    for (int i = 0; i < f.fake_count; i++)
        f.fakes[i].mood = FAKE_ANSWERS;
    f.input_count = 0;
    lease_drop(&f.leases[0]);
    fixture_run_for(&f, 40 * SEC);
    ck_assert_int_gt(drops, 100);
    ck_assert(!lease_drop_pending(&f.leases[0]));
    ck_assert_int_eq(last_reading(&f, 0, NULL)->quality, QUALITY_GOOD);
    ck_assert_int_eq(last_reading(&f, 5, NULL)->quality, QUALITY_GOOD);
    static struct bus_stats s;
    bus_stats(f.bus, &s);
    uint64_t sum = 0;
    for (int i = 0; i < BUS_ERROR_COUNT_; i++)
        sum += s.errors[i];
    ck_assert_uint_eq(sum, s.transactions);
    ck_assert(s.devices[0].up && s.devices[1].up && s.devices[2].up);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("bus");
    TCase *tc = tcase_create("bus");
    tcase_set_timeout(tc, 30);
    tcase_add_checked_fixture(tc, begin, end);
    tcase_add_test(tc, connects_in_order);
    tcase_add_test(tc, another_device_is_not_trusted);
    tcase_add_test(tc, the_runtime_may_refuse_a_device);
    tcase_add_test(tc, a_watchdog_that_does_not_take_its_limit);
    tcase_add_test(tc, stamps_are_the_middle_of_the_transaction);
    tcase_add_test(tc, polls_keep_their_phase);
    tcase_add_test(tc, a_slow_device_keeps_the_grid);
    tcase_add_test(tc, beats_follow_the_lease);
    tcase_add_test(tc, a_lease_that_runs_out_drops);
    tcase_add_test(tc, stopped_beat_leaves_the_watchdog_to_act);
    tcase_add_test(tc, beat_is_stopped_by_command);
    tcase_add_test(tc, a_lost_device_is_told_once);
    tcase_add_test(tc, a_restart_is_noticed);
    tcase_add_test(tc, a_mark_of_a_restart_is_taken_off);
    tcase_add_test(tc, an_uptime_tells_of_a_restart);
    tcase_add_test(tc, dead_devices_do_not_starve_the_bus);
    tcase_add_test(tc, exceptions_make_a_reading_invalid_but_lose_nothing);
    tcase_add_loop_test(tc, smaller_blocks_after_a_refusal, 0, 2);
    tcase_add_loop_test(tc, writes_by_whatever_the_device_knows, 0, 4);
    tcase_add_test(tc, sensors_are_converted_by_the_runtime);
    tcase_add_test(tc, posting_wakes);
    tcase_add_loop_test(tc, random_faults, 0, 2);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
