/* Tables of device maps. */
#include <math.h>

#include "choices.h"
#include "raw.h"

static const struct field sensor_fields[] = {
    {"thermocouple", FIELD_LETTER, AT(struct raw_sensor, thermocouple), .letters = "KJTNERSB",
     .help = "Type letter; the point is a voltage. Converted by the reference functions of ITS-90."},
    {"cold_junction", FIELD_NAME, AT(struct raw_sensor, cold_junction),
     .help = "Point of the same device that gives the temperature of the terminals."},
    {"pt100", FIELD_BOOL, AT(struct raw_sensor, pt100), .fallback = "false",
     .help = "Platinum resistor, 100 ohm at 0 degC, by IEC 60751; the point is a resistance."},
    {"pt1000", FIELD_BOOL, AT(struct raw_sensor, pt1000), .fallback = "false", .help = "The same with 1000 ohm."},
    {"loop_low", FIELD_DEFERRED, AT(struct raw_sensor, loop_low),
     .help = "Current loop: value at 4 mA, with its unit; the point is a current."},
    {"loop_high", FIELD_DEFERRED, AT(struct raw_sensor, loop_high), .help = "Value at 20 mA."},
    {"shunt", FIELD_QUANTITY, AT(struct raw_sensor, shunt_ohm), .dim = DIM_RESISTANCE, RANGE(1e-7, 1),
     .flags = OPTIONAL, .help = "Resistance of a shunt; the point is a voltage, the value a current."},
};

static void check_sensor(void *base, const struct node *node, struct problems *problems)
{
    const struct raw_sensor *s = base;
    bool loop = s->loop_low[0] != '\0' || s->loop_high[0] != '\0';
    int kinds = (s->thermocouple != '\0') + s->pt100 + s->pt1000 + loop + !isnan(s->shunt_ohm);
    if (kinds != 1)
        node_problem(problems, node, PROBLEM_ERROR,
                     "a sensor is exactly one of thermocouple, pt100, pt1000, loop and shunt",
                     "Write it like this: {thermocouple: K, cold_junction: t_cj} or {pt100: true}.");
    else if (loop && (s->loop_low[0] == '\0' || s->loop_high[0] == '\0'))
        node_problem(problems, node, PROBLEM_ERROR, "a loop needs loop_low and loop_high", "Add the missing one.");
    else if ((s->thermocouple != '\0') != (s->cold_junction[0] != '\0'))
        node_problem(problems, node, PROBLEM_ERROR, "a thermocouple and its cold_junction belong together",
                     "Add cold_junction: and the point that reads the temperature of the terminals.");
}

static const struct object sensor_object = {
    .title = "sensor",
    .intro = "What hangs on the input, when the device gives the raw electrical value.",
    .size = sizeof(struct raw_sensor),
    FIELDS(sensor_fields),
    .check = check_sensor,
};

