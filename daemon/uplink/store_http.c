#include "store_http.h"

#include <curl/curl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#define ZLIB_CONST /* input is not written to */
#include <zlib.h>

struct store_http {
    CURL *curl;
    struct curl_slist *headers, *gzip_headers;
    bool gzip;
    bool connected; /* an exchange has gone well on the connection */
    char write_url[1024], query_url[1024], export_url[1024];
    uint8_t *packed;
    size_t packed_cap;
};

static int read_secret(const char *path, char *to, size_t cap, struct error *err)
{
    FILE *file = fopen(path, "re");
    if (file == NULL)
        return error_set(err, "%s: cannot be opened; check its path and rights", path);
    size_t n = fread(to, 1, cap - 1, file);
    bool whole = feof(file) != 0 && ferror(file) == 0;
    (void)fclose(file);
    to[n] = '\0';
    to[strcspn(to, "\r\n")] = '\0';
    return whole && to[0] != '\0' ? 0 : error_set(err, "%s: must hold one short line", path);
}

static void add_parameter(struct store_http *h, char *url, size_t cap, const char *name, const char *value)
{
    if (value[0] == '\0')
        return;
    char *escaped = curl_easy_escape(h->curl, value, 0);
    (void)text_append(url, cap, "%c%s=%s", strchr(url, '?') == NULL ? '?' : '&', name, escaped != NULL ? escaped : "");
    curl_free(escaped);
}

static void make_urls(struct store_http *h, const struct uplink_setup *s)
{
    char base[PATH_CAP];
    (void)text_copy(base, sizeof base, s->url);
    size_t n = strlen(base);
    while (n > 0 && base[n - 1] == '/')
        base[--n] = '\0';
    (void)text_format(h->write_url, sizeof h->write_url, "%s%s", base,
                      s->kind == UPLINK_INFLUXDB_V2 ? "/api/v2/write" : "/write");
    if (s->kind == UPLINK_INFLUXDB_V2) {
        add_parameter(h, h->write_url, sizeof h->write_url, "org", s->organisation);
        add_parameter(h, h->write_url, sizeof h->write_url, "bucket", s->bucket);
    } else {
        add_parameter(h, h->write_url, sizeof h->write_url, "db", s->database);
    }
    add_parameter(h, h->write_url, sizeof h->write_url, "precision", "ms");
    (void)text_format(h->query_url, sizeof h->query_url, "%s/query", base);
    add_parameter(h, h->query_url, sizeof h->query_url, "db", s->database);
    add_parameter(h, h->query_url, sizeof h->query_url, "epoch", "ms");
    (void)text_format(h->export_url, sizeof h->export_url, "%s/api/v1/export", base);
}

static int set_options(struct store_http *h, const struct uplink_setup *s, struct error *err)
{
    CURL *c = h->curl;
    long connect_ms = (long)(s->connect_ms > 0 ? s->connect_ms : 3000);
    long timeout_ms = (long)(s->timeout_ms > 0 ? s->timeout_ms : 20000);
    CURLcode rc = curl_easy_setopt(c, CURLOPT_NOSIGNAL, 1L);
    rc = rc != CURLE_OK ? rc : curl_easy_setopt(c, CURLOPT_CONNECTTIMEOUT_MS, connect_ms);
    rc = rc != CURLE_OK ? rc : curl_easy_setopt(c, CURLOPT_TIMEOUT_MS, timeout_ms);
    rc = rc != CURLE_OK ? rc : curl_easy_setopt(c, CURLOPT_LOW_SPEED_LIMIT, 1L);
    rc = rc != CURLE_OK ? rc : curl_easy_setopt(c, CURLOPT_LOW_SPEED_TIME, 10L);
    rc = rc != CURLE_OK ? rc : curl_easy_setopt(c, CURLOPT_PROTOCOLS_STR, "http,https");
    /* The address in the configuration is where the record goes, whatever the environment says of proxies. */
    rc = rc != CURLE_OK ? rc : curl_easy_setopt(c, CURLOPT_NOPROXY, "*");
    rc = rc != CURLE_OK ? rc : curl_easy_setopt(c, CURLOPT_FOLLOWLOCATION, 0L);
    if (rc == CURLE_OK && s->ca_file[0] != '\0')
        rc = curl_easy_setopt(c, CURLOPT_CAINFO, s->ca_file);
    char secret[1024];
    if (rc == CURLE_OK && s->password_file[0] != '\0') {
        if (read_secret(s->password_file, secret, sizeof secret, err) != 0)
            return -1;
        rc = curl_easy_setopt(c, CURLOPT_USERNAME, s->user);
        rc = rc != CURLE_OK ? rc : curl_easy_setopt(c, CURLOPT_PASSWORD, secret);
    }
    memset(secret, 0, sizeof secret);
    return rc == CURLE_OK ? 0 : error_set(err, "store %s: %s", s->name, curl_easy_strerror(rc));
}

