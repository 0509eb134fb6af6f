/* Modbus behind struct protocol: over a descriptor by libmodbus's framing, in process as bare protocol data units. */
#include <math.h>
#include <string.h>

#include "bus_internal.h"
#include "map_check.h"
#include "register_value.h"

static int modbus_plan(const struct device *dev, const bool *wanted, struct block *blocks)
{
    return blocks_gather(dev->map, wanted, dev->split, &dev->limits, blocks);
}

static enum bus_error ask_peer(struct bus *bus, const struct device *dev, const struct modbus_request *request,
                               struct modbus_answer *answer, struct outcome *out)
{
    uint8_t pdu[PDU_CAP], got[PDU_CAP];
    size_t got_size = 0;
    int64_t took = 0;
    size_t size = pdu_encode(request, pdu, sizeof pdu);
    if (size == 0 || bus->peer.exchange == NULL)
        return BUS_NOT_SENT;
    int rc = bus->peer.exchange(bus->peer.ctx, dev->setup.config->server, pdu, size, got, sizeof got, &got_size, &took);
    if (took < 0)
        took = 0;
    if (rc == PEER_SILENT || took > dev->answer_ns) {
        out->took_ns += dev->answer_ns;
        return BUS_TIMEOUT;
    }
    out->took_ns += took;
    if (rc == PEER_GARBLED)
        return BUS_BAD_CHECKSUM;
    if (rc == PEER_WRONG_SERVER)
        return BUS_WRONG_SERVER;
    if (rc != PEER_ANSWERED || got_size > sizeof got)
        return BUS_LINK_LOST;
    return pdu_decode(request, got, got_size, answer);
}

static enum bus_error ask(struct bus *bus, const struct device *dev, const struct modbus_request *request,
                          struct modbus_answer *answer, struct outcome *out)
{
    /* Address and checksum of an RTU frame are three bytes more. */
    uint8_t pdu[PDU_CAP];
    out->sent_bytes += (int)pdu_encode(request, pdu, sizeof pdu) + 3;
    enum bus_error error =
        bus->in_process ? ask_peer(bus, dev, request, answer, out)
                        : modbus_link_exchange(bus->modbus, dev->setup.config->server, request, dev->answer_ns, answer);
    if (error == BUS_OK)
        out->got_bytes += (int)pdu_answer_size(request) + 3;
    else if (error == BUS_EXCEPTION)
        out->got_bytes += 5;
    out->exception = answer->exception;
    return error;
}

static enum modbus_function read_function(enum register_table table)
{
    switch (table) {
    case TABLE_COIL:
        return MODBUS_READ_COILS;
    case TABLE_DISCRETE:
        return MODBUS_READ_DISCRETE;
    case TABLE_HOLDING:
        return MODBUS_READ_HOLDING;
    default:
        return MODBUS_READ_INPUT;
    }
}

static void modbus_read_block(struct bus *bus, struct device *dev, const struct block *block, struct outcome *out)
{
    struct modbus_answer answer;
    struct modbus_request request = {
        .function = read_function(block->table), .address = block->first, .count = block->count};
    if (request.count == 0)
        request.count = (uint16_t)value_width(&dev->map->points[block->points[0]]);
    answer.exception = 0;
    out->error = ask(bus, dev, &request, &answer, out);
    if (out->error != BUS_OK)
        return;
    for (int i = 0; out->raw != NULL && i < request.count; i++) {
        bool bits = request.function == MODBUS_READ_COILS || request.function == MODBUS_READ_DISCRETE;
        (void)text_append(out->raw, TEXT_CAP, bits ? "%.0s%d" : "%s%04X", i > 0 ? " " : "", answer.values[i]);
    }
    for (int i = 0; i < block->point_count; i++) {
        const struct map_point *point = &dev->map->points[block->points[i]];
        struct sample *s = &out->samples[out->sample_count++];
        s->point = block->points[i];
        s->value = value_decode(point, &answer.values[point->register_ - block->first], &s->quality);
    }
}

static enum bus_error write_one(struct bus *bus, struct device *dev, enum modbus_function function, int address,
                                int count, const uint16_t *values, struct outcome *out)
{
    struct modbus_answer answer;
    struct modbus_request request = {
        .function = function, .address = (uint16_t)address, .count = (uint16_t)count, .values = {0}};
    size_t given = function == MODBUS_MASK_WRITE ? 2 : (size_t)count;
    memcpy(request.values, values, given * sizeof values[0]);
    answer.exception = 0;
    return ask(bus, dev, &request, &answer, out);
}

