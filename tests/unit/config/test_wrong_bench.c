/* Every kind of wrong configuration: reported once, at its place, with what to do about it. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "config_sample.h"
#include "suite_run.h"

static int load(const char *text, struct problems *list)
{
    struct config *c = NULL;
    int rc = config_load_text("/bench/bench.yaml", text, strlen(text), &sample_files, &c, list);
    config_free(c);
    return rc;
}

/* The load of channel A with its steps, to be another kind of load. */
#define STEPS_OF_A                                                                     \
    "load: {device: bank, command: a_steps, feedback: a_closed, watchdog_time: 5 s,\n" \
    "           steps: [{resistance: 0.16 ohm, power: 12.2 kW}, {resistance: 0.32 ohm, power: 6.1 kW}],\n"

#define REMOTE(low, high)                                                                                          \
    "    remote_setpoint: {device: bank, command: set_ohm, low_output: 0, low_current: " low ", high_output: 10, " \
    "high_current: " high "}\n"
#define STRIKE(text) "supply_trip: a_supply}", "supply_trip: a_supply, strike: " text "}"

static const struct mistake mistakes[] = {
    /* YAML that is not taken */
    {"bench: north-bay", "bench: @&name north-bay", E, "anchors", "out"},
    {"bench: north-bay", "bench: @!!str north-bay", E, "tags", "Remove"},
    {"bench: north-bay", "bench: @!shop north-bay", E, "tags", "Remove"},
    {"clock: {rate: 1}", "clock: @&c {rate: 1}", E, "anchors", "out"},
    {"clock: {rate: 1}", "clock: @!!map {rate: 1}", E, "tags", "Remove"},
    {"clock: {rate: 1}", "clock: {rate: 1}\n@clock: {rate: 1}", E, "second time; first in line 2", "Keep one"},
    {"", "@---\nbench: another\n", E, "second document", "remove"},
    {"clock: {rate: 1}", "? @[a, b]\n: 1", E, "key must be a plain word", "key: value"},
    /* keys */
    {"journal: {path: journal.db}", "journal: {path: journal.db}\n@chanels: []", E, "\"chanels\" is not known",
     "Did you mean \"channels\"?"},
    {"timeout: 300 ms", "@timout: 300 ms", E, "\"timout\" is not known", "Did you mean \"timeout\"?"},
    {"rate: 1", "@xyzzy: 1", E, "\"xyzzy\" is not known", "rate, epoch"},
    {"bench: north-bay\n", "@", E, "\"bench\" is missing", "Add bench"},
    {"{name: c1, voltage: 230 V, ", "@{name: c1, ", E, "\"voltage\" is missing", "voltage in V"},
    {"{path: journal.db}", "@{}", E, "\"path\" is missing", "Add path: path of a file"},
    /* kinds of node */
    {"clock: {rate: 1}", "clock: @7", E, "\"clock\" must not be a single value", "map"},
    {"clock: {rate: 1}", "clock: @[1]", E, "\"clock\" must not be a list", "map"},
    {"clock: {rate: 1}", "clock: {rate: @[1]}", E, "\"rate\" must not be a list", "number"},
    {"clock: {rate: 1}", "clock: {rate: @}", E, "\"rate\" has no value", "Remove the key"},
    {"clock: {rate: 1}", "clock: {rate: @~}", E, "\"rate\" has no value", "Remove the key"},
    {"rules:\n", "rules:\n  - @lead\n", E, "must be a map", "{name: value"},
    {"database: soak", "database: @\"\"", E, "the text is empty", "Remove"},
    /* numbers and units */
    {"timeout: 300 ms", "timeout: @300", E, "has no unit", "timeout: 300 ms"},
    {"timeout: 300 ms", "timeout: @300 V", E, "unit \"V\" does not fit", "timeout: 300 ms"},
    {"timeout: 300 ms", "timeout: @300 msec", E, "unit \"msec\"", "timeout: 300 ms"},
    {"timeout: 300 ms", "timeout: @300 MS", E, "unit \"MS\"", "timeout: 300 ms"},
    {"timeout: 300 ms", "timeout: @0 s", E, "out of range", "5 ms to 30 s"},
    {"timeout: 300 ms", "timeout: @-1 s", E, "out of range", "5 ms to 30 s"},
    {"timeout: 300 ms", "timeout: @1e300 s", E, "out of range", ""},
    {"rate: 1", "rate: @nan", E, "does not begin with a number", "rate: 1.5"},
    {"rate: 1", "rate: @.inf", E, "does not begin with a number", ""},
    {"rate: 1", "rate: @1e999", E, "does not begin with a number", ""},
    {"rate: 1", "rate: @1_000", E, "plain number", ""},
    {"rate: 1", "rate: @0x10", E, "plain number", ""},
    {"rate: 1", "rate: @0.45*2", E, "plain number", ""},
    {"rate: 1", "rate: @1 s", E, "without \"s\"", ""},
    {"rate: 1", "rate: @0", E, "out of range", "from 0.1 to 3600"},
    {"server: 1,", "server: @1.5,", E, "not a whole number", "digits"},
    {"server: 1,", "server: @12abc,", E, "not a whole number", "digits"},
    {"server: 1,", "server: @010,", E, "not a whole number", "leading zeros"},
    {"server: 1,", "server: @256,", E, "out of range", "0 to 255"},
    {"server: 1,", "server: @-1,", E, "out of range", "0 to 255"},
    {"server: 1,", "server: @99999999999999999999999,", E, "not a whole number", ""},
    {"voltage: 230 V", "voltage: @230", E, "has no unit", "voltage: 230 V"},
    {"percent_on: 60", "percent_on: @101", E, "out of range", "1 % to 100 %"},
    {"percent_on: 60", "percent_on: @60 A", E, "unit \"A\"", ""},
    {"database: soak}", "database: soak, batch: {bytes: @500}}", E, "not an amount of data", "2 GB"},
    {"database: soak}", "database: soak, batch: {bytes: @500 KB}}", E, "not an amount of data", "kB"},
    {"database: soak}", "database: soak, gzip: @yes}", E, "neither true nor false", "true or false"},
    {"database: soak}", "database: soak, gzip: @1}", E, "neither true nor false", "true or false"},
    {"database: soak}", "database: soak, gzip: @True}", E, "neither true nor false", "true or false"},
    {"rate: 1", "rate: 1, epoch: @2026-01-05", E, "moment in UTC", "2026-01-05T06:00:00Z"},
    {"rate: 1", "rate: 1, epoch: @2026-02-30T06:00:00Z", E, "moment in UTC", ""},
    {"due: 2027-05-31", "due: @31.05.2027", E, "not a date", "2027-05-31"},
    {"due: 2027-05-31", "due: @2027-02-29", E, "not a date", ""},
    /* names, words */
    {"bench: north-bay", "bench: @North Bay", E, "\"N\"", "lower case"},
    {"name: shop, kind", "name: @Shop, kind", E, "\"S\"", "lower case"},
    {"  - name: A\n", "  - name: @A.1\n", E, "\".\"", "letters"},
    {"bench: north-bay", "bench: @aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa", E, "too long", "47"},
    {"kind: modbus-tcp", "kind: @modbus", E, "\"modbus\" is not known", "modbus-tcp, modbus-rtu"},
    {"parity: even", "parity: @mark", E, "\"mark\" is not known", "none, even, odd"},
    {"curve: C", "curve: @X", E, "\"X\" is not known", "one letter of"},
    {"action: open", "action: @stop", E, "\"stop\" is not known", "note, flag, end, open"},
    {"  estop: {", "  @E stop: {", E, "\"E\"", "lower case"},
    /* buses */
    {"address: 127.0.0.1:1502", "address: @localhost:1502", E, "no numeric address", "127.0.0.1:502"},
    {"address: 127.0.0.1:1502", "address: @127.0.0.1", E, "no numeric address", "127.0.0.1:502"},
    {"address: 127.0.0.1:1502", "address: @127.0.0.1:70000", E, "no numeric address", "127.0.0.1:502"},
    {"{name: rack, kind: modbus-tcp, address: 127.0.0.1:1502,", "@{name: rack, kind: modbus-tcp,", E,
     "needs an address", "address:"},
    {"timeout: 300 ms", "@baud: 9600", E, "no meaning for a bus of kind modbus-tcp", "Remove"},
    {"baud: 19200", "@address: 127.0.0.1:1", E, "no meaning for a bus of kind modbus-rtu", "Remove"},
    {"port: /dev/ttyS0", "port: @ttyS0", E, "the path is needed", "/dev/"},
    {"stop_bits: 1", "data_bits: @7", E, "8 data bits", "Remove"},
    {"parity: even, stop_bits: 1", "parity: none, stop_bits: @1", H, "two stop bits", ""},
    {"port: /dev/ttyS0", "port: @/dev/ttyUSB0", H, "numbers of USB ports", "/dev/serial/by-id"},
    {"devices:\n", "  - {name: @rack, kind: in-process}\ndevices:\n", E, "already a bus \"rack\"", "a name of its own"},
    {"  - {name: words, kind: text-tcp, address: 127.0.0.1:5025}",
     "  - {name: words, kind: text-tcp, address: 127.0.0.1:5025}\n"
     "  - {name: line2, kind: modbus-rtu, port: @/dev/ttyS0}",
     E, "bus line1 has this port", "one bus"},
    /* devices and maps */
    {"bus: rack, server: 1", "bus: @rakc, server: 1", E, "no bus \"rakc\"", "Did you mean \"rack\"?"},
    {"bus: words, map", "bus: @zzzzzzz, map", E, "no bus \"zzzzzzz\"", "There are: rack, line1, words"},
    {"map: maps/words.yaml", "map: @maps/none.yaml", E, "cannot open", "relative"},
    {"map: maps/words.yaml", "map: @maps/meter.yaml", E, "the map speaks modbus, the bus words is text-tcp", ""},
    {"server: 7, ", "server: @250, ", E, "no address on a serial line", "1 to 247"},
    {"powered_from: c1", "powered_from: @c7", E, "no circuit \"c7\"", "Did you mean \"c1\"?"},
    {"poll: 1 s", "poll: 1 s, isolation: @250", E, "has no unit", ""},
    {"poll: 1 s, powered_from: c1}",
     "poll: 1 s, powered_from: c1}\n  - {name: twin, bus: line1, server: @7, map: "
     "maps/meter.yaml}",
     E, "device meter on the same bus has this address", "address of its own"},
    {"circuits:\n", "  - {name: other, bus: @words, map: maps/words.yaml}\ncircuits:\n", E,
     "talker is on this text bus", "one device"},
    {"circuits:\n", "  - {name: other, bus: rack, server: @1, map: maps/meter.yaml}\ncircuits:\n", E,
     "device bank on the same bus", "of its own"},
    {"{name: meter, bus: line1, server: 7,", "@{name: meter, bus: line1,", E, "needs its server address", "1 to 247"},
    /* circuits */
    {"voltage: 230 V", "voltage: 230 V, phases: @2", E, "1 or 3 phases", "write 1"},
    {"curve: C",
     "curve: C, points: [{multiple: 2, shortest: 8 s, longest: 60 s}, @{multiple: 1.5, shortest: 8 s, "
     "longest: 60 s}]",
     E, "do not rise", "Sort"},
    {"curve: C", "points: [@{multiple: 2, shortest: 60 s, longest: 8 s}]", E, "longer than the longest", "Swap"},
    {"breaker: {rated: 32 A, standard: iec-60898-1, curve: C}", "breaker: @{rated: 32 A}", W, "no trip can be foreseen",
     "iec-60898-1"},
    /* channels */
    {"circuit: c1\n", "circuit: @c2\n", E, "no circuit \"c2\"", "Did you mean \"c1\"?"},
    {"{cable: 50 mm2, length: 10 m, current: 285 A, percent_on: 60}", "@{cable: 50 mm2}", E, "needs its length", ""},
    {"{cable: 50 mm2, length: 10 m, current: 285 A, percent_on: 60}", "@{current: 100 A}", E, "either a cable", ""},
    {"{connector: {current: 250 A}}", "@{connector: {current: 250 A}, percent_on: 60}", E, "beside a connector",
     "braces"},
    {"load: {device: bank,", "load: {device: @bnak,", E, "no device \"bnak\"", "Did you mean \"bank\"?"},
    {"command: a_steps", "command: @a_step", E, "no point \"a_step\"", "Did you mean \"a_steps\"?"},
    {"command: a_steps", "command: @a_closed", E, "cannot be written", "access: write"},
    {"command: a_trigger", "command: @a_current", E, "cannot be written", "access: write"},
    {"supply_trip: a_supply", "supply_trip: @talker.out2", E, "no point \"out2\"", "Did you mean \"out\"?"},
    {"supply_trip: a_supply", "supply_trip: @tolker.out", E, "no device \"tolker\"", "Did you mean \"talker\"?"},
    {"load: {device: bank, command: a_steps, feedback: a_closed,", "load: @{device: bank, command: a_steps,", E,
     "needs feedback", "auxiliary contacts"},
    {"watchdog_time: 5 s", "watchdog_time: 5 s, heartbeat: @a_trigger", E, "names another point", ""},
    {"watchdog_time: 5 s", "watchdog_time: @1 ms", E, "out of range", "100 ms to 2 min"},
    {"watchdog_time: 5 s", "watchdog_time: @90 s", E, "longer than 1 min", "virtual bench"},
    {STEPS_OF_A,
     "load: {device: bank, kind: settable-resistance, command: set_ohm, feedback: a_closed, max_power: 9 kW,\n"
     "           min_resistance: 0.05 ohm, max_resistance: 9 ohm, steps: @[{resistance: 1 ohm, power: 1 kW}],\n",
     E, "has no steps", "kind"},
    {STEPS_OF_A,
     "load: @{device: bank, kind: settable-resistance, command: set_ohm, feedback: a_closed,\n"
     "           min_resistance: 0.05 ohm, max_resistance: 9 ohm,\n",
     E, "power that the load takes is missing", "rating plate"},
    {STEPS_OF_A,
     "load: @{device: bank, kind: settable-resistance, command: set_ohm, max_power: 9 kW,\n"
     "           min_resistance: 0.05 ohm, max_resistance: 9 ohm,\n",
     E, "needs feedback", "whether the load has opened"},
    {STEPS_OF_A,
     "load: {device: bank, kind: settable-resistance, command: @a_steps, feedback: a_closed, max_power: 9 kW,\n"
     "           min_resistance: 0.05 ohm, max_resistance: 9 ohm,\n",
     E, "is set in ohm, but the point \"a_steps\" takes plain numbers", "add unit:"},
    /* remote controls */
    {"    trigger: {device: bank, command: a_trigger}\n", REMOTE("5 A", "@5 A"), E, "is not above low_current", "Swap"},
    {"    trigger: {device: bank, command: a_trigger}\n",
     "    remote_setpoint: {device: bank, command: set_ohm, low_output: 2, low_current: 5 A, high_output: @2, "
     "high_current: 9 A}\n",
     E, "both outputs are the same", "0 and 10"},
    {"    trigger: {device: bank, command: a_trigger}\n", "    remote_setpoint: @true\n", E,
     "must not be a single value", "map"},
    /* times and levels */
    {"rules:\n", "limits: {times: {element_fault: @700 s}}\nrules:\n", E, "out of range", "500 ms to 10 min"},
    {"rules:\n", "limits: {levels: {element_low: @100 %}}\nrules:\n", E, "out of range", "50 % to 99 %"},
    {"rules:\n", "limits: {times: {probe_hold: @6 s, probe_every: 5 s}}\nrules:\n", E, "not shorter than probe_every",
     "shortly"},
    {"rules:\n", "limits: {levels: {lead_end: @20 W}}\nrules:\n", E, "lead_end is not above", "First tell"},
    /* strikes */
    {STRIKE("@{attempts: 2}"), E, "without a low and a high moment is none", "Add low"},
    {STRIKE("{low: @{for: 1 s}}"), E, "either a resistance or steps", "Write"},
    {STRIKE("{low: @{resistance: 0.12 ohm, steps: [1], for: 1 s}}"), E, "either a resistance or steps", "Write"},
    {STRIKE("{low: {resistance: @0.05 ohm, for: 1 s}}"), E, "all steps together with the leads make 0.1067 ohm", "Ask"},
    {STRIKE("{high: {resistance: @2 ohm, for: 1 s}}"), E, "no step has more than 0.32 ohm", "Ask"},
    {STRIKE("{low: {steps: [@3], for: 1 s}}"), E, "no step of the load", "Number the steps"},
    {STRIKE("{low: {steps: [1, @1], for: 1 s}}"), E, "named twice", "Number the steps"},
    {STRIKE("{low: {steps: @[1], for: 1 s}, high: {steps: [2], for: 1 s}, start_current: 99 A}"), E,
     "do not hold those of high", "Add the steps"},
    {STRIKE("@{low: {resistance: 0.3 ohm, for: 1 s}, high: {resistance: 0.2 ohm, for: 1 s}, start_current: 99 A}"), E,
     "low is not below high", "Swap"},
    {STRIKE("@{high: {resistance: 0.3 ohm, for: 1 s}}"), E, "20 A through 0.3 ohm gives 6.0 V, below 12 V",
     "higher resistance"},
    {STRIKE("{low: {resistance: 0.12 ohm, for: @9 s}}"), E, "out of range", "50 ms to 5 s"},
    {"breaks_dc: 60 V, breaks_current: 300 A, supply_trip: a_supply}",
     "supply_trip: a_supply, strike: @{low: {resistance: 0.12 ohm, for: 1 s}}}", E, "opens steps while current flows",
     "change: released"},
    {STRIKE("@{low: {resistance: 0.12 ohm, for: 1 s}, attempts: 9, rest: 20 s}"), W, "is struck for 234 s", "Fewer"},
    {STRIKE("@{low: {resistance: 0.12 ohm, for: 60 ms}}"), W, "shorter than a poll", "longer"},
    {"      i2: {device", "      @i9: {device", E, "channel A has no signal i2", "Add i2"},
    {"i2: {device: bank", "feedback: @{device: bank, point: a_closed}\n      i2: {device: bank", E,
     "feedback is named in load", ""},
    {"point: a_current", "point: @a_curent", E, "no point \"a_curent\"", "Did you mean \"a_current\"?"},
    {"point: a_current", "point: @a_voltage", E, "i2 is measured in A, but the point \"a_voltage\" gives V", ""},
    {"point: estop", "point: @t_bank", E, "estop is measured in plain numbers", ""},
    {"{device: meter, point: voltage", "{device: @metre, point: voltage", E, "no device \"metre\"",
     "Did you mean \"meter\"?"},
    {"range: 400 A", "range: @400 V", E, "unit \"V\"", "unit of the signal"},
    {"offset: 0.2 A", "offset: @0.2", E, "has no unit", "unit of the signal"},
    {"uncertainty: {of_reading: 0.5 %, of_range: 0.1 %, range: 400 A}",
     "uncertainty: @{of_reading: 0.5 %, of_range: 0.1 %}", E, "without the range", "Add range"},
    {"of_reading: 0.5 %, kind", "of_reading: @0.5, kind", E, "has no unit", "of_reading: 0.5 %"},
    /* rules */
    {"signal: t_lead", "signal: @t_lad", E, "no signal \"t_lad\"", "Did you mean \"t_lead\"?"},
    {"above: 80 degC", "above: @80 V", E, "unit \"V\"", "unit of the rule's signal"},
    {"{name: lead hot, signal: t_lead, above: 80 degC,", "@{name: lead hot, signal: t_lead,", E, "exactly one of", ""},
    {"above: 80 degC", "outside: {low: 90 degC, high: @20 degC}", E, "low is not below high", "Swap"},
    {"signal: t_lead, above: 80 degC", "signal: u2, rising: @5 K/h", E, "only temperatures", "above"},
    {"action: open", "action: open, channels: [A, @B]", E, "no such channel", "channels"},
    {"action: open", "action: open, while: @running", E, "not known", "on-load"},
    /* stores and people */
    {"database: soak}", "database: soak, @password: hunter2}", E, "\"password\" is not known", "password_file"},
    {"database: soak}", "database: soak, @token: abc}", E, "\"token\" is not known", "token_file"},
    {"url: \"http://127.0.0.1:8086\"", "url: @\"http://joe:pw@127.0.0.1:8086\"", E, "user or password",
     "password_file"},
    {"url: \"http://127.0.0.1:8086\"", "url: @\"127.0.0.1:8086\"", E, "no URL", "http://127.0.0.1:8086"},
    {"{name: shop, kind: influxdb-v1, url: \"http://127.0.0.1:8086\", database: soak}",
     "@{name: shop, kind: influxdb-v1, url: \"http://127.0.0.1:8086\"}", E, "needs a database", "database:"},
    {"{name: shop, kind: influxdb-v1, url: \"http://127.0.0.1:8086\", database: soak}",
     "@{name: shop, kind: influxdb-v1, url: \"http://127.0.0.1:8086\", database: soak, password_file: pw}", E,
     "no user", "user:"},
    {"{name: shop, kind: influxdb-v1, url: \"http://127.0.0.1:8086\", database: soak}",
     "@{name: shop, kind: influxdb-v2, url: \"http://127.0.0.1:8086\", bucket: b, org: o}", E, "needs a token",
     "token_file:"},
    {"url: \"smtp://127.0.0.1:25\"", "url: @\"http://127.0.0.1:25\"", E, "no URL", "smtp://"},
    {"to: bench@example.org", "to: @bench", E, "no mail address", "name@host"},
    {"http: 127.0.0.1:8460", "http: @8460", E, "no numeric address", "127.0.0.1:8460"},
    {"http: 127.0.0.1:8460", "http: @0.0.0.0:8460", W, "open to the network", "https"},
    /* limits */
    {"", "limits: {beat: 1 s, lease: @1 s}\n", E, "shorter than two beats", "twice"},
    {"", "limits: {lease: @31 s}\n", E, "longer than 30 s", "virtual bench"},
    {"", "limits: {stale: @{safety: 61 s}}\n", E, "longer than 1 min", "virtual bench"},
    {"", "limits: {journal_refuse: @9 s}\n", E, "do not rise", "First warn"},
    {"", "limits: {supply_open: @4 %}\n", E, "not wider than supply_void", "15 %"},
    {"", "limits: {altitude: @100}\n", E, "has no unit", "120 m"},
    {"", "limits: {stale: {safety: @3 min}}\n", E, "out of range", "2 min"},
    /* the clock */
    {"clock: {rate: 1}", "clock: @{rate: 60}", E, "no epoch", "2026-01-05T06:00:00Z"},
    /* what can be foreseen */
    {"{resistance: 0.16 ohm, power: 12.2 kW}", "@{resistance: 0.16 ohm, power: 6 kW}", W,
     "step 1 (0.16 ohm) takes 12.1 kW at 44 V, but is rated for 6 kW", "highest_u2"},
    {"u2: {device: bank, point: a_voltage, uncertainty: {of_reading: 0.5 %, kind: expanded, k: 2}}",
     "u2: {device: @bank, point: a_voltage}", W, "no uncertainty", "certificate"},
    {"      i2: {device: bank", "      @u1_a: {device: meter, point: voltage}\n      i2: {device: bank", W,
     "1 of the three phases", "u1_b"},
    {"u1: {device: meter, point: voltage, refresh: 500 ms}", "u1: @{device: meter, point: voltage, refresh: 20 s}", W,
     "counts as lost after 30 s, but there is a new value only each 20 s", "stale_after"},
    {"watchdog_time: 5 s", "watchdog_time: @1.5 s", W, "shorter than two beats", "twice"},
    {"baud: 19200", "baud: @300", W, "busy for", "baud rate"},
    {"", "unattended: {allowed: @true, ups: true, beacon: true}\n", W, "nobody outside notices", "heartbeat"},
};

