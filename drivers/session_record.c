#include "session_record.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "relay.h"

enum { NAMES_MAX = 99 };

struct session_record {
    FILE *file; /* NULL once it is full or the disk refused */
    int64_t began_ns;
    int64_t written;
};

static void end_recording(struct session_record *s)
{
    if (s->file != NULL)
        (void)fclose(s->file);
    s->file = NULL;
}

/* One line with its time; each is written out, so that a recording is whole up to the moment of a crash. */
static void line(struct session_record *s, char mark, const uint8_t *bytes, size_t size)
{
    if (s->file == NULL)
        return;
    const int64_t now_ns = transport_now_ns();
    if (s->began_ns == 0)
        s->began_ns = now_ns;
    const int64_t us = (now_ns - s->began_ns) / 1000;
    int n = fprintf(s->file, "%c %" PRId64 ".%06" PRId64 "%s", mark, us / 1000000, us % 1000000, size > 0 ? " " : "");
    bool failed = n < 0;
    for (size_t i = 0; i < size && !failed; i++)
        failed = fprintf(s->file, "%02x", bytes[i]) < 0;
    failed = fputc('\n', s->file) == EOF || fflush(s->file) != 0 || failed;
    s->written += n + 2 * (int64_t)size + 1;
    if (failed || s->written > SESSION_BYTES_MAX)
        end_recording(s);
}

static void joined(void *ctx)
{
    line(ctx, '+', NULL, 0);
}

static void pass(void *ctx, struct relay *r, enum relay_way way, const uint8_t *bytes, size_t size)
{
    /* Sent on first: the file must not be what makes an answer late. */
    relay_say(r, way, bytes, size);
    line(ctx, way == TO_DEVICE ? '>' : '<', bytes, size);
}

static void session_free(void *ctx)
{
    end_recording(ctx);
    free(ctx);
}

static int write_head(struct session_record *s, const char *what)
{
    struct tm tm;
    char stamp[32];
    const time_t now = time(NULL);
    if (gmtime_r(&now, &tm) == NULL || strftime(stamp, sizeof stamp, "%Y-%m-%dT%H:%M:%SZ", &tm) == 0)
        return -1;
    int n = fprintf(s->file, "# soakbench session 1\n# %s, begun %s\n", what, stamp);
    s->written = n;
    return n < 0 || fflush(s->file) != 0 ? -1 : 0;
}

/* The first of path, path.2, path.3 ... that does not exist. */
static int open_new(const char *path)
{
    char name[PATH_CAP + 8];
    int fd = -1;
    for (int n = 1; n <= NAMES_MAX && fd < 0; n++) {
        if (n == 1)
            (void)text_copy(name, sizeof name, path);
        else
            (void)text_format(name, sizeof name, "%s.%d", path, n);
        fd = open(name, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0640);
        if (fd < 0 && errno != EEXIST)
            break;
    }
    return fd;
}

struct transport *session_record_over(struct transport *inner, const char *path, const char *what, struct error *err)
{
    struct session_record *s = calloc(1, sizeof *s);
    int fd = s != NULL && inner != NULL ? open_new(path) : -1;
    if (fd >= 0 && (s->file = fdopen(fd, "w")) == NULL)
        (void)close(fd);
    if (s == NULL || inner == NULL || s->file == NULL || write_head(s, what) != 0) {
        (void)error_set(err, "recording %s: %s%s", path, strerror(errno),
                        errno == EEXIST ? "; take old recordings away" : "");
        transport_free(inner);
        if (s != NULL)
            session_free(s);
        return NULL;
    }
    const struct relay_hands hands = {.joined = joined, .pass = pass, .free = session_free, .ctx = s};
    struct transport *t = relay_over(inner, &hands);
    if (t == NULL)
        (void)error_set(err, "out of memory");
    return t;
}