static const struct field point_fields[] = {
    {"name", FIELD_NAME, AT(struct raw_point, name), .flags = NEEDED, .help = "Name that benches refer to."},
    {"note", FIELD_TEXT, AT(struct raw_point, note), .help = "For people."},
    {"access", FIELD_CHOICE, AT(struct raw_point, access), .choices = &choice_accesses, .fallback = "read",
     .help = "read: polled; write: written, never polled; block: the first of many samples (modbus: register of the "
             "first; text: a query whose reply is a list of numbers with commas), read by a capture only."},
    {"table", FIELD_CHOICE, AT(struct raw_point, table), .flags = OPTIONAL, .choices = &choice_tables,
     .help = "modbus: needed."},
    {"register", FIELD_INT, AT(struct raw_point, register_), RANGE(0, 65535), .flags = OPTIONAL,
     .help =
         "modbus: needed; counts from 0, as on the wire. Manuals that count from 1, 30001 or 40001 are one too high."},
    {"type", FIELD_CHOICE, AT(struct raw_point, type), .flags = OPTIONAL, .choices = &choice_value_types,
     .help = "modbus: needed for registers; coil and discrete are bit."},
    {"order", FIELD_CHOICE, AT(struct raw_point, order), .flags = OPTIONAL, .choices = &choice_word_orders,
     .help = "Order of bytes. Without it: the map's."},
    {"bit", FIELD_INT, AT(struct raw_point, bit), RANGE(0, 63), .flags = OPTIONAL,
     .help = "Lowest bit of a field inside the register."},
    {"bits", FIELD_INT, AT(struct raw_point, bits), RANGE(1, 64), .flags = OPTIONAL,
     .help = "Width of that field. Without it: 1 when bit is given, else the whole register. Of a coil or discrete "
             "input: a mask of so many neighbours, bit i is register + i."},
    {"scale", FIELD_NUMBER, AT(struct raw_point, point.scale), .fallback = "1",
     .help = "Value = raw * scale + offset."},
    {"offset", FIELD_NUMBER, AT(struct raw_point, point.offset), .fallback = "0", .help = "In the point's unit."},
    {"unit", FIELD_TEXT, AT(struct raw_point, point.unit),
     .help = "Unit of the value, such as V, mV, A, W, degC, ohm. Without it: a plain number."},
    {"min", FIELD_NUMBER, AT(struct raw_point, min), .flags = OPTIONAL,
     .help = "Values below are out of range; in the point's unit."},
    {"max", FIELD_NUMBER, AT(struct raw_point, max), .flags = OPTIONAL, .help = "Values above are out of range."},
    {"invalid", FIELD_RAW_LIST, AT(struct raw_point, invalid), .max_items = INVALID_MAX,
     .help = "Raw values that mean that there is no value."},
    {"sensor", FIELD_OBJECT, AT(struct raw_point, sensor), .flags = HIDDEN, .object = &sensor_object,
     .help = "What hangs on the input."},
    {"latch", FIELD_CHOICE, AT(struct raw_point, latch), .choices = &choice_latches, .fallback = "none",
     .help =
         "Of a latched peak. none: it lets go by itself after some seconds; write: it stays until `reset` is written; "
         "read: each reading clears it (a probe leaves it alone)."},
    {"reset", FIELD_NAME, AT(struct raw_point, reset), .help = "latch: write: point that is written to let it go ..."},
    {"reset_value", FIELD_NUMBER, AT(struct raw_point, reset_value), .fallback = "1", .help = "... and the value."},
    {"query", FIELD_TEXT, AT(struct raw_point, point.query),
     .help = "text: what is sent to ask for it. Of a block, {first} and {count} in it ask for a part, counted from 0; "
             "without them the whole list comes in one reply."},
    {"reply", FIELD_TEXT, AT(struct raw_point, reply),
     .help = "text: the answer, literally, with {number} where the number stands."},
    {"expression", FIELD_TEXT, AT(struct raw_point, expression),
     .help = "text: instead of reply, an extended POSIX expression whose only group is the number; no back-references, "
             "no repeated groups, no counts above 32."},
    {"write", FIELD_TEXT, AT(struct raw_point, point.write), .help = "text: what is sent to write it, with {number}."},
    {"write_reply", FIELD_TEXT, AT(struct raw_point, point.write_reply),
     .help = "text: the answer to a write. Without it: none is awaited."},
};

static const struct object point_object = {
    .title = "points",
    .intro = "One value that a device has.",
    .size = sizeof(struct raw_point),
    FIELDS(point_fields),
};

static const struct field keep_out_fields[] = {
    {"table", FIELD_CHOICE, AT(struct raw_keep_out, table), .flags = NEEDED, .choices = &choice_tables,
     .help = "Table."},
    {"first", FIELD_INT, AT(struct raw_keep_out, first), RANGE(0, 65535), .flags = NEEDED, .help = "First register."},
    {"last", FIELD_INT, AT(struct raw_keep_out, last), RANGE(0, 65535), .flags = NEEDED, .help = "Last register."},
};

static void check_keep_out(void *base, const struct node *node, struct problems *problems)
{
    const struct raw_keep_out *k = base;
    if (k->first > k->last)
        node_problem(problems, node, PROBLEM_ERROR, "first lies behind last", "Swap them.");
}

static const struct object keep_out_object = {
    .title = "keep_out",
    .intro = "Registers that no request may touch, because the device answers badly or acts on being read.",
    .size = sizeof(struct raw_keep_out),
    FIELDS(keep_out_fields),
    .check = check_keep_out,
};

static const struct field identity_fields[] = {
    {"point", FIELD_NAME, AT(struct raw_point_value, point), .flags = NEEDED, .help = "Point that is read."},
    {"equals", FIELD_NUMBER, AT(struct raw_point_value, value), .flags = NEEDED,
     .help = "Value that it must have, after scale and offset."},
};

