#include "map_check.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "bus_internal.h"
#include "register_value.h"

/* Modbus over serial line V1.02, 2.5.1.1; other lines know no such silence. */
static int64_t standard_gap_ns(const struct bus_config *config)
{
    bool rtu = config->kind == BUS_MODBUS_RTU || (config->kind == BUS_IN_PROCESS && config->baud > 0);
    if (!rtu)
        return 0;
    if (config->baud <= 0 || config->baud > 19200)
        return 1750000;
    return INT64_C(38500000000) / config->baud; /* 3.5 characters of 11 bits */
}

int64_t bus_gap_ns(const struct bus_config *config)
{
    return config->gap_ns > 0 ? config->gap_ns : standard_gap_ns(config);
}

int64_t rtu_exchange_ns(const struct bus_config *config, int request_bytes, int answer_bytes)
{
    int64_t baud = config->baud > 0 ? config->baud : 19200;
    int64_t device_gap_ns = answer_bytes > 0 ? standard_gap_ns(config) : 0;
    return (int64_t)(request_bytes + answer_bytes) * INT64_C(11000000000) / baud + device_gap_ns + bus_gap_ns(config);
}

/* --- remarks on a map -------------------------------------------------------------------------------------------- */

struct remarks {
    const struct device_map *map;
    map_remark *remark;
    void *ctx;
    int severe;
};

static void say(struct remarks *r, bool severe, const char *format, ...) __attribute__((format(printf, 3, 4)));

static void say(struct remarks *r, bool severe, const char *format, ...)
{
    char text[TEXT_CAP];
    va_list args;
    va_start(args, format);
    (void)vsnprintf(text, sizeof text, format, args);
    va_end(args);
    r->severe += severe;
    if (r->remark != NULL)
        r->remark(r->ctx, severe, text);
}

static void check_place(struct remarks *r, const struct map_point *p)
{
    const struct device_map *map = r->map;
    int end = p->register_ + value_width(p);
    if (end > 65536)
        say(r, true, "point %s runs past register 65535", p->name);
    for (int i = 0; i < map->keep_out_count; i++) {
        const struct keep_out *k = &map->keep_out[i];
        if (k->table == p->table && p->register_ <= k->last && end > k->first)
            say(r, true, "point %s lies in registers %d to %d, which are to be kept out of", p->name, k->first,
                k->last);
    }
    if (!value_in_bits(p) && map->max_block > 0 && value_width(p) > map->max_block)
        say(r, true, "point %s takes %d registers, but max_block is %d", p->name, value_width(p), map->max_block);
    bool bits_table = value_in_bits(p);
    int width = value_width(p) * 16;
    if (!bits_table && (p->bit < 0 || p->bits < 0 || p->bit + (p->bits > 0 ? p->bits : 1) > width))
        say(r, true, "point %s: bits %d to %d are not all inside its %d bits", p->name, p->bit,
            p->bit + (p->bits > 0 ? p->bits : 1) - 1, width);
    if (bits_table && (p->bits > 16 || p->type != TYPE_BIT))
        say(r, true, "point %s: a coil or discrete input is of type bit, at most 16 in a row", p->name);
    if (p->writable && (p->table == TABLE_INPUT || p->table == TABLE_DISCRETE))
        say(r, true, "point %s: input registers and discrete inputs cannot be written", p->name);
}

/* Least and greatest value in the map's unit that the type can give; false for floats. */
static bool span_of(const struct map_point *p, double *low, double *high)
{
    if (p->type == TYPE_F32 || p->type == TYPE_F64)
        return false;
    int width = value_in_bits(p)      ? value_width(p)
                : p->bits > 0         ? p->bits
                : p->type == TYPE_BIT ? 1
                                      : value_width(p) * 16;
    bool is_signed = p->type == TYPE_I16 || p->type == TYPE_I32 || p->type == TYPE_I64;
    double steps = 1;
    for (int i = 0; i < width - is_signed; i++)
        steps *= 2;
    double a = (is_signed ? -steps : 0) * p->scale + p->offset;
    double b = (steps - 1) * p->scale + p->offset;
    *low = a < b ? a : b;
    *high = a < b ? b : a;
    return true;
}

