/* Frames of Modbus TCP (messaging guide V1.0b) and RTU (serial line V1.02), from the server's side. */
#ifndef VB_FRAME_H
#define VB_FRAME_H

#include <stddef.h>
#include <stdint.h>

enum { VB_FRAME_MAX = 260 };

/* CRC-16 of a serial line frame; the low byte goes first on the wire. */
uint16_t vb_frame_crc(const uint8_t *bytes, size_t size);

/* Size of the request that begins at bytes, as far as it can be told: > 0 its size (which may be more than there is
 * yet), 0 more bytes are needed to tell, -1 this can be no request. */
int vb_frame_tcp_size(const uint8_t *bytes, size_t size);
int vb_frame_rtu_size(const uint8_t *bytes, size_t size);

/* Wraps an answer. Returns the frame's size. */
size_t vb_frame_tcp(uint8_t *frame, const uint8_t transaction[2], uint8_t server, const uint8_t *pdu, size_t size);
size_t vb_frame_rtu(uint8_t *frame, uint8_t server, const uint8_t *pdu, size_t size);

#endif