static const struct object identity_object = {
    .title = "identity",
    .intro = "What must be read, and be equal, before the device is trusted.",
    .size = sizeof(struct raw_point_value),
    FIELDS(identity_fields),
};

static const struct field drop_fields[] = {
    {"point", FIELD_NAME, AT(struct raw_point_value, point), .flags = NEEDED, .help = "Point that is written."},
    {"value", FIELD_NUMBER, AT(struct raw_point_value, value), .fallback = "0",
     .help = "Value that opens every step of every channel."},
};

static const struct object drop_object = {
    .title = "drop_all",
    .intro = "How one write opens the whole bank.",
    .size = sizeof(struct raw_point_value),
    FIELDS(drop_fields),
};

static const struct field beat_fields[] = {
    {"point", FIELD_NAME, AT(struct raw_beat, point), .flags = NEEDED, .help = "Point that is written."},
    {"kind", FIELD_CHOICE, AT(struct raw_beat, kind), .choices = &choice_beat_kinds, .fallback = "counter",
     .help = "counter: one more each time; toggle: 0 and 1 in turn."},
};

static const struct object beat_object = {
    .title = "beat",
    .intro = "The heartbeat; its value changes every time.",
    .size = sizeof(struct raw_beat),
    FIELDS(beat_fields),
};

static const struct field listen_fields[] = {
    {"reply", FIELD_TEXT, AT(struct raw_listening, reply), .flags = NEEDED,
     .help = "The line, with {number} for each number."},
    {"points", FIELD_WORDS, AT(struct raw_listening, points), .flags = NEEDED, .max_items = 16,
     .help = "The points that these numbers belong to."},
};

static const struct object listening_object = {
    .title = "listen (of a map)",
    .intro = "A line that the device sends by itself.",
    .size = sizeof(struct raw_listening),
    FIELDS(listen_fields),
};

static const struct field identify_fields[] = {
    {"query", FIELD_TEXT, AT(struct raw_exchange, query), .flags = NEEDED, .help = "What is sent."},
    {"reply", FIELD_TEXT, AT(struct raw_exchange, reply), .flags = NEEDED,
     .help = "What the answer must be like; {text} stands for anything."},
};

static const struct object identify_object = {
    .title = "identify",
    .intro = "How a text device says who it is.",
    .size = sizeof(struct raw_exchange),
    FIELDS(identify_fields),
};

static const struct field errors_fields[] = {
    {"query", FIELD_TEXT, AT(struct raw_exchange, query), .flags = NEEDED,
     .help = "What is sent to read the error queue."},
    {"none", FIELD_TEXT, AT(struct raw_exchange, reply), .flags = NEEDED, .help = "The answer when there is no error."},
};

static const struct object errors_object = {
    .title = "errors",
    .intro = "The error queue of a text device.",
    .size = sizeof(struct raw_exchange),
    FIELDS(errors_fields),
};

static const struct field order_fields[] = {
    {"point", FIELD_NAME, AT(struct raw_point_value, point), .flags = NEEDED, .help = "Point that is written."},
    {"value", FIELD_NUMBER, AT(struct raw_point_value, value), .fallback = "1", .help = "What is written to it."},
};

static const struct object order_object = {
    .title = "arm, trigger",
    .intro = "A write that tells the buffer what to do.",
    .size = sizeof(struct raw_point_value),
    FIELDS(order_fields),
};

enum { SAMPLES_MAX = CAPTURE_VALUES_MAX / CAPTURE_SIGNALS }; /* of each signal */