static int add_header(struct curl_slist **list, const char *header)
{
    struct curl_slist *longer = curl_slist_append(*list, header);
    if (longer == NULL)
        return -1;
    *list = longer;
    return 0;
}

static int make_headers(struct store_http *h, const struct uplink_setup *s, struct error *err)
{
    char token[1024] = "", line[1100];
    if (s->token_file[0] != '\0' && read_secret(s->token_file, token, sizeof token, err) != 0)
        return -1;
    (void)text_format(line, sizeof line, "Authorization: Token %s", token);
    struct curl_slist **const lists[] = {&h->headers, &h->gzip_headers};
    int rc = 0;
    for (int i = 0; i < 2 && rc == 0; i++) {
        /* No "may I" in front of a body: it costs a round trip and some servers never answer it. */
        if (add_header(lists[i], "Expect:") != 0 ||
            add_header(lists[i], "Content-Type: text/plain; charset=utf-8") != 0 ||
            (token[0] != '\0' && add_header(lists[i], line) != 0) ||
            (i == 1 && add_header(lists[i], "Content-Encoding: gzip") != 0))
            rc = error_set(err, "store %s: out of memory", s->name);
    }
    memset(token, 0, sizeof token);
    memset(line, 0, sizeof line);
    return rc;
}

struct store_http *store_http_new(const struct uplink_setup *setup, struct error *err)
{
    struct store_http *h = calloc(1, sizeof *h);
    if (h != NULL)
        h->curl = curl_easy_init();
    if (h == NULL || h->curl == NULL) {
        (void)error_set(err, "store %s: out of memory", setup->name);
        goto fail;
    }
    h->gzip = setup->gzip;
    if (set_options(h, setup, err) != 0 || make_headers(h, setup, err) != 0)
        goto fail;
    make_urls(h, setup);
    return h;
fail:
    store_http_free(h);
    return NULL;
}

void store_http_free(struct store_http *h)
{
    if (h == NULL)
        return;
    curl_easy_cleanup(h->curl);
    curl_slist_free_all(h->headers);
    curl_slist_free_all(h->gzip_headers);
    free(h->packed);
    free(h);
}

struct taker {
    struct store_answer *answer;
    size_t used;
};

static size_t take_body(char *bytes, size_t size, size_t count, void *ctx)
{
    struct taker *t = ctx;
    size_t n = size * count, room = sizeof t->answer->text - 1 - t->used;
    size_t kept = n < room ? n : room;
    memcpy(t->answer->text + t->used, bytes, kept);
    t->used += kept;
    t->answer->text[t->used] = '\0';
    return n; /* what does not fit is dropped, the exchange goes on */
}

