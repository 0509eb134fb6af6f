/* Wrong device maps and unit files. */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "config_sample.h"
#include "map_file.h"
#include "suite_run.h"
#include "unit_file.h"

static int load_map(const char *text, struct problems *list)
{
    struct device_map *map = calloc(1, sizeof *map);
    ck_assert_ptr_nonnull(map);
    int rc = map_load_text("/bench/maps/m.yaml", text, strlen(text), map, list);
    free(map);
    return rc;
}

static int load_unit(const char *text, struct problems *list)
{
    struct unit_plate plate;
    return unit_file_load_text("/units/u.yaml", text, strlen(text), &plate, list);
}

static const struct mistake modbus_mistakes[] = {
    {"points:\n", "points:\n  - @just-a-word\n", E, "must be a map of keys and values", "{name: value"},
    {"map: meter", "map: @Meter", E, "\"M\"", "lower case"},
    {"order: cdab", "order: @abdc", E, "not known", "abcd, cdab, badc, dcba"},
    {"order: cdab", "order: cdab\nmax_block: @126", E, "out of range", "1 to 125"},
    {"order: cdab", "order: cdab\n@line_end: lf", E, "no meaning in a map of protocol modbus", "Remove"},
    {"order: cdab", "protocol: @profibus", E, "not known", "modbus, text"},
    {"order: cdab", "watchdog: @flag", E, "must be a time", "unit: s"},
    {"order: cdab", "beat: {point: @flag}", E, "cannot be written", "access: write"},
    {"order: cdab", "virtual: @flug", E, "no point \"flug\"", "Did you mean \"flag\"?"},
    {"order: cdab", "identity: [{point: @nothing, equals: 1}]", E, "no point \"nothing\"", ""},
    {"order: cdab", "identity: [{point: flag, equals: @1 V}]", E, "plain number", ""},
    {"{table: input, first: 90, last: 99}", "@{table: input, first: 99, last: 90}", E, "behind last", "Swap"},
    {"register: 0, type: f32", "register: @65535, type: f32", E, "beyond the last register", ""},
    {"register: 0, type: f32", "register: @95, type: f32", E, "area to keep out of", ""},
    {"{name: voltage, table: input, register: 0, type: f32, unit: V}", "@{name: voltage, unit: V}", E,
     "needs table and register", "counted from 0"},
    {"{name: voltage, table: input, register: 0, type: f32, unit: V}", "@{name: voltage, table: input, register: 0}", E,
     "needs its type", "f32"},
    {"type: f32, unit: V", "type: @f16, unit: V", E, "not known", "bit, i16, u16"},
    {"type: f32, unit: V", "type: f32, unit: @volt", E, "unit \"volt\" is not known", "mV"},
    {"type: f32, unit: V", "type: f32, unit: V, access: @write", E, "cannot be written", "holding"},
    {"type: f32, unit: V", "type: f32, unit: V, scale: @0", E, "scale of 0", ""},
    {"type: f32, unit: V", "type: f32, unit: V, scale: @0x2", E, "plain number", ""},
    {"type: f32, unit: V", "type: f32, unit: V, min: @5, max: 2", E, "not below max", ""},
    {"type: f32, unit: V", "type: f32, unit: V, bit: @3", E, "floating-point", ""},
    {"type: f32, unit: V", "type: f32, unit: V, invalid: [@nan]", E, "not a raw value", "0x7fff"},
    {"type: f32, unit: V", "type: f32, unit: V, invalid: @[0x1ffffffff]", E, "wider than the type", "wire"},
    {"type: f32, unit: V", "type: f32, unit: V, @query: \"V?\"", E, "no meaning in a map of protocol modbus", ""},
    {"type: f32, unit: V", "type: f32, unit: V, latch: @write", E, "needs its reset", "reset:"},
    {"name: t2, table", "name: @t1, table", E, "\"t1\" stands here a second time", "own"},
    {"bit: 3, bits: 2", "bit: @15, bits: 2", E, "beyond the register", ""},
    {"type: u16, bit: 3, bits: 2", "type: @bit", E, "needs its number", "bit:"},
    {"cold_junction: t_cj", "cold_junction: @t_jc", E, "no point \"t_jc\"", "Did you mean"},
    {"cold_junction: t_cj", "cold_junction: @voltage", E, "must be a point that reads a temperature", "degC"},
    {"{thermocouple: K, cold_junction: t_cj}", "@{thermocouple: K}", E, "belong together", "cold_junction"},
    {"thermocouple: K", "thermocouple: @X", E, "not known", "KJTNERSB"},
    {"sensor: {pt100: true}", "sensor: @{pt100: true, pt1000: true}", E, "exactly one of", "pt100"},
    {"unit: ohm, sensor", "unit: @V, sensor", E, "unit \"V\" does not fit this sensor", "ohm"},
    {"loop_high: 200 degC", "loop_high: @0 degC", E, "span a range", ""},
    {"loop_high: 200 degC", "loop_high: @200 V", E, "span a range", ""},
    {"loop_high: 200 degC", "loop_high: @much", E, "no quantity", "200 degC"},
    {"shunt: 0.00015 ohm", "shunt: @0.00015", E, "has no unit", "0.16 ohm"},
    {"points:\n", "points:\n  - {name: c, table: coil, register: 1, type: @u16}\n", E, "is a bit", "type: bit"},
    {"points:\n", "points:\n  - {name: c, table: coil, register: 1, bit: @2}\n", E, "one bit already", "Remove"},
    {"points:\n", "points:\n  - {name: c, table: coil, register: 1, bits: @17}\n", E, "at most 16", "two points"},
};