static const struct field capture_fields[] = {
    {"name", FIELD_NAME, AT(struct raw_capture, name), .flags = NEEDED, .help = "Name that a channel refers to."},
    {"arm", FIELD_OBJECT, AT(struct raw_capture, arm), .flags = NEEDED, .object = &order_object,
     .help = "Written before each on-load part: begin to sample and wait for the event."},
    {"trigger", FIELD_OBJECT, AT(struct raw_capture, trigger), .flags = HIDDEN, .object = &order_object,
     .help = "Written as soon as the current is seen to be gone: this was the event. Without it: the device sees it by "
             "itself, on the fall of the current, as set on the device."},
    {"state", FIELD_NAME, AT(struct raw_capture, state), .flags = NEEDED, .help = "Point that tells how far it is."},
    {"armed", FIELD_NUMBER, AT(struct raw_capture, armed), .fallback = "1",
     .help = "Its value while it waits for the event."},
    {"filling", FIELD_NUMBER, AT(struct raw_capture, filling), .flags = OPTIONAL,
     .help = "Its value from the event until the buffer is whole, where the device tells them apart."},
    {"ready", FIELD_NUMBER, AT(struct raw_capture, ready), .fallback = "2",
     .help = "Its value once the buffer is whole."},
    {"interval", FIELD_DURATION, AT(struct raw_capture, interval_ns), RANGE(1e-5, 0.2), .flags = ZERO,
     .help = "Time between two samples. This or interval_point."},
    {"interval_point", FIELD_NAME, AT(struct raw_capture, interval_point), .help = "Point that tells it, a time."},
    {"count", FIELD_INT, AT(struct raw_capture, count), RANGE(0, SAMPLES_MAX), .fallback = "0",
     .help = "Samples of each signal. This or count_point; a point may tell no more either."},
    {"count_point", FIELD_NAME, AT(struct raw_capture, count_point), .help = "Point that tells it."},
    {"before", FIELD_PERCENT, AT(struct raw_capture, before_pct), RANGE(0, 100), .fallback = "50",
     .help = "Share of the buffer that lies before the event."},
    {"age", FIELD_NAME, AT(struct raw_capture, age),
     .help =
         "Point with the time since the event: gives the samples their time. Without it the time is known as well as "
         "the state was looked at, each second."},
    {"number", FIELD_NAME, AT(struct raw_capture, number),
     .help = "Point that changes with every capture: tells a buffer that began anew while it was read."},
    {"u2", FIELD_NAME, AT(struct raw_capture, samples[CAPTURED_U2]),
     .help = "Block point with samples of the voltage."},
    {"i2", FIELD_NAME, AT(struct raw_capture, samples[CAPTURED_I2]),
     .help = "Block point with samples of the current."},
};

static void check_capture(void *base, const struct node *node, struct problems *problems)
{
    const struct raw_capture *c = base;
    if (c->samples[CAPTURED_U2][0] == '\0' && c->samples[CAPTURED_I2][0] == '\0')
        node_problem(problems, node, PROBLEM_ERROR, "a capture without u2 and i2 shows nothing",
                     "Add u2: and i2: with the block points that hold their samples.");
    if ((c->interval_ns > 0) == (c->interval_point[0] != '\0'))
        node_problem(problems, node, PROBLEM_ERROR, "the time between samples is needed, once",
                     "Write interval: 10 ms, or interval_point: and the point that tells it.");
    if ((c->count > 0) == (c->count_point[0] != '\0'))
        node_problem(problems, node, PROBLEM_ERROR, "the number of samples is needed, once",
                     "Write count: 400, or count_point: and the point that tells it.");
    if (c->armed == c->ready || c->filling == c->armed || c->filling == c->ready)
        at_problem(problems, &c->at, "ready", PROBLEM_ERROR, "armed, filling and ready must differ",
                   "Look up the values of the state in the device's manual.");
}

static const struct object capture_object = {
    .title = "captures",
    .intro =
        "A buffer of fast samples that the device keeps around an event. The daemon arms it before each on-load part "
        "and reads it after a shutoff, in the gaps of the timetable: which of voltage and current went first tells "
        "a burnt lead or a short from a cut-out.",
    .size = sizeof(struct raw_capture),
    FIELDS(capture_fields),
    .check = check_capture,
};

