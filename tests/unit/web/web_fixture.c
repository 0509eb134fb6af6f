#include "web_fixture.h"

#include <check.h>
#include <string.h>
#include <time.h>

#include "http_client.h"

static void *turn(void *ctx)
{
    struct web_fixture *f = ctx;
    struct error err = {{0}};
    while (!atomic_load(&f->end) && control_run_once(f->daemon.control, 10, &err) == 0)
        while (control_read_once(f->daemon.control, 0))
            ;
    return NULL;
}

static void await_snapshot(struct web_fixture *f)
{
    for (int i = 0; i < 400; i++) {
        struct http_answer a = http_ask(f->port, "GET", "/health", NULL, NULL);
        int status = a.status;
        http_free(&a);
        if (status == 200)
            return;
        (void)nanosleep(&(struct timespec){.tv_nsec = 50000000}, NULL);
    }
    ck_abort_msg("the page never saw the daemon");
}

void web_fixture_begin(struct web_fixture *f, const char *token)
{
    struct error err = {{0}};
    memset(f, 0, sizeof *f);
    fake_begin(&f->daemon);
    f->daemon.accept_all = true;
    ck_assert_int_eq(pthread_create(&f->thread, NULL, turn, f), 0);
    struct web_setup setup = {.listen = "127.0.0.1:0",
                              .socket_path = f->daemon.socket,
                              .journal_path = f->daemon.path,
                              .token = token,
                              .hosts = "bench.example.org",
                              .version = "test",
                              .period_ms = 100};
    f->server = web_server_new(&setup, &err);
    ck_assert_msg(f->server != NULL, "%s", err.text);
    f->port = web_server_port(f->server);
    await_snapshot(f);
}

void web_fixture_lose_daemon(struct web_fixture *f)
{
    atomic_store(&f->end, true);
    ck_assert_int_eq(pthread_join(f->thread, NULL), 0);
    f->lost = true;
}

void web_fixture_end(struct web_fixture *f)
{
    web_server_free(f->server);
    if (!f->lost)
        web_fixture_lose_daemon(f);
    fake_end(&f->daemon);
}
