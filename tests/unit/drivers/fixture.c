#include "fixture.h"

#include <check.h>
#include <math.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>

#include "transport.h"

static int64_t now_of(void *ctx)
{
    return ((struct fixture *)ctx)->now_ns;
}

static struct input *next_input(struct fixture *f, enum input_kind kind)
{
    ck_assert_int_lt(f->input_count, FIX_INPUTS);
    struct input *in = &f->inputs[f->input_count++];
    in->seen_ns = f->now_ns;
    in->kind = kind;
    return in;
}

static int refused(struct fixture *f)
{
    if (f->refuse_inputs == 0)
        return 0;
    f->refuse_inputs--;
    return -1;
}

static int take_readings(void *ctx, const struct input_readings *r)
{
    if (refused(ctx))
        return -1;
    next_input(ctx, INPUT_READINGS)->u.readings = *r;
    return 0;
}

static int take_ack(void *ctx, const struct input_ack *ack)
{
    next_input(ctx, INPUT_ACK)->u.ack = *ack;
    return 0;
}

static int take_link(void *ctx, const struct input_link *link)
{
    next_input(ctx, INPUT_LINK)->u.link = *link;
    return 0;
}

static bool take_identity(void *ctx, int device, const struct bus_identity *id, char *why)
{
    struct fixture *f = ctx;
    if (device == 0)
        f->identity = *id;
    if (f->refuse_identity)
        strcpy(why, "says that it is virtual");
    return !f->refuse_identity;
}

/* --- the fake device: its own reading of the protocol ------------------------------------------------------------ */

static int refuse(const uint8_t *pdu, int code, uint8_t *answer)
{
    answer[0] = pdu[0] | 0x80;
    answer[1] = (uint8_t)code;
    return 2;
}

static int read_registers(struct fake_device *fake, const uint8_t *pdu, int address, int count, uint8_t *answer)
{
    bool bits = pdu[0] <= 2;
    if (!bits && fake->block_max > 0 && count > fake->block_max)
        return refuse(pdu, fake->block_exception, answer);
    if (address + count > FIX_REGISTERS || (fake->hole >= address && fake->hole < address + count))
        return refuse(pdu, 2, answer);
    answer[0] = pdu[0];
    answer[1] = (uint8_t)(bits ? (count + 7) / 8 : count * 2);
    memset(answer + 2, 0, answer[1]);
    for (int i = 0; i < count; i++) {
        if (bits) {
            answer[2 + i / 8] |= (uint8_t)((fake->coils[address + i] != 0) << i % 8);
        } else {
            answer[2 + 2 * i] = (uint8_t)(fake->registers[address + i] >> 8);
            answer[3 + 2 * i] = (uint8_t)fake->registers[address + i];
        }
    }
    return 2 + answer[1];
}

int fake_answer(struct fake_device *fake, const uint8_t *pdu, size_t size, uint8_t *answer)
{
    int address = pdu[1] << 8 | pdu[2];
    int word = pdu[3] << 8 | pdu[4];
    if (size < 5)
        return refuse(pdu, 3, answer);
    if (fake->mood == FAKE_REFUSES)
        return refuse(pdu, fake->exception, answer);
    if (pdu[0] <= 4)
        return read_registers(fake, pdu, address, word, answer);
    if (address >= FIX_REGISTERS)
        return refuse(pdu, 2, answer);
    bool single = pdu[0] == 5 || pdu[0] == 6;
    if ((single && !fake->single_writes) || (pdu[0] == 22 && !fake->mask_writes))
        return refuse(pdu, 1, answer);
    memcpy(answer, pdu, pdu[0] == 22 ? 7 : 5);
    switch (pdu[0]) {
    case 5:
        fake->coils[address] = word == 0xFF00;
        return 5;
    case 6:
        fake->registers[address] = (uint16_t)word;
        return 5;
    case 15:
        for (int i = 0; i < word; i++)
            fake->coils[address + i] = pdu[6 + i / 8] >> i % 8 & 1;
        return 5;
    case 16:
        for (int i = 0; i < word; i++)
            fake->registers[address + i] = (uint16_t)(pdu[6 + 2 * i] << 8 | pdu[7 + 2 * i]);
        return 5;
    case 22: {
        unsigned or_mask = (unsigned)(pdu[5] << 8 | pdu[6]);
        fake->registers[address] = (uint16_t)((fake->registers[address] & word) | (int)(or_mask & ~(unsigned)word));
        return 7;
    }
    default:
        return refuse(pdu, 1, answer);
    }
}

