/* Meters with their habits, text devices, faults of communication, scenario errors, and the maps in config/maps/. */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "suite_run.h"
#include "vb_fixture.h"
#include "vb_world.h"
#include "vb_yaml.h"

static const char *const bench =
    "scenario: meters\nseed: 3\nroom: {t_degc: 25}\nrate: 60\n"
    "circuits: [{name: c1}]\n"
    "units: [{serial: U, set_a: 100, ref_v: 10, no_load_v: 70}]\n"
    "channels: [{name: A, unit: U, circuit: c1, alpha: 0, steps: [{ohm: 0.1}], lead: {ohm: 0}}]\n"
    "buses: [{name: rack}, {name: meters}, {name: own}, {name: thermo, kind: text-pty}, {name: dmm, kind: text-tcp}]\n"
    "devices:\n"
    "  - {name: bank, bus: rack, channels: [A], watchdog: {after_s: 60}}\n"
    "  - {name: slow, bus: meters, server: 1, kind: dc-shunt-meter, of: A, meters: {refresh_s: 2, averaging_s: 2}}\n"
    "  - {name: damped, bus: meters, server: 2, kind: dc-shunt-meter, of: A, meters: {refresh_s: 0.1, damping_s: 2}}\n"
    "  - {name: noisy, bus: meters, server: 3, kind: dc-shunt-meter, of: A, meters: {refresh_s: 0.1, noise: 0.5}}\n"
    "  - {name: supply, bus: own, server: 1, kind: supply-meter, of: c1, powered_from: c1}\n"
    "  - {name: scan, bus: meters, server: 4, kind: thermocouple-scanner,\n"
    "     inputs: [A.t_intake, open, room.t, open, open, open, A.t_a]}\n"
    "  - {name: printer, bus: thermo, kind: line-printing-thermometer, inputs: [A.t_intake, open], interval_s: 1}\n"
    "  - {name: dmm, bus: dmm, kind: scpi-multimeter, inputs: [A.u2_mean, A.i2_mean]}\n";

static struct vbench *loaded(void)
{
    struct vbench *vb = bench_from(bench);
    write_register(vb, 1, BEAT, 1);
    beat_until(vb, 10);
    write_register(vb, 1, STEPS_A, 1);
    write_coil(vb, 1, TRIGGER_A, true);
    return vb;
}

/* current of a shunt meter: i32, words swapped, mA */
static double shunt_a(struct vbench *vb, int server)
{
    uint16_t w[2];
    int result = read_words(vb, "meters", server, 4, 20, 2, w);
    return result == 0 ? (int32_t)((uint32_t)w[1] << 16 | w[0]) * 0.001 : NAN;
}

START_TEST(refresh_and_averaging)
{
    struct vbench *vb = loaded(); /* current flows from 10.06 s on */
    vbench_advance(vb, 11900 * SECOND / 1000);
    ck_assert_double_eq(shunt_a(vb, 1), 0); /* still the value of 10 s */
    vbench_advance(vb, 12100 * SECOND / 1000);
    ck_assert_double_eq_tol(shunt_a(vb, 1), 100 * (2 - 0.06 - 0.03) / 2, 1); /* the mean over the window */
    vbench_advance(vb, 14100 * SECOND / 1000);
    ck_assert_double_eq_tol(shunt_a(vb, 1), 100, 1e-3);
    vbench_free(vb);
}
END_TEST

START_TEST(damping_and_noise)
{
    struct vbench *vb = loaded();
    vbench_advance(vb, 12090 * SECOND / 1000);
    ck_assert_double_eq_tol(shunt_a(vb, 2), 100 * (1 - exp(-1)), 2.5);
    double sum = 0, squares = 0;
    beat_until(vb, 20);
    for (int i = 0; i < 400; i++) {
        beat_until(vb, 20 + 0.1 * i);
        double off = shunt_a(vb, 3) - 100;
        sum += off;
        squares += off * off;
    }
    /* 400 values of standard deviation 0.5: mean within 4 standard errors, deviation within 15 %. */
    ck_assert_double_le(fabs(sum / 400), 4 * 0.5 / 20);
    ck_assert_double_eq_tol(sqrt(squares / 400), 0.5, 0.075);
    vbench_free(vb);
}
END_TEST

