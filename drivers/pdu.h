/* Modbus protocol data units (function code and data, without address, checksum or TCP header): requests are encoded,
 * answers decoded and checked against the request in full. Modbus application protocol V1.1b3, clauses 6.1 to 6.16. */
#ifndef PDU_H
#define PDU_H

#include <stddef.h>
#include <stdint.h>

#include "bus_stats.h"

enum modbus_function {
    MODBUS_READ_COILS = 1,
    MODBUS_READ_DISCRETE = 2,
    MODBUS_READ_HOLDING = 3,
    MODBUS_READ_INPUT = 4,
    MODBUS_WRITE_COIL = 5,
    MODBUS_WRITE_REGISTER = 6,
    MODBUS_WRITE_COILS = 15,
    MODBUS_WRITE_REGISTERS = 16,
    MODBUS_MASK_WRITE = 22
};

enum {
    PDU_CAP = 253,
    READ_REGISTERS_MAX = 125,
    READ_BITS_MAX = 2000,
    WRITE_REGISTERS_MAX = 123,
    WRITE_BITS_MAX = 1968
};

struct modbus_request {
    enum modbus_function function;
    uint16_t address;
    uint16_t count;                       /* registers or bits; 1 for the single writes and the mask write */
    uint16_t values[WRITE_REGISTERS_MAX]; /* to write, a coil as 0 or 1; mask write: and-mask, or-mask */
};

struct modbus_answer {
    int exception;                  /* code when the device refused, else 0 */
    uint16_t values[READ_BITS_MAX]; /* as read, a bit as 0 or 1 */
};

/* Is this a read that brings values? */
int pdu_is_read(enum modbus_function function);

/* Encodes a request into at most PDU_CAP bytes. Returns its size; 0 when the request cannot be (count out of range,
 * running past the last address, unknown function; at most WRITE_REGISTERS_MAX coils are written at once). */
size_t pdu_encode(const struct modbus_request *request, uint8_t *pdu, size_t cap);

/* Size of the answer that a request should get. */
size_t pdu_answer_size(const struct modbus_request *request);

/* Decodes the answer to a request. BUS_OK; BUS_EXCEPTION with answer->exception; BUS_BAD_ANSWER when it is not an
 * answer to this request: other function, other count, an echo that differs. Takes any bytes. */
enum bus_error pdu_decode(const struct modbus_request *request, const uint8_t *pdu, size_t size,
                          struct modbus_answer *answer);

/* Checksum of an RTU frame: CRC-16, polynomial 0xA001, start 0xFFFF; sent low byte first. Modbus over serial line
 * V1.02, 6.2.2. */
uint16_t rtu_crc(const uint8_t *bytes, size_t size);

#endif
