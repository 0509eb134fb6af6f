/* Network addresses as configurations write them. */
#ifndef NET_ADDRESS_H
#define NET_ADDRESS_H

#include <stdbool.h>

/* "127.0.0.1:502" or "[::1]:502": a numeric IPv4 or IPv6 address with a port from 1 to 65535. */
bool net_address_is_numeric(const char *text);

/* True when such an address is this computer only. */
bool net_address_is_loopback(const char *text);

#endif
