/* A page server over a control server with a pretended engine, which turns in a thread of its own. */
#ifndef WEB_FIXTURE_H
#define WEB_FIXTURE_H

#include <pthread.h>
#include <stdatomic.h>

#include "fake_daemon.h"
#include "web_server.h"

#define FIXTURE_TOKEN "a-token-for-the-tests"

struct web_fixture {
    struct fake daemon;
    pthread_t thread;
    atomic_bool end;
    bool lost;
    struct web_server *server;
    int port;
};

/* token NULL: a page that only looks. Waits until the first snapshot is there. */
void web_fixture_begin(struct web_fixture *f, const char *token);
/* The daemon answers no more. */
void web_fixture_lose_daemon(struct web_fixture *f);
void web_fixture_end(struct web_fixture *f);

#endif