static void check_limits(struct remarks *r, const struct map_point *p)
{
    double low, high;
    if (p->scale == 0)
        say(r, true, "point %s: scale 0 makes every value the same", p->name);
    if (p->has_min && p->has_max && p->min > p->max)
        say(r, true, "point %s: min %g is above max %g", p->name, p->min, p->max);
    if (r->map->protocol != MAP_MODBUS || !span_of(p, &low, &high))
        return;
    if ((p->has_min && p->min > high) || (p->has_max && p->max < low))
        say(r, true, "point %s: its type and scale give %g to %g, never inside its limits", p->name, low, high);
    int width = value_width(p) * (value_in_bits(p) ? 1 : 16);
    for (int i = 0; i < p->invalid_count; i++) {
        if (width < 64 && p->invalid[i] >> width != 0)
            say(r, true, "point %s: invalid value 0x%llx is wider than its %d bits", p->name,
                (unsigned long long)p->invalid[i], width);
    }
}

static uint64_t field_mask(const struct map_point *p)
{
    int bits = p->bits > 0 ? p->bits : p->type == TYPE_BIT ? 1 : 64;
    return bits >= 64 ? UINT64_MAX : ((UINT64_C(1) << bits) - 1) << p->bit;
}

/* The same registers read in two ways can be meant; half of a value cannot. */
static void check_overlap(struct remarks *r, const struct map_point *a, const struct map_point *b)
{
    int a_end = a->register_ + value_width(a), b_end = b->register_ + value_width(b);
    if (a->table != b->table || a->register_ >= b_end || b->register_ >= a_end)
        return;
    bool same_place = a->register_ == b->register_ && a_end == b_end;
    if (same_place && (!value_in_bits(a) && (field_mask(a) & field_mask(b)) == 0))
        return;
    if (same_place || value_in_bits(a))
        say(r, false, "points %s and %s read the same register %d", a->name, b->name, a->register_);
    else
        say(r, true, "points %s and %s overlap: registers %d to %d and %d to %d", a->name, b->name, a->register_,
            a_end - 1, b->register_, b_end - 1);
}

static void check_text_point(struct remarks *r, const struct map_point *p)
{
    struct error err = {""};
    regex_t compiled;
    if (p->reply_is_expression) {
        if (expression_compile(p->reply, &compiled, &err) != 0)
            say(r, true, "point %s: %.200s", p->name, err.text);
        else
            regfree(&compiled);
    } else if (p->query[0] != '\0' && !p->block) {
        int numbers = template_check(p->reply, &err);
        if (numbers < 0)
            say(r, true, "point %s: %.200s", p->name, err.text);
        else if (numbers == 0)
            say(r, true, "point %s: its reply has no {number}", p->name);
    }
    if (p->writable && p->write[0] == '\0')
        say(r, true, "point %s: says access: write but not how", p->name);
    if (p->write[0] != '\0' && template_check(p->write, &err) < 0)
        say(r, true, "point %s: %.200s", p->name, err.text);
}

static void check_writable(struct remarks *r, int point, const char *use)
{
    const struct device_map *map = r->map;
    if (point < 0)
        return;
    const struct map_point *p = &map->points[point];
    bool can = map->protocol == MAP_TEXT ? p->write[0] != '\0' : p->table == TABLE_HOLDING || p->table == TABLE_COIL;
    if (!can)
        say(r, true, "point %s cannot be written, but is the map's %s", p->name, use);
}

static void check_capture(struct remarks *r, const struct map_capture *c)
{
    const struct device_map *map = r->map;
    for (int s = 0; s < CAPTURE_SIGNALS; s++) {
        if (c->samples[s] < 0)
            continue;
        const struct map_point *p = &map->points[c->samples[s]];
        int end = p->register_ + (c->count > 0 ? c->count : 1) * value_width(p);
        if (map->protocol == MAP_TEXT && strstr(p->query, "{first}") == NULL)
            say(r, false, "capture %s: the whole of %s comes in one reply, nothing else goes over the line meanwhile",
                c->name, p->name);
        if (map->protocol == MAP_TEXT)
            continue;
        if (end > 65536)
            say(r, true, "capture %s: %s runs past register 65535", c->name, p->name);
        for (int i = 0; i < map->keep_out_count; i++)
            if (map->keep_out[i].table == p->table && p->register_ <= map->keep_out[i].last &&
                end > map->keep_out[i].first)
                say(r, true, "capture %s: %s runs into registers to be kept out of", c->name, p->name);
        for (int i = 0; i < map->point_count; i++) {
            const struct map_point *q = &map->points[i];
            if (i != c->samples[s] && q->table == p->table && q->register_ < end &&
                q->register_ + value_width(q) > p->register_)
                say(r, true, "capture %s: %s (registers %d to %d) overlaps point %s", c->name, p->name, p->register_,
                    end - 1, q->name);
        }
    }
    if (c->trigger_point < 0 && c->age_point < 0 && !c->has_filling && c->count * c->interval_ns > 0)
        say(r, false, "capture %s: with neither age nor filling its time is known to about a second only", c->name);
}

