/* Text devices: templates, expressions, numbers as SCPI writes them, and exchanges with devices that misbehave. */
#define _XOPEN_SOURCE 700
#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "bus_text.h"
#include "fixture.h"
#include "map_check.h"
#include "probe.h"
#include "suite_run.h"
#include "text_template.h"
#include "transport.h"

static struct device_map blank; /* no out-of-range words */

/* NR1, NR2, NR3 of IEEE 488.2; infinity 9.9E37 and not-a-number 9.91E37 of SCPI (from memory). */
static const struct {
    const char *text;
    size_t length;
    double value;
    enum quality quality;
} numbers[] = {
    {"12", 2, 12, QUALITY_GOOD},
    {"+12", 3, 12, QUALITY_GOOD},
    {"-0.5 V", 4, -0.5, QUALITY_GOOD},
    {".5", 2, 0.5, QUALITY_GOOD},
    {"5.", 2, 5, QUALITY_GOOD},
    {"  1.25E+3", 9, 1250, QUALITY_GOOD},
    {"1.25e-3A", 7, 0.00125, QUALITY_GOOD},
    {"1e", 1, 1, QUALITY_GOOD},
    {"9.9E37", 6, NAN, QUALITY_OUT_OF_RANGE},
    {"-9.9E+37", 8, NAN, QUALITY_OUT_OF_RANGE},
    {"9.90000000E+37", 14, NAN, QUALITY_OUT_OF_RANGE},
    {"9.91E37", 7, NAN, QUALITY_INVALID},
    {"9.91000000E+37", 14, NAN, QUALITY_INVALID},
    {"1e999", 5, NAN, QUALITY_OUT_OF_RANGE},
    {"nan", 0, 0, QUALITY_GOOD},
    {"inf", 0, 0, QUALITY_GOOD},
    {"0x10", 1, 0, QUALITY_GOOD},
    {"+", 0, 0, QUALITY_GOOD},
    {"", 0, 0, QUALITY_GOOD},
};

START_TEST(numbers_as_the_standard_writes_them)
{
    struct text_number n = {0, QUALITY_GOOD};
    ck_assert_uint_eq(text_number_read(numbers[_i].text, &n), numbers[_i].length);
    if (numbers[_i].length == 0)
        return;
    ck_assert_int_eq(n.quality, numbers[_i].quality);
    ck_assert(isnan(numbers[_i].value) ? isnan(n.value) : n.value == numbers[_i].value);
}
END_TEST

static const struct {
    const char *template, *line;
    int count;
    double first, second;
} matches[] = {
    {"T1={number} degC", "T1=21.5 degC", 1, 21.5, 0},
    {"T1={number} degC", "T1= 21.5  degC ", 1, 21.5, 0},
    {"T1={number} degC", "T2=21.5 degC", -1, 0, 0},
    {"T1={number}", "T1=21.5x", -1, 0, 0},
    {"T1={number};T2={number}", "T1=1;T2=2", 2, 1, 2},
    {"T1={number};T2={number}", "T1=1;", -1, 0, 0},
    {"{text},{text},{number},{text}", "MAKER,MODEL,007,1.0", 1, 7, 0},
    {"{text}", "anything at all", 0, 0, 0},
    {"OK", "OK", 0, 0, 0},
    {"OK", "OKAY", -1, 0, 0},
    {"{number}", "OL", 1, NAN, 0},
    {"0,\"No error\"", "0,\"No error\"", 0, 0, 0},
    {"", "", 0, 0, 0},
};

START_TEST(templates)
{
    struct device_map map = {.out_of_range = {"OL", "---"}};
    struct text_number got[TEMPLATE_SLOTS_MAX];
    int n = template_match(matches[_i].template, matches[_i].line, &map, got);
    ck_assert_int_eq(n, matches[_i].count);
    if (n >= 1)
        ck_assert(isnan(matches[_i].first) ? got[0].quality == QUALITY_OUT_OF_RANGE
                                           : got[0].value == matches[_i].first);
    if (n >= 2)
        ck_assert_double_eq(got[1].value, matches[_i].second);
}
END_TEST

