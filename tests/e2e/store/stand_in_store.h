/* A store that answers as it is told: a small HTTP server on a free loopback port. */
#ifndef STAND_IN_STORE_H
#define STAND_IN_STORE_H

#include <stddef.h>

struct stand_in;

/* One exchange: what the server received, unpacked. */
struct stand_in_request {
    const char *path; /* with its parameters as they came, "write?db=soak&precision=ms" */
    const char *body;
    size_t size;
    int lines;
    const char *authorization; /* "" when none came */
};

struct stand_in_answer {
    unsigned status;
    const char *body;                                      /* static text */
    const char *retry_after;                               /* NULL: no such header */
    enum { ANSWER_WHOLE, ANSWER_NONE, ANSWER_HALF } shape; /* NONE hangs up, HALF breaks off within the body */
};

/* Called on the server's thread, one request at a time. */
typedef struct stand_in_answer (*stand_in_fn)(void *ctx, const struct stand_in_request *request);

struct stand_in *stand_in_new(stand_in_fn fn, void *ctx);
void stand_in_free(struct stand_in *s);
int stand_in_port(const struct stand_in *s);

#endif
