/* A Modbus server's answers, from the Modbus application protocol V1.1b3: which requests are well formed, in which
 * order errors are found (function, quantity, address, value), and what the answers look like. */
#include <math.h>
#include <string.h>

#include "vb_world.h"

enum {
    READ_COILS = 1,
    READ_DISCRETE = 2,
    READ_HOLDING = 3,
    READ_INPUT = 4,
    WRITE_COIL = 5,
    WRITE_REGISTER = 6,
    DIAGNOSTICS = 8,
    WRITE_COILS = 15,
    WRITE_REGISTERS = 16,
    MASK_REGISTER = 22,
    READ_WRITE = 23
};
enum { ILLEGAL_FUNCTION = 1, ILLEGAL_ADDRESS = 2, ILLEGAL_VALUE = 3 };

static unsigned word(const uint8_t *p)
{
    return (unsigned)p[0] << 8 | p[1];
}

static size_t exception(uint8_t *answer, uint8_t function, int code)
{
    answer[0] = function | 0x80;
    answer[1] = (uint8_t)code;
    return 2;
}

static bool inside(const struct vb_device *d, enum vb_table table, unsigned first, unsigned count)
{
    if (first + count > (unsigned)d->extent[table])
        return false;
    if (table == VB_INPUT && d->keep_first >= 0)
        return first + count <= (unsigned)d->keep_first || first > (unsigned)d->keep_last;
    return true;
}

/* Registers of a table as bytes; addresses in a gap read 0. */
static void read_registers(const struct vbench *vb, const struct vb_device *d, enum vb_table table, unsigned first,
                           unsigned count, uint8_t *to)
{
    memset(to, 0, 2 * (size_t)count);
    for (int i = 0; i < d->cell_count; i++) {
        const struct vb_cell *cell = &d->cell[i];
        unsigned width = (unsigned)vb_cell_width(cell->type);
        if (cell->table != table || cell->address + width <= first || cell->address >= first + count)
            continue;
        uint8_t bytes[8];
        vb_cell_encode(vb, d, cell, bytes);
        for (unsigned r = 0; r < width; r++) {
            unsigned at = cell->address + r;
            if (at >= first && at < first + count)
                memcpy(to + 2 * (size_t)(at - first), bytes + 2 * (size_t)r, 2);
        }
    }
}

static size_t read_bits(const struct vbench *vb, const struct vb_device *d, enum vb_table table, const uint8_t *pdu,
                        size_t size, uint8_t *answer)
{
    unsigned first = word(pdu + 1), count = word(pdu + 3);
    if (size != 5 || count < 1 || count > 2000)
        return exception(answer, pdu[0], ILLEGAL_VALUE);
    if (!inside(d, table, first, count))
        return exception(answer, pdu[0], ILLEGAL_ADDRESS);
    size_t bytes = (count + 7) / 8;
    answer[0] = pdu[0];
    answer[1] = (uint8_t)bytes;
    memset(answer + 2, 0, bytes);
    for (int i = 0; i < d->cell_count; i++) {
        const struct vb_cell *cell = &d->cell[i];
        if (cell->table != table || cell->address < first || cell->address >= first + count)
            continue;
        double value = cell->stuck ? cell->stuck_raw : vb_cell_value(vb, d, cell);
        if (value != 0)
            answer[2 + (cell->address - first) / 8] |= (uint8_t)(1u << (cell->address - first) % 8);
    }
    return 2 + bytes;
}

static size_t read_words(struct vbench *vb, struct vb_device *d, enum vb_table table, const uint8_t *pdu, size_t size,
                         uint8_t *answer)
{
    unsigned first = word(pdu + 1), count = word(pdu + 3);
    if (size != 5 || count < 1 || count > 125)
        return exception(answer, pdu[0], ILLEGAL_VALUE);
    if (!inside(d, table, first, count))
        return exception(answer, pdu[0], ILLEGAL_ADDRESS);
    answer[0] = pdu[0];
    answer[1] = (uint8_t)(2 * count);
    read_registers(vb, d, table, first, count, answer + 2);
    if (d->recorder >= 0 && table == VB_INPUT && !vb_recorder_registers(vb, d, first, count, answer + 2))
        return exception(answer, pdu[0], ILLEGAL_ADDRESS);
    return 2 + 2 * (size_t)count;
}

