/* A transport that stands in front of another one and may touch whatever passes: noise and torn frames for trying what
 * a driver does about them, or a copy into a file. The driver has one end of a socket pair and cannot tell; a thread
 * carries the bytes. That costs a wake-up or two for each frame, so a bus has a relay only when it is asked for. */
#ifndef RELAY_H
#define RELAY_H

#include "transport.h"

struct relay;

enum relay_way { TO_DEVICE, FROM_DEVICE };

/* What a relay does with what it carries. Called by its thread alone, except free. */
struct relay_hands {
    /* A new connection. May be NULL. */
    void (*joined)(void *ctx);
    /* Bytes have arrived on their way: say what shall go on by relay_say. */
    void (*pass)(void *ctx, struct relay *r, enum relay_way way, const uint8_t *bytes, size_t size);
    void (*free)(void *ctx); /* may be NULL */
    void *ctx;
};

/* A transport through a relay over inner, which is taken over (freed also when this fails). NULL when out of memory;
 * the hands are freed then too. Opening it opens inner, closing it closes inner. */
struct transport *relay_over(struct transport *inner, const struct relay_hands *hands);

/* For pass: send bytes on. What cannot be sent within 100 ms is lost, as on a line that nobody reads. */
void relay_say(struct relay *r, enum relay_way way, const void *bytes, size_t size);

/* For pass: wait, but not beyond the end of the relay. */
void relay_pause(struct relay *r, int64_t ns);

/* For pass: break the connection on both sides; the driver may open it again. */
void relay_hang_up(struct relay *r);

#endif
