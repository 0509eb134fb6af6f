#include "control.h"

#include <errno.h>
#include <fcntl.h>
#include <grp.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include "server.h"

static const int64_t second_ns = INT64_C(1000000000);
static const int64_t slow_ns = 10 * INT64_C(1000000000);      /* takes no answers */
static const int64_t half_line_ns = 60 * INT64_C(1000000000); /* sends half a request */

static void say(struct control *c, const struct client *client, const char *what)
{
    if (!c->hooks.log)
        return;
    char text[TEXT_CAP];
    (void)text_format(text, sizeof text, "client of uid %ld, pid %ld: %s", (long)client->uid, (long)client->pid, what);
    c->hooks.log(c->hooks.ctx, text);
}

static void hang_up(struct control *c, struct client *client, const char *why)
{
    say(c, client, why);
    close(client->fd);
    client->fd = -1;
    line_buffer_free(&client->in);
    server_drop_file(client);
    server_drop_plates(client);
    free(client->out);
    client->out = NULL;
    client->out_used = client->out_cap = client->out_sent = 0;
}

static bool owes(const struct client *client)
{
    return client->out_sent < client->out_used;
}

static int queue_bytes(struct client *client, const char *bytes, size_t size)
{
    if (client->out_sent > 0) {
        client->out_used -= client->out_sent;
        memmove(client->out, client->out + client->out_sent, client->out_used);
        client->out_sent = 0;
    }
    if (size > UNSENT_MAX - client->out_used)
        return -1;
    if (client->out_used + size > client->out_cap) {
        size_t cap = client->out_cap ? client->out_cap : 4096;
        while (cap < client->out_used + size)
            cap *= 2;
        char *grown = realloc(client->out, cap);
        if (!grown)
            return -1;
        client->out = grown;
        client->out_cap = cap;
    }
    memcpy(client->out + client->out_used, bytes, size);
    client->out_used += size;
    return 0;
}

void server_send(struct control *c, int index, json_t *answer)
{
    struct client *client = &c->clients[index];
    static const char no_memory[] =
        "{\"v\":1,\"id\":0,\"stage\":\"refused\",\"error\":{\"what\":\"the answer is too "
        "long, or memory is short\",\"where\":\"\",\"remedy\":\"Ask for less at once.\"}}\n";
    size_t size = 0;
    char *line = answer ? protocol_line(answer, PROTOCOL_ANSWER_MAX, &size) : NULL;
    bool owed = owes(client);
    int result = line ? queue_bytes(client, line, size) : queue_bytes(client, no_memory, sizeof no_memory - 1);
    if (result != 0)
        hang_up(c, client, "hung up on: does not take its answers");
    else if (!owed)
        client->took_ns = c->hooks.real_ns(c->hooks.ctx);
    free(line);
    json_decref(answer);
}

static void write_client(struct control *c, struct client *client, int64_t now_ns)
{
    while (owes(client)) {
        ssize_t n = send(client->fd, client->out + client->out_sent, client->out_used - client->out_sent, MSG_NOSIGNAL);
        if (n < 0 && errno == EINTR)
            continue;
        if (n < 0 && (errno == EAGAIN || errno == EWOULDBLOCK))
            break;
        if (n < 0) {
            hang_up(c, client, "gone");
            return;
        }
        client->out_sent += (size_t)n;
        client->took_ns = now_ns;
    }
    if (!owes(client)) {
        client->out_used = client->out_sent = 0;
        if (client->closing)
            hang_up(c, client, "hung up on");
    }
}

/* May the client's next line be done now? Else it waits, and so does the client. */
static bool has_room(const struct client *client)
{
    return client->fd >= 0 && !client->closing && client->under_way < UNDER_WAY_MAX &&
           client->out_used - client->out_sent < UNSENT_MAX / 4;
}

static void do_lines(struct control *c, int index)
{
    struct client *client = &c->clients[index];
    const char *line;
    size_t size;
    while (has_room(client) && line_buffer_line(&client->in, &line, &size)) {
        server_do_line(c, index, line, size);
        if (client->fd >= 0)
            line_buffer_drop(&client->in);
    }
}

static void refuse_long_line(struct control *c, int index)
{
    struct protocol_error err;
    protocol_fail(&err, "line", "Send a shorter request on a new connection.", "the request is longer than %d bytes",
                  (int)PROTOCOL_REQUEST_MAX);
    server_send(c, index, protocol_refused(0, &err, NULL));
    c->clients[index].closing = true;
}