START_TEST(each_mistake_is_reported_at_its_place)
{
    mistake_check(sample_bench, &mistakes[_i], load);
}
END_TEST

START_TEST(the_sample_itself_is_good)
{
    struct problems list = {0};
    int rc = load(sample_bench, &list);
    if (rc != 0 || list.count != 0)
        problems_show(&list);
    ck_assert_int_eq(rc, 0);
    ck_assert_int_eq(list.count, 0);
    problems_free(&list);
}
END_TEST

START_TEST(all_mistakes_of_a_file_are_reported_at_once)
{
    static const char text[] =
        "bench: North\n"
        "clock: {rate: fast}\n"
        "jurnal: {path: x}\n"
        "buses:\n"
        "  - {name: rack, kind: modbus-tcp, address: here, timeout: 3}\n"
        "devices:\n"
        "  - {name: bank, bus: rakc, server: 1, map: maps/bank.yaml}\n"
        "channels:\n"
        "  - {name: A, load: {device: bank, command: a_step}, signals: {i2: {device: bank, point: i}}}\n";
    static const int places[][2] = {{1, 1},  {1, 8},  {2, 15}, {3, 1},  {5, 60},
                                    {7, 23}, {9, 21}, {9, 45}, {9, 63}, {9, 90}};
    struct problems list = {0};
    ck_assert_int_eq(load(text, &list), -1);
    for (size_t i = 0; i < sizeof places / sizeof places[0]; i++) {
        if (problem_at(&list, PROBLEM_ERROR, places[i][0], places[i][1]) == NULL) {
            problems_show(&list);
            ck_abort_msg("nothing is reported at %d:%d", places[i][0], places[i][1]);
        }
    }
    for (int i = 1; i < list.count; i++)
        ck_assert_int_ge(list.items[i].line * 1000 + list.items[i].column,
                         list.items[i - 1].line * 1000 + list.items[i - 1].column);
    problems_free(&list);
}
END_TEST

