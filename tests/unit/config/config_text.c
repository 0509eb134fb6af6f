#include "config_sample.h"

#include <stdlib.h>
#include <string.h>

const char sample_bench[] =
    "bench: north-bay\n"
    "clock: {rate: 1}\n"
    "journal: {path: journal.db}\n"
    "listen: {http: 127.0.0.1:8460}\n"
    "buses:\n"
    "  - {name: rack, kind: modbus-tcp, address: 127.0.0.1:1502, timeout: 300 ms}\n"
    "  - {name: line1, kind: modbus-rtu, port: /dev/ttyS0, baud: 19200, parity: even, stop_bits: 1}\n"
    "  - {name: words, kind: text-tcp, address: 127.0.0.1:5025}\n"
    "devices:\n"
    "  - {name: bank, bus: rack, server: 1, map: maps/bank.yaml, poll: 100 ms}\n"
    "  - {name: meter, bus: line1, server: 7, map: maps/meter.yaml, poll: 1 s, powered_from: c1}\n"
    "  - {name: talker, bus: words, map: maps/words.yaml}\n"
    "circuits:\n"
    "  - {name: c1, voltage: 230 V, breaker: {rated: 32 A, standard: iec-60898-1, curve: C}}\n"
    "signals:\n"
    "  estop: {device: bank, point: estop}\n"
    "  t_bank: {device: bank, point: t_bank}\n"
    "channels:\n"
    "  - name: A\n"
    "    circuit: c1\n"
    "    path: [{cable: 50 mm2, length: 10 m, current: 285 A, percent_on: 60}, {connector: {current: 250 A}}]\n"
    "    load: {device: bank, command: a_steps, feedback: a_closed, watchdog_time: 5 s,\n"
    "           steps: [{resistance: 0.16 ohm, power: 12.2 kW}, {resistance: 0.32 ohm, power: 6.1 kW}],\n"
    "           breaks_dc: 60 V, breaks_current: 300 A, supply_trip: a_supply}\n"
    "    trigger: {device: bank, command: a_trigger}\n"
    "    signals:\n"
    "      i2: {device: bank, point: a_current, uncertainty: {of_reading: 0.5 %, of_range: 0.1 %, range: 400 A},\n"
    "           calibration: {certificate: HQ-C-118, due: 2027-05-31, gain: 1.001, offset: 0.2 A}}\n"
    "      u2: {device: bank, point: a_voltage, uncertainty: {of_reading: 0.5 %, kind: expanded, k: 2}}\n"
    "      u1: {device: meter, point: voltage, refresh: 500 ms}\n"
    "      t_lead: {device: talker, point: t1}\n"
    "rules:\n"
    "  - {name: lead hot, signal: t_lead, above: 80 degC, for: 5 s, action: open}\n"
    "stores:\n"
    "  - {name: shop, kind: influxdb-v1, url: \"http://127.0.0.1:8086\", database: soak}\n"
    "notify:\n"
    "  - {kind: smtp, url: \"smtp://127.0.0.1:25\", to: bench@example.org}\n";

const char sample_bank_map[] =
    "map: bank\n"
    "protocol: modbus\n"
    "identity: [{point: id, equals: 4711}]\n"
    "drop_all: {point: drop, value: 1}\n"
    "beat: {point: beat, kind: counter}\n"
    "watchdog: watchdog_s\n"
    "points:\n"
    "  - {name: id, table: input, register: 0, type: u16}\n"
    "  - {name: estop, table: discrete, register: 0}\n"
    "  - {name: t_bank, table: input, register: 1, type: i16, scale: 0.1, unit: degC, invalid: [0x7fff]}\n"
    "  - {name: a_closed, table: input, register: 2, type: u16}\n"
    "  - {name: a_current, table: input, register: 3, type: i32, scale: 0.01, unit: A}\n"
    "  - {name: a_voltage, table: input, register: 5, type: i16, scale: 0.01, unit: V, min: -10, max: 200}\n"
    "  - {name: a_steps, table: holding, register: 0, type: u16, access: write}\n"
    "  - {name: a_trigger, table: coil, register: 0, access: write}\n"
    "  - {name: a_supply, table: coil, register: 1, access: write}\n"
    "  - {name: drop, table: holding, register: 1, type: u16, access: write}\n"
    "  - {name: beat, table: holding, register: 2, type: u16, access: write}\n"
    "  - {name: watchdog_s, table: holding, register: 3, type: u16, access: write, unit: s}\n"
    "  - {name: set_ohm, table: holding, register: 4, type: u16, scale: 0.001, access: write, unit: ohm}\n";

