#include "web_server.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "capacity.h"
#include "web_assets.h"
#include "web_request.h"

enum {
    CONNECTIONS_MAX = 64,
    CONNECTIONS_AN_ADDRESS = 32,
    IDLE_S = 10,
    BODY_MAX = 64 * 1024,
    ADDRESSES_MAX = 256,
    RATE_PER_S = 40,
    RATE_BURST = 120
};

/* Requests that an address may still make; refilled with time. */
struct allowance {
    uint32_t address;
    double left;
    int64_t at_ms;
};

struct web_server {
    struct MHD_Daemon *mhd;
    struct web_context context;
    atomic_int heavy, reads;
    char socket_path[PATH_CAP], journal_path[PATH_CAP], token[PATH_CAP], hosts[PATH_CAP], version[NAME_CAP];
    char site[2 * NAME_CAP + TEXT_CAP], check_unit[NAME_CAP];
    bool has_token;
    int port;
    pthread_mutex_t mutex;
    struct allowance allowances[ADDRESSES_MAX]; /* guarded by mutex */
};

/* What is collected of a request between the calls of libmicrohttpd. */
struct collecting {
    char *body;
    size_t size;
    bool too_long;
};

static int64_t now_ms(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

static uint32_t address_of(struct MHD_Connection *connection)
{
    const union MHD_ConnectionInfo *info = MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CLIENT_ADDRESS);
    if (info == NULL || info->client_addr->sa_family != AF_INET)
        return 0;
    struct sockaddr_in a;
    memcpy(&a, info->client_addr, sizeof a);
    return a.sin_addr.s_addr;
}

/* False: this address asks too often. The longest-idle entry makes room for a new address. */
static bool within_rate(struct web_server *s, uint32_t address)
{
    int64_t now = now_ms();
    (void)pthread_mutex_lock(&s->mutex);
    struct allowance *slot = &s->allowances[0];
    for (int i = 0; i < ADDRESSES_MAX; i++) {
        struct allowance *a = &s->allowances[i];
        if (a->at_ms != 0 && a->address == address) {
            slot = a;
            break;
        }
        if (a->at_ms < slot->at_ms)
            slot = a;
    }
    if (slot->at_ms == 0 || slot->address != address)
        *slot = (struct allowance){.address = address, .left = RATE_BURST, .at_ms = now};
    slot->left += (double)(now - slot->at_ms) * RATE_PER_S / 1000;
    if (slot->left > RATE_BURST)
        slot->left = RATE_BURST;
    slot->at_ms = now;
    bool ok = slot->left >= 1;
    if (ok)
        slot->left -= 1;
    (void)pthread_mutex_unlock(&s->mutex);
    return ok;
}

/* Name part of "name:port" or "[v6]:port". */
static size_t host_length(const char *host)
{
    if (host[0] == '[') {
        const char *end = strchr(host, ']');
        return end != NULL ? (size_t)(end - host) + 1 : strlen(host);
    }
    return strcspn(host, ":");
}

/* Only names that this page is known by: a foreign name that resolves here is an attack on the browser's trust. */
static bool host_is_ours(const struct web_server *s, const char *host)
{
    if (host == NULL)
        return false;
    size_t n = host_length(host);
    static const char *const always[] = {"127.0.0.1", "localhost", "[::1]"};
    for (size_t i = 0; i < sizeof always / sizeof always[0]; i++)
        if (strlen(always[i]) == n && strncmp(always[i], host, n) == 0)
            return true;
    const char *at = s->hosts;
    while (*at != '\0') {
        size_t len = strcspn(at, ",");
        if (len == n && strncmp(at, host, n) == 0)
            return true;
        at += len + (at[len] == ',');
    }
    return false;
}

/* A browser sends the page's own origin with a POST; a foreign one is refused, and so is a missing one from a browser.
 */