START_TEST(paths_name_the_place_in_the_structure)
{
    struct problems list = {0};
    const struct mistake m = {"{resistance: 0.32 ohm, power: 6.1 kW}", "{resistance: 0.32 ohm, power: @6100}", E, "",
                              ""};
    int line;
    int column;
    char *text = mistake_text(sample_bench, &m, &line, &column);
    ck_assert_int_eq(load(text, &list), -1);
    ck_assert_str_eq(list.items[0].path, "channels[A].load.steps[2].power");
    char printed[1024];
    problem_print(printed, sizeof printed, &list.items[0]);
    char expected[128];
    (void)snprintf(expected, sizeof expected, "/bench/bench.yaml:%d:%d: error: channels[A].load.steps[2].power:", line,
                   column);
    ck_assert_ptr_nonnull(strstr(printed, expected));
    problems_free(&list);
    free(text);
}
END_TEST

START_TEST(empty_files_say_so)
{
    static const char *const texts[] = {"", "   \n", "# a comment only\n", "---\n", "---\n...\n"};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        struct problems list = {0};
        ck_assert_int_eq(load(texts[i], &list), -1);
        ck_assert_int_eq(list.count, 1);
        ck_assert_str_eq(list.items[0].text, "the file is empty");
        problems_free(&list);
    }
}
END_TEST

