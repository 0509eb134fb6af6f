/* One serial line: opened and locked by us, set and read back. Real ports go through libserialport; pseudo terminals,
 * which it refuses, through termios behind the same functions. */
#ifndef SERIAL_PORT_H
#define SERIAL_PORT_H

#include "device_map.h"
#include "error.h"

struct serial_port;

/* Can these settings be right? Baud rate of the list, data bits, stop bits, a path. Returns 0 or -1 with err. */
int serial_port_check(const struct bus_config *config, struct error *err);

/* Opens the port of the configuration (persistent links are resolved), takes a lock on it (flock, and TIOCEXCL), sets
 * it and compares what the driver says it set. NULL with err; a port in use is refused with its holder's name. The
 * caller closes it. */
struct serial_port *serial_port_open(const struct bus_config *config, struct error *err);
void serial_port_close(struct serial_port *port);

/* Non-blocking descriptor, owned by the port. */
int serial_port_fd(const struct serial_port *port);

#endif