START_TEST(templates_that_cannot_be)
{
    struct error err;
    ck_assert_int_eq(template_check("T={number},{number}", &err), 2);
    ck_assert_int_eq(template_check("T={number}{number}", &err), -1);
    ck_assert_int_eq(template_check("T={float}", &err), -1);
    ck_assert_int_eq(template_check("T={", &err), -1);
    char line[32];
    ck_assert_int_eq(template_fill("CURR {number}", 12.5, line, sizeof line), 0);
    ck_assert_str_eq(line, "CURR 12.5");
    ck_assert_int_eq(template_fill("CURR {number}", 12.5, line, 8), -1);
    /* Plain decimals, whatever the size: many a device takes no exponent. */
    static const struct {
        double number;
        const char *digits;
    } plain[] = {{10, "10"},         {20, "20"},           {1000, "1000"},     {32767, "32767"},
                 {0, "0"},           {-0.5, "-0.5"},       {0.0986, "0.0986"}, {160.0 / 3, "53.3333333"},
                 {2e-05, "0.00002"}, {1234567, "1234567"}, {0.1 + 0.2, "0.3"}};
    for (size_t i = 0; i < sizeof plain / sizeof plain[0]; i++) {
        ck_assert_int_eq(template_fill("{number}", plain[i].number, line, sizeof line), 0);
        ck_assert_str_eq(line, plain[i].digits);
    }
}
END_TEST

START_TEST(expressions)
{
    struct error err;
    regex_t re;
    struct text_number n;
    ck_assert_int_eq(expression_compile("temp +([-+0-9.]+) *C", &re, &err), 0);
    ck_assert_int_eq(expression_match(&re, "x temp  -3.5 C", &blank, &n), 0);
    ck_assert_double_eq(n.value, -3.5);
    ck_assert_int_eq(expression_match(&re, "temp . C", &blank, &n), -1);
    regfree(&re);
    const char *refused[] = {"(a)\\1",   "(a{1,255})", "(a{9}{9}{9}{9})", "(a{9}*)", "(a+++)", "(a*?)",
                             "((a+)+)b", "(a){5}",     "no group",        "(open",   "(a*)*"};
    for (size_t i = 0; i < sizeof refused / sizeof refused[0]; i++)
        ck_assert_msg(expression_compile(refused[i], &re, &err) == -1, "%s was taken", refused[i]);
}
END_TEST

START_TEST(lines_are_cut_from_what_arrives)
{
    struct error err;
    struct text_state *s = text_state_new(&blank, &err);
    char line[LINE_CAP];
    ck_assert_ptr_nonnull(s);
    text_receive(s, "ab", 2);
    ck_assert_int_eq(text_take_line(s, line, sizeof line), 0);
    text_receive(s, "c\r\n\r\nd\ne\r", 9);
    ck_assert_int_eq(text_take_line(s, line, sizeof line), 1);
    ck_assert_str_eq(line, "abc");
    ck_assert_int_eq(text_take_line(s, line, sizeof line), 1);
    ck_assert_str_eq(line, "d");
    ck_assert_int_eq(text_take_line(s, line, sizeof line), 1);
    ck_assert_str_eq(line, "e");
    for (int i = 0; i < 3000; i++)
        text_receive(s, "x", 1);
    text_receive(s, "\nf\n\x01\n", 5);
    ck_assert_int_eq(text_take_line(s, line, sizeof line), -1); /* too long */
    ck_assert_int_eq(text_take_line(s, line, sizeof line), 1);
    ck_assert_str_eq(line, "f");
    ck_assert_int_eq(text_take_line(s, line, sizeof line), -1); /* no text */
    text_state_free(s);
}
END_TEST

/* --- a text load controller and meter in process ----------------------------------------------------------------- */

static struct fixture f;

struct fake_text {
    int steps, beats, drops;
    double temperature;
    const char *instead; /* an answer in place of the right one */
    bool silent;
    int errors; /* entries in the error queue */
    int said;   /* lines not yet fetched */
};

static struct fake_text fake;