START_TEST(what_is_no_yaml_is_refused)
{
    static const char *const texts[] = {"bench: [a",     "bench: \"a",           "bench: {a: 1",   "a: b: c",
                                        "bench:\n\t- a", "- a\n- b\n",           "just words",     "\xff\xfe",
                                        "bench: a\nb",   "%YAML 9.9\n---\na: 1", "bench: \"\\q\"", "key: *nobody"};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        struct problems list = {0};
        ck_assert_msg(load(texts[i], &list) == -1, "\"%s\" was taken", texts[i]);
        ck_assert_int_ge(list.errors, 1);
        problems_free(&list);
    }
}
END_TEST

START_TEST(an_alias_is_refused_with_its_place)
{
    struct problems list = {0};
    ck_assert_int_eq(load("bench: &n x\njournal: *n\n", &list), -1);
    ck_assert_ptr_nonnull(problem_at(&list, PROBLEM_ERROR, 1, 8));
    ck_assert_ptr_nonnull(problem_at(&list, PROBLEM_ERROR, 2, 10));
    problems_free(&list);
}
END_TEST

START_TEST(a_line_that_cannot_carry_its_timetable_is_refused)
{
    const struct mistake m = {"baud: 19200, parity: even, stop_bits: 1}\n", "baud: @300}\n", E, "", ""};
    const struct mistake fast = {"poll: 1 s, powered", "@poll: 500 ms, powered", E, "", ""};
    struct problems list = {0};
    int place[4];
    char *slow = mistake_text(sample_bench, &m, &place[0], &place[1]);
    char *text = mistake_text(slow, &fast, &place[2], &place[3]);
    ck_assert_int_eq(load(text, &list), -1);
    const struct problem *p = problem_at(&list, PROBLEM_ERROR, place[0], place[1]);
    ck_assert_ptr_nonnull(p);
    ck_assert_ptr_nonnull(strstr(p->text, "cannot carry its timetable"));
    problems_free(&list);
    free(text);
    free(slow);
}
END_TEST

