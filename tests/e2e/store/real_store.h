/* A real InfluxDB 1.x of our own: loopback, a free port, a directory of its own, stopped by its process id. */
#ifndef REAL_STORE_H
#define REAL_STORE_H

#include <stdbool.h>
#include <stddef.h>
#include <sys/types.h>

struct real_store {
    char dir[64];
    int port;
    pid_t pid;
    char url[64];
};

/* False when no influxd is installed. */
bool real_store_installed(void);
/* Picks a port and a directory; starts the server and waits until it answers. Ends the test on failure. */
void real_store_make(struct real_store *s);
void real_store_start(struct real_store *s);
/* kill -9. */
void real_store_kill(struct real_store *s);
void real_store_remove(struct real_store *s);

/* A query of version 1 with epoch=ms on database soak; the caller frees the answer. */
char *real_store_query(const struct real_store *s, const char *query);

#endif
