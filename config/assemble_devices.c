/* Buses, circuits and devices. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "assemble.h"
#include "map_file.h"
#include "text_file.h"

static bool is_modbus(enum bus_kind kind)
{
    return kind == BUS_MODBUS_TCP || kind == BUS_MODBUS_RTU;
}

static bool is_text(enum bus_kind kind)
{
    return kind == BUS_TEXT_SERIAL || kind == BUS_TEXT_TCP;
}

void assemble_buses(struct assembly *a)
{
    const struct raw_bus *buses = a->raw->buses.items;
    struct config *c = a->config;
    assemble_unique(a, &a->raw->buses, sizeof *buses, offsetof(struct raw_bus, bus.name), "bus");
    for (int i = 0; i < a->raw->buses.count; i++) {
        c->buses[i] = buses[i].bus;
        assemble_path(a, buses[i].bus.port, c->buses[i].port, sizeof c->buses[i].port);
        assemble_path(a, buses[i].bus.record, c->buses[i].record, sizeof c->buses[i].record);
        if ((int)buses[i].bus.parity < 0)
            c->buses[i].parity = PARITY_NONE; /* no serial line */
        (void)text_copy(c->bench.bus_names[i], NAME_CAP, buses[i].bus.name);
        for (int k = 0; k < i; k++)
            if (buses[i].bus.port[0] != '\0' && strcmp(buses[i].bus.port, buses[k].bus.port) == 0)
                assemble_error(a, &buses[i].at, "port", "A serial line is one bus: put its devices on one.",
                               "bus %s has this port already", buses[k].bus.name);
    }
    c->bench.bus_count = a->raw->buses.count;
}

static void fill_breaker(const struct raw_breaker *raw, struct breaker *b)
{
    static const char *const standards[] = {"iec-60898-1", "iec-60947-2", "ul-489"};
    const struct raw_curve_point *points = raw->points.items;
    if (raw->at.node == NULL)
        return;
    b->rated_a = raw->rated_a;
    b->curve = raw->curve;
    if (raw->standard >= 0 && raw->standard < 3)
        (void)text_copy(b->standard, sizeof b->standard, standards[raw->standard]);
    b->point_count = raw->points.count;
    for (int i = 0; i < raw->points.count; i++) {
        b->point_multiple[i] = points[i].multiple;
        b->point_min_s[i] = points[i].min_s;
        b->point_max_s[i] = points[i].max_s;
    }
}

void assemble_circuits(struct assembly *a)
{
    const struct raw_circuit *circuits = a->raw->circuits.items;
    struct bench *b = &a->config->bench;
    assemble_unique(a, &a->raw->circuits, sizeof *circuits, offsetof(struct raw_circuit, circuit.name), "circuit");
    for (int i = 0; i < a->raw->circuits.count; i++) {
        b->circuits[i] = circuits[i].circuit;
        fill_breaker(&circuits[i].breaker, &b->circuits[i].breaker);
    }
    b->circuit_count = a->raw->circuits.count;
}

static int add_file(struct assembly *a, const char *path, char *text, size_t size)
{
    struct config *c = a->config;
    struct config_file *files = realloc(c->files, (size_t)(c->file_count + 1) * sizeof *files);
    if (files == NULL)
        return -1;
    c->files = files;
    (void)text_copy(files[c->file_count].path, PATH_CAP, path);
    files[c->file_count].text = text;
    files[c->file_count].size = size;
    c->file_count++;
    return 0;
}

static int read_file(const struct assembly *a, const char *path, char **text, size_t *size, struct error *err)
{
    if (a->files != NULL)
        return a->files->read(a->files->ctx, path, text, size, err);
    return config_file_read(path, text, size, err);
}

/* Reads a map that is not there yet. A map that cannot be read is a problem at the device; what is wrong inside it is
 * reported at its own lines. Returns its index, -1 when it is not good. */
static int load_map(struct assembly *a, const struct raw_device *d, const char *path)
{
    struct config *c = a->config;
    struct error err;
    char *text = NULL;
    size_t size = 0;
    if (read_file(a, path, &text, &size, &err) != 0) {
        assemble_error(a, &d->at, "map", "Map paths are relative to the folder of this file.", "%s", err.text);
        return -1;
    }
    struct device_map *maps = realloc(c->maps, (size_t)(c->map_count + 1) * sizeof *maps);
    if (maps != NULL)
        c->maps = maps;
    if (maps == NULL || add_file(a, path, text, size) != 0) {
        free(text);
        assemble_error(a, &d->at, "map", "", "out of memory");
        return -1;
    }
    memset(&maps[c->map_count], 0, sizeof *maps);
    c->map_count++;
    if (map_load_text(path, text, size, &maps[c->map_count - 1], a->problems) != 0)
        maps[c->map_count - 1].name[0] = '\0'; /* marks a map that is not to be used */
    return c->map_count - 1;
}