static const struct mistake text_mistakes[] = {
    {"reply: \"T1={number} degC\"", "reply: @\"T1={value} degC\"", E, "slot \"{value}", "{number}"},
    {"reply: \"T1={number} degC\"", "reply: @\"T1= degC\"", E, "0 slots", "once"},
    {"reply: \"T1={number} degC\"", "reply: @\"{number}{number}\"", E, "2 slots", "once"},
    {"reply: \"T1={number} degC\"", "reply: @\"{number}}\"", E, "closing brace", "{number}"},
    {"{name: t1, query: \"T1?\", reply: \"T1={number} degC\"", "{name: t1, query: @\"T1?\"", E, "needs its reply", ""},
    {"points: [t2, t3]}", "points: [t2, t3]}, {reply: \"{number}\", points: [@t4]}", E, "no point \"t4\"",
     "Did you mean"},
    {"reply: \"T2={number};T3={number}\"", "reply: @\"T2={number}\"", E, "1 slots for numbers, but 2 points", ""},
    {"  - {name: t2, unit: degC}", "  - {name: t2, unit: degC}\n  - @{name: t9, unit: degC}", E, "nothing ever gives",
     "listen"},
    {"{name: out, access: write, write: \"OUT {number}\"", "{name: out, access: @write", E, "needs its write template",
     ""},
    {"{name: out, access: write, write: \"OUT {number}\"",
     "{name: out, write: @\"OUT {number}\", query: a, reply: \"{number}\"", E, "access is read", "access: write"},
    {"unit: degC}", "unit: degC, @register: 3}", E, "no meaning in a map of protocol text", ""},
    {"line_end: lf", "@max_block: 3", E, "no meaning in a map of protocol text", ""},
    {"line_end: lf", "line_end: @\"\\n\"", E, "not known", "crlf, lf, cr"},
    {"expression: \"^U ([-+.0-9]+) V$\"", "expression: @\"(a)\\\\1\"", E, "back-references", "template"},
    {"expression: \"^U ([-+.0-9]+) V$\"", "expression: @\"(a+)+\"", E, "group must not be repeated", ""},
    {"expression: \"^U ([-+.0-9]+) V$\"", "expression: @\"(a{1,200})\"", E, "at most 32", ""},
    {"expression: \"^U ([-+.0-9]+) V$\"", "expression: @\"(a*)*\"", E, "repeated", ""},
    {"expression: \"^U ([-+.0-9]+) V$\"", "expression: @\"a**(b)\"", E, "repetition must not be repeated", ""},
    {"expression: \"^U ([-+.0-9]+) V$\"", "expression: @\"((a))\"", E, "nested", ""},
    {"expression: \"^U ([-+.0-9]+) V$\"", "expression: @\"abc\"", E, "one group", ""},
    {"expression: \"^U ([-+.0-9]+) V$\"", "expression: @\"([a)\"", E, "bracket", ""},
    {"expression: \"^U ([-+.0-9]+) V$\"", "expression: @\"(.*)a*b*c*d*\"", E, "at most 4 repetitions", ""},
};