static void note_write(struct fixture *f, const struct fake_device *fake, const uint8_t *pdu)
{
    if (pdu[0] <= 4 || f->write_count == FIX_WRITES)
        return;
    bool multiple = pdu[0] == 15 || pdu[0] == 16;
    struct fake_write *w = &f->writes[f->write_count++];
    w->at_ns = f->now_ns;
    w->server = fake->server;
    w->address = pdu[1] << 8 | pdu[2];
    w->value = multiple ? pdu[6] << 8 | pdu[7] : pdu[3] << 8 | pdu[4];
    w->coil = pdu[0] == 5 || pdu[0] == 15;
}

static int exchange(void *ctx, int server, const uint8_t *pdu, size_t size, uint8_t *answer, size_t cap,
                    size_t *answer_size, int64_t *took_ns)
{
    struct fixture *f = ctx;
    (void)cap;
    f->exchanges++;
    *took_ns = f->took_ns;
    for (int i = 0; i < f->fake_count; i++) {
        struct fake_device *fake = &f->fakes[i];
        if (fake->server != server)
            continue;
        note_write(f, fake, pdu);
        static const int says[] = {PEER_ANSWERED,     PEER_SILENT, PEER_GARBLED,
                                   PEER_WRONG_SERVER, PEER_GONE,   PEER_ANSWERED};
        if (says[fake->mood] != PEER_ANSWERED)
            return says[fake->mood];
        if (pdu[0] >= 3 && pdu[0] <= 4 && (pdu[3] << 8 | pdu[4]) > f->longest_read)
            f->longest_read = pdu[3] << 8 | pdu[4];
        *answer_size = (size_t)fake_answer(fake, pdu, size, answer);
        return PEER_ANSWERED;
    }
    return PEER_SILENT;
}

/* --- the bench --------------------------------------------------------------------------------------------------- */

static int add_point(struct device_map *map, const char *name, enum register_table table, int reg, enum value_type type)
{
    struct map_point *p = &map->points[map->point_count];
    strcpy(p->name, name);
    p->table = table;
    p->register_ = (uint16_t)reg;
    p->type = type;
    p->scale = 1;
    p->to_base = 1;
    return map->point_count++;
}

static void blank_map(struct device_map *map, const char *name)
{
    strcpy(map->name, name);
    map->max_block = 125;
    map->max_block_bits = 2000;
    map->virtual_point = map->rate_point = map->epoch_point = map->power_up_point = -1;
    map->drop_all_point = map->beat_point = map->watchdog_point = -1;
}

static void add_signal(struct fixture *f, int device, int point)
{
    f->signals[f->setup.signal_count] =
        (struct bus_signal){.device = device, .point = point, .signal = f->setup.signal_count, .gain = 1, .offset = 0};
    f->setup.signal_count++;
}

static void make_bank_map(struct device_map *map)
{
    blank_map(map, "bank");
    int steps = add_point(map, "a_steps", TABLE_HOLDING, 40, TYPE_U16);
    (void)add_point(map, "b_steps", TABLE_HOLDING, 41, TYPE_U16);
    (void)add_point(map, "a_trigger", TABLE_COIL, 3, TYPE_BIT);
    map->drop_all_point = add_point(map, "drop_all", TABLE_HOLDING, 50, TYPE_U16);
    map->drop_all_value = 1;
    map->beat_point = add_point(map, "beat", TABLE_HOLDING, 51, TYPE_U16);
    map->watchdog_point = add_point(map, "watchdog", TABLE_HOLDING, 52, TYPE_U16);
    map->points[map->watchdog_point].scale = 0.1;
    for (int i = steps; i < map->point_count; i++)
        map->points[i].writable = true;
    map->power_up_kind = POWER_UP_COUNT;
    map->power_up_point = add_point(map, "power_up", TABLE_INPUT, 5, TYPE_U16);
    map->identity_points[0] = add_point(map, "id", TABLE_INPUT, 0, TYPE_U16);
    map->identity_values[0] = 77;
    map->identity_count = 1;
    (void)add_point(map, "a_closed", TABLE_INPUT, 10, TYPE_U16);
    (void)add_point(map, "b_closed", TABLE_INPUT, 11, TYPE_U16);
    (void)add_point(map, "a_current", TABLE_INPUT, 20, TYPE_F32);
}

