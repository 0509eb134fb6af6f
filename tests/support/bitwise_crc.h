/* The check of a serial Modbus frame for peers of the tests' own: by the bit, where the daemon's goes another way. */
#ifndef BITWISE_CRC_H
#define BITWISE_CRC_H

#include <stddef.h>
#include <stdint.h>

/* Modbus over serial line V1.02, 6.2.2. */
static inline unsigned bitwise_crc(const uint8_t *bytes, size_t size)
{
    unsigned crc = 0xFFFF;
    for (size_t i = 0; i < size; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = crc & 1 ? crc >> 1 ^ 0xA001 : crc >> 1;
    }
    return crc;
}

#endif
