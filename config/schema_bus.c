/* Tables of buses, devices and supply circuits. */
#include <math.h>
#include <string.h>

#include "choices.h"
#include "net_address.h"
#include "raw.h"

static const struct field bus_fields[] = {
    {"name", FIELD_NAME, AT(struct raw_bus, bus.name), .flags = NEEDED, .help = "Name that devices refer to."},
    {"kind", FIELD_CHOICE, AT(struct raw_bus, bus.kind), .flags = NEEDED, .choices = &choice_bus_kinds,
     .help = "modbus-tcp and text-tcp need address; modbus-rtu and text-serial need port; in-process is for tests."},
    {"address", FIELD_TEXT, AT(struct raw_bus, bus.address),
     .help = "Numeric address and port, such as 127.0.0.1:502 or \"[::1]:502\". Names are not looked up: a bench must "
             "not depend on a name server."},
    {"port", FIELD_PATH, AT(struct raw_bus, bus.port),
     .help = "Path of the serial device; take one from /dev/serial/by-id, which stays the same when plugs are moved."},
    {"baud", FIELD_INT, AT(struct raw_bus, bus.baud), RANGE(300, 4000000), .flags = ZERO,
     .help = "Serial: bits a second. Without it: 9600."},
    {"parity", FIELD_CHOICE, AT(struct raw_bus, bus.parity), .flags = OPTIONAL, .choices = &choice_parities,
     .help = "Serial. Without it: even for modbus-rtu, none for text-serial."},
    {"data_bits", FIELD_INT, AT(struct raw_bus, bus.data_bits), RANGE(7, 8), .flags = ZERO,
     .help = "Serial. Without it: 8."},
    {"stop_bits", FIELD_INT, AT(struct raw_bus, bus.stop_bits), RANGE(1, 2), .flags = ZERO,
     .help = "Serial. Without it: 1, or 2 for modbus-rtu without parity."},
    {"rs485", FIELD_BOOL, AT(struct raw_bus, bus.rs485), .flags = ZERO,
     .help = "Serial: let the driver of the port switch the direction of a two-wire line."},
    {"timeout", FIELD_DURATION, AT(struct raw_bus, bus.timeout_ns), RANGE(0.005, 30), .fallback = "300 ms",
     .help = "Longest time for one request and its answer, in real time even when the clock is scaled."},
    {"gap", FIELD_DURATION, AT(struct raw_bus, bus.gap_ns), RANGE(0, 1), .flags = ZERO,
     .help = "Silence between frames. Without it: as the serial line's standard says."},
    {"record", FIELD_PATH, AT(struct raw_bus, bus.record),
     .help =
         "File that takes every byte on this bus with its time, for finding out what a device does; each start makes "
         "a new one beside it, of 64 MB at most. Leave it out in daily use."},
};

struct foreign {
    const char *key;
    bool serial; /* else network */
};

static bool is_serial(enum bus_kind kind)
{
    return kind == BUS_MODBUS_RTU || kind == BUS_TEXT_SERIAL;
}

static bool is_network(enum bus_kind kind)
{
    return kind == BUS_MODBUS_TCP || kind == BUS_TEXT_TCP;
}

static void check_foreign_keys(const struct raw_bus *b, struct problems *problems)
{
    static const struct foreign keys[] = {
        {"address", false},  {"port", true},      {"baud", true},  {"parity", true},
        {"data_bits", true}, {"stop_bits", true}, {"rs485", true}, {"gap", true},
    };
    char text[TEXT_CAP];
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++) {
        const struct node *n = node_child(b->at.node, keys[i].key);
        if (n == NULL || (keys[i].serial ? is_serial(b->bus.kind) : is_network(b->bus.kind)))
            continue;
        (void)text_format(text, sizeof text, "\"%s\" has no meaning for a bus of kind %s", keys[i].key,
                          bus_kind_name(b->bus.kind));
        node_key_problem(problems, n, PROBLEM_ERROR, text, "Remove it, or correct the kind.");
    }
}

static void fill_serial(struct raw_bus *b)
{
    bool rtu = b->bus.kind == BUS_MODBUS_RTU;
    if (b->bus.baud == 0)
        b->bus.baud = 9600;
    if ((int)b->bus.parity < 0)
        b->bus.parity = rtu ? PARITY_EVEN : PARITY_NONE;
    if (b->bus.data_bits == 0)
        b->bus.data_bits = 8;
    if (b->bus.stop_bits == 0)
        b->bus.stop_bits = rtu && b->bus.parity == PARITY_NONE ? 2 : 1;
}