START_TEST(a_file_that_is_not_there_is_one_problem)
{
    struct problems list = {0};
    struct config *c = NULL;
    ck_assert_int_eq(config_load("/nowhere/bench.yaml", &c, &list), -1);
    ck_assert_int_eq(list.count, 1);
    ck_assert_ptr_nonnull(strstr(list.items[0].text, "cannot open /nowhere/bench.yaml"));
    problems_free(&list);
}
END_TEST

START_TEST(very_many_problems_are_counted_and_bounded)
{
    enum { LINES = 1000 };
    struct problems list = {0};
    char *text = malloc(LINES * 16);
    size_t used = 0;
    ck_assert_ptr_nonnull(text);
    for (int i = 0; i < LINES; i++)
        used += (size_t)sprintf(text + used, "zz%d: 1\n", i);
    ck_assert_int_eq(load(text, &list), -1);
    ck_assert_int_ge(list.errors, LINES);
    ck_assert_int_eq(list.count, PROBLEMS_MAX);
    problems_free(&list);
    free(text);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("wrong configurations");
    TCase *t = tcase_create("bench");
    tcase_set_timeout(t, 60);
    tcase_add_loop_test(t, each_mistake_is_reported_at_its_place, 0, (int)(sizeof mistakes / sizeof mistakes[0]));
    tcase_add_test(t, the_sample_itself_is_good);
    tcase_add_test(t, all_mistakes_of_a_file_are_reported_at_once);
    tcase_add_test(t, paths_name_the_place_in_the_structure);
    tcase_add_test(t, empty_files_say_so);
    tcase_add_test(t, what_is_no_yaml_is_refused);
    tcase_add_test(t, an_alias_is_refused_with_its_place);
    tcase_add_test(t, a_line_that_cannot_carry_its_timetable_is_refused);
    tcase_add_test(t, a_file_that_is_not_there_is_one_problem);
    tcase_add_test(t, very_many_problems_are_counted_and_bounded);
    suite_add_tcase(s, t);
    return suite_run(s);
}
