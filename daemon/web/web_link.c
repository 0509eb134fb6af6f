#include "web_link.h"

#include <errno.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

#include "protocol.h"

enum { REQUEST_ID = 1 };

static int64_t now_ms(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

static int connect_to(const char *path, struct error *err)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (text_copy(address.sun_path, sizeof address.sun_path, path) != 0)
        return error_set(err, "%s: the socket's path is too long", path);
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0)
        return error_set(err, "no socket could be made (error %d)", errno);
    if (connect(fd, (const struct sockaddr *)&address, sizeof address) != 0) {
        (void)error_set(err, "the daemon does not answer at %s; is soakbenchd running?", path);
        (void)close(fd);
        return -1;
    }
    return fd;
}

static int wait_for(int fd, short what, int64_t deadline_ms, struct error *err)
{
    for (;;) {
        int64_t left = deadline_ms - now_ms();
        if (left <= 0)
            return error_set(err, "the daemon did not answer in time");
        struct pollfd p = {.fd = fd, .events = what};
        int rc = poll(&p, 1, (int)left);
        if (rc > 0)
            return 0;
        if (rc < 0 && errno != EINTR)
            return error_set(err, "waiting for the daemon failed (error %d)", errno);
    }
}

static int send_all(int fd, const char *bytes, size_t size, int64_t deadline_ms, struct error *err)
{
    while (size > 0) {
        ssize_t n = send(fd, bytes, size, MSG_NOSIGNAL);
        if (n > 0) {
            bytes += n;
            size -= (size_t)n;
        } else if (n < 0 && (errno == EAGAIN || errno == EWOULDBLOCK)) {
            if (wait_for(fd, POLLOUT, deadline_ms, err) != 0)
                return -1;
        } else if (n == 0 || errno != EINTR) {
            return error_set(err, "the daemon hung up");
        }
    }
    return 0;
}

static bool ends(const json_t *answer, int accepted_ends)
{
    const char *stage = json_string_value(json_object_get(answer, "stage"));
    return stage != NULL && (strcmp(stage, "accepted") != 0 || accepted_ends);
}

/* The first whole line that ends the request; *answer NULL while there is none. */
static int next_answer(struct line_buffer *in, int accepted_ends, json_t **answer, struct error *err)
{
    const char *line;
    size_t size;
    while (line_buffer_line(in, &line, &size)) {
        int64_t id = 0;
        if (protocol_parse_answer(line, size, answer, &id, err) != 0)
            return -1;
        line_buffer_drop(in);
        if (ends(*answer, accepted_ends))
            return 0;
        json_decref(*answer);
        *answer = NULL;
    }
    return 0;
}

static json_t *receive(int fd, int accepted_ends, int64_t deadline_ms, struct error *err)
{
    struct line_buffer in = line_buffer_over(PROTOCOL_ANSWER_MAX);
    json_t *answer = NULL;
    char bytes[16384];
    while (answer == NULL && wait_for(fd, POLLIN, deadline_ms, err) == 0) {
        ssize_t n = recv(fd, bytes, sizeof bytes, 0);
        if (n < 0 && (errno == EAGAIN || errno == EWOULDBLOCK || errno == EINTR))
            continue;
        if (n <= 0) {
            (void)error_set(err, "the daemon hung up");
            break;
        }
        if (line_buffer_add(&in, bytes, (size_t)n) != 0) {
            (void)error_set(err, "the daemon's answer is too long");
            break;
        }
        if (next_answer(&in, accepted_ends, &answer, err) != 0)
            break;
    }
    line_buffer_free(&in);
    return answer;
}

json_t *web_link_ask(const char *socket_path, json_t *request, int accepted_ends, int timeout_ms, struct error *err)
{
    json_t *answer = NULL;
    size_t size = 0;
    char *line = NULL;
    int fd = -1;
    int64_t deadline_ms = now_ms() + timeout_ms;
    if (request == NULL || json_object_set_new(request, "id", json_integer(REQUEST_ID)) != 0 ||
        (line = protocol_line(request, PROTOCOL_REQUEST_MAX, &size)) == NULL) {
        (void)error_set(err, "the request could not be made: memory is short or it is too long");
        goto out;
    }
    fd = connect_to(socket_path, err);
    if (fd >= 0 && send_all(fd, line, size, deadline_ms, err) == 0)
        answer = receive(fd, accepted_ends, deadline_ms, err);
out:
    if (fd >= 0)
        (void)close(fd);
    free(line);
    json_decref(request);
    return answer;
}