/* Writes registers; a value that a write covers only in part keeps its other half. */
static int write_words(struct vbench *vb, struct vb_device *d, unsigned first, unsigned count, const uint8_t *from)
{
    int hit = 0;
    for (int i = 0; i < d->cell_count; i++) {
        struct vb_cell *cell = &d->cell[i];
        unsigned width = (unsigned)vb_cell_width(cell->type);
        if (cell->table != VB_HOLDING || cell->address + width <= first || cell->address >= first + count)
            continue;
        uint8_t bytes[8];
        vb_cell_encode(vb, d, cell, bytes);
        for (unsigned r = 0; r < width; r++) {
            unsigned at = cell->address + r;
            if (at >= first && at < first + count)
                memcpy(bytes + 2 * (size_t)r, from + 2 * (size_t)(at - first), 2);
        }
        int code = vb_cell_write(vb, d, cell, bytes);
        if (code)
            return code;
        hit++;
    }
    return hit > 0 ? 0 : ILLEGAL_ADDRESS; /* nothing is behind these registers */
}

static int write_bit(struct vbench *vb, struct vb_device *d, unsigned address, bool on)
{
    const uint8_t bytes[2] = {0, on ? 1 : 0};
    for (int i = 0; i < d->cell_count; i++)
        if (d->cell[i].table == VB_COIL && d->cell[i].address == address)
            return vb_cell_write(vb, d, &d->cell[i], bytes);
    return ILLEGAL_ADDRESS;
}

static size_t write_one(struct vbench *vb, struct vb_device *d, const uint8_t *pdu, size_t size, uint8_t *answer)
{
    unsigned address = word(pdu + 1), value = word(pdu + 3);
    bool bit = pdu[0] == WRITE_COIL;
    if (size != 5 || (bit && value != 0 && value != 0xff00))
        return exception(answer, pdu[0], ILLEGAL_VALUE);
    if (!inside(d, bit ? VB_COIL : VB_HOLDING, address, 1))
        return exception(answer, pdu[0], ILLEGAL_ADDRESS);
    int code = bit ? write_bit(vb, d, address, value != 0) : write_words(vb, d, address, 1, pdu + 3);
    if (code)
        return exception(answer, pdu[0], code);
    memcpy(answer, pdu, 5);
    return 5;
}

static size_t write_many(struct vbench *vb, struct vb_device *d, const uint8_t *pdu, size_t size, uint8_t *answer)
{
    bool bits = pdu[0] == WRITE_COILS;
    unsigned first = word(pdu + 1), count = word(pdu + 3);
    size_t bytes = bits ? (count + 7) / 8 : 2 * (size_t)count;
    if (size < 6 || count < 1 || count > (bits ? 1968u : 123u) || pdu[5] != bytes || size != 6 + bytes)
        return exception(answer, pdu[0], ILLEGAL_VALUE);
    if (!inside(d, bits ? VB_COIL : VB_HOLDING, first, count))
        return exception(answer, pdu[0], ILLEGAL_ADDRESS);
    int code = 0;
    if (!bits)
        code = write_words(vb, d, first, count, pdu + 6);
    for (unsigned i = 0; bits && code == 0 && i < count; i++)
        code = write_bit(vb, d, first + i, vb_bit(pdu[6 + i / 8], (int)(i % 8)));
    if (code)
        return exception(answer, pdu[0], code);
    memcpy(answer, pdu, 5);
    return 5;
}