/* A whole value: the single write where it fits, unless the device has refused that function before. */
static enum bus_error write_value(struct bus *bus, struct device *dev, const struct map_point *point,
                                  const uint16_t *values, struct outcome *out)
{
    bool bit = value_in_bits(point);
    int width = value_width(point);
    if (width == 1 && !dev->no_single_write) {
        enum bus_error error =
            write_one(bus, dev, bit ? MODBUS_WRITE_COIL : MODBUS_WRITE_REGISTER, point->register_, 1, values, out);
        if (error != BUS_EXCEPTION || out->exception != 1)
            return error;
        dev->no_single_write = true;
    }
    return write_one(bus, dev, bit ? MODBUS_WRITE_COILS : MODBUS_WRITE_REGISTERS, point->register_, width, values, out);
}

/* Some bits of a register: by the mask write, or read, changed and written where the device does not know it. */
static enum bus_error write_field(struct bus *bus, struct device *dev, const struct map_point *point, uint16_t mask,
                                  uint16_t bits, struct outcome *out)
{
    if (!dev->no_mask_write) {
        const uint16_t masks[2] = {(uint16_t)~mask, bits};
        enum bus_error error = write_one(bus, dev, MODBUS_MASK_WRITE, point->register_, 1, masks, out);
        if (error != BUS_EXCEPTION || out->exception != 1)
            return error;
        dev->no_mask_write = true;
    }
    struct modbus_answer answer;
    struct modbus_request request = {.function = MODBUS_READ_HOLDING, .address = point->register_, .count = 1};
    answer.exception = 0;
    enum bus_error error = ask(bus, dev, &request, &answer, out);
    if (error != BUS_OK)
        return error;
    const uint16_t value = (uint16_t)((answer.values[0] & ~mask) | bits);
    return write_value(bus, dev, point, &value, out);
}

static void modbus_write_point(struct bus *bus, struct device *dev, int point_index, double value, struct outcome *out)
{
    const struct map_point *point = &dev->map->points[point_index];
    uint64_t raw = 0;
    uint16_t values[16] = {0};
    if ((point->table != TABLE_HOLDING && point->table != TABLE_COIL) || value_encode(point, value, &raw) != 0) {
        out->error = BUS_NOT_SENT;
        return;
    }
    if (!value_in_bits(point) && value_width(point) == 1 && (point->bits > 0 || point->type == TYPE_BIT)) {
        int width = point->bits > 0 ? point->bits : 1;
        uint16_t mask = (uint16_t)(((1u << width) - 1) << point->bit);
        out->error = write_field(bus, dev, point, mask, (uint16_t)raw, out);
        return;
    }
    value_to_registers(point, raw, values);
    out->error = write_value(bus, dev, point, values, out);
}

/* On a serial line no piece holds up the rest for longer than this. */
static const int64_t piece_ns = INT64_C(50000000);

static int piece_registers(const struct bus *bus, const struct device *dev)
{
    int most = dev->limits.registers;
    while (bus->serial && most > 8 && rtu_exchange_ns(&bus->config, 8, 5 + 2 * most) > piece_ns)
        most--;
    return most;
}

static void modbus_samples(struct bus *bus, struct device *dev, int point_index, int first, int count,
                           struct sample_row *row, struct outcome *out)
{
    struct map_point point = dev->map->points[point_index];
    int width = value_width(&point), most = piece_registers(bus, dev) / width;
    int n = count < row->cap ? count : row->cap;
    n = n < most ? n : most > 0 ? most : 1;
    int address = point.register_ + first * width;
    struct modbus_answer answer;
    struct modbus_request request = {
        .function = read_function(point.table), .address = (uint16_t)address, .count = (uint16_t)(n * width)};
    row->got = 0;
    answer.exception = 0;
    out->error = address + n * width <= 65536 ? ask(bus, dev, &request, &answer, out) : BUS_NOT_SENT;
    for (int i = 0; out->error == BUS_OK && i < n; i++) {
        enum quality quality;
        double value = value_decode(&point, &answer.values[i * width], &quality);
        row->values[row->got++] = quality == QUALITY_GOOD ? value : NAN;
    }
}

const struct protocol modbus_protocol = {
    .plan = modbus_plan,
    .read = modbus_read_block,
    .write = modbus_write_point,
    .samples = modbus_samples,
    .identify = NULL,
    .listen = NULL,
};