static const struct mistake unit_mistakes[] = {
    {"serial: HQ-0147\n", "@", E, "\"serial\" is missing", "Add serial"},
    {"process: tig, output_control: trigger, supply: 230 V, percent_on: 40",
     "process: @welding, output_control: trigger, "
     "supply: 230 V, percent_on: 40",
     E, "not known", "mma, tig, mig"},
    {"output_control: trigger, supply: 230 V, percent_on: 40", "output_control: @live, supply: 230 V, percent_on: 40",
     E, "not known", "always-live"},
    {"percent_on: 40", "percent_on: @0", E, "out of range", "1 % to 100 %"},
    {"percent_on: 40", "percent_on: @40 A", E, "unit \"A\"", "percent_on: 60"},
    {"percent_on: 60 %", "percent_on: @100", H, "by soak only", "ten-minute"},
    {"current: 160 A", "current: @160", E, "has no unit", "160 A"},
    {"i1eff: 15 A", "i1eff: @25 A", E, "above i1max", "plate"},
    {"protection: fitted", "protection: @yes", E, "not known", "unknown, fitted, none"},
    {"protection: fitted", "year: @1066", E, "out of range", "1900"},
    {"{process: tig, output_control: trigger, supply: 230 V, percent_on: 40",
     "@{process: tig, output_control: trigger, "
     "percent_on: 40",
     E, "supply voltage is missing", "phases: 0"},
    {"percent_on: 40", "phases: @2, percent_on: 40", E, "1 or 3 phases", ""},
    {"{process: tig, output_control: trigger, supply: 230 V, percent_on: 60 %",
     "@{process: gtaw, output_control: trigger, "
     "supply: 230 V, percent_on: 40",
     E, "of an earlier one", "Remove"},
    {"model: T160", "@moddel: T160", E, "not known", "Did you mean \"model\"?"},
};

static const char recorder_map[] =
    "map: recorder\npoints:\n  - {name: state, table: input, register: 0, type: u16}\n"
    "  - {name: peak, table: input, register: 1, type: u16, unit: V, latch: write, reset: peak_reset}\n"
    "  - {name: u_samples, access: block, table: input, register: 100, type: i16, scale: 0.01, unit: V}\n"
    "  - {name: i_samples, access: block, table: input, register: 600, type: i16, scale: 0.1, unit: A}\n"
    "  - {name: arm, access: write, table: holding, register: 0, type: u16}\n"
    "  - {name: peak_reset, access: write, table: holding, register: 1, type: u16}\n"
    "captures:\n  - {name: shutoff, arm: {point: arm}, state: state, armed: 1, ready: 3, interval: 10 ms, count: 400,\n"
    "     u2: u_samples, i2: i_samples}\n";

static const struct mistake recorder_mistakes[] = {
    {"arm: {point: arm}", "arm: {point: @state}", E, "cannot be written", "access: write"},
    {"arm: {point: arm}", "arm: {point: @amr}", E, "no point \"amr\"", "Did you mean \"arm\"?"},
    {"state: state,", "state: @u_samples,", E, "cannot be read for a value", "access: read"},
    {"ready: 3", "ready: @1", E, "must differ", "manual"},
    {"interval: 10 ms", "interval: @10", E, "unit", ""},
    {"interval: 10 ms", "interval_point: @state", E, "must be a time", "unit: s"},
    {"count: 400", "count: @600", E, "out of range", ""},
    {"u2: u_samples, i2: i_samples", "u2: @i_samples, i2: i_samples", E, "samples of u2 are volts", ""},
    {"i2: i_samples", "i2: @state", E, "not a row of samples", "access: block"},
    {"reset: peak_reset}", "reset: @state}", E, "cannot be written", "access: write"},
    {"latch: write, reset: peak_reset", "latch: @write", E, "needs its reset", "reset:"},
    {"latch: write, reset: peak_reset", "latch: read, reset: @peak_reset", E, "latch: write only", ""},
    {"register: 600, type: i16, scale: 0.1, unit: A", "register: 600, type: i16, scale: 0.1, unit: A, latch: @read", E,
     "only a point that is read has a latch", ""},
};

START_TEST(recorder_map_mistakes)
{
    mistake_check(recorder_map, &recorder_mistakes[_i], load_map);
}
END_TEST

START_TEST(modbus_map_mistakes)
{
    mistake_check(sample_meter_map, &modbus_mistakes[_i], load_map);
}
END_TEST

START_TEST(text_map_mistakes)
{
    mistake_check(sample_text_map, &text_mistakes[_i], load_map);
}
END_TEST

START_TEST(unit_mistakes_are_reported)
{
    mistake_check(sample_unit, &unit_mistakes[_i], load_unit);
}
END_TEST