static void read_client(struct control *c, int index, int64_t now_ns)
{
    struct client *client = &c->clients[index];
    char bytes[16384];
    size_t room = client->in.max - client->in.used;
    ssize_t n = recv(client->fd, bytes, room < sizeof bytes ? room : sizeof bytes, 0);
    if (n < 0 && (errno == EINTR || errno == EAGAIN || errno == EWOULDBLOCK))
        return;
    if (n <= 0) {
        hang_up(c, client, "gone");
        return;
    }
    client->heard_ns = now_ns;
    if (line_buffer_add(&client->in, bytes, (size_t)n) != 0)
        hang_up(c, client, "hung up on: memory is short");
    else
        do_lines(c, index);
    const char *line;
    size_t size;
    if (client->fd >= 0 && client->in.used == client->in.max && !line_buffer_line(&client->in, &line, &size))
        refuse_long_line(c, index);
}

static void accept_client(struct control *c, int64_t now_ns)
{
    int fd = accept4(c->listen_fd, NULL, NULL, SOCK_NONBLOCK | SOCK_CLOEXEC);
    if (fd < 0)
        return;
    struct ucred peer = {.pid = 0, .uid = (uid_t)-1, .gid = (gid_t)-1};
    socklen_t size = sizeof peer;
    (void)getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &peer, &size);
    int slot = 0;
    while (slot < CONTROL_CLIENTS_MAX && c->clients[slot].fd >= 0)
        slot++;
    if (slot == CONTROL_CLIENTS_MAX) {
        static const char full[] = "{\"v\":1,\"id\":0,\"stage\":\"refused\",\"error\":{\"what\":\"too many clients are "
                                   "connected\",\"where\":\"socket\",\"remedy\":\"Close one of them, or try again "
                                   "later.\"}}\n";
        (void)send(fd, full, sizeof full - 1, MSG_NOSIGNAL | MSG_DONTWAIT);
        struct client turned_away = {.fd = fd, .uid = peer.uid, .pid = peer.pid};
        hang_up(c, &turned_away, "turned away: too many clients");
        return;
    }
    c->clients[slot] = (struct client){.fd = fd,
                                       .serial = ++c->next_serial,
                                       .uid = peer.uid,
                                       .pid = peer.pid,
                                       .in = line_buffer_over(PROTOCOL_REQUEST_MAX),
                                       .took_ns = now_ns,
                                       .heard_ns = now_ns};
    say(c, &c->clients[slot], "connected");
}

static void take_answers(struct control *c)
{
    uint64_t count;
    (void)!read(c->wake_fd, &count, sizeof count);
    server_take_reads(c);
    for (;;) {
        struct engine_answer a;
        pthread_mutex_lock(&c->lock);
        bool have = c->answer_count > 0;
        if (have) {
            a = c->answers[c->answer_first];
            c->answer_first = (c->answer_first + 1) % ANSWERS_MAX;
            c->answer_count--;
        }
        pthread_mutex_unlock(&c->lock);
        if (!have)
            return;
        server_take_answer(c, &a);
    }
}

static void hang_up_on_slow(struct control *c, int64_t now_ns)
{
    for (int i = 0; i < CONTROL_CLIENTS_MAX; i++) {
        struct client *client = &c->clients[i];
        if (client->fd < 0)
            continue;
        if (owes(client) && now_ns - client->took_ns > slow_ns)
            hang_up(c, client, "hung up on: does not take its answers");
        else if (client->in.used > 0 && client->under_way < UNDER_WAY_MAX && !owes(client) &&
                 now_ns - client->heard_ns > half_line_ns)
            hang_up(c, client, "hung up on: half a request and nothing more");
    }
}

static int wait_ms(struct control *c, int timeout_ms, int64_t due_ns, int64_t now_ns)
{
    int64_t wait_ns = (int64_t)timeout_ms * (second_ns / 1000);
    bool clients = control_client_count(c) > 0;
    if (clients && wait_ns > second_ns)
        wait_ns = second_ns; /* the time limits of clients are looked at once a second */
    if (due_ns - now_ns < wait_ns)
        wait_ns = due_ns > now_ns ? due_ns - now_ns : 0;
    return (int)((wait_ns + second_ns / 1000 - 1) / (second_ns / 1000));
}