static void add_device(struct fixture *f, bool load, int64_t poll_ns)
{
    int i = f->fake_count;
    f->fakes[i] = (struct fake_device){
        .server = i + 1, .hole = -1, .block_exception = 3, .single_writes = true, .mask_writes = true};
    f->configs[i] = (struct device_config){.server = i + 1, .poll_ns = poll_ns, .map = i, .is_load = load};
    (void)text_format(f->configs[i].name, NAME_CAP, "device-%d", i);
    f->devices[i] = (struct bus_device){.index = i,
                                        .config = &f->configs[i],
                                        .map = &f->maps[i],
                                        .lease = load ? &f->leases[i] : NULL,
                                        .beat_ns = load ? 500 * MS : 0,
                                        .watchdog_ns = load ? 2 * SEC : 0};
    f->fake_count++;
    f->setup.device_count++;
}

void fixture_init(struct fixture *f)
{
    memset(f, 0, sizeof *f);
    f->inputs = calloc(FIX_INPUTS, sizeof *f->inputs);
    ck_assert_ptr_nonnull(f->inputs);
    f->now_ns = 1000 * SEC;
    f->took_ns = 4 * MS;
    strcpy(f->config.name, "rack");
    f->config.kind = BUS_IN_PROCESS;
    f->config.timeout_ns = 200 * MS;
    make_bank_map(&f->maps[0]);
    add_device(f, true, 100 * MS);
    lease_init(&f->leases[0]);
    f->fakes[0].registers[0] = 77;
    f->fakes[0].registers[5] = 3;
    for (int c = 0; c < 2; c++) {
        f->channels[c] = (struct load_points){.device = 0,
                                              .command = c,
                                              .trigger_device = c == 0 ? 0 : -1,
                                              .trigger = 2,
                                              .supply_device = -1,
                                              .supply = -1,
                                              .fan_device = -1,
                                              .fan = -1};
    }
    f->peer = (struct peer){.exchange = exchange, .ctx = f};
    f->setup.config = &f->config;
    f->setup.devices = f->devices;
    f->setup.channel_count = 2;
    f->setup.channels = f->channels;
    f->setup.signals = f->signals;
    f->setup.beacon_device = f->setup.beacon_point = -1;
    f->setup.time = (struct bus_time){.now_ns = now_of, .ctx = f, .rate = 1};
    f->setup.sink = (struct bus_sink){
        .readings = take_readings, .ack = take_ack, .link = take_link, .identity = take_identity, .ctx = f};
    f->setup.ready_fd = -1;
    add_signal(f, 0, 8);
    add_signal(f, 0, 9);
    add_signal(f, 0, 10);
}

struct fake_device *fixture_add_meter(struct fixture *f, int64_t poll_ns)
{
    int i = f->fake_count;
    blank_map(&f->maps[i], "meter");
    int a = add_point(&f->maps[i], "x", TABLE_INPUT, 0, TYPE_U16);
    int b = add_point(&f->maps[i], "y", TABLE_INPUT, 1, TYPE_U16);
    add_device(f, false, poll_ns);
    add_signal(f, i, a);
    add_signal(f, i, b);
    return &f->fakes[i];
}

void fixture_start(struct fixture *f, int fd)
{
    struct error err = {""};
    f->setup.peer = &f->peer;
    f->setup.ready_fd = fd;
    f->bus = bus_new(&f->setup, &err);
    ck_assert_msg(f->bus != NULL, "%s", err.text);
}