START_TEST(a_mistake_in_a_map_is_reported_in_the_map)
{
    static const char bench[] = "bench: b\njournal: {path: j}\nbuses: [{name: r, kind: in-process}]\n"
                                "devices:\n  - {name: d, bus: r, server: 1, map: m.yaml}\n"
                                "  - {name: e, bus: r, server: 2, map: m.yaml}\nchannels: []\n";
    struct problems list = {0};
    struct config *c = NULL;
    ck_assert_int_eq(config_load_text("/nowhere/b.yaml", bench, strlen(bench), NULL, &c, &list), -1);
    ck_assert_int_eq(list.errors, 1); /* the map, once */
    ck_assert_ptr_nonnull(strstr(list.items[0].text, "cannot open /nowhere/m.yaml"));
    ck_assert_int_eq(list.items[0].line, 5);
    problems_free(&list);
}
END_TEST

START_TEST(a_map_is_read_as_it_says)
{
    struct device_map *m = calloc(1, sizeof *m);
    struct problems list = {0};
    ck_assert_ptr_nonnull(m);
    int rc = map_load_text("m", sample_meter_map, strlen(sample_meter_map), m, &list);
    problems_show(&list);
    ck_assert_int_eq(rc, 0);
    ck_assert_int_eq(m->point_count, 7);
    const struct map_point *p = &m->points[map_point_find(m, "voltage")];
    ck_assert_int_eq(p->order, ORDER_CDAB);
    ck_assert_int_eq(p->type, TYPE_F32);
    ck_assert_int_eq(p->dim, DIM_VOLTAGE);
    p = &m->points[map_point_find(m, "t1")];
    ck_assert_int_eq(p->sensor, SENSOR_THERMOCOUPLE);
    ck_assert_int_eq(p->thermocouple, 'K');
    ck_assert_int_eq(p->dim, DIM_VOLTAGE);
    ck_assert_int_eq(p->value_dim, DIM_TEMPERATURE);
    ck_assert_double_eq(p->to_base, 0.001);
    p = &m->points[map_point_find(m, "flow")];
    ck_assert_double_eq(p->sensor_high, 200);
    ck_assert_int_eq(p->value_dim, DIM_TEMPERATURE);
    p = &m->points[map_point_find(m, "i_shunt")];
    ck_assert_double_eq(p->sensor_low, 0.00015);
    ck_assert_int_eq(p->value_dim, DIM_CURRENT);
    p = &m->points[map_point_find(m, "flag")];
    ck_assert_int_eq(p->bit, 3);
    ck_assert_int_eq(p->bits, 2);
    ck_assert_int_eq(m->drop_all_point, -1);
    ck_assert_int_eq(m->keep_out_count, 1);
    ck_assert_int_eq(m->max_block, 125); /* most registers in one request: Modbus application protocol V1.1b3, 6.3 */
    free(m);
}
END_TEST

START_TEST(a_text_map_is_read_as_it_says)
{
    struct device_map *m = calloc(1, sizeof *m);
    struct problems list = {0};
    ck_assert_ptr_nonnull(m);
    ck_assert_int_eq(map_load_text("m", sample_text_map, strlen(sample_text_map), m, &list), 0);
    ck_assert_str_eq(m->line_end, "\n");
    ck_assert_int_eq(m->listen_count, 1);
    ck_assert_int_eq(m->listen[0].points[1], map_point_find(m, "t3"));
    ck_assert_str_eq(m->out_of_range[1], "-OL");
    const struct map_point *p = &m->points[map_point_find(m, "u")];
    ck_assert(p->reply_is_expression);
    ck_assert_str_eq(m->identify_query, "*IDN?");
    ck_assert_str_eq(m->error_none, "0");
    free(m);
}
END_TEST

START_TEST(invalid_values_are_kept_in_the_width_of_the_type)
{
    static const char text[] = "map: m\npoints: [{name: a, table: input, register: 0, type: i16, "
                               "invalid: [-32768, 0x7fff, 0xffff]}]\n";
    struct device_map *m = calloc(1, sizeof *m);
    struct problems list = {0};
    ck_assert_ptr_nonnull(m);
    ck_assert_int_eq(map_load_text("m", text, strlen(text), m, &list), 0);
    ck_assert_int_eq(m->points[0].invalid_count, 3);
    ck_assert_uint_eq(m->points[0].invalid[0], 0x8000);
    ck_assert_uint_eq(m->points[0].invalid[2], 0xffff);
    free(m);
}
END_TEST