static size_t mask_register(struct vbench *vb, struct vb_device *d, const uint8_t *pdu, size_t size, uint8_t *answer)
{
    if (size != 7)
        return exception(answer, pdu[0], ILLEGAL_VALUE);
    unsigned address = word(pdu + 1), and_mask = word(pdu + 3), or_mask = word(pdu + 5);
    if (!inside(d, VB_HOLDING, address, 1))
        return exception(answer, pdu[0], ILLEGAL_ADDRESS);
    uint8_t now[2];
    read_registers(vb, d, VB_HOLDING, address, 1, now);
    unsigned value = (word(now) & and_mask) | (or_mask & ~and_mask);
    now[0] = (uint8_t)(value >> 8);
    now[1] = (uint8_t)value;
    int code = write_words(vb, d, address, 1, now);
    if (code)
        return exception(answer, pdu[0], code);
    memcpy(answer, pdu, 7);
    return 7;
}

static size_t read_write(struct vbench *vb, struct vb_device *d, const uint8_t *pdu, size_t size, uint8_t *answer)
{
    if (size < 10)
        return exception(answer, pdu[0], ILLEGAL_VALUE);
    unsigned first = word(pdu + 1), count = word(pdu + 3), to = word(pdu + 5), writes = word(pdu + 7);
    if (count < 1 || count > 125 || writes < 1 || writes > 121 || pdu[9] != 2 * writes || size != 10 + 2 * writes)
        return exception(answer, pdu[0], ILLEGAL_VALUE);
    if (!inside(d, VB_HOLDING, first, count) || !inside(d, VB_HOLDING, to, writes))
        return exception(answer, pdu[0], ILLEGAL_ADDRESS);
    int code = write_words(vb, d, to, writes, pdu + 10);
    if (code)
        return exception(answer, pdu[0], code);
    answer[0] = pdu[0];
    answer[1] = (uint8_t)(2 * count);
    read_registers(vb, d, VB_HOLDING, first, count, answer + 2);
    return 2 + 2 * (size_t)count;
}

static bool known(uint8_t function)
{
    static const uint8_t functions[] = {READ_COILS,      READ_DISCRETE,  READ_HOLDING, READ_INPUT,
                                        WRITE_COIL,      WRITE_REGISTER, DIAGNOSTICS,  WRITE_COILS,
                                        WRITE_REGISTERS, MASK_REGISTER,  READ_WRITE};
    return memchr(functions, function, sizeof functions) != NULL;
}

size_t vb_modbus_answer(struct vbench *vb, struct vb_device *d, const uint8_t *pdu, size_t size, uint8_t *answer,
                        size_t cap)
{
    if (size < 1 || cap < 253)
        return 0;
    if (d->ctl.feed == VB_FED_BY_ANY && d->channel_count > 0)
        vb_bank_fed(vb, d);
    if (size < 5 && known(pdu[0]))
        return exception(answer, pdu[0], ILLEGAL_VALUE);
    switch (pdu[0]) {
    case READ_COILS:
        return read_bits(vb, d, VB_COIL, pdu, size, answer);
    case READ_DISCRETE:
        return read_bits(vb, d, VB_DISCRETE, pdu, size, answer);
    case READ_HOLDING:
        return read_words(vb, d, VB_HOLDING, pdu, size, answer);
    case READ_INPUT:
        return read_words(vb, d, VB_INPUT, pdu, size, answer);
    case WRITE_COIL:
    case WRITE_REGISTER:
        return write_one(vb, d, pdu, size, answer);
    case DIAGNOSTICS:
        if (word(pdu + 1) != 0)
            return exception(answer, pdu[0], ILLEGAL_FUNCTION);
        memcpy(answer, pdu, size);
        return size;
    case WRITE_COILS:
    case WRITE_REGISTERS:
        return write_many(vb, d, pdu, size, answer);
    case MASK_REGISTER:
        return mask_register(vb, d, pdu, size, answer);
    case READ_WRITE:
        return read_write(vb, d, pdu, size, answer);
    default:
        return exception(answer, pdu[0], ILLEGAL_FUNCTION);
    }
}