static const struct field map_fields[] = {
    {"map", FIELD_NAME, AT(struct raw_map, map.name), .flags = NEEDED, .help = "Name of the map."},
    {"note", FIELD_TEXT, AT(struct raw_map, note),
     .help = "For people: which manual, which edition, which settings of the device."},
    {"protocol", FIELD_CHOICE, AT(struct raw_map, protocol), .choices = &choice_protocols, .fallback = "modbus",
     .help = "modbus or text."},
    {"order", FIELD_CHOICE, AT(struct raw_map, order), .choices = &choice_word_orders, .fallback = "abcd",
     .help = "Order of the bytes of 32 and 64 bits: abcd is big endian throughout, cdab has the low word first."},
    {"max_block", FIELD_INT, AT(struct raw_map, map.max_block), RANGE(1, 125), .fallback = "125",
     .help = "Registers in one request at most."},
    {"max_block_bits", FIELD_INT, AT(struct raw_map, map.max_block_bits), RANGE(1, 2000), .fallback = "2000",
     .help = "Coils or discrete inputs in one request at most."},
    {"max_gap", FIELD_INT, AT(struct raw_map, map.max_gap), RANGE(0, 124), .fallback = "0",
     .help = "Registers without a point that a request may bridge. 0: many devices refuse to read registers that they "
             "do not have."},
    {"turnaround", FIELD_DURATION, AT(struct raw_map, map.turnaround_ns), RANGE(0, 5), .flags = ZERO,
     .help = "Silence that the device needs before the next request."},
    {"answer", FIELD_DURATION, AT(struct raw_map, map.answer_ns), RANGE(0.005, 30), .flags = ZERO,
     .help = "Its longest answer time. Without it: the bus's timeout."},
    {"keep_out", FIELD_LIST, AT(struct raw_map, keep_out), .object = &keep_out_object, .max_items = KEEP_OUT_MAX,
     .help = "Registers to leave alone."},
    {"points", FIELD_LIST, AT(struct raw_map, points), .flags = NEEDED, .object = &point_object,
     .max_items = POINTS_MAX, .help = "The values."},
    {"identity", FIELD_LIST, AT(struct raw_map, identity), .object = &identity_object, .max_items = 8,
     .help = "What must be read before the device is trusted."},
    {"captures", FIELD_LIST, AT(struct raw_map, captures), .object = &capture_object, .max_items = CAPTURES_MAX,
     .help = "Buffers of fast samples."},
    {"virtual", FIELD_NAME, AT(struct raw_map, virtual_point), .help = "Point that is 1 when the device is virtual."},
    {"rate", FIELD_NAME, AT(struct raw_map, rate), .help = "Point with the rate of a virtual device's clock."},
    {"epoch", FIELD_NAME, AT(struct raw_map, epoch),
     .help = "Point with the epoch of that clock, in seconds since 1970 UTC."},
    {"power_up", FIELD_NAME, AT(struct raw_map, power_up),
     .help = "Point that tells a restart of the device. Load controllers: without it the proof of the watchdog is void "
             "whenever the link was lost, and at each start of the daemon."},
    {"power_up_kind", FIELD_CHOICE, AT(struct raw_map, power_up_kind), .choices = &choice_power_up_kinds,
     .fallback = "count",
     .help = "What that point is: a count of starts, or the time since the last. Where the map has a writable point "
             "power_up_clear it is a mark that stays until that is written 0."},
    {"drop_all", FIELD_OBJECT, AT(struct raw_map, drop_all), .flags = HIDDEN, .object = &drop_object,
     .help = "Load controllers: opens everything."},
    {"beat", FIELD_OBJECT, AT(struct raw_map, beat), .flags = HIDDEN, .object = &beat_object,
     .help = "Load controllers: the heartbeat."},
    {"watchdog", FIELD_NAME, AT(struct raw_map, watchdog),
     .help = "Load controllers: point with the watchdog's limit, in s."},
    {"safe", FIELD_NUMBER, AT(struct raw_map, map.safe_value), .fallback = "0",
     .help = "Load controllers: value of a steps point with every step open."},
    {"line_end", FIELD_CHOICE, AT(struct raw_map, line_end), .choices = &choice_line_ends, .fallback = "crlf",
     .help = "text: end of a line."},
    {"echo", FIELD_BOOL, AT(struct raw_map, map.echo), .fallback = "false",
     .help = "text: the device sends back what it gets."},
    {"identify", FIELD_OBJECT, AT(struct raw_map, identify), .flags = HIDDEN, .object = &identify_object,
     .help = "text: who it is."},
    {"errors", FIELD_OBJECT, AT(struct raw_map, errors), .flags = HIDDEN, .object = &errors_object,
     .help = "text: its error queue."},
    {"out_of_range", FIELD_WORDS, AT(struct raw_map, out_of_range), .max_items = 4,
     .help = "text: words in place of a number that mean over or under range."},
    {"listen", FIELD_LIST, AT(struct raw_map, listen), .object = &listening_object, .max_items = LISTEN_MAX,
     .help = "text: lines that it sends by itself."},
};

const struct object map_object = {
    .title = "device maps",
    .intro =
        "A file that says what a device's registers or replies mean. A new meter is a new map, not new code. Value "
        "= raw * scale + offset.",
    .size = sizeof(struct raw_map),
    FIELDS(map_fields),
};