int control_run_once(struct control *c, int timeout_ms, struct error *err)
{
    struct pollfd fds[CONTROL_CLIENTS_MAX + 2];
    int64_t now_ns = c->hooks.real_ns(c->hooks.ctx);
    int64_t due_ns = server_due(c, now_ns);
    fds[0] = (struct pollfd){.fd = c->listen_fd, .events = POLLIN};
    fds[1] = (struct pollfd){.fd = c->wake_fd, .events = POLLIN};
    for (int i = 0; i < CONTROL_CLIENTS_MAX; i++) {
        const struct client *client = &c->clients[i];
        short events =
            (short)((has_room(client) && client->in.used < client->in.max ? POLLIN : 0) | (owes(client) ? POLLOUT : 0));
        fds[i + 2] = (struct pollfd){.fd = client->fd, .events = events};
    }
    int ready = poll(fds, CONTROL_CLIENTS_MAX + 2, wait_ms(c, timeout_ms, due_ns, now_ns));
    if (ready < 0 && errno != EINTR)
        return error_set(err, "control socket: poll failed: %s", strerror(errno));
    now_ns = c->hooks.real_ns(c->hooks.ctx);
    if (ready > 0 && fds[0].revents & (POLLERR | POLLNVAL))
        return error_set(err, "control socket %s failed", c->path);
    take_answers(c);
    for (int i = 0; ready > 0 && i < CONTROL_CLIENTS_MAX; i++) {
        struct client *client = &c->clients[i];
        short revents = fds[i + 2].revents;
        if (client->fd < 0 || client->fd != fds[i + 2].fd)
            continue;
        if (revents & POLLIN)
            read_client(c, i, now_ns);
        else if (revents & (POLLERR | POLLHUP | POLLNVAL))
            hang_up(c, client, "gone");
    }
    for (int i = 0; i < CONTROL_CLIENTS_MAX; i++) {
        if (c->clients[i].fd < 0)
            continue;
        do_lines(c, i); /* lines that waited for room */
        if (c->clients[i].fd >= 0)
            write_client(c, &c->clients[i], now_ns);
    }
    (void)server_due(c, now_ns);
    hang_up_on_slow(c, now_ns);
    if (ready > 0 && fds[0].revents & POLLIN)
        accept_client(c, now_ns);
    return 0;
}

static int put_answer(struct control *c, const struct engine_answer *answer)
{
    int result = -1;
    pthread_mutex_lock(&c->lock);
    if (c->answer_count < ANSWERS_MAX) {
        c->answers[(c->answer_first + c->answer_count) % ANSWERS_MAX] = *answer;
        c->answer_count++;
        result = 0;
    }
    pthread_mutex_unlock(&c->lock);
    control_wake(c);
    return result;
}

int control_answer(struct control *c, uint64_t request, int code, const char *text)
{
    struct engine_answer answer = {.request = request, .code = code};
    (void)text_copy(answer.text, sizeof answer.text, text ? text : "");
    return put_answer(c, &answer);
}

int control_answer_json(struct control *c, uint64_t request, char *json)
{
    struct engine_answer answer = {.request = request, .code = 2, .json = json};
    if (put_answer(c, &answer) == 0)
        return 0;
    free(json);
    return -1;
}

void server_wake(int fd)
{
    uint64_t one = 1;
    (void)!write(fd, &one, sizeof one);
}

void control_wake(struct control *c)
{
    server_wake(c->wake_fd);
}

int control_client_count(const struct control *c)
{
    int n = 0;
    for (int i = 0; i < CONTROL_CLIENTS_MAX; i++)
        n += c->clients[i].fd >= 0;
    return n;
}

static int socket_address(const char *path, struct sockaddr_un *address, struct error *err)
{
    *address = (struct sockaddr_un){.sun_family = AF_UNIX};
    if (text_copy(address->sun_path, sizeof address->sun_path, path) != 0)
        return error_set(err, "control socket %s: the path is longer than %zu bytes; choose a shorter one", path,
                         sizeof address->sun_path - 1);
    return 0;
}