static int talk(void *ctx, const char *line, char *reply, size_t cap, int64_t *took_ns)
{
    (void)ctx;
    *took_ns = 5 * MS;
    f.exchanges++;
    if (fake.silent)
        return PEER_SILENT;
    if (strcmp(line, "ERR?") == 0) {
        (void)text_format(reply, cap, fake.errors > 0 ? "-222,\"Data out of range\"" : "0,\"No error\"");
        fake.errors -= fake.errors > 0;
    } else if (fake.instead != NULL) {
        (void)text_copy(reply, cap, fake.instead);
    } else if (strcmp(line, "*IDN?") == 0) {
        (void)text_copy(reply, cap, "SHOP,LOAD,1,2.0");
    } else if (strcmp(line, "T?") == 0) {
        (void)text_format(reply, cap, "T %.3f degC", fake.temperature);
    } else if (strcmp(line, "CLOSED?") == 0) {
        (void)text_format(reply, cap, "%d", fake.steps);
    } else if (sscanf(line, "STEPS %d", &fake.steps) == 1) {
        fake.errors += fake.steps > 15;
    } else if (strncmp(line, "BEAT ", 5) == 0) {
        fake.beats++;
    } else if (strcmp(line, "DROP 1") == 0) {
        fake.drops++;
        fake.steps = 0;
    } else {
        fake.errors++;
    }
    return PEER_ANSWERED;
}

static int say(void *ctx, char *line, size_t cap, int64_t *said_ns)
{
    (void)ctx;
    if (fake.said == 0)
        return 0;
    fake.said--;
    *said_ns = f.now_ns - 3 * MS;
    (void)text_copy(line, cap, fake.said == 1 ? "warming up" : "A=1.5;B=OL");
    return 1;
}

static void point(const char *name, const char *query, const char *reply, const char *write)
{
    struct map_point *p = &f.maps[0].points[f.maps[0].point_count++];
    *p = (struct map_point){.scale = 1, .to_base = 1, .writable = write[0] != '\0'};
    strcpy(p->name, name);
    strcpy(p->query, query);
    strcpy(p->reply, reply);
    strcpy(p->write, write);
}

static void make_text_load(void)
{
    struct device_map *map = &f.maps[0];
    map->protocol = MAP_TEXT;
    map->point_count = map->identity_count = 0;
    map->virtual_point = map->rate_point = map->epoch_point = map->power_up_point = map->watchdog_point = -1;
    point("steps", "", "", "STEPS {number}");
    point("drop", "", "", "DROP {number}");
    point("beat", "", "", "BEAT {number}");
    point("closed", "CLOSED?", "{number}", "");
    point("t", "T?", "T {number} degC", "");
    map->drop_all_point = 1;
    map->beat_point = 2;
    strcpy(map->identify_query, "*IDN?");
    strcpy(map->identify_reply, "SHOP,LOAD,{text}");
    strcpy(map->error_query, "ERR?");
    strcpy(map->error_none, "0,{text}");
    f.channels[0].command = 0;
    f.setup.channel_count = 1;
    f.channels[0].trigger_device = -1;
    f.setup.signal_count = 0;
    for (int i = 0; i < 2; i++)
        f.signals[f.setup.signal_count++] =
            (struct bus_signal){.device = 0, .point = 3 + i, .signal = i, .gain = 1, .offset = 0};
    f.configs[0].poll_ns = 200 * MS;
    f.peer.talk = talk;
    f.peer.listen = say;
}

static void begin(void)
{
    memset(&fake, 0, sizeof fake);
    fixture_init(&f);
    make_text_load();
}

static void end(void)
{
    fixture_free(&f);
}

static void up(void)
{
    fixture_start(&f, -1);
    ck_assert(fixture_run_up(&f, 0, true));
    lease_renew(&f.leases[0], INT64_MAX);
}

START_TEST(a_text_load_is_a_load)
{
    fake.temperature = 21.5;
    up();
    ck_assert_int_eq(fake.drops, 1);
    struct command c = fixture_command(COMMAND_STEPS, 0);
    c.mask = 5;
    c.number = 1;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    fixture_run_for(&f, 3 * SEC);
    ck_assert_int_eq(fake.steps, 5);
    ck_assert_int_eq(last_ack(&f, 1)->kind, ACK_DONE);
    ck_assert_int_ge(fake.beats, 5);
    ck_assert_double_eq(last_reading(&f, 0, NULL)->value, 5);
    ck_assert_double_eq(last_reading(&f, 1, NULL)->value, 21.5);
    c.mask = 31; /* refused: an entry in its error queue */
    c.number = 2;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    fixture_run_for(&f, 3 * SEC);
    ck_assert_int_eq(last_ack(&f, 2)->kind, ACK_FAILED);
    ck_assert_int_eq(fake.errors, 0);
    lease_drop(&f.leases[0]);
    fixture_run_for(&f, SEC);
    ck_assert_int_eq(fake.steps, 0);
    ck_assert_int_eq(count_acks(&f, ACK_DROPPED), 1);
}
END_TEST

