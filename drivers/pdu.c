#include "pdu.h"

#include <stdbool.h>
#include <string.h>

static void put16(uint8_t *to, unsigned v)
{
    to[0] = (uint8_t)(v >> 8);
    to[1] = (uint8_t)v;
}

static uint16_t get16(const uint8_t *from)
{
    return (uint16_t)(from[0] << 8 | from[1]);
}

int pdu_is_read(enum modbus_function f)
{
    return f == MODBUS_READ_COILS || f == MODBUS_READ_DISCRETE || f == MODBUS_READ_HOLDING || f == MODBUS_READ_INPUT;
}

static unsigned count_limit(enum modbus_function f)
{
    switch (f) {
    case MODBUS_READ_COILS:
    case MODBUS_READ_DISCRETE:
        return READ_BITS_MAX;
    case MODBUS_READ_HOLDING:
    case MODBUS_READ_INPUT:
        return READ_REGISTERS_MAX;
    case MODBUS_WRITE_COIL:
    case MODBUS_WRITE_REGISTER:
    case MODBUS_MASK_WRITE:
        return 1;
    case MODBUS_WRITE_COILS:
    case MODBUS_WRITE_REGISTERS:
        return WRITE_REGISTERS_MAX;
    default:
        return 0;
    }
}

/* The part of a multiple write behind count: number of bytes, then the data. */
static size_t encode_values(const struct modbus_request *r, uint8_t *to, size_t cap)
{
    bool bits = r->function == MODBUS_WRITE_COILS;
    size_t bytes = bits ? (r->count + 7u) / 8u : r->count * 2u;
    if (bytes + 1 > cap)
        return 0;
    to[0] = (uint8_t)bytes;
    memset(to + 1, 0, bytes);
    for (unsigned i = 0; i < r->count; i++) {
        if (!bits)
            put16(to + 1 + 2 * i, r->values[i]);
        else if (r->values[i] != 0)
            to[1 + i / 8] |= (uint8_t)(1u << (i % 8));
    }
    return bytes + 1;
}

size_t pdu_encode(const struct modbus_request *r, uint8_t *pdu, size_t cap)
{
    if (r->count == 0 || r->count > count_limit(r->function) || r->address + (uint32_t)r->count > 65536 || cap < 7)
        return 0;
    pdu[0] = (uint8_t)r->function;
    put16(pdu + 1, r->address);
    switch (r->function) {
    case MODBUS_WRITE_COIL:
        put16(pdu + 3, r->values[0] != 0 ? 0xFF00 : 0);
        return 5;
    case MODBUS_WRITE_REGISTER:
        put16(pdu + 3, r->values[0]);
        return 5;
    case MODBUS_MASK_WRITE:
        put16(pdu + 3, r->values[0]);
        put16(pdu + 5, r->values[1]);
        return 7;
    default:
        put16(pdu + 3, r->count);
        break;
    }
    if (pdu_is_read(r->function))
        return 5;
    size_t more = encode_values(r, pdu + 5, cap - 5);
    return more == 0 ? 0 : 5 + more;
}

static size_t data_size(const struct modbus_request *r)
{
    bool bits = r->function == MODBUS_READ_COILS || r->function == MODBUS_READ_DISCRETE;
    return bits ? (r->count + 7u) / 8u : r->count * 2u;
}

size_t pdu_answer_size(const struct modbus_request *r)
{
    if (pdu_is_read(r->function))
        return 2 + data_size(r);
    return r->function == MODBUS_MASK_WRITE ? 7 : 5;
}

static void decode_values(const struct modbus_request *r, const uint8_t *data, struct modbus_answer *a)
{
    bool bits = r->function == MODBUS_READ_COILS || r->function == MODBUS_READ_DISCRETE;
    for (unsigned i = 0; i < r->count; i++)
        a->values[i] = (uint16_t)(bits ? (unsigned)data[i / 8] >> (i % 8) & 1u : get16(data + 2 * i));
}

enum bus_error pdu_decode(const struct modbus_request *r, const uint8_t *pdu, size_t size, struct modbus_answer *a)
{
    a->exception = 0;
    if (size == 2 && pdu[0] == ((unsigned)r->function | 0x80u)) {
        a->exception = pdu[1];
        return pdu[1] == 0 ? BUS_BAD_ANSWER : BUS_EXCEPTION;
    }
    if (size != pdu_answer_size(r) || pdu[0] != (unsigned)r->function)
        return BUS_BAD_ANSWER;
    if (pdu_is_read(r->function)) {
        if (pdu[1] != data_size(r))
            return BUS_BAD_ANSWER;
        decode_values(r, pdu + 2, a);
        return BUS_OK;
    }
    /* A write is answered by the beginning of its request. */
    uint8_t asked[PDU_CAP];
    if (pdu_encode(r, asked, sizeof asked) < size)
        return BUS_BAD_ANSWER;
    return memcmp(asked, pdu, size) == 0 ? BUS_OK : BUS_BAD_ANSWER;
}

uint16_t rtu_crc(const uint8_t *bytes, size_t size)
{
    unsigned crc = 0xFFFF;
    for (size_t i = 0; i < size; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = (crc & 1u) != 0 ? crc >> 1 ^ 0xA001u : crc >> 1;
    }
    return (uint16_t)crc;
}
