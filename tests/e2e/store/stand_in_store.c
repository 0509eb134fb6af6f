#include "stand_in_store.h"

#include <arpa/inet.h>
#include <check.h>
#include <microhttpd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <zlib.h>

struct stand_in {
    struct MHD_Daemon *daemon;
    stand_in_fn fn;
    void *ctx;
};

struct exchange {
    char *body;
    size_t size;
};

static void unpack(struct exchange *x)
{
    size_t cap = 16 * 1024 * 1024;
    char *plain = malloc(cap);
    z_stream z = {
        .next_in = (Bytef *)x->body, .avail_in = (uInt)x->size, .next_out = (Bytef *)plain, .avail_out = (uInt)cap - 1};
    ck_assert(plain != NULL && inflateInit2(&z, 15 + 16) == Z_OK && inflate(&z, Z_FINISH) == Z_STREAM_END);
    (void)inflateEnd(&z);
    free(x->body);
    x->body = plain;
    x->size = z.total_out;
    x->body[x->size] = '\0';
}

static enum MHD_Result add_argument(void *ctx, enum MHD_ValueKind kind, const char *key, const char *value)
{
    (void)kind;
    char *path = ctx;
    size_t used = strlen(path);
    (void)snprintf(path + used, 512 - used, "%c%s=%s", strchr(path, '?') == NULL ? '?' : '&', key,
                   value != NULL ? value : "");
    return MHD_YES;
}

static ssize_t give_half(void *ctx, uint64_t at, char *to, size_t max)
{
    (void)ctx;
    if (at > 0 || max < 4)
        return MHD_CONTENT_READER_END_WITH_ERROR;
    memcpy(to, "half", 4);
    return 4;
}

static enum MHD_Result answer(struct stand_in *s, struct MHD_Connection *c, const char *url, struct exchange *x)
{
    char path[512];
    (void)snprintf(path, sizeof path, "%s", url + 1);
    (void)MHD_get_connection_values(c, MHD_GET_ARGUMENT_KIND, add_argument, path);
    const char *encoding = MHD_lookup_connection_value(c, MHD_HEADER_KIND, "Content-Encoding");
    const char *authorization = MHD_lookup_connection_value(c, MHD_HEADER_KIND, "Authorization");
    if (encoding != NULL && strcmp(encoding, "gzip") == 0)
        unpack(x);
    struct stand_in_request q = {.path = path,
                                 .body = x->body != NULL ? x->body : "",
                                 .size = x->size,
                                 .authorization = authorization != NULL ? authorization : ""};
    for (size_t i = 0; i < x->size; i++)
        q.lines += x->body[i] == '\n';
    struct stand_in_answer a = s->fn(s->ctx, &q);
    if (a.shape == ANSWER_NONE)
        return MHD_NO;
    struct MHD_Response *r =
        a.shape == ANSWER_HALF
            ? MHD_create_response_from_callback(100, 16, give_half, NULL, NULL)
            : MHD_create_response_from_buffer(strlen(a.body), (void *)(size_t)a.body, MHD_RESPMEM_PERSISTENT);
    ck_assert_ptr_nonnull(r);
    if (a.retry_after != NULL)
        (void)MHD_add_response_header(r, "Retry-After", a.retry_after);
    enum MHD_Result rc = MHD_queue_response(c, a.status, r);
    MHD_destroy_response(r);
    return rc;
}

static enum MHD_Result handle(void *ctx, struct MHD_Connection *c, const char *url, const char *method,
                              const char *version, const char *upload, size_t *size, void **state)
{
    (void)method;
    (void)version;
    struct exchange *x = *state;
    if (x == NULL) {
        *state = calloc(1, sizeof *x);
        return *state != NULL ? MHD_YES : MHD_NO;
    }
    if (*size > 0) {
        char *grown = realloc(x->body, x->size + *size + 1);
        if (grown == NULL)
            return MHD_NO;
        x->body = grown;
        memcpy(x->body + x->size, upload, *size);
        x->size += *size;
        x->body[x->size] = '\0';
        *size = 0;
        return MHD_YES;
    }
    return answer(ctx, c, url, x);
}

static void done(void *ctx, struct MHD_Connection *c, void **state, enum MHD_RequestTerminationCode why)
{
    (void)ctx;
    (void)c;
    (void)why;
    struct exchange *x = *state;
    if (x != NULL)
        free(x->body);
    free(x);
    *state = NULL;
}

struct stand_in *stand_in_new(stand_in_fn fn, void *ctx)
{
    struct stand_in *s = calloc(1, sizeof *s);
    ck_assert_ptr_nonnull(s);
    s->fn = fn;
    s->ctx = ctx;
    struct sockaddr_in a = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    s->daemon =
        MHD_start_daemon(MHD_USE_INTERNAL_POLLING_THREAD, 0, NULL, NULL, handle, s, MHD_OPTION_SOCK_ADDR, &a,
                         MHD_OPTION_NOTIFY_COMPLETED, done, NULL, MHD_OPTION_CONNECTION_TIMEOUT, 10u, MHD_OPTION_END);
    ck_assert_ptr_nonnull(s->daemon);
    return s;
}

void stand_in_free(struct stand_in *s)
{
    MHD_stop_daemon(s->daemon);
    free(s);
}

int stand_in_port(const struct stand_in *s)
{
    return MHD_get_daemon_info(s->daemon, MHD_DAEMON_INFO_BIND_PORT)->port;
}