static int find_map(struct assembly *a, const struct raw_device *d)
{
    char path[PATH_CAP];
    struct config *c = a->config;
    if (d->map[0] == '\0')
        return -1;
    assemble_path(a, d->map, path, sizeof path);
    int index = -1;
    for (int i = 0; i < c->map_count && index < 0; i++)
        if (strcmp(c->files[i + 1].path, path) == 0)
            index = i;
    for (int i = 0; i < a->raw->devices.count && index < 0; i++) {
        const struct raw_device *earlier = (const struct raw_device *)a->raw->devices.items + i;
        if (earlier == d)
            break;
        if (strcmp(earlier->map, d->map) == 0)
            return -1; /* could not be read, and that was said */
    }
    if (index < 0)
        index = load_map(a, d, path);
    return index >= 0 && c->maps[index].name[0] != '\0' ? index : -1;
}

static void check_protocol(const struct assembly *a, const struct raw_device *d, const struct bus_config *bus, int map)
{
    static const char *const words[] = {"modbus", "text"};
    bool text_map = map >= 0 && a->config->maps[map].protocol == MAP_TEXT;
    if (map >= 0 && ((is_modbus(bus->kind) && text_map) || (is_text(bus->kind) && !text_map)))
        assemble_error(a, &d->at, "map", "Take another map, or another bus.", "the map speaks %s, the bus %s is %s",
                       words[text_map ? 1 : 0], bus->name, bus_kind_name(bus->kind));
    else if (map >= 0 && !text_map && node_child(d->at.node, "server") == NULL)
        assemble_error(a, &d->at, "", "Add server: and the address set at the device, 1 to 247.",
                       "a Modbus device needs its server address");
    else if (bus->kind == BUS_MODBUS_RTU && (d->device.server == 0 || d->device.server > 247))
        assemble_error(a, &d->at, "server", "Write the address set at the device, 1 to 247; 0 is for all at once.",
                       "server %d is no address on a serial line", d->device.server);
    else if (map >= 0 && text_map && d->device.server >= 0)
        assemble_error(a, &d->at, "server", "Remove it.", "a text device has no server address");
}

static void check_address(const struct assembly *a, int index)
{
    const struct raw_device *devices = a->raw->devices.items;
    const struct device_config *all = a->config->devices;
    const struct device_config *d = &all[index];
    for (int k = 0; k < index; k++) {
        if (all[k].bus != d->bus || d->bus < 0)
            continue;
        if (d->server >= 0 && all[k].server == d->server)
            assemble_error(a, &devices[index].at, "server", "Give each device an address of its own.",
                           "device %s on the same bus has this address", all[k].name);
        else if (a->config->buses[d->bus].kind == BUS_TEXT_SERIAL || a->config->buses[d->bus].kind == BUS_TEXT_TCP)
            assemble_error(a, &devices[index].at, "bus", "A text bus carries one device.",
                           "device %s is on this text bus already", all[k].name);
    }
}

static void build_device(struct assembly *a, struct raw_device *d, int i)
{
    struct config *c = a->config;
    struct bench *b = &c->bench;
    struct device_config *to = &c->devices[i];
    *to = d->device;
    to->bus = assemble_find(a, &d->at, "bus", d->bus, "bus", b->bus_names[0], NAME_CAP, b->bus_count);
    to->map = find_map(a, d);
    if (to->bus >= 0)
        check_protocol(a, d, &c->buses[to->bus], to->map);
    check_address(a, i);
    c->device_isolation_v[i] = d->isolation_v;
    struct bench_device *out = &b->devices[i];
    (void)text_copy(out->name, sizeof out->name, to->name);
    out->bus = to->bus;
    out->poll_ns = to->poll_ns;
    out->powered_from = assemble_find(a, &d->at, "powered_from", d->powered_from, "circuit", b->circuits[0].name,
                                      sizeof b->circuits[0], b->circuit_count);
}

void assemble_devices(struct assembly *a)
{
    struct raw_device *devices = a->raw->devices.items;
    struct bench *b = &a->config->bench;
    assemble_unique(a, &a->raw->devices, sizeof *devices, offsetof(struct raw_device, device.name), "device");
    for (int i = 0; i < a->raw->devices.count; i++) {
        build_device(a, &devices[i], i);
        b->device_count = i + 1;
    }
}
