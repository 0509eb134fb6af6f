#include "http_client.h"

#include <arpa/inet.h>
#include <check.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/socket.h>
#include <unistd.h>

int http_connect(int port)
{
    struct sockaddr_in to = {.sin_family = AF_INET, .sin_port = htons((uint16_t)port)};
    to.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    int fd = socket(AF_INET, SOCK_STREAM, 0);
    ck_assert_int_ge(fd, 0);
    struct timeval patience = {.tv_sec = 20};
    ck_assert_int_eq(setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof patience), 0);
    ck_assert_int_eq(connect(fd, (const struct sockaddr *)&to, sizeof to), 0);
    return fd;
}

static struct http_answer take_apart(char *text, size_t size)
{
    struct http_answer a = {0};
    char *end = text != NULL ? strstr(text, "\r\n\r\n") : NULL;
    if (end == NULL) {
        free(text);
        return a;
    }
    ck_assert_int_eq(sscanf(text, "HTTP/1.%*d %d", &a.status), 1);
    a.size = size - (size_t)(end + 4 - text);
    a.body = malloc(a.size + 1);
    ck_assert_ptr_nonnull(a.body);
    memcpy(a.body, end + 4, a.size);
    a.body[a.size] = '\0';
    end[2] = '\0';
    a.head = text;
    return a;
}

struct http_answer http_raw(int port, const char *text)
{
    int fd = http_connect(port);
    size_t left = strlen(text), used = 0, cap = 1 << 16;
    for (ssize_t n; left > 0 && (n = send(fd, text, left, MSG_NOSIGNAL)) > 0; left -= (size_t)n)
        text += n;
    char *got = malloc(cap);
    ck_assert_ptr_nonnull(got);
    for (ssize_t n; (n = recv(fd, got + used, cap - used - 1, 0)) > 0;) {
        used += (size_t)n;
        if (cap - used < 4096)
            ck_assert_ptr_nonnull(got = realloc(got, cap *= 2));
    }
    (void)close(fd);
    got[used] = '\0';
    return take_apart(got, used);
}

struct http_answer http_ask(int port, const char *method, const char *path, const char *extra, const char *body)
{
    size_t cap = strlen(path) + (extra != NULL ? strlen(extra) : 0) + (body != NULL ? strlen(body) : 0) + 256;
    char *text = malloc(cap);
    ck_assert_ptr_nonnull(text);
    (void)snprintf(text, cap,
                   "%s %s HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nConnection: close\r\n%sContent-Length: %zu\r\n\r\n%s",
                   method, path, port, extra != NULL ? extra : "", body != NULL ? strlen(body) : (size_t)0,
                   body != NULL ? body : "");
    struct http_answer a = http_raw(port, text);
    free(text);
    return a;
}

void http_free(struct http_answer *a)
{
    free(a->head);
    free(a->body);
    *a = (struct http_answer){0};
}

const char *http_header(const struct http_answer *a, const char *name, char *to, size_t cap)
{
    size_t n = strlen(name);
    for (const char *line = strstr(a->head, "\r\n"); line != NULL; line = strstr(line + 2, "\r\n")) {
        if (strncasecmp(line + 2, name, n) != 0 || line[2 + n] != ':')
            continue;
        const char *value = line + 3 + n + strspn(line + 3 + n, " ");
        (void)snprintf(to, cap, "%.*s", (int)strcspn(value, "\r"), value);
        return to;
    }
    return NULL;
}

json_t *http_json(const struct http_answer *a)
{
    json_error_t trouble;
    json_t *o = json_loadb(a->body != NULL ? a->body : "", a->size, 0, &trouble);
    ck_assert_msg(o != NULL, "no JSON: %s: %.200s", trouble.text, a->body != NULL ? a->body : "");
    return o;
}
