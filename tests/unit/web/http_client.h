/* A plain HTTP client for tests: one request a connection, every byte under the test's control. */
#ifndef HTTP_CLIENT_H
#define HTTP_CLIENT_H

#include <jansson.h>
#include <stddef.h>

struct http_answer {
    int status;  /* 0: hung up without an answer */
    char *head;  /* status line and header lines */
    char *body;  /* NUL-terminated */
    size_t size; /* of the body */
};

/* A connection to 127.0.0.1:port. Ends the test on failure. */
int http_connect(int port);

/* Sends text as it is and reads until the server hangs up. */
struct http_answer http_raw(int port, const char *text);

/* method path with Host 127.0.0.1, the header lines in extra (each ended by CRLF; NULL: none) and a body (NULL: none).
 */
struct http_answer http_ask(int port, const char *method, const char *path, const char *extra, const char *body);
void http_free(struct http_answer *a);

/* Value of a header in a buffer of the caller's, or NULL when it is absent. */
const char *http_header(const struct http_answer *a, const char *name, char *to, size_t cap);

/* The body as JSON; ends the test when it is none. The caller's to release. */
json_t *http_json(const struct http_answer *a);

#endif
