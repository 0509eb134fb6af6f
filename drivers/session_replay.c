#include "session_replay.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "relay.h"

enum { PIECE_MAX = 1024, PIECES_MAX = 1000000, LINE_MAX_ = 32 + 2 * PIECE_MAX };

struct piece {
    bool from_device;
    int64_t at_ns;
    size_t size;
    uint8_t *bytes;
};

/* The relay does the carrying; its other end is a socket pair whose far end nobody reads: the recording answers. */
struct session_replay {
    struct session_replay_setup setup;
    int far_fd; /* kept open, so that the inner end lives */
    size_t count, room, next;
    struct piece *pieces;
};

static int digit(char c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    return c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

static int add_piece(struct session_replay *s, bool from_device, double at_s, const char *hex)
{
    size_t n = strlen(hex) / 2;
    if (n == 0 || n > PIECE_MAX || strlen(hex) % 2 != 0 || s->count >= PIECES_MAX)
        return -1;
    if (s->count == s->room) {
        size_t room = s->room == 0 ? 256 : 2 * s->room;
        struct piece *more = realloc(s->pieces, room * sizeof *more);
        if (more == NULL)
            return -1;
        s->pieces = more;
        s->room = room;
    }
    struct piece *p = &s->pieces[s->count];
    *p = (struct piece){.from_device = from_device, .at_ns = (int64_t)(at_s * 1e9), .size = n, .bytes = malloc(n)};
    if (p->bytes == NULL)
        return -1;
    s->count++;
    for (size_t i = 0; i < n; i++) {
        int high = digit(hex[2 * i]), low = digit(hex[2 * i + 1]);
        if (high < 0 || low < 0)
            return -1;
        p->bytes[i] = (uint8_t)(high << 4 | low);
    }
    return 0;
}

static int read_line(struct session_replay *s, char *text)
{
    char hex[LINE_MAX_];
    double at_s = 0;
    text[strcspn(text, "\r\n")] = '\0';
    if (text[0] == '#' || text[0] == '+' || text[0] == '\0')
        return 0;
    if (strlen(text) >= LINE_MAX_ - 1 || (text[0] != '<' && text[0] != '>') ||
        sscanf(text + 1, "%lf %2079s", &at_s, hex) != 2 || !(at_s >= 0 && at_s < 1e9))
        return -1;
    return add_piece(s, text[0] == '<', at_s, hex);
}

static int read_session(struct session_replay *s, struct error *err)
{
    char text[LINE_MAX_];
    FILE *file = fopen(s->setup.path, "r");
    if (file == NULL)
        return error_set(err, "%s: %s", s->setup.path, strerror(errno));
    int rc = fgets(text, sizeof text, file) != NULL && strncmp(text, "# soakbench session 1", 21) == 0 ? 0 : -1;
    int number = 1;
    while (rc == 0 && fgets(text, sizeof text, file) != NULL) {
        number++;
        rc = read_line(s, text);
    }
    if (rc != 0)
        (void)error_set(err, "%s, line %d: is no part of a recorded session", s->setup.path, number);
    (void)fclose(file);
    return rc;
}

/* The answers that follow piece at, until the next question. */
static void answer(struct session_replay *s, struct relay *r, size_t at, int64_t since_ns, const uint8_t *asked)
{
    for (; at < s->count && s->pieces[at].from_device; at++) {
        uint8_t bytes[PIECE_MAX];
        const struct piece *p = &s->pieces[at];
        memcpy(bytes, p->bytes, p->size);
        if (s->setup.numbered && asked != NULL && p->size >= 2)
            memcpy(bytes, asked, 2);
        if (s->setup.pace > 0 && p->at_ns > since_ns)
            relay_pause(r, (int64_t)((double)(p->at_ns - since_ns) * s->setup.pace));
        since_ns = p->at_ns;
        relay_say(r, FROM_DEVICE, bytes, p->size);
    }
    s->next = at;
}

static bool same_question(const struct session_replay *s, const struct piece *p, const uint8_t *bytes, size_t size)
{
    size_t skip = s->setup.numbered ? 2 : 0;
    return !p->from_device && p->size == size && size > skip && memcmp(p->bytes + skip, bytes + skip, size - skip) == 0;
}

static void pass(void *ctx, struct relay *r, enum relay_way way, const uint8_t *bytes, size_t size)
{
    struct session_replay *s = ctx;
    if (way != TO_DEVICE)
        return;
    for (size_t i = 0; i < s->count; i++) {
        size_t at = (s->next + i) % s->count;
        if (same_question(s, &s->pieces[at], bytes, size)) {
            answer(s, r, at + 1, s->pieces[at].at_ns, bytes);
            return;
        }
    }
}

static void replay_free(void *ctx)
{
    struct session_replay *s = ctx;
    for (size_t i = 0; i < s->count; i++)
        free(s->pieces[i].bytes);
    free(s->pieces);
    if (s->far_fd >= 0)
        (void)close(s->far_fd);
    free(s);
}

/* The inner side of the relay: a pair whose other end is kept and never speaks. */
static int silent_open(void *ctx, int64_t timeout_ns, struct error *err)
{
    struct session_replay *s = ctx;
    int pair[2];
    (void)timeout_ns;
    if (s->far_fd >= 0)
        (void)close(s->far_fd);
    s->far_fd = -1;
    s->next = 0;
    if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0, pair) != 0)
        return error_set(err, "socketpair: %s", strerror(errno));
    s->far_fd = pair[1];
    return pair[0];
}

static void silent_close(void *ctx)
{
    (void)ctx;
}

struct transport *session_replay_new(const struct session_replay_setup *setup, struct error *err)
{
    struct session_replay *s = calloc(1, sizeof *s);
    if (s == NULL) {
        (void)error_set(err, "out of memory");
        return NULL;
    }
    s->setup = *setup;
    s->far_fd = -1;
    if (read_session(s, err) != 0) {
        replay_free(s);
        return NULL;
    }
    /* The relay frees its inner transport before its hands, so what both use is freed by the hands. */
    struct transport *inner = transport_over_layer(&(struct transport_layer){silent_open, silent_close, NULL, s});
    struct transport *t = relay_over(inner, &(struct relay_hands){.pass = pass, .free = replay_free, .ctx = s});
    if (t == NULL)
        (void)error_set(err, "out of memory");
    return t;
}