START_TEST(self_powered_meter_dies_with_its_circuit)
{
    struct vbench *vb = loaded();
    uint16_t w[2];
    beat_until(vb, 12);
    ck_assert_int_eq(read_words(vb, "own", 1, 4, 20, 2, w), 0);
    uint32_t bits = (uint32_t)w[0] << 16 | w[1];
    float volts;
    memcpy(&volts, &bits, sizeof volts);
    ck_assert_double_eq_tol((double)volts, 230, 0.5);
    vbench_do(vb, "{do: trip-breaker, circuit: c1}", NULL);
    beat_until(vb, 13);
    ck_assert_int_eq(read_words(vb, "own", 1, 4, 20, 2, w), VBENCH_NO_ANSWER);
    vbench_do(vb, "{do: close-breaker, circuit: c1}", NULL);
    beat_until(vb, 15);
    ck_assert_int_eq(read_words(vb, "own", 1, 4, 20, 2, w), 0);
    vbench_free(vb);
}
END_TEST

/* NIST Monograph 175 (ITS-90), type K: -1.889 mV at -50, 0 at 0, 1.000 at 25, 4.096 at 100, 20.644 at 500, 41.276 at
 * 1000 degC. */
START_TEST(thermocouples)
{
    static const double points[][2] = {{-50, -1.889}, {0, 0}, {25, 1.000}, {100, 4.096}, {500, 20.644}, {1000, 41.276}};
    for (size_t i = 0; i < sizeof points / sizeof points[0]; i++)
        ck_assert_double_eq_tol(vb_emf_k(points[i][0]), points[i][1], 0.0005);
    struct vbench *vb = loaded();
    uint16_t w[8], cj;
    beat_until(vb, 300);
    ck_assert_int_eq(read_words(vb, "meters", 4, 4, 20, 8, w), 0);
    ck_assert_uint_eq(w[0], 250);
    ck_assert_uint_eq(w[1], 0x7fff); /* open */
    ck_assert_int_eq(read_words(vb, "meters", 4, 4, 10, 1, &cj), 0);
    ck_assert_uint_eq(cj, 2500);
    double hot = state_of(vb, "A").t_a_degc;
    ck_assert_double_gt(hot, 35);
    ck_assert_double_eq_tol((int16_t)w[6] * 0.001, vb_emf_k(hot) - vb_emf_k(25), 0.003);
    ck_assert_uint_eq(w[7], 0x7fff);
    vbench_free(vb);
}
END_TEST

static double asked(struct vbench *vb, const char *line)
{
    char reply[128];
    int64_t took;
    ck_assert_int_eq(vbench_text(vb, "dmm", line, reply, sizeof reply, &took), VBENCH_OK);
    return strtod(reply, NULL);
}

START_TEST(multimeter_by_scpi)
{
    struct vbench *vb = loaded();
    char reply[128];
    int64_t took;
    beat_until(vb, 15);
    ck_assert_double_eq_tol(asked(vb, "MEAS:VOLT:DC?"), 10, 1e-3);
    ck_assert_double_eq_tol(asked(vb, "measure:voltage:dc?"), 10, 1e-3);
    ck_assert_double_eq_tol(asked(vb, "MEAS:CURR:DC?"), 100, 1e-3);
    ck_assert_double_eq(asked(vb, "MEAS:TEMP?"), 9.9e37); /* SCPI-99: not a value */
    ck_assert_double_eq(asked(vb, "SYST:RATE?"), 60);
    ck_assert_int_eq(vbench_text(vb, "dmm", "MEA:VOLT:DC?", reply, sizeof reply, &took), VBENCH_NO_ANSWER);
    ck_assert_int_eq(vbench_text(vb, "dmm", "SYST:ERR?", reply, sizeof reply, &took), VBENCH_OK);
    ck_assert_str_eq(reply, "-113,\"Undefined header\"");
    vbench_text(vb, "dmm", "SYSTem:ERRor?", reply, sizeof reply, &took);
    ck_assert_str_eq(reply, "0,\"No error\"");
    vbench_free(vb);
}
END_TEST

START_TEST(thermometer_talks_by_itself)
{
    struct vbench *vb = bench_from(bench);
    char line[120];
    int64_t sent;
    vbench_advance(vb, 3500 * SECOND / 1000);
    ck_assert_int_eq(vbench_listen(vb, "thermo", line, sizeof line, &sent), 1);
    ck_assert_str_eq(line, "VB=1;RATE=60;EPOCH=1767225600");
    int temperatures = 0;
    while (vbench_listen(vb, "thermo", line, sizeof line, &sent) == 1) {
        ck_assert_str_eq(line, "T1=25.0;T2=OL");
        ck_assert_int_eq(sent, temperatures * SECOND);
        temperatures++;
    }
    ck_assert_int_eq(temperatures, 4);
    vbench_free(vb);
}
END_TEST