static bool origin_is_ours(struct MHD_Connection *connection, const char *host)
{
    const char *origin = MHD_lookup_connection_value(connection, MHD_HEADER_KIND, "Origin");
    if (origin == NULL)
        return MHD_lookup_connection_value(connection, MHD_HEADER_KIND, "Sec-Fetch-Site") == NULL;
    const char *rest = strstr(origin, "://");
    return rest != NULL && strcmp(rest + 3, host) == 0;
}

/* Compares in time that does not depend on where the difference is. */
static bool token_holds(const struct web_server *s, struct MHD_Connection *connection)
{
    static const char scheme[] = "Bearer ";
    const char *given = MHD_lookup_connection_value(connection, MHD_HEADER_KIND, "Authorization");
    if (!s->has_token || given == NULL || strncmp(given, scheme, sizeof scheme - 1) != 0)
        return false;
    given += sizeof scheme - 1;
    size_t wanted = strlen(s->token), got = strlen(given);
    unsigned different = wanted != got;
    for (size_t i = 0; i < wanted; i++)
        different |= (unsigned char)s->token[i] ^ (unsigned char)given[got > 0 ? i % got : 0];
    return different == 0 && got > 0;
}

static void add_headers(struct MHD_Response *response, const struct web_reply *reply)
{
    static const char *const headers[][2] = {
        {"Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
                                    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"},
        {"X-Content-Type-Options", "nosniff"},
        {"Referrer-Policy", "no-referrer"},
        {"Cross-Origin-Resource-Policy", "same-origin"},
        {"X-Frame-Options", "DENY"},
    };
    for (size_t i = 0; i < sizeof headers / sizeof headers[0]; i++)
        (void)MHD_add_response_header(response, headers[i][0], headers[i][1]);
    (void)MHD_add_response_header(response, "Content-Type", reply->type);
    (void)MHD_add_response_header(response, "Cache-Control", reply->cacheable ? "no-cache" : "no-store");
    if (reply->status == 405)
        (void)MHD_add_response_header(response, "Allow", "GET, HEAD, POST");
    if (reply->status == 401)
        (void)MHD_add_response_header(response, "WWW-Authenticate", "Bearer");
    if (reply->status == 429 || reply->status == 503)
        (void)MHD_add_response_header(response, "Retry-After", "1");
}

static enum MHD_Result send_reply(struct MHD_Connection *connection, struct web_reply *reply)
{
    struct MHD_Response *response = MHD_create_response_from_buffer(
        reply->size, reply->bytes, reply->owned ? MHD_RESPMEM_MUST_FREE : MHD_RESPMEM_PERSISTENT);
    if (response == NULL) {
        if (reply->owned)
            free(reply->bytes);
        return MHD_NO;
    }
    add_headers(response, reply);
    enum MHD_Result rc = MHD_queue_response(connection, reply->status, response);
    MHD_destroy_response(response);
    return rc;
}

const struct web_asset *web_asset_find(const char *name)
{
    for (size_t i = 0; i < web_asset_count; i++)
        if (strcmp(web_assets[i].name, name) == 0)
            return &web_assets[i];
    return NULL;
}

/* "/", "/run/7" and "/unit?serial=HQ-0147" are views of one page. */
static const char *asset_name(const char *path)
{
    if (strcmp(path, "/") == 0 || strncmp(path, "/run/", 5) == 0 || strcmp(path, "/unit") == 0 ||
        strcmp(path, "/runs") == 0 || strcmp(path, "/units") == 0 || strcmp(path, "/start") == 0)
        return "page.html";
    static const char folder[] = "/assets/";
    return strncmp(path, folder, sizeof folder - 1) == 0 ? path + sizeof folder - 1 : "";
}

static void answer_get(struct web_server *s, const struct web_request *q, struct web_reply *reply)
{
    if (web_api_get(&s->context, q, reply))
        return;
    const struct web_asset *asset = web_asset_find(asset_name(q->path));
    if (asset == NULL) {
        web_reply_error(reply, 404, "there is nothing at this address");
        return;
    }
    *reply = (struct web_reply){.status = 200,
                                .type = asset->type,
                                .bytes = (void *)(uintptr_t)asset->bytes, /* persistent, never written to */
                                .size = asset->size,
                                .cacheable = true};
}

static void answer_post(struct web_server *s, const struct web_request *q, const char *host, struct web_reply *reply)
{
    if (strcmp(q->path, "/api/orders") != 0)
        web_reply_error(reply, 405, "this address only answers GET");
    else if (!s->has_token)
        web_reply_error(reply, 403, "this page only looks: no token is configured for acting from it");
    else if (!origin_is_ours(q->connection, host))
        web_reply_error(reply, 403, "the order comes from another site's page");
    else if (!token_holds(s, q->connection))
        web_reply_error(reply, 401, "the token is missing or wrong");
    else
        web_api_order(&s->context, q, reply);
}

static void answer(struct web_server *s, struct MHD_Connection *connection, const char *path, const char *method,
                   const struct collecting *in, struct web_reply *reply)
{
    struct web_request q = {.connection = connection, .path = path, .body = in->body, .body_size = in->size};
    const char *host = MHD_lookup_connection_value(connection, MHD_HEADER_KIND, "Host");
    bool get = strcmp(method, "GET") == 0 || strcmp(method, "HEAD") == 0;
    if (!within_rate(s, address_of(connection)))
        web_reply_error(reply, 429, "too many requests; ask again in a second");
    else if (!host_is_ours(s, host))
        web_reply_error(reply, 421, "this server is not known by that name; see the option --hosts");
    else if (in->too_long)
        web_reply_error(reply, 413, "the body is longer than 64 KiB");
    else if (get)
        answer_get(s, &q, reply);
    else if (strcmp(method, "POST") == 0)
        answer_post(s, &q, host, reply);
    else
        web_reply_error(reply, 405, "only GET, HEAD and POST are answered");
}

static void collect(struct collecting *in, const char *bytes, size_t size)
{
    if (in->too_long || size > BODY_MAX - in->size) {
        in->too_long = true;
        return;
    }
    char *bigger = realloc(in->body, in->size + size);
    if (bigger == NULL) {
        in->too_long = true;
        return;
    }
    memcpy(bigger + in->size, bytes, size);
    in->body = bigger;
    in->size += size;
}

/* Size of the body by the request's head; 0 when it does not say. */
static uint64_t announced_size(struct MHD_Connection *connection)
{
    const char *text = MHD_lookup_connection_value(connection, MHD_HEADER_KIND, "Content-Length");
    return text != NULL ? strtoull(text, NULL, 10) : 0;
}

static enum MHD_Result on_request(void *ctx, struct MHD_Connection *connection, const char *url, const char *method,
                                  const char *version, const char *upload, size_t *upload_size, void **state)
{
    struct web_server *s = ctx;
    (void)version;
    struct collecting *in = *state;
    struct web_reply reply = {0};
    if (in == NULL) {
        *state = in = calloc(1, sizeof *in);
        if (in == NULL)
            return MHD_NO;
        in->too_long = announced_size(connection) > BODY_MAX;
        if (!in->too_long)
            return MHD_YES;
        /* Answered before the body comes: the connection ends with the answer. */
    } else if (*upload_size > 0) {
        collect(in, upload, *upload_size);
        *upload_size = 0;
        return in->too_long ? MHD_NO : MHD_YES; /* no size was announced: nothing can be answered midway */
    }
    answer(s, connection, url, method, in, &reply);
    return send_reply(connection, &reply);
}

static void on_completed(void *ctx, struct MHD_Connection *connection, void **state,
                         enum MHD_RequestTerminationCode why)
{
    (void)ctx;
    (void)connection;
    (void)why;
    struct collecting *in = *state;
    if (in != NULL)
        free(in->body);
    free(in);
    *state = NULL;
}

static int parse_listen(const char *text, struct sockaddr_in *to, struct error *err)
{
    const char *colon = strrchr(text, ':');
    char host[64];
    char *end;
    if (colon == NULL || (size_t)(colon - text) >= sizeof host)
        return error_set(err, "%s: write an address and a port, as 127.0.0.1:8460", text);
    memcpy(host, text, (size_t)(colon - text));
    host[colon - text] = '\0';
    long port = strtol(colon + 1, &end, 10);
    *to = (struct sockaddr_in){.sin_family = AF_INET};
    if (end == colon + 1 || *end != '\0' || port < 0 || port > 65535 || inet_pton(AF_INET, host, &to->sin_addr) != 1)
        return error_set(err, "%s: write a numeric address and a port, as 127.0.0.1:8460", text);
    to->sin_port = htons((uint16_t)port);
    return 0;
}

static int start(struct web_server *s, const struct web_setup *setup, struct error *err)
{
    struct sockaddr_in address;
    if (parse_listen(setup->listen, &address, err) != 0)
        return -1;
    s->mhd = MHD_start_daemon(MHD_USE_POLL_INTERNAL_THREAD | MHD_USE_THREAD_PER_CONNECTION, 0, NULL, NULL, on_request,
                              s, MHD_OPTION_SOCK_ADDR, &address, MHD_OPTION_CONNECTION_LIMIT, (unsigned)CONNECTIONS_MAX,
                              MHD_OPTION_PER_IP_CONNECTION_LIMIT, (unsigned)CONNECTIONS_AN_ADDRESS,
                              MHD_OPTION_CONNECTION_TIMEOUT, (unsigned)IDLE_S, MHD_OPTION_NOTIFY_COMPLETED,
                              on_completed, NULL, MHD_OPTION_END);
    if (s->mhd == NULL)
        return error_set(err, "%s: cannot listen there; is the port in use or not permitted?", setup->listen);
    const union MHD_DaemonInfo *info = MHD_get_daemon_info(s->mhd, MHD_DAEMON_INFO_BIND_PORT);
    s->port = info != NULL ? info->port : ntohs(address.sin_port);
    return 0;
}

struct web_server *web_server_new(const struct web_setup *setup, struct error *err)
{
    struct web_server *s = calloc(1, sizeof *s);
    if (s == NULL || pthread_mutex_init(&s->mutex, NULL) != 0) {
        free(s);
        (void)error_set(err, "memory is short");
        return NULL;
    }
    if (text_copy(s->socket_path, sizeof s->socket_path, setup->socket_path) != 0 ||
        text_copy(s->journal_path, sizeof s->journal_path, setup->journal_path) != 0 ||
        text_copy(s->token, sizeof s->token, setup->token != NULL ? setup->token : "") != 0 ||
        text_copy(s->hosts, sizeof s->hosts, setup->hosts != NULL ? setup->hosts : "") != 0 ||
        text_copy(s->version, sizeof s->version, setup->version) != 0 ||
        text_copy(s->site, sizeof s->site, setup->site != NULL ? setup->site : "") != 0 ||
        text_copy(s->check_unit, sizeof s->check_unit, setup->check_unit != NULL ? setup->check_unit : "") != 0) {
        (void)error_set(err, "a path, the token or the list of hosts is longer than %d characters", PATH_CAP - 1);
        web_server_free(s);
        return NULL;
    }
    s->has_token = s->token[0] != '\0';
    s->context = (struct web_context){.socket_path = s->socket_path,
                                      .journal_path = s->journal_path,
                                      .version = s->version,
                                      .site = s->site,
                                      .check_unit = s->check_unit,
                                      .letter = setup->letter,
                                      .may_act = s->has_token,
                                      .heavy = &s->heavy,
                                      .reads = &s->reads};
    s->context.snapshot = web_snapshot_new(s->socket_path, setup->period_ms, err);
    if (s->context.snapshot == NULL || start(s, setup, err) != 0) {
        web_server_free(s);
        return NULL;
    }
    return s;
}

void web_server_free(struct web_server *s)
{
    if (s == NULL)
        return;
    if (s->mhd != NULL)
        MHD_stop_daemon(s->mhd);
    web_snapshot_free(s->context.snapshot);
    (void)pthread_mutex_destroy(&s->mutex);
    free(s);
}

int web_server_port(const struct web_server *s)
{
    return s->port;
}