START_TEST(units_are_read_with_every_word_of_the_trade)
{
    /* Trade words as the vocabulary of the design lists them; common practice, no published source. */
    static const struct {
        const char *word;
        enum process process;
    } words[] = {
        {"mma", PROCESS_MMA},         {"stick", PROCESS_MMA},
        {"SMAW", PROCESS_MMA},        {"tig", PROCESS_TIG},
        {"GTAW", PROCESS_TIG},        {"mig", PROCESS_MIG},
        {"MAG", PROCESS_MIG},         {"GMAW", PROCESS_MIG},
        {"FCAW", PROCESS_MIG},        {"saw", PROCESS_SAW},
        {"PAC", PROCESS_PLASMA_CUT},  {"plasma-cut", PROCESS_PLASMA_CUT},
        {"PAW", PROCESS_PLASMA_WELD}, {"plasma-gouge", PROCESS_PLASMA_GOUGE},
    };
    char text[256];
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        struct unit_plate plate;
        struct problems list = {0};
        (void)snprintf(text, sizeof text,
                       "serial: S\nratings: [{process: %s, output_control: always-live, phases: 0, percent_on: 35, "
                       "current: 90 A}]\n",
                       words[i].word);
        ck_assert_int_eq(unit_file_load_text("u", text, strlen(text), &plate, &list), 0);
        ck_assert_int_eq(plate.ratings[0].process, words[i].process);
        problems_free(&list);
    }
}
END_TEST

START_TEST(a_unit_file_prints_back_to_itself)
{
    struct unit_plate plate;
    struct unit_plate again;
    struct problems list = {0};
    uint8_t a[4096];
    uint8_t b[4096];
    ck_assert_int_eq(unit_file_load_text("u", sample_unit, strlen(sample_unit), &plate, &list), 0);
    ck_assert_int_eq(plate.rating_count, 2);
    ck_assert_double_eq(plate.ratings[1].percent_on, 60);
    ck_assert_double_eq(plate.ratings[1].load_voltage_v, 15.2);
    ck_assert(isnan(plate.ratings[0].load_voltage_v));
    ck_assert_double_eq(plate.ratings[0].ambient_degc, 40);
    ck_assert_double_eq(plate.ratings[0].cycle_s, 600);
    char *text = unit_file_print(&plate);
    ck_assert_ptr_nonnull(text);
    ck_assert_int_eq(unit_file_load_text("u", text, strlen(text), &again, &list), 0);
    struct writer wa = writer_over(a, sizeof a);
    struct writer wb = writer_over(b, sizeof b);
    put_unit_plate(&wa, &plate);
    put_unit_plate(&wb, &again);
    ck_assert(!wa.bad && !wb.bad);
    ck_assert_uint_eq(wa.used, wb.used);
    ck_assert_mem_eq(a, b, wa.used);
    free(text);
}
END_TEST

START_TEST(a_plate_that_cannot_be_read_is_taken_without_ratings)
{
    struct unit_plate plate;
    struct problems list = {0};
    ck_assert_int_eq(load_unit("serial: HQ-9\n", &list), 0);
    ck_assert_int_eq(list.warnings, 1);
    ck_assert_int_eq(unit_file_load_text("u", "serial: 7", 9, &plate, &list), 0);
    ck_assert_str_eq(plate.serial, "7");
    problems_free(&list);
}
END_TEST

#define COUNT(array) ((int)(sizeof(array) / sizeof(array)[0]))

int main(void)
{
    Suite *s = suite_create("maps and unit files");
    TCase *t = tcase_create("all");
    tcase_set_timeout(t, 60);
    tcase_add_loop_test(t, modbus_map_mistakes, 0, COUNT(modbus_mistakes));
    tcase_add_loop_test(t, recorder_map_mistakes, 0, COUNT(recorder_mistakes));
    tcase_add_loop_test(t, text_map_mistakes, 0, COUNT(text_mistakes));
    tcase_add_loop_test(t, unit_mistakes_are_reported, 0, COUNT(unit_mistakes));
    tcase_add_test(t, a_mistake_in_a_map_is_reported_in_the_map);
    tcase_add_test(t, a_map_is_read_as_it_says);
    tcase_add_test(t, a_text_map_is_read_as_it_says);
    tcase_add_test(t, invalid_values_are_kept_in_the_width_of_the_type);
    tcase_add_test(t, units_are_read_with_every_word_of_the_trade);
    tcase_add_test(t, a_unit_file_prints_back_to_itself);
    tcase_add_test(t, a_plate_that_cannot_be_read_is_taken_without_ratings);
    suite_add_tcase(s, t);
    return suite_run(s);
}
