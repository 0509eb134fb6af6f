#include "vb_frame.h"

#include <string.h>

uint16_t vb_frame_crc(const uint8_t *bytes, size_t size)
{
    uint16_t crc = 0xffff;
    for (size_t i = 0; i < size; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = (uint16_t)((crc >> 1) ^ ((crc & 1) != 0 ? 0xa001 : 0));
    }
    return crc;
}

int vb_frame_tcp_size(const uint8_t *bytes, size_t size)
{
    if (size < 6)
        return 0;
    int length = bytes[4] << 8 | bytes[5];
    if (bytes[2] != 0 || bytes[3] != 0 || length < 2 || length > 254)
        return -1;
    return 6 + length;
}

int vb_frame_rtu_size(const uint8_t *bytes, size_t size)
{
    if (size < 2)
        return 0;
    switch (bytes[1]) {
    case 1:
    case 2:
    case 3:
    case 4:
    case 5:
    case 6:
    case 8:
        return 8;
    case 15:
    case 16:
        return size < 7 ? 0 : 9 + bytes[6];
    case 22:
        return 10;
    case 23:
        return size < 11 ? 0 : 13 + bytes[10];
    default:
        return size >= 4 ? (int)size : 0; /* unknown function: the silence ends it */
    }
}

size_t vb_frame_tcp(uint8_t *frame, const uint8_t transaction[2], uint8_t server, const uint8_t *pdu, size_t size)
{
    memcpy(frame, transaction, 2);
    frame[2] = frame[3] = 0;
    frame[4] = (uint8_t)((size + 1) >> 8);
    frame[5] = (uint8_t)(size + 1);
    frame[6] = server;
    memcpy(frame + 7, pdu, size);
    return size + 7;
}

size_t vb_frame_rtu(uint8_t *frame, uint8_t server, const uint8_t *pdu, size_t size)
{
    frame[0] = server;
    memcpy(frame + 1, pdu, size);
    uint16_t crc = vb_frame_crc(frame, size + 1);
    frame[size + 1] = (uint8_t)crc;
    frame[size + 2] = (uint8_t)(crc >> 8);
    return size + 3;
}