static void check_serial(struct raw_bus *b, struct problems *problems)
{
    if (b->bus.port[0] == '\0')
        node_problem(problems, b->at.node, PROBLEM_ERROR, "this bus needs a port",
                     "Add port: and the path of the serial device, such as /dev/serial/by-id/...");
    else if (strncmp(b->bus.port, "tty", 3) == 0 || strncmp(b->bus.port, "COM", 3) == 0)
        at_problem(problems, &b->at, "port", PROBLEM_ERROR, "the name of a port is not enough: the path is needed",
                   "Write the whole path, such as /dev/ttyUSB0.");
    else if (strncmp(b->bus.port, "/dev/tty", 8) == 0 && strncmp(b->bus.port, "/dev/ttyUSB", 11) == 0)
        at_problem(problems, &b->at, "port", PROBLEM_HINT, "the numbers of USB ports change when plugs are moved",
                   "Use the path of the same device in /dev/serial/by-id.");
    fill_serial(b);
    if (b->bus.kind == BUS_MODBUS_RTU && b->bus.data_bits != 8)
        at_problem(problems, &b->at, "data_bits", PROBLEM_ERROR, "Modbus RTU frames have 8 data bits",
                   "Remove the key.");
    if (b->bus.kind == BUS_MODBUS_RTU && b->bus.parity == PARITY_NONE && b->bus.stop_bits == 1)
        at_problem(problems, &b->at, "stop_bits", PROBLEM_HINT,
                   "without parity the serial line guide of Modbus asks for two stop bits",
                   "Keep 1 only if the device's manual says so.");
}

static void check_bus(void *base, const struct node *node, struct problems *problems)
{
    struct raw_bus *b = base;
    check_foreign_keys(b, problems);
    if (is_serial(b->bus.kind)) {
        check_serial(b, problems);
        return;
    }
    if (!is_network(b->bus.kind))
        return;
    if (b->bus.address[0] == '\0')
        node_problem(problems, node, PROBLEM_ERROR, "this bus needs an address",
                     "Add address: with host and port, such as 127.0.0.1:502");
    else if (!net_address_is_numeric(b->bus.address))
        at_problem(problems, &b->at, "address", PROBLEM_ERROR, "this is no numeric address with a port",
                   "Write it like this: 127.0.0.1:502 or \"[::1]:502\"; names are not looked up.");
}

const struct object bus_object = {
    .title = "buses",
    .intro = "A serial line or one network connection. A load controller should have one of its own, so that no slow "
             "meter stands between a fault and the opening of the load.",
    .size = sizeof(struct raw_bus),
    FIELDS(bus_fields),
    .check = check_bus,
};

static const struct field device_fields[] = {
    {"name", FIELD_NAME, AT(struct raw_device, device.name), .flags = NEEDED,
     .help = "Name that channels and signals refer to."},
    {"bus", FIELD_NAME, AT(struct raw_device, bus), .flags = NEEDED, .help = "Name of its bus."},
    {"server", FIELD_INT, AT(struct raw_device, device.server), RANGE(0, 255), .flags = OPTIONAL,
     .help = "Modbus server address: 1 to 247 on a serial line; needed for Modbus."},
    {"map", FIELD_PATH, AT(struct raw_device, map), .flags = NEEDED, .help = "Its map, see *device maps*."},
    {"poll", FIELD_DURATION, AT(struct raw_device, device.poll_ns), RANGE(0.01, 3600), .fallback = "500 ms",
     .help = "Time between readings, of the bench's clock."},
    {"answer", FIELD_DURATION, AT(struct raw_device, device.answer_ns), RANGE(0.005, 30), .flags = ZERO,
     .help = "Longest answer time. Without it: the map's, else the bus's timeout."},
    {"powered_from", FIELD_NAME, AT(struct raw_device, powered_from),
     .help = "Circuit that feeds this meter, so that its silence is evidence of that circuit's loss."},
    {"isolation", FIELD_QUANTITY, AT(struct raw_device, isolation_v), .dim = DIM_VOLTAGE, RANGE(0, 1e5),
     .flags = OPTIONAL,
     .help =
         "Voltage that its inputs are isolated for. Thermocouples on live metal tie the inputs of a scanner together."},
};

const struct object device_object = {
    .title = "devices",
    .intro = "A load controller or a meter.",
    .size = sizeof(struct raw_device),
    FIELDS(device_fields),
};