static int try_read(struct vbench *vb, const char *fault, uint8_t *answer, int64_t *took)
{
    size_t size;
    ck_assert_int_eq(vbench_do(vb, fault, NULL), 0);
    int64_t now = vbench_elapsed_ns(vb);
    int result = vbench_exchange(vb, "meters", 1, (const uint8_t[]){4, 0, 20, 0, 2}, 5, answer, 253, &size, took);
    vbench_advance(vb, now + 2 * SECOND); /* each fault lasts a second */
    return result;
}

START_TEST(faults_of_communication)
{
    struct vbench *vb = loaded();
    uint8_t answer[253];
    int64_t took;
    beat_until(vb, 20);
    ck_assert_int_eq(try_read(vb, "{do: fault, kind: silence, device: slow, for_s: 1}", answer, &took),
                     VBENCH_NO_ANSWER);
    ck_assert_int_eq(try_read(vb, "{do: fault, kind: wrong-crc, bus: meters, for_s: 1}", answer, &took),
                     VBENCH_GARBLED);
    ck_assert_int_eq(try_read(vb, "{do: fault, kind: truncated, device: slow, for_s: 1}", answer, &took),
                     VBENCH_GARBLED);
    ck_assert_int_eq(try_read(vb, "{do: fault, kind: noise, device: slow, for_s: 1}", answer, &took), VBENCH_GARBLED);
    ck_assert_int_eq(try_read(vb, "{do: fault, kind: wrong-server, device: slow, for_s: 1}", answer, &took),
                     VBENCH_WRONG_SERVER);
    ck_assert_int_eq(try_read(vb, "{do: fault, kind: gone, bus: meters, for_s: 1}", answer, &took), VBENCH_GONE);
    ck_assert_int_eq(try_read(vb, "{do: fault, kind: exception, device: slow, code: 6, for_s: 1}", answer, &took),
                     VBENCH_OK);
    ck_assert_uint_eq(answer[0], 0x84);
    ck_assert_uint_eq(answer[1], 6);
    ck_assert_int_eq(try_read(vb, "{do: fault, kind: late, device: slow, delay_s: 0.8, for_s: 1}", answer, &took),
                     VBENCH_OK);
    ck_assert_int_gt(took, 800000000);
    ck_assert_int_eq(try_read(vb, "{do: fault, kind: silence, device: damped, for_s: 1}", answer, &took), VBENCH_OK);
    ck_assert_int_lt(took, 20000000);
    vbench_free(vb);
}
END_TEST

START_TEST(values_that_stand_still)
{
    struct vbench *vb = loaded();
    beat_until(vb, 20);
    vbench_do(vb, "{do: fault, kind: frozen, device: damped, for_s: 10}", NULL);
    vbench_do(vb, "{do: set-current, unit: U, a: 50}", NULL);
    beat_until(vb, 29);
    ck_assert_double_eq_tol(shunt_a(vb, 2), 100, 1);
    ck_assert_double_eq_tol(shunt_a(vb, 1), 50, 0.5);
    beat_until(vb, 40);
    ck_assert_double_eq_tol(shunt_a(vb, 2), 50, 0.5);
    vbench_do(vb, "{do: fault, kind: stuck, device: slow, register: 20, for_s: 10}", NULL);
    beat_until(vb, 41);
    vbench_do(vb, "{do: set-current, unit: U, a: 80}", NULL);
    beat_until(vb, 46);
    ck_assert_double_eq_tol(shunt_a(vb, 1), 50, 0.5);
    beat_until(vb, 60);
    ck_assert_double_eq_tol(shunt_a(vb, 1), 80, 0.5);
    vbench_do(vb, "{do: sense-off, meter: slow/A.i2_mean}", NULL);
    beat_until(vb, 66);
    ck_assert_double_eq(shunt_a(vb, 1), 0); /* the clamp is off; the current still flows */
    ck_assert_double_eq_tol(state_of(vb, "A").i2_a, 80, 1e-3);
    vbench_free(vb);
}
END_TEST

START_TEST(scenario_errors_name_their_line)
{
    static const char *const wrong[][2] = {
        {"scenario: x\nunits: [{serial: U, set_amps: 3}]\n", "line 2"},
        {"scenario: x\nbuses: [{name: b}]\ndevices:\n  - {name: d, bus: c}\n", "line 4"},
        {"scenario: x\nseed: 1e3\n", "line 2"},
        {"scenario: x\nevents: [{do: dance}]\n", "line 2"},
        {"- 1\n- 2\n", "mapping"},
        {"scenario: {\n", "line"},
    };
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct vbench_error err = {{0}};
        ck_assert_ptr_null(vbench_new(wrong[i][0], &err));
        ck_assert_msg(strstr(err.text, wrong[i][1]) != NULL, "%s", err.text);
    }
    struct vbench_error err = {{0}};
    ck_assert_ptr_null(vbench_new("/nonexistent/scenario.yaml", &err));
    ck_assert_ptr_nonnull(strstr(err.text, "No such file"));
}
END_TEST