int map_check(const struct device_map *map, map_remark *remark, void *ctx)
{
    struct remarks r = {.map = map, .remark = remark, .ctx = ctx};
    for (int i = 0; i < map->point_count; i++) {
        const struct map_point *p = &map->points[i];
        check_limits(&r, p);
        if (map->protocol == MAP_TEXT) {
            check_text_point(&r, p);
            continue;
        }
        check_place(&r, p);
        for (int k = i + 1; k < map->point_count; k++)
            check_overlap(&r, p, &map->points[k]);
    }
    for (int i = 0; i < map->capture_count; i++)
        check_capture(&r, &map->captures[i]);
    check_writable(&r, map->drop_all_point, "drop_all");
    check_writable(&r, map->beat_point, "beat");
    for (int i = 0; i < map->listen_count; i++) {
        struct error err = {""};
        int numbers = template_check(map->listen[i].reply, &err);
        if (numbers < 0)
            say(&r, true, "listen: %.200s", err.text);
        else if (numbers != map->listen[i].point_count)
            say(&r, true, "listen \"%.60s\": %d numbers for %d points", map->listen[i].reply, numbers,
                map->listen[i].point_count);
    }
    return r.severe;
}

/* --- load of the line -------------------------------------------------------------------------------------------- */

static int64_t block_ns(const struct bus *bus, const struct device *dev, const struct block *b)
{
    if (!bus->serial)
        return 1000000;
    if (dev->map->protocol == MAP_TEXT) {
        const struct map_point *p = &dev->map->points[b->points[0]];
        return rtu_exchange_ns(&bus->config, (int)strlen(p->query) + 2, (int)strlen(p->reply) + 10) +
               dev->map->turnaround_ns;
    }
    bool bits = b->table == TABLE_COIL || b->table == TABLE_DISCRETE;
    return rtu_exchange_ns(&bus->config, 8, 5 + (bits ? (b->count + 7) / 8 : 2 * b->count)) + dev->map->turnaround_ns;
}

static void add_device(const struct bus *bus, const struct device *dev, struct line_load *load)
{
    double rate = bus->time.rate;
    int64_t write_ns = bus->serial ? rtu_exchange_ns(&bus->config, 8, 8) + dev->map->turnaround_ns : 1000000;
    for (int i = 0; i < dev->block_count; i++) {
        int64_t ns = block_ns(bus, dev, &dev->blocks[i]);
        load->blocks++;
        load->cycle_ns += ns;
        load->utilisation += (double)ns * rate / (double)dev->setup.config->poll_ns;
        if (ns > load->longest_ns)
            load->longest_ns = ns;
    }
    if (dev->setup.beat_ns > 0 && dev->map->beat_point >= 0)
        load->utilisation += (double)write_ns * rate / (double)dev->setup.beat_ns;
}

void line_load(const struct bus_setup *setup, struct line_load *load)
{
    static const struct peer nobody = {0};
    struct bus_setup copy = *setup;
    struct bus_device devices[DEVICES_MAX];
    struct bus_config config = *setup->config;
    struct load_lease lease;
    int64_t slowest_ns = 0;
    memset(load, 0, sizeof *load);
    config.record[0] = '\0'; /* nothing passes here */
    copy.config = &config;
    copy.ready_fd = -1;
    if (copy.peer == NULL)
        copy.peer = &nobody;
    lease_init(&lease); /* nothing runs here: one will do for all */
    for (int i = 0; i < setup->device_count && i < DEVICES_MAX; i++) {
        devices[i] = setup->devices[i];
        if (devices[i].config->is_load && devices[i].lease == NULL)
            devices[i].lease = &lease;
    }
    copy.devices = devices;
    struct bus *bus = bus_new(&copy, NULL);
    if (bus == NULL)
        return;
    for (int i = 0; i < bus->device_count; i++) {
        add_device(bus, &bus->devices[i], load);
        if (bus->devices[i].answer_ns > slowest_ns)
            slowest_ns = bus->devices[i].answer_ns;
    }
    /* A drop may find a question under way that stays without an answer; each of its own writes may take as long. */
    for (int i = 0; i < bus->device_count; i++) {
        const struct device *dev = &bus->devices[i];
        int64_t worst = slowest_ns + bus_gap_ns(&bus->config) +
                        dev->drop_count * (dev->answer_ns + bus_gap_ns(&bus->config) + dev->map->turnaround_ns);
        if (dev->drop_count > 0 && worst > load->worst_open_ns)
            load->worst_open_ns = worst;
    }
    bus_free(bus);
}