START_TEST(replies_that_do_not_fit)
{
    up();
    fixture_run_for(&f, SEC);
    fake.instead = "T 99";
    fixture_run_for(&f, 300 * MS);
    fake.instead = NULL;
    fake.errors = 3;
    fixture_run_for(&f, 3 * SEC); /* the queue is emptied, then readings go on */
    ck_assert_int_eq(fake.errors, 0);
    ck_assert_int_eq(last_reading(&f, 1, NULL)->quality, QUALITY_GOOD);
    fake.silent = true;
    ck_assert(fixture_run_up(&f, 0, false));
    ck_assert_int_eq(last_reading(&f, 1, NULL)->quality, QUALITY_LINK_LOST);
    fake.silent = false;
    ck_assert(fixture_run_up(&f, 0, true));
}
END_TEST

START_TEST(a_stranger_is_not_trusted)
{
    fake.instead = "SHOP,THERMOMETER,1,2.0";
    fixture_start(&f, -1);
    ck_assert(fixture_run_up(&f, 0, false));
    fixture_run_for(&f, 5 * SEC);
    ck_assert_int_eq(fake.drops, 0);
}
END_TEST

/* A meter that talks by itself: up when first heard, lost when it falls silent. */
static void make_listener(void)
{
    struct device_map *map = &f.maps[0];
    f.configs[0].is_load = false;
    f.devices[0].lease = NULL;
    f.setup.channel_count = 0;
    map->point_count = 0;
    map->drop_all_point = map->beat_point = -1;
    map->identify_query[0] = '\0';
    map->error_query[0] = '\0';
    point("a", "", "", "");
    point("b", "", "", "");
    f.signals[0].point = 0;
    f.signals[1].point = 1;
    strcpy(map->out_of_range[0], "OL");
    map->listen_count = 1;
    map->listen[0] = (struct map_listen){.reply = "A={number};B={number}", .point_count = 2, .points = {0, 1}};
}

START_TEST(devices_that_talk_by_themselves)
{
    make_listener();
    fixture_start(&f, -1);
    fixture_run_for(&f, 5 * SEC);
    ck_assert_ptr_null(last_link(&f, 0));
    fake.said = 3;
    fixture_run_for(&f, SEC);
    ck_assert(last_link(&f, 0)->up);
    for (int i = 0; i < 60; i++) {
        fake.said++;
        fixture_run_for(&f, SEC);
    }
    const struct input_readings *in = NULL;
    ck_assert_double_eq(last_reading(&f, 0, &in)->value, 1.5);
    ck_assert_int_eq(last_reading(&f, 1, NULL)->quality, QUALITY_OUT_OF_RANGE);
    ck_assert_int_eq(in->count, 2);
    fixture_run_for(&f, 15 * SEC);
    ck_assert(!last_link(&f, 0)->up);
    ck_assert_int_eq(last_reading(&f, 0, NULL)->quality, QUALITY_LINK_LOST);
}
END_TEST

/* --- over a pseudo terminal: echo, one byte at a time, late answers ---------------------------------------------- */

struct far_text {
    int fd;
    _Atomic bool stop;
    _Atomic int delay_ms;
    _Atomic int talkative; /* lines of its own between replies */
};

static void *far_live(void *ctx)
{
    struct far_text *t = ctx;
    char line[100];
    size_t used = 0;
    while (!atomic_load(&t->stop)) {
        struct pollfd p = {.fd = t->fd, .events = POLLIN};
        if (poll(&p, 1, 20) <= 0)
            continue;
        ssize_t n = read(t->fd, line + used, 1);
        if (n != 1) { /* nobody has the other end open just now */
            (void)poll(NULL, 0, 5);
            continue;
        }
        if (line[used] != '\n' && used < 90) {
            used++;
            continue;
        }
        line[used] = '\0';
        line[strcspn(line, "\r")] = '\0';
        used = 0;
        char out[256];
        (void)poll(NULL, 0, atomic_load(&t->delay_ms));
        (void)text_format(out, sizeof out, "%s\r\n%s\r\n", line,
                          strcmp(line, "T?") == 0        ? "T 21.5 degC"
                          : strcmp(line, "*IDN?") == 0   ? "SHOP,LOAD,1"
                          : strcmp(line, "CLOSED?") == 0 ? "7"
                                                         : "0,ok");
        for (const char *at = out; *at != '\0'; at++)
            (void)!write(t->fd, at, 1);
    }
    return NULL;
}