/* Type, order and scale of every register point of a map must be those of the simulated device. */
static void compare(const char *map, const struct vb_device *d)
{
    static const char *const tables[] = {"input", "holding", "coil", "discrete", NULL};
    static const char *const types[] = {"bit", "i16", "u16", "i32", "u32", "i64", "f32", "f64", NULL};
    static const char *const orders[] = {"abcd", "cdab", "badc", "dcba", NULL};
    char path[300], text[20000], name[64];
    snprintf(path, sizeof path, "%s/config/maps/%s.yaml", SOURCE_DIR, map);
    FILE *f = fopen(path, "r");
    ck_assert_ptr_nonnull(f);
    size_t size = fread(text, 1, sizeof text, f);
    fclose(f);
    struct vb_yaml y;
    ck_assert_int_eq(vb_yaml_parse(&y, text, size), 0);
    int order = vb_yaml_word(&y, vb_yaml_root(&y), "order", orders, 0);
    yaml_node_t *points = vb_yaml_get(&y, vb_yaml_root(&y), "points");
    ck_assert_int_gt(vb_yaml_count(&y, points), 5);
    for (int i = 0; i < vb_yaml_count(&y, points); i++) {
        yaml_node_t *p = vb_yaml_item(&y, points, i);
        vb_yaml_text(&y, p, "name", name, sizeof name, "");
        int table = vb_yaml_word(&y, p, "table", tables, 0), type = vb_yaml_word(&y, p, "type", types, 0);
        int64_t address = vb_yaml_integer(&y, p, "register", -1, 0, 65535);
        const struct vb_cell *cell = NULL;
        if (strstr(name, "_samples")) /* a row of samples is no cell: see capture_test */
            continue;
        for (int c = 0; c < d->cell_count; c++)
            if ((int)d->cell[c].table == table && d->cell[c].address == address)
                cell = &d->cell[c];
        ck_assert_msg(cell != NULL, "%s: %s", map, name);
        ck_assert_msg((int)cell->type == type, "%s: %s: type", map, name);
        if (type >= VB_I32)
            ck_assert_msg((int)cell->order == vb_yaml_word(&y, p, "order", orders, order), "%s: %s: order", map, name);
        if (!vb_yaml_get(&y, p, "sensor"))
            ck_assert_msg(fabs(cell->scale - vb_yaml_number(&y, p, "scale", 1)) < 1e-12, "%s: %s: scale", map, name);
    }
    ck_assert(!y.failed);
    vb_yaml_free(&y);
}

START_TEST(maps_describe_the_devices)
{
    struct vbench *vb = bench_from(
        "scenario: maps\ncircuits: [{name: c1}]\nbuses: [{name: b}]\n"
        "channels: [{name: A, steps: [{ohm: 1}]}, {name: B, steps: [{ohm: 1}]}, {name: C, steps: [{ohm: 1}]},\n"
        "  {name: D, steps: [{ohm: 1}]}, {name: E, settable: {}}]\n"
        "devices:\n  - {name: d1, bus: b, server: 1, kind: stepped-bank, channels: [A, B, C, D]}\n"
        "  - {name: d2, bus: b, server: 2, kind: settable-load, channels: [E]}\n"
        "  - {name: d3, bus: b, server: 3, kind: thermocouple-scanner}\n"
        "  - {name: d4, bus: b, server: 4, kind: supply-meter, of: c1}\n"
        "  - {name: d5, bus: b, server: 5, kind: dc-shunt-meter, of: A}\n"
        "  - {name: d6, bus: b, server: 6, kind: fast-meter, of: A}\n");
    static const char *const maps[] = {"stepped-bank", "settable-load",  "thermocouple-scanner",
                                       "supply-meter", "dc-shunt-meter", "fast-meter"};
    for (int i = 0; i < 6; i++)
        compare(maps[i], &vb->device[i]);
    vbench_free(vb);
}
END_TEST