static const struct field curve_fields[] = {
    {"multiple", FIELD_NUMBER, AT(struct raw_curve_point, multiple), RANGE(0.5, 100), .flags = NEEDED,
     .help = "Current as a multiple of the rated current."},
    {"shortest", FIELD_QUANTITY, AT(struct raw_curve_point, min_s), .dim = DIM_TIME, RANGE(0, 1e5), .flags = NEEDED,
     .help = "Shortest time to the trip."},
    {"longest", FIELD_QUANTITY, AT(struct raw_curve_point, max_s), .dim = DIM_TIME, RANGE(0, 1e5), .flags = NEEDED,
     .help = "Longest time to the trip."},
};

static void check_curve_point(void *base, const struct node *node, struct problems *problems)
{
    const struct raw_curve_point *p = base;
    if (p->min_s > p->max_s)
        node_problem(problems, node, PROBLEM_ERROR, "the shortest time is longer than the longest", "Swap them.");
}

static const struct object curve_object = {
    .title = "points of a breaker's curve",
    .intro = "The maker's curve, typed in as points with rising multiples.",
    .size = sizeof(struct raw_curve_point),
    FIELDS(curve_fields),
    .check = check_curve_point,
};

static const struct field breaker_fields[] = {
    {"rated", FIELD_QUANTITY, AT(struct raw_breaker, rated_a), .dim = DIM_CURRENT, RANGE(0.5, 1e4), .flags = NEEDED,
     .help = "Rated current."},
    {"standard", FIELD_CHOICE, AT(struct raw_breaker, standard), .flags = OPTIONAL,
     .choices = &choice_breaker_standards, .help = "Standard whose limits hold when no points are given."},
    {"curve", FIELD_LETTER, AT(struct raw_breaker, curve), .letters = "BCDKZ",
     .help = "Letter of the instantaneous trip."},
    {"points", FIELD_LIST, AT(struct raw_breaker, points), .object = &curve_object, .max_items = CURVE_POINTS_MAX,
     .help = "The maker's own curve, which says more than the standard's wide limits."},
};

static void check_breaker(void *base, const struct node *node, struct problems *problems)
{
    const struct raw_breaker *b = base;
    const struct raw_curve_point *points = b->points.items;
    for (int i = 1; i < b->points.count; i++)
        if (points[i].multiple <= points[i - 1].multiple)
            node_problem(problems, points[i].at.node, PROBLEM_ERROR, "the multiples do not rise from point to point",
                         "Sort the points by multiple.");
    if (b->standard < 0 && b->points.count == 0)
        node_problem(problems, node, PROBLEM_WARNING, "neither standard nor points are given: no trip can be foreseen",
                     "Add standard: iec-60898-1 (or what the breaker bears), or the maker's points.");
}

static const struct object breaker_object = {
    .title = "breaker",
    .intro = "The breaker of a supply circuit.",
    .size = sizeof(struct raw_breaker),
    FIELDS(breaker_fields),
    .check = check_breaker,
};

static const struct field circuit_fields[] = {
    {"name", FIELD_NAME, AT(struct raw_circuit, circuit.name), .flags = NEEDED, .help = "Name that channels refer to."},
    {"voltage", FIELD_QUANTITY, AT(struct raw_circuit, circuit.voltage_v), .dim = DIM_VOLTAGE, RANGE(10, 1000),
     .flags = NEEDED, .help = "Rated voltage; of three-phase circuits between phases."},
    {"phases", FIELD_INT, AT(struct raw_circuit, circuit.phases), RANGE(1, 3), .fallback = "1", .help = "1 or 3."},
    {"frequency", FIELD_QUANTITY, AT(struct raw_circuit, circuit.frequency_hz), .dim = DIM_FREQUENCY, RANGE(10, 400),
     .fallback = "50 Hz", .help = "Rated frequency."},
    {"loop_resistance", FIELD_QUANTITY, AT(struct raw_circuit, circuit.loop_ohm), .dim = DIM_RESISTANCE, RANGE(0, 10),
     .flags = ZERO,
     .help = "Of the circuit's loop with its extension leads, which must be fully unwound. Without it: not stated."},
    {"breaker", FIELD_OBJECT, AT(struct raw_circuit, breaker), .flags = HIDDEN, .object = &breaker_object,
     .help = "Its breaker."},
};

static void check_circuit(void *base, const struct node *node, struct problems *problems)
{
    const struct raw_circuit *c = base;
    (void)node;
    if (c->circuit.phases == 2)
        at_problem(problems, &c->at, "phases", PROBLEM_ERROR, "a circuit has 1 or 3 phases",
                   "A unit between two phases of a three-phase supply is single-phase: write 1.");
}

const struct object circuit_object = {
    .title = "circuits",
    .intro = "A supply circuit that units are plugged into. Work on it belongs to qualified people under the local "
             "electrical code.",
    .size = sizeof(struct raw_circuit),
    FIELDS(circuit_fields),
    .check = check_circuit,
};