START_TEST(text_over_a_pseudo_terminal)
{
    struct far_text far = {.fd = posix_openpt(O_RDWR | O_NOCTTY)};
    pthread_t thread;
    ck_assert(far.fd >= 0 && grantpt(far.fd) == 0 && unlockpt(far.fd) == 0);
    f.configs[0].is_load = false;
    f.devices[0].lease = NULL;
    f.maps[0].echo = true;
    f.maps[0].error_query[0] = '\0';
    f.config.kind = BUS_TEXT_SERIAL;
    f.config.baud = 9600;
    f.config.data_bits = 8;
    f.config.stop_bits = 1;
    strcpy(f.config.port, ptsname(far.fd));
    f.configs[0].poll_ns = 50 * MS;
    ck_assert_int_eq(pthread_create(&thread, NULL, far_live, &far), 0);
    fixture_real_time(&f);
    fixture_start(&f, -1);
    (void)fixture_run_real(&f, 600 * MS);
    ck_assert_double_eq(last_reading(&f, 0, NULL)->value, 7);
    ck_assert_double_eq(last_reading(&f, 1, NULL)->value, 21.5);
    for (int i = 0; i < 6; i++) { /* answers that come 100 ms after the timeout, now and then */
        atomic_store(&far.delay_ms, i % 2 == 0 ? 300 : 0);
        (void)fixture_run_real(&f, 400 * MS);
    }
    for (int i = 0; i < f.input_count; i++) {
        const struct input_readings *r = &f.inputs[i].u.readings;
        for (int k = 0; f.inputs[i].kind == INPUT_READINGS && k < r->count; k++) {
            if (r->items[k].quality == QUALITY_GOOD)
                ck_assert_double_eq(r->items[k].value, r->items[k].signal == 0 ? 7 : 21.5);
        }
    }
    static struct bus_stats s;
    bus_stats(f.bus, &s);
    ck_assert_uint_gt(s.errors[BUS_TIMEOUT], 0);
    bus_free(f.bus);
    f.bus = NULL;
    /* A probe of the same device: text and value side by side. */
    atomic_store(&far.delay_ms, 0);
    struct probe probe = {.bus = &f.config, .device = &f.configs[0], .map = &f.maps[0], .ready_fd = -1};
    static struct probe_item items[POINTS_MAX];
    struct error err = {""};
    (void)poll(NULL, 0, 400);
    ck_assert_msg(probe_run(&probe, items, &err) == 5, "%s", err.text);
    ck_assert_str_eq(items[4].raw, "T 21.5 degC");
    ck_assert_double_eq(items[4].value, 21.5);
    ck_assert_int_eq(items[4].quality, QUALITY_GOOD);
    ck_assert_str_eq(items[0].note, "written, never read");
    atomic_store(&far.stop, true);
    (void)pthread_join(thread, NULL);
    (void)close(far.fd);
}
END_TEST

/* --- probe and check of Modbus maps ------------------------------------------------------------------------------ */

START_TEST(probe_of_registers)
{
    end();
    fixture_init(&f);
    f.fakes[0].registers[10] = 0x1234;
    f.fakes[0].registers[20] = 0x41C1;
    f.fakes[0].registers[21] = 0x999A;
    f.maps[0].points[8].has_max = true;
    f.maps[0].points[8].max = 100;
    strcpy(f.maps[0].points[10].unit, "A");
    struct probe probe = {
        .bus = &f.config, .device = &f.configs[0], .map = &f.maps[0], .peer = &f.peer, .ready_fd = -1};
    static struct probe_item items[POINTS_MAX];
    struct error err = {""};
    ck_assert_int_eq(probe_run(&probe, items, &err), 11);
    ck_assert_str_eq(items[10].raw, "41C1 999A");
    ck_assert_double_eq_tol(items[10].value, 24.2, 1e-6);
    ck_assert_str_eq(items[10].unit, "A");
    ck_assert_int_eq(items[8].quality, QUALITY_OUT_OF_RANGE);
    ck_assert_str_eq(items[8].raw, "1234");
    ck_assert_int_eq(f.write_count, 0);
    f.fakes[0].mood = FAKE_REFUSES;
    f.fakes[0].exception = 2;
    ck_assert_int_eq(probe_run(&probe, items, &err), 11);
    ck_assert_str_eq(items[10].note, "refused: illegal data address");
}
END_TEST

