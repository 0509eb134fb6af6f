/* A real store of our own (InfluxDB 1.x or VictoriaMetrics): loopback, a free port, a directory of its own, stopped by
 * its process id. */
#ifndef REAL_STORE_H
#define REAL_STORE_H

#include <stdbool.h>
#include <stddef.h>
#include <sys/types.h>

enum real_store_kind { REAL_INFLUXDB, REAL_VICTORIAMETRICS };

struct real_store {
    enum real_store_kind kind;
    char dir[64];
    int port;
    pid_t pid;
    char url[64];
    bool tls; /* its certificate is store.pem, of the authority ca.pem; other.pem is an authority that signed nothing */
};

bool real_store_installed(enum real_store_kind kind);
/* Picks a port and a directory; starts the server and waits until it answers. Ends the test on failure. */
void real_store_make(struct real_store *s, enum real_store_kind kind);
/* The same, spoken to by TLS alone (InfluxDB): authority and certificate are made by openssl in the store's directory.
 */
void real_store_make_tls(struct real_store *s);
void real_store_start(struct real_store *s);
/* All that it holds is gone; it does not run. */
void real_store_wipe(struct real_store *s);
/* kill -9. */
void real_store_kill(struct real_store *s);
void real_store_remove(struct real_store *s);

/* influxdb: a query of version 1 with epoch=ms on database soak; victoriametrics: the raw samples of a selector, one
 * series a line, all that was sent made visible first. The caller frees the answer. */
char *real_store_query(const struct real_store *s, const char *query);

#endif