START_TEST(settable_load_in_both_modes)
{
    struct vbench *vb =
        bench_from("scenario: settable\ncircuits: [{name: c1}]\n"
                   "units: [{serial: U, output: cv, set_v: 28, droop_ohm: 0.02, no_load_v: 36}]\n"
                   "channels: [{name: A, unit: U, circuit: c1, settable: {}, lead: {ohm: 0}}]\nbuses: [{name: rack}]\n"
                   "devices: [{name: load, bus: rack, server: 1, kind: settable-load, channels: [A]}]\n");
    uint8_t answer[253];
    size_t size;
    int64_t took;
    write_register(vb, 1, BEAT, 1);
    write_coil(vb, 1, TRIGGER_A, true);
    /* 0.12 ohm = 1200 in tenths of a milliohm, words swapped */
    vbench_exchange(vb, "rack", 1, (const uint8_t[]){16, 0, 10, 0, 2, 4, 1200 >> 8, 1200 & 255, 0, 0}, 10, answer, 253,
                    &size, &took);
    ck_assert_uint_eq(size, 5);
    beat_until(vb, 3);
    ck_assert_double_eq_tol(state_of(vb, "A").i2_a, 28 / 0.14, 1e-3);
    /* 150.00 A */
    vbench_exchange(vb, "rack", 1, (const uint8_t[]){16, 0, 12, 0, 2, 4, 15000 >> 8, 15000 & 255, 0, 0}, 10, answer,
                    253, &size, &took);
    beat_until(vb, 5);
    ck_assert_double_eq_tol(state_of(vb, "A").i2_a, 150, 1e-3);
    ck_assert_double_eq_tol(state_of(vb, "A").u2_v, 28 - 3, 1e-3);
    write_register(vb, 1, DROP, 1);
    beat_until(vb, 6);
    ck_assert_double_eq(state_of(vb, "A").i2_a, 0);
    vbench_free(vb);
}
END_TEST

START_TEST(load_that_speaks_words)
{
    struct vbench *vb =
        bench_from("scenario: words\ncircuits: [{name: c1}]\nunits: [{serial: U, set_a: 100, ref_v: 10}]\n"
                   "channels: [{name: A, unit: U, circuit: c1, steps: [{ohm: 0.1}], alpha: 0, lead: {ohm: 0}}]\n"
                   "buses: [{name: t, kind: text-pty}]\n"
                   "devices: [{name: load, bus: t, kind: text-load, channels: [A], inputs: [A.i2, A.u2, A.u2_peak, "
                   "A.u_bank, load.t_bank]}]\n");
    static const char *const talk[][2] = {
        {"ID?", "ID TEXT-LOAD 1"}, {"STEPS 1", "ERR 4"}, {"BEAT 1", "OK"},    {"STEPS 1", "OK"},
        {"TRIG 1", "OK"},          {"STEPS 9", "ERR 3"}, {"DANCE?", "ERR 1"}, {"CLOSED?", "CLOSED 0"},
    };
    char reply[128];
    int64_t took;
    for (size_t i = 0; i < sizeof talk / sizeof talk[0]; i++) {
        ck_assert_int_eq(vbench_text(vb, "t", talk[i][0], reply, sizeof reply, &took), VBENCH_OK);
        ck_assert_str_eq(reply, talk[i][1]);
    }
    vbench_advance(vb, 3 * SECOND);
    vbench_text(vb, "t", "I?", reply, sizeof reply, &took);
    ck_assert_str_eq(reply, "I 100.00");
    vbench_text(vb, "t", "CLOSED?", reply, sizeof reply, &took);
    ck_assert_str_eq(reply, "CLOSED 1");
    vbench_text(vb, "t", "DROP 1", reply, sizeof reply, &took);
    vbench_advance(vb, 4 * SECOND);
    ck_assert_double_eq(state_of(vb, "A").i2_a, 0);
    vbench_free(vb);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("virtual bench: meters and faults");
    TCase *t = tcase_create("meters");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, refresh_and_averaging);
    tcase_add_test(t, damping_and_noise);
    tcase_add_test(t, self_powered_meter_dies_with_its_circuit);
    tcase_add_test(t, thermocouples);
    tcase_add_test(t, multimeter_by_scpi);
    tcase_add_test(t, thermometer_talks_by_itself);
    tcase_add_test(t, faults_of_communication);
    tcase_add_test(t, values_that_stand_still);
    tcase_add_test(t, scenario_errors_name_their_line);
    tcase_add_test(t, maps_describe_the_devices);
    tcase_add_test(t, settable_load_in_both_modes);
    tcase_add_test(t, load_that_speaks_words);
    suite_add_tcase(s, t);
    return suite_run(s);
}