static void count_remark(void *ctx, bool severe, const char *text)
{
    int *counts = ctx;
    counts[severe]++;
    ck_assert_uint_gt(strlen(text), 10);
}

START_TEST(mistakes_in_maps)
{
    int counts[2] = {0, 0};
    end();
    fixture_init(&f);
    struct device_map *map = &f.maps[0];
    ck_assert_int_eq(map_check(map, count_remark, counts), 0);
    ck_assert_int_eq(counts[0], 0);
    map->points[9].register_ = 21; /* half of a float */
    ck_assert_int_eq(map_check(map, count_remark, counts), 1);
    map->points[9].register_ = 10; /* the same register twice may be meant */
    ck_assert_int_eq(map_check(map, count_remark, counts), 0);
    ck_assert_int_eq(counts[0], 1);
    map->points[9].register_ = 11;
    map->points[8].has_min = true;
    map->points[8].min = 70000; /* no u16 gets there */
    ck_assert_int_eq(map_check(map, count_remark, counts), 1);
    map->points[8].min = 0;
    map->points[8].invalid_count = 1;
    map->points[8].invalid[0] = 0x12345;
    ck_assert_int_eq(map_check(map, count_remark, counts), 1);
    map->points[8].invalid_count = 0;
    map->keep_out_count = 1;
    map->keep_out[0] = (struct keep_out){TABLE_INPUT, 8, 10};
    ck_assert_int_eq(map_check(map, count_remark, counts), 1);
    map->keep_out_count = 0;
    map->beat_point = 8;
    ck_assert_int_eq(map_check(map, count_remark, counts), 1);
}
END_TEST

/* The theoretical line time of the tables in pdu_test: three requests (1, 2 and 2 registers) and a write each 500 ms.
 */
START_TEST(load_of_a_line)
{
    end();
    fixture_init(&f);
    f.config.kind = BUS_MODBUS_RTU;
    f.config.baud = 9600;
    f.config.data_bits = 8;
    f.config.stop_bits = 1;
    strcpy(f.config.port, "/dev/ttyS0");
    struct line_load load;
    line_load(&f.setup, &load);
    ck_assert_int_eq(load.blocks, 3);
    double byte = 11e9 / 9600, gap = 3.5 * byte;
    double cycle = (8 + 7 + 8 + 9 + 8 + 9) * byte + 3 * 2 * gap;
    ck_assert_double_eq_tol((double)load.cycle_ns, cycle, 10);
    ck_assert_double_eq_tol(load.utilisation, cycle / 100e6 + (16 * byte + 2 * gap) / 500e6, 1e-6);
    ck_assert_int_ge(load.worst_open_ns, 400 * MS);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("text");
    TCase *tc = tcase_create("words");
    tcase_add_loop_test(tc, numbers_as_the_standard_writes_them, 0, (int)(sizeof numbers / sizeof numbers[0]));
    tcase_add_loop_test(tc, templates, 0, (int)(sizeof matches / sizeof matches[0]));
    tcase_add_test(tc, templates_that_cannot_be);
    tcase_add_test(tc, expressions);
    tcase_add_test(tc, lines_are_cut_from_what_arrives);
    suite_add_tcase(suite, tc);
    tc = tcase_create("devices");
    tcase_set_timeout(tc, 30);
    tcase_add_checked_fixture(tc, begin, end);
    tcase_add_test(tc, a_text_load_is_a_load);
    tcase_add_test(tc, replies_that_do_not_fit);
    tcase_add_test(tc, a_stranger_is_not_trusted);
    tcase_add_test(tc, devices_that_talk_by_themselves);
    tcase_add_test(tc, text_over_a_pseudo_terminal);
    tcase_add_test(tc, probe_of_registers);
    tcase_add_test(tc, mistakes_in_maps);
    tcase_add_test(tc, load_of_a_line);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
