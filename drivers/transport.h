/* Transports own the descriptor that a protocol talks through. One table of functions stands for TCP, a serial line, a
 * pseudo terminal or a descriptor that somebody made ready; a protocol cannot tell which it has. Times here are real
 * nanoseconds of the monotonic clock, never the bench's scaled time. */
#ifndef TRANSPORT_H
#define TRANSPORT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "device_map.h"
#include "error.h"

struct transport;

/* Make a transport from a bus's configuration (kind, address or port, baud ...); nothing is opened yet. Returns NULL
 * and err when the description cannot be right (host name instead of a numeric address, unknown baud rate ...). */
struct transport *transport_new(const struct bus_config *config, struct error *err);

/* A transport over a descriptor that is ready (socketpair, pty). It is taken over and closed with the transport; once
 * lost it cannot be opened again. NULL when out of memory (fd is closed then too). */
struct transport *transport_over_fd(int fd);

/* Another way to come by a descriptor, in the table beside TCP and the serial line: a relay, a recorded session. */
struct transport_layer {
    /* Makes a connection within timeout_ns; returns a non-blocking descriptor, which the transport closes, or -1. */
    int (*open)(void *ctx, int64_t timeout_ns, struct error *err);
    void (*close)(void *ctx); /* after the descriptor was closed */
    void (*free)(void *ctx);  /* may be NULL */
    void *ctx;
};

/* A transport by a layer, whose ctx is taken over. NULL when out of memory (ctx is freed then too). */
struct transport *transport_over_layer(const struct transport_layer *layer);

void transport_free(struct transport *t);

/* Open or reopen: at most timeout_ns. The descriptor is non-blocking, below FD_SETSIZE (select is used on it), and for
 * a serial line locked (flock, TIOCEXCL), set, and read back. A port that another process holds is refused, with the
 * holder's name and number where the system tells them. Returns 0 or -1 with err. */
int transport_open(struct transport *t, int64_t timeout_ns, struct error *err);

/* Close at once; harmless when closed. */
void transport_close(struct transport *t);

/* The descriptor, -1 while closed. Owned by the transport. */
int transport_fd(const struct transport *t);

/* Throw away whatever has arrived. Returns the number of bytes; -1 when the connection is gone. */
int64_t transport_flush(struct transport *t);

/* End every read and write that another thread has under way on this transport, by shutting its socket down. Serial
 * descriptors cannot be shut down and need not be: nothing on them blocks beyond its timeout. Safe against a close at
 * the same moment. Any thread. Returns true when something was shut down. */
bool transport_shutdown(struct transport *t);

/* Write all bytes before the deadline (absolute, real monotonic ns). Returns 0, or -1 with errno (ETIMEDOUT, EPIPE...).
 */
int transport_write(struct transport *t, const void *bytes, size_t size, int64_t deadline_ns);

/* Read what is there, waiting for the first byte until the deadline. Returns the count, or -1 with errno: ETIMEDOUT
 * when nothing came, ECONNRESET when the far side or the adapter is gone (a hung-up port reads as nothing for ever). */
int64_t transport_read(struct transport *t, void *bytes, size_t cap, int64_t deadline_ns);

/* True for the errno values that mean the connection or the port itself is lost. */
bool transport_error_is_loss(int error_number);

/* The system's monotonic clock in ns. */
int64_t transport_now_ns(void);

#endif