/* Takes away a socket that nobody serves; leaves everything else. */
static int clear_path(const char *path, const struct sockaddr_un *address, struct error *err)
{
    struct stat st;
    if (lstat(path, &st) != 0)
        return errno == ENOENT ? 0 : error_set(err, "control socket %s: %s", path, strerror(errno));
    if (!S_ISSOCK(st.st_mode))
        return error_set(err, "control socket %s: something else is there; move it away or set listen.socket", path);
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0)
        return error_set(err, "control socket: %s", strerror(errno));
    int result = connect(fd, (const struct sockaddr *)address, sizeof *address);
    int why = errno;
    close(fd);
    if (result == 0 || why == EAGAIN)
        return error_set(err, "control socket %s: another daemon serves it; end that one first", path);
    if (why != ECONNREFUSED)
        return error_set(err, "control socket %s: %s", path, strerror(why));
    if (unlink(path) != 0 && errno != ENOENT)
        return error_set(err, "control socket %s: the old one cannot be removed: %s", path, strerror(errno));
    return 0;
}

static int give_to_group(const char *path, const char *group, struct error *err)
{
    if (!group[0])
        return 0;
    char buffer[4096];
    struct group entry, *found = NULL;
    if (getgrnam_r(group, &entry, buffer, sizeof buffer, &found) != 0 || !found)
        return error_set(err, "control socket: there is no group %s; make it or change listen.socket_group", group);
    if (chown(path, (uid_t)-1, entry.gr_gid) != 0)
        return error_set(err, "control socket %s cannot be given to group %s: %s", path, group, strerror(errno));
    return 0;
}

static int open_socket(struct control *c, struct error *err)
{
    struct sockaddr_un address;
    if (socket_address(c->path, &address, err) != 0 || clear_path(c->path, &address, err) != 0)
        return -1;
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0)
        return error_set(err, "control socket: %s", strerror(errno));
    if (bind(fd, (const struct sockaddr *)&address, sizeof address) != 0) {
        error_set(err, "control socket %s: %s; is its folder there and writable?", c->path, strerror(errno));
        close(fd);
        return -1;
    }
    /* Nobody can connect before listen, so the mode is right from the first connection on. */
    if (chmod(c->path, 0660) != 0 || give_to_group(c->path, c->hooks.socket_group, err) != 0 || listen(fd, 16) != 0) {
        if (!c->hooks.socket_group[0])
            error_set(err, "control socket %s: %s", c->path, strerror(errno));
        close(fd);
        (void)unlink(c->path);
        return -1;
    }
    c->listen_fd = fd;
    return 0;
}

struct control *control_new(const char *socket_path, const struct control_hooks *hooks, struct error *err)
{
    struct control *c = calloc(1, sizeof *c);
    if (!c) {
        error_set(err, "control socket: memory is short");
        return NULL;
    }
    c->hooks = *hooks;
    c->listen_fd = c->wake_fd = c->read_fd = -1;
    c->next_request = 1;
    for (int i = 0; i < CONTROL_CLIENTS_MAX; i++)
        c->clients[i].fd = -1;
    if (text_copy(c->path, sizeof c->path, socket_path) != 0) {
        error_set(err, "control socket: the path is too long");
        goto fail;
    }
    if (pthread_mutex_init(&c->lock, NULL) != 0) {
        error_set(err, "control socket: no lock");
        goto fail;
    }
    c->has_lock = true;
    c->wake_fd = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
    c->read_fd = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
    if (c->wake_fd < 0 || c->read_fd < 0) {
        error_set(err, "control socket: %s", strerror(errno));
        goto fail;
    }
    if (open_socket(c, err) != 0)
        goto fail;
    return c;
fail:
    control_free(c);
    return NULL;
}

void control_free(struct control *c)
{
    if (!c)
        return;
    for (int i = 0; i < CONTROL_CLIENTS_MAX; i++) {
        if (c->clients[i].fd >= 0) {
            write_client(c, &c->clients[i], c->hooks.real_ns(c->hooks.ctx));
            if (c->clients[i].fd >= 0)
                hang_up(c, &c->clients[i], "hung up on: the daemon ends");
        }
    }
    for (int i = 0; i < c->answer_count; i++)
        free(c->answers[(c->answer_first + i) % ANSWERS_MAX].json);
    journal_reader_close(c->reader);
    if (c->listen_fd >= 0) {
        close(c->listen_fd);
        (void)unlink(c->path);
    }
    if (c->wake_fd >= 0)
        close(c->wake_fd);
    if (c->read_fd >= 0)
        close(c->read_fd);
    if (c->has_lock) {
        server_drop_reads(c);
        pthread_mutex_destroy(&c->lock);
    }
    free(c);
}
