/* Modbus over a descriptor: libmodbus frames (TCP header or RTU checksum), we own the descriptor, the deadline and what
 * happens after an error. One link, one thread. The process must ignore SIGPIPE (RTU over a socket writes plainly). */
#ifndef MODBUS_LINK_H
#define MODBUS_LINK_H

#include <stdint.h>

#include "device_map.h"
#include "error.h"
#include "pdu.h"

struct modbus_link;

/* RTU framing for BUS_MODBUS_RTU, else TCP. NULL with err. */
struct modbus_link *modbus_link_new(const struct bus_config *config, struct error *err);
void modbus_link_free(struct modbus_link *link);

/* Talk over this descriptor from now on; never -1. Returns 0 or -1. */
int modbus_link_attach(struct modbus_link *link, int fd);

/* One transaction, at most timeout_ns (real). server: 0 to 247, or 255 over TCP. On RTU the whole answer is checked
 * against the request, echoes included; on TCP the transaction number does that. BUS_LINK_LOST: the descriptor is of no
 * more use. */
enum bus_error modbus_link_exchange(struct modbus_link *link, int server, const struct modbus_request *request,
                                    int64_t timeout_ns, struct modbus_answer *answer);

#endif