void fixture_free(struct fixture *f)
{
    bus_free(f->bus);
    free(f->inputs);
}

void fixture_run_until(struct fixture *f, int64_t until_ns)
{
    for (int n = 0; n < 1000000; n++) {
        int64_t due = bus_next_due_ns(f->bus);
        if (due > until_ns)
            break;
        if (due > f->now_ns)
            f->now_ns = due;
        bus_run(f->bus);
    }
    f->now_ns = until_ns;
}

void fixture_run_for(struct fixture *f, int64_t ns)
{
    fixture_run_until(f, f->now_ns + ns);
}

bool fixture_run_up(struct fixture *f, int device, bool up)
{
    for (int n = 0; n < 6000; n++) {
        const struct input_link *link = last_link(f, device);
        if (link != NULL && link->up == up)
            return true;
        fixture_run_for(f, 10 * MS);
    }
    return false;
}

void fixture_up(struct fixture *f)
{
    fixture_start(f, -1);
    ck_assert(fixture_run_up(f, 0, true));
    lease_renew(&f->leases[0], INT64_MAX);
}

bool fixture_lease_runs(struct fixture *f)
{
    return lease_state(&f->leases[0], f->now_ns) == LEASE_RUNS;
}

static int64_t real_of(void *ctx)
{
    struct fixture *f = ctx;
    f->now_ns = transport_now_ns();
    return f->now_ns;
}

void fixture_real_time(struct fixture *f)
{
    f->setup.time.now_ns = real_of;
}

int64_t fixture_run_real(struct fixture *f, int64_t ns)
{
    int64_t end = transport_now_ns() + ns, longest = 0;
    for (int64_t now = transport_now_ns(); now < end; now = transport_now_ns()) {
        int64_t due = bus_next_due_ns(f->bus);
        if (due > now) {
            int64_t wait_ms = (due < end ? due - now : end - now) / MS;
            struct pollfd p = {.fd = bus_wake_fd(f->bus), .events = POLLIN};
            (void)poll(&p, 1, (int)(wait_ms + 1));
        }
        int64_t begun = transport_now_ns();
        bus_run(f->bus);
        int64_t took = transport_now_ns() - begun;
        longest = took > longest ? took : longest;
    }
    return longest;
}

struct command fixture_command(enum command_kind kind, int channel)
{
    return (struct command){.kind = kind, .channel = channel, .device = -1};
}

int count_writes(const struct fixture *f, int from, int address)
{
    int count = 0;
    for (int i = from; i < f->write_count; i++)
        count += address < 0 || f->writes[i].address == address;
    return count;
}

int count_acks(const struct fixture *f, enum ack_kind kind)
{
    int count = 0;
    for (int i = 0; i < f->input_count; i++)
        count += f->inputs[i].kind == INPUT_ACK && f->inputs[i].u.ack.kind == kind;
    return count;
}

const struct input_ack *last_ack(const struct fixture *f, uint64_t command)
{
    for (int i = f->input_count - 1; i >= 0; i--) {
        if (f->inputs[i].kind == INPUT_ACK && f->inputs[i].u.ack.command == command)
            return &f->inputs[i].u.ack;
    }
    return NULL;
}

const struct input_link *last_link(const struct fixture *f, int device)
{
    for (int i = f->input_count - 1; i >= 0; i--) {
        if (f->inputs[i].kind == INPUT_LINK && f->inputs[i].u.link.device == device)
            return &f->inputs[i].u.link;
    }
    return NULL;
}

const struct reading *last_reading(const struct fixture *f, int signal, const struct input_readings **in)
{
    for (int i = f->input_count - 1; i >= 0; i--) {
        const struct input_readings *r = &f->inputs[i].u.readings;
        for (int k = 0; f->inputs[i].kind == INPUT_READINGS && k < r->count; k++) {
            if (r->items[k].signal == signal) {
                if (in != NULL)
                    *in = r;
                return &r->items[k];
            }
        }
    }
    return NULL;
}
