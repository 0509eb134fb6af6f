/* The exchange with one store over HTTP: addresses, credentials, time limits. Knows nothing of rows and cursors. */
#ifndef STORE_HTTP_H
#define STORE_HTTP_H

#include "uplink.h"

struct store_http;

enum { STORE_ANSWER_CAP = 16384 };

struct store_answer {
    long status;                 /* of HTTP; 0: no whole answer came */
    int64_t retry_after_s;       /* 0: not stated */
    bool reconnected;            /* the connection of the exchange before was gone: the store may have been restarted */
    char text[STORE_ANSWER_CAP]; /* body, cut at this length, or the library's words when status is 0 */
};

struct store_http *store_http_new(const struct uplink_setup *setup, struct error *err);
void store_http_free(struct store_http *h);

/* Posts lines to the store's write address; the answer is always filled. */
void store_http_write(struct store_http *h, const char *lines, size_t size, struct store_answer *answer);

/* Version 1 query. Asks and gives the answer's text. */
void store_http_query(struct store_http *h, const char *query, struct store_answer *answer);

/* victoriametrics: raw samples of the series that a selector matches. */
void store_http_export(struct store_http *h, const char *selector, struct store_answer *answer);

#endif
