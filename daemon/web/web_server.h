/* The HTTP side of soakbench-web: one libmicrohttpd server. It looks; it acts only where a token is configured, and
 * then only as a client of the control socket with that client's own refusals. It holds no lease and no lock of the
 * daemon: stopping it or flooding it changes nothing on the bench.
 *
 * Bounds: 64 connections with a thread each, 32 an address, 10 s without traffic, bodies of 64 KiB, 40 requests a
 * second an address (more are answered 429). */
#ifndef WEB_SERVER_H
#define WEB_SERVER_H

#include <stdbool.h>
#include <stdint.h>

#include "error.h"

struct web_server;

struct web_setup {
    const char *listen;      /* "127.0.0.1:8460"; port 0: any free one */
    const char *socket_path; /* the daemon's control socket */
    const char *journal_path;
    const char *token; /* NULL: look only */
    const char *hosts; /* further names the page may be called by, comma between; NULL: none */
    const char *version;
    const char *site;       /* as records print it; NULL: not printed */
    const char *check_unit; /* serial of the unit that tells what the bench repeats; NULL: none */
    bool letter;            /* paper of records; else A4 */
    int period_ms;          /* of the live snapshot */
};

/* Starts serving in threads of its own. NULL with err. */
struct web_server *web_server_new(const struct web_setup *setup, struct error *err);
void web_server_free(struct web_server *s);

/* The port that it listens on. */
int web_server_port(const struct web_server *s);

#endif