static void perform(struct store_http *h, const char *url, struct store_answer *answer)
{
    struct taker taker = {answer, 0};
    *answer = (struct store_answer){0};
    CURL *c = h->curl;
    CURLcode rc = curl_easy_setopt(c, CURLOPT_URL, url);
    rc = rc != CURLE_OK ? rc : curl_easy_setopt(c, CURLOPT_WRITEFUNCTION, take_body);
    rc = rc != CURLE_OK ? rc : curl_easy_setopt(c, CURLOPT_WRITEDATA, &taker);
    if (rc == CURLE_OK)
        rc = curl_easy_perform(c);
    long connects = 0;
    (void)curl_easy_getinfo(c, CURLINFO_NUM_CONNECTS, &connects);
    answer->reconnected = h->connected && connects > 0;
    h->connected = rc == CURLE_OK;
    if (rc != CURLE_OK) {
        (void)text_copy(answer->text, sizeof answer->text, curl_easy_strerror(rc));
        return;
    }
    curl_off_t retry = 0;
    (void)curl_easy_getinfo(c, CURLINFO_RESPONSE_CODE, &answer->status);
    if (curl_easy_getinfo(c, CURLINFO_RETRY_AFTER, &retry) == CURLE_OK)
        answer->retry_after_s = (int64_t)retry;
}

/* Packs into h->packed. Returns the packed size, 0 on failure. */
static size_t pack(struct store_http *h, const char *lines, size_t size)
{
    z_stream z = {0};
    if (deflateInit2(&z, 1, Z_DEFLATED, 15 + 16, 8, Z_DEFAULT_STRATEGY) != Z_OK)
        return 0;
    size_t bound = deflateBound(&z, size);
    if (bound > h->packed_cap) {
        uint8_t *grown = realloc(h->packed, bound);
        if (grown != NULL) {
            h->packed = grown;
            h->packed_cap = bound;
        }
    }
    size_t used = 0;
    if (bound <= h->packed_cap) {
        z.next_in = (const Bytef *)lines;
        z.avail_in = (uInt)size;
        z.next_out = h->packed;
        z.avail_out = (uInt)h->packed_cap;
        if (deflate(&z, Z_FINISH) == Z_STREAM_END)
            used = z.total_out;
    }
    (void)deflateEnd(&z);
    return used;
}

void store_http_write(struct store_http *h, const char *lines, size_t size, struct store_answer *answer)
{
    size_t packed = h->gzip ? pack(h, lines, size) : 0;
    CURL *c = h->curl;
    CURLcode rc = curl_easy_setopt(c, CURLOPT_POST, 1L);
    rc = rc != CURLE_OK ? rc : curl_easy_setopt(c, CURLOPT_HTTPHEADER, packed > 0 ? h->gzip_headers : h->headers);
    rc = rc != CURLE_OK ? rc
                        : curl_easy_setopt(c, CURLOPT_POSTFIELDSIZE_LARGE, (curl_off_t)(packed > 0 ? packed : size));
    rc = rc != CURLE_OK ? rc : curl_easy_setopt(c, CURLOPT_POSTFIELDS, packed > 0 ? (const char *)h->packed : lines);
    if (rc == CURLE_OK) {
        perform(h, h->write_url, answer);
        return;
    }
    *answer = (struct store_answer){0};
    (void)text_copy(answer->text, sizeof answer->text, curl_easy_strerror(rc));
}

static void ask(struct store_http *h, const char *base, const char *name, const char *value,
                struct store_answer *answer)
{
    char url[4096];
    (void)text_copy(url, sizeof url, base);
    add_parameter(h, url, sizeof url, name, value);
    CURLcode rc = curl_easy_setopt(h->curl, CURLOPT_HTTPGET, 1L);
    rc = rc != CURLE_OK ? rc : curl_easy_setopt(h->curl, CURLOPT_HTTPHEADER, h->headers);
    if (rc == CURLE_OK) {
        perform(h, url, answer);
        return;
    }
    *answer = (struct store_answer){0};
    (void)text_copy(answer->text, sizeof answer->text, curl_easy_strerror(rc));
}

void store_http_query(struct store_http *h, const char *query, struct store_answer *answer)
{
    ask(h, h->query_url, "q", query, answer);
}

void store_http_export(struct store_http *h, const char *selector, struct store_answer *answer)
{
    ask(h, h->export_url, "match[]", selector, answer);
}
