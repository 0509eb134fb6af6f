#include "message_sink.h"

#include <arpa/inet.h>
#include <check.h>
#include <netinet/in.h>
#include <poll.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { MESSAGES_MAX = 64, TEXT_MAX = 32768 };

struct message_sink {
    enum sink_kind kind;
    int fd, port;
    pthread_t thread;
    atomic_int mood, calls;
    atomic_bool stop;
    pthread_mutex_t lock;
    int count;
    char *texts[MESSAGES_MAX];
};

/* One connection, read line by line. */
struct talk {
    struct message_sink *s;
    int fd;
    char in[8192];
    size_t used;
};

static bool readable(struct talk *t)
{
    struct pollfd p = {.fd = t->fd, .events = POLLIN};
    while (!atomic_load(&t->s->stop))
        if (poll(&p, 1, 50) > 0)
            return true;
    return false;
}

static bool read_some(struct talk *t)
{
    if (t->used == sizeof t->in || !readable(t))
        return false;
    ssize_t n = read(t->fd, t->in + t->used, sizeof t->in - t->used);
    if (n <= 0)
        return false;
    t->used += (size_t)n;
    return true;
}

/* The next line, without its end; false when there is none to come. */
static bool read_line(struct talk *t, char *line, size_t cap)
{
    for (;;) {
        char *end = memchr(t->in, '\n', t->used);
        if (end) {
            size_t size = (size_t)(end - t->in), keep = size < cap ? size : cap - 1;
            memcpy(line, t->in, keep);
            line[keep] = '\0';
            line[strcspn(line, "\r")] = '\0';
            t->used -= size + 1;
            memmove(t->in, end + 1, t->used);
            return true;
        }
        if (!read_some(t))
            return false;
    }
}

static bool say(struct talk *t, const char *text)
{
    return send(t->fd, text, strlen(text), MSG_NOSIGNAL) == (ssize_t)strlen(text);
}

static void keep_message(struct message_sink *s, char *text)
{
    pthread_mutex_lock(&s->lock);
    if (s->count < MESSAGES_MAX)
        s->texts[s->count++] = text;
    else
        free(text);
    pthread_mutex_unlock(&s->lock);
}

static void add_line(char *text, const char *line)
{
    size_t used = strlen(text);
    if (used + strlen(line) + 2 < TEXT_MAX)
        sprintf(text + used, "%s\n", line);
}

/* RFC 5321, as much of it as a sender needs. */
static void serve_mail(struct talk *t, bool refuses)
{
    char line[2048];
    char *text = NULL;
    say(t, "220 sink ESMTP\r\n");
    while (read_line(t, line, sizeof line)) {
        if (text) {
            if (strcmp(line, ".") != 0) {
                add_line(text, line);
                continue;
            }
            keep_message(t->s, text);
            text = NULL;
            say(t, "250 taken\r\n");
        } else if (refuses && strncasecmp(line, "MAIL", 4) == 0) {
            say(t, "451 the spool is full\r\n");
        } else if (strncasecmp(line, "DATA", 4) == 0) {
            text = calloc(1, TEXT_MAX);
            say(t, "354 go on\r\n");
        } else if (strncasecmp(line, "QUIT", 4) == 0) {
            say(t, "221 bye\r\n");
            break;
        } else {
            say(t, "250 sink\r\n");
        }
    }
    free(text);
}

static void serve_web(struct talk *t, bool refuses)
{
    char line[2048];
    size_t length = 0;
    char *text = calloc(1, TEXT_MAX);
    while (text && read_line(t, line, sizeof line)) {
        if (strncasecmp(line, "Content-Length:", 15) == 0)
            length = (size_t)atoi(line + 15);
        add_line(text, line);
        if (line[0])
            continue;
        while (t->used < length && read_some(t))
            continue;
        size_t used = strlen(text), take = t->used < length ? t->used : length;
        if (used + take < TEXT_MAX)
            memcpy(text + used, t->in, take);
        say(t, refuses ? "HTTP/1.1 503 no\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"
                       : "HTTP/1.1 204 ok\r\nConnection: close\r\n\r\n");
        if (!refuses) {
            keep_message(t->s, text);
            text = NULL;
        }
        break;
    }
    free(text);
}

static void serve(struct message_sink *s, int fd)
{
    struct talk *t = calloc(1, sizeof *t);
    int mood = atomic_load(&s->mood);
    if (t) {
        t->s = s;
        t->fd = fd;
        if (mood == SINK_HANGS)
            while (read_some(t)) /* until the other side has had enough */
                t->used = 0;
        else if (s->kind == SINK_SMTP)
            serve_mail(t, mood == SINK_REFUSES);
        else
            serve_web(t, mood == SINK_REFUSES);
    }
    free(t);
    close(fd);
}

static void *listen_on(void *arg)
{
    struct message_sink *s = arg;
    struct pollfd p = {.fd = s->fd, .events = POLLIN};
    while (!atomic_load(&s->stop)) {
        if (poll(&p, 1, 50) <= 0)
            continue;
        int fd = accept(s->fd, NULL, NULL);
        if (fd < 0)
            continue;
        atomic_fetch_add(&s->calls, 1);
        serve(s, fd);
    }
    return NULL;
}

struct message_sink *message_sink_new(enum sink_kind kind)
{
    struct sockaddr_in address = {.sin_family = AF_INET};
    socklen_t size = sizeof address;
    struct message_sink *s = calloc(1, sizeof *s);
    ck_assert_ptr_nonnull(s);
    s->kind = kind;
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    s->fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    ck_assert_int_eq(bind(s->fd, (struct sockaddr *)&address, size), 0);
    ck_assert_int_eq(listen(s->fd, 8), 0);
    ck_assert_int_eq(getsockname(s->fd, (struct sockaddr *)&address, &size), 0);
    s->port = ntohs(address.sin_port);
    ck_assert_int_eq(pthread_mutex_init(&s->lock, NULL), 0);
    ck_assert_int_eq(pthread_create(&s->thread, NULL, listen_on, s), 0);
    return s;
}

void message_sink_free(struct message_sink *s)
{
    if (!s)
        return;
    atomic_store(&s->stop, true);
    pthread_join(s->thread, NULL);
    close(s->fd);
    for (int i = 0; i < s->count; i++)
        free(s->texts[i]);
    pthread_mutex_destroy(&s->lock);
    free(s);
}

int message_sink_port(const struct message_sink *s)
{
    return s->port;
}

void message_sink_set(struct message_sink *s, enum sink_mood mood)
{
    atomic_store(&s->mood, (int)mood);
}

int message_sink_count(struct message_sink *s)
{
    pthread_mutex_lock(&s->lock);
    int count = s->count;
    pthread_mutex_unlock(&s->lock);
    return count;
}

int message_sink_calls(struct message_sink *s)
{
    return atomic_load(&s->calls);
}

void message_sink_text(struct message_sink *s, int n, char *to, size_t cap)
{
    pthread_mutex_lock(&s->lock);
    snprintf(to, cap, "%s", n >= 0 && n < s->count ? s->texts[n] : "");
    pthread_mutex_unlock(&s->lock);
}

bool message_sink_wait(struct message_sink *s, int count, double timeout_s)
{
    for (int i = 0; i < (int)(timeout_s * 50); i++) {
        if (message_sink_count(s) >= count)
            return true;
        nanosleep(&(struct timespec){.tv_nsec = 20000000}, NULL);
    }
    return message_sink_count(s) >= count;
}