const char sample_meter_map[] =
    "map: meter\n"
    "order: cdab\n"
    "keep_out: [{table: input, first: 90, last: 99}]\n"
    "points:\n"
    "  - {name: voltage, table: input, register: 0, type: f32, unit: V}\n"
    "  - {name: t_cj, table: input, register: 2, type: i16, scale: 0.01, unit: degC}\n"
    "  - {name: t1, table: input, register: 3, type: i16, scale: 0.001, unit: mV, "
    "sensor: {thermocouple: K, cold_junction: t_cj}}\n"
    "  - {name: t2, table: input, register: 4, type: u16, scale: 0.01, unit: ohm, sensor: {pt100: true}}\n"
    "  - {name: flow, table: input, register: 5, type: u16, scale: 0.001, unit: mA, "
    "sensor: {loop_low: 0 degC, loop_high: 200 degC}}\n"
    "  - {name: i_shunt, table: input, register: 6, type: i16, scale: 0.01, unit: mV, sensor: {shunt: 0.00015 ohm}}\n"
    "  - {name: flag, table: holding, register: 7, type: u16, bit: 3, bits: 2}\n";

const char sample_text_map[] = "map: words\n"
                               "protocol: text\n"
                               "line_end: lf\n"
                               "identify: {query: \"*IDN?\", reply: \"{text}\"}\n"
                               "errors: {query: \"ERR?\", none: \"0\"}\n"
                               "out_of_range: [OL, \"-OL\"]\n"
                               "listen: [{reply: \"T2={number};T3={number}\", points: [t2, t3]}]\n"
                               "points:\n"
                               "  - {name: t1, query: \"T1?\", reply: \"T1={number} degC\", unit: degC}\n"
                               "  - {name: t2, unit: degC}\n"
                               "  - {name: t3, unit: degC}\n"
                               "  - {name: u, query: \"U?\", expression: \"^U ([-+.0-9]+) V$\", unit: V}\n"
                               "  - {name: out, access: write, write: \"OUT {number}\", write_reply: OK}\n";

const char sample_unit[] =
    "serial: HQ-0147\n"
    "maker: Quillhaven\n"
    "model: T160\n"
    "protection: fitted\n"
    "ratings:\n"
    "  - {process: tig, output_control: trigger, supply: 230 V, percent_on: 40, current: 160 A, i1max: 23 A, i1eff: 15 "
    "A}\n"
    "  - {process: tig, output_control: trigger, supply: 230 V, percent_on: 60 %, current: 130 A, u2: 15.2 V}\n";

static int sample_read(void *ctx, const char *path, char **text, size_t *size, struct error *err)
{
    (void)ctx;
    const char *found = NULL;
    if (strcmp(path, "/bench/maps/bank.yaml") == 0)
        found = sample_bank_map;
    else if (strcmp(path, "/bench/maps/meter.yaml") == 0)
        found = sample_meter_map;
    else if (strcmp(path, "/bench/maps/words.yaml") == 0)
        found = sample_text_map;
    if (found == NULL)
        return error_set(err, "cannot open %s: no such file", path);
    *text = strdup(found);
    *size = strlen(found);
    return *text == NULL ? error_set(err, "out of memory") : 0;
}

const struct file_reader sample_files = {sample_read, NULL};
