#define _GNU_SOURCE /* mkdtemp */
#include "tcp_bench.h"

#include <arpa/inet.h>
#include <check.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "broom.h"
#include "error.h"

enum { ARGS_MAX = 48 };

double tcp_bench_now_s(void)
{
    struct timespec ts;
    clock_gettime(CLOCK_MONOTONIC, &ts);
    return (double)ts.tv_sec + (double)ts.tv_nsec / 1e9;
}

void tcp_bench_pause(double seconds)
{
    struct timespec ts = {.tv_sec = (time_t)seconds, .tv_nsec = (long)((seconds - (double)(time_t)seconds) * 1e9)};
    nanosleep(&ts, NULL);
}

char *tcp_bench_file(const char *path)
{
    char *text = calloc(1, 1);
    size_t used = 0;
    FILE *f = fopen(path, "r");
    while (f && text) {
        char *more = realloc(text, used + 4097);
        if (!more)
            break;
        text = more;
        size_t n = fread(text + used, 1, 4096, f);
        used += n;
        text[used] = '\0';
        if (!n)
            break;
    }
    if (f)
        fclose(f);
    ck_assert_ptr_nonnull(text);
    return text;
}

/* ---- programs ---- */

static pid_t spawn(const char *const argv[], int out_fd)
{
    pid_t pid = fork();
    ck_assert_int_ge(pid, 0);
    if (pid == 0) {
        sigset_t none;
        prctl(PR_SET_PDEATHSIG, SIGKILL); /* a test that fails leaves nothing running */
        sigemptyset(&none);
        sigprocmask(SIG_SETMASK, &none, NULL);
        int in_fd = open("/dev/null", O_RDONLY);
        if (dup2(in_fd, 0) < 0 || dup2(out_fd, 1) < 0 || dup2(out_fd, 2) < 0)
            _exit(126);
        execv(argv[0], (char *const *)argv);
        _exit(127);
    }
    return pid;
}

/* Waits for a child of ours to end; its exit status, or -1 when it was killed or is still there. */
static int wait_for(pid_t pid, double timeout_s)
{
    double end_s = tcp_bench_now_s() + timeout_s;
    int status;
    while (waitpid(pid, &status, WNOHANG) == 0) {
        if (tcp_bench_now_s() > end_s) {
            kill(pid, SIGKILL);
            waitpid(pid, &status, 0);
            return -1;
        }
        tcp_bench_pause(0.01);
    }
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
}

int tcp_bench_run(const char *const argv[], int timeout_s, char **output)
{
    char path[] = "/tmp/soakbench-out-XXXXXX";
    int fd = mkstemp(path);
    ck_assert_int_ge(fd, 0);
    pid_t pid = spawn(argv, fd);
    int status = wait_for(pid, timeout_s);
    close(fd);
    if (output)
        *output = tcp_bench_file(path);
    unlink(path);
    return status;
}

int tcp_bench_client(struct tcp_bench *b, const char *words, char **output)
{
    char copy[1024], option[] = "--socket";
    const char *argv[ARGS_MAX + 1] = {SOAKBENCH_PATH};
    char *rest = NULL;
    int count = 1;
    text_copy(copy, sizeof copy, words);
    for (char *word = strtok_r(copy, " ", &rest); word && count < ARGS_MAX - 2; word = strtok_r(NULL, " ", &rest))
        argv[count++] = word;
    argv[count++] = option;
    argv[count++] = b->socket;
    return tcp_bench_run(argv, 120, output);
}

/* ---- the bench ---- */

static void write_file(const char *path, const char *text)
{
    FILE *f = fopen(path, "w");
    ck_assert_ptr_nonnull(f);
    ck_assert_int_ge(fputs(text, f), 0);
    ck_assert_int_eq(fclose(f), 0);
}

/* Text with every `from` replaced; frees text. */
static char *replaced(char *text, const char *from, const char *to)
{
    size_t count = 0, from_size = strlen(from), to_size = strlen(to);
    for (char *at = strstr(text, from); at; at = strstr(at + from_size, from))
        count++;
    ck_assert_msg(count > 0, "\"%s\" is not in the file", from);
    char *out = malloc(strlen(text) + count * to_size + 1);
    ck_assert_ptr_nonnull(out);
    char *end = out;
    for (char *at = text; *at;) {
        if (strncmp(at, from, from_size) == 0) {
            end = stpcpy(end, to);
            at += from_size;
        } else {
            *end++ = *at++;
        }
    }
    *end = '\0';
    free(text);
    return out;
}

static int port_in(const char *ready, const char *name)
{
    char key[64];
    text_format(key, sizeof key, "%s=", name);
    const char *at = strstr(ready, key);
    ck_assert_msg(at != NULL, "no %s in \"%s\"", name, ready);
    return atoi(at + strlen(key));
}

static void start_bench(struct tcp_bench *b, int rate, const char *extra)
{
    char scenario[PATH_CAP], ready[PATH_CAP], log[PATH_CAP], rate_text[32];
    text_format(scenario, sizeof scenario, "%s/scenario.yaml", b->folder);
    text_format(ready, sizeof ready, "%s/ready", b->folder);
    text_format(log, sizeof log, "%s/bench.log", b->folder);
    text_format(rate_text, sizeof rate_text, "%d", rate);
    char *text = tcp_bench_file(SOURCE_DIR "/config/examples/two-units-scenario.yaml");
    text = replaced(text, "port: 15030", "port: 0");
    text = replaced(text, "port: 15031", "port: 0");
    size_t size = strlen(text) + (extra ? strlen(extra) : 0) + 1;
    char *whole = malloc(size);
    ck_assert_ptr_nonnull(whole);
    text_format(whole, size, "%s%s", text, extra ? extra : "");
    write_file(scenario, whole);
    free(whole);
    free(text);
    const char *argv[] = {VIRTUAL_PATH, scenario, "--rate", rate_text, "--ready-file", ready, "--verbose", NULL};
    int fd = open(log, O_CREAT | O_WRONLY | O_CLOEXEC, 0600);
    b->bench = spawn(argv, fd);
    close(fd);
    double end_s = tcp_bench_now_s() + 10;
    while (access(ready, R_OK) != 0 && tcp_bench_now_s() < end_s)
        tcp_bench_pause(0.01);
    tcp_bench_pause(0.02);
    text = tcp_bench_file(ready);
    b->rack_port = port_in(text, "rack");
    b->meters_port = port_in(text, "meters");
    free(text);
}

static void write_config(struct tcp_bench *b, int rate, const char *extra)
{
    char to[PATH_CAP + 64];
    char *text = tcp_bench_file(SOURCE_DIR "/config/examples/two-units.yaml");
    text_format(to, sizeof to, "127.0.0.1:%d", b->rack_port);
    text = replaced(text, "127.0.0.1:15030", to);
    text_format(to, sizeof to, "127.0.0.1:%d", b->meters_port);
    text = replaced(text, "127.0.0.1:15031", to);
    text_format(to, sizeof to, "rate: %d", rate);
    text = replaced(text, "rate: 60", to);
    /* The rates of these tests are lower than the example's, and what opens when is measured: shorter limits. */
    text = replaced(text, "beat: 4 s", "beat: 2 s");
    text = replaced(text, "lease: 30 s", "lease: 8 s");
    text = replaced(text, "watchdog_time: 45 s", "watchdog_time: 10 s");
    text = replaced(text, "safety: 30 s", "safety: 10 s");
    text = replaced(text, "../maps/", SOURCE_DIR "/config/maps/");
    size_t size = strlen(text) + (extra ? strlen(extra) : 0) + 1;
    char *whole = malloc(size);
    ck_assert_ptr_nonnull(whole);
    text_format(whole, size, "%s%s", text, extra ? extra : "");
    write_file(b->config, whole);
    free(whole);
    free(text);
}

struct tcp_bench *tcp_bench_new(int rate, const char *config_extra, const char *scenario_extra)
{
    struct tcp_bench *b = calloc(1, sizeof *b);
    ck_assert_ptr_nonnull(b);
    text_copy(b->folder, sizeof b->folder, "/tmp/soakbench-e2e-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(b->folder));
    b->broom = broom_new(b->folder);
    text_format(b->config, sizeof b->config, "%s/bench.yaml", b->folder);
    text_format(b->journal, sizeof b->journal, "%s/two-units.db", b->folder);
    text_format(b->socket, sizeof b->socket, "%s/two-units.sock", b->folder);
    text_format(b->log, sizeof b->log, "%s/daemon.log", b->folder);
    start_bench(b, rate, scenario_extra);
    write_config(b, rate, config_extra);
    return b;
}

void tcp_bench_edit(struct tcp_bench *b, const char *from, const char *to)
{
    char *text = replaced(tcp_bench_file(b->config), from, to);
    write_file(b->config, text);
    free(text);
}

static void stop(pid_t *pid, int signal_number)
{
    if (*pid <= 0)
        return;
    kill(*pid, signal_number);
    wait_for(*pid, 10);
    *pid = 0;
}

void tcp_bench_free(struct tcp_bench *b)
{
    if (!b)
        return;
    stop(&b->daemon, SIGTERM);
    stop(&b->bench, SIGTERM);
    broom_free(b->broom);
    free(b);
}

/* ---- the daemon ---- */

static bool socket_answers(const char *path)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    text_copy(address.sun_path, sizeof address.sun_path, path);
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    bool up = fd >= 0 && connect(fd, (struct sockaddr *)&address, sizeof address) == 0;
    if (fd >= 0)
        close(fd);
    return up;
}

void tcp_bench_start_daemon(struct tcp_bench *b)
{
    const char *argv[] = {SOAKBENCHD_PATH, "--config", b->config, "--verbose", NULL};
    int fd = open(b->log, O_CREAT | O_WRONLY | O_APPEND | O_CLOEXEC, 0600);
    ck_assert_int_ge(fd, 0);
    b->daemon = spawn(argv, fd);
    close(fd);
    double end_s = tcp_bench_now_s() + 15;
    while (!socket_answers(b->socket) && tcp_bench_now_s() < end_s)
        tcp_bench_pause(0.02);
    if (socket_answers(b->socket))
        return;
    char *log = tcp_bench_file(b->log);
    ck_abort_msg("the daemon did not come up: %s", log);
}

int tcp_bench_stop_daemon(struct tcp_bench *b)
{
    kill(b->daemon, SIGTERM);
    int status = wait_for(b->daemon, 20);
    b->daemon = 0;
    return status;
}

void tcp_bench_kill_daemon(struct tcp_bench *b)
{
    stop(&b->daemon, SIGKILL);
}

void tcp_bench_log(struct tcp_bench *b, const char *text, bool expected)
{
    char *log = tcp_bench_file(b->log);
    bool found = strstr(log, text) != NULL;
    if (found != expected)
        fprintf(stderr, "%s\n", log);
    free(log);
    ck_assert_msg(found == expected, "\"%s\" is %s the daemon's log", text, found ? "in" : "not in");
}

/* ---- what people do ---- */

void tcp_bench_do(struct tcp_bench *b, const char *words)
{
    char *output = NULL;
    int status = tcp_bench_client(b, words, &output);
    if (status) {
        char *log = tcp_bench_file(b->log);
        fprintf(stderr, "%s\n", log);
        free(log);
    }
    ck_assert_msg(status == 0, "soakbench %s: exit %d: %s", words, status, output);
    free(output);
}

void tcp_bench_wait_text(struct tcp_bench *b, const char *words, const char *text, double timeout_s)
{
    double end_s = tcp_bench_now_s() + timeout_s;
    for (;;) {
        char *output = NULL;
        tcp_bench_client(b, words, &output);
        bool found = strstr(output, text) != NULL;
        bool over = tcp_bench_now_s() > end_s;
        if (!found && over) /* too long for a test's message */
            fprintf(stderr, "%s\n", output);
        ck_assert_msg(found || !over, "\"%s\" never came in \"%s\"", text, words);
        free(output);
        if (found)
            return;
        tcp_bench_pause(0.1);
    }
}

const char *tcp_bench_isolators(char to[512], int connect_s)
{
    text_format(to, 512,
                "events:\n"
                "  - {at_s: 0, do: isolate, channel: A}\n"
                "  - {at_s: 0, do: isolate, channel: B}\n"
                "  - {at_s: %d, do: connect, channel: A}\n"
                "  - {at_s: %d, do: connect, channel: B}\n",
                connect_s, connect_s);
    return to;
}

/* How often `key` occurs in what "status" prints, followed soon by `value`. */
static int status_count(struct tcp_bench *b, const char *key, const char *value)
{
    char *output = NULL;
    int count = 0;
    tcp_bench_client(b, "status --json", &output);
    for (const char *at = strstr(output, key); at; at = strstr(at + 1, key)) {
        const char *found = strstr(at, value);
        count += found && found - at < 120;
    }
    free(output);
    return count;
}

/* The controller closes nothing before it has seen the heartbeat change. */
static void wait_beats(struct tcp_bench *b)
{
    double end_s = tcp_bench_now_s() + 10;
    int most = 0;
    while (most < 2) {
        char *output = NULL;
        tcp_bench_client(b, "status --figures --json", &output);
        for (const char *at = strstr(output, "\"beats\": "); at; at = strstr(at + 1, "\"beats\": "))
            most = atoi(at + 9) > most ? atoi(at + 9) : most;
        free(output);
        ck_assert_msg(tcp_bench_now_s() < end_s, "no heartbeat went out");
    }
}

static void wait_count(struct tcp_bench *b, const char *key, const char *value, int count, double timeout_s)
{
    double end_s = tcp_bench_now_s() + timeout_s;
    while (status_count(b, key, value) < count) {
        ck_assert_msg(tcp_bench_now_s() < end_s, "status never had %d times %s %s", count, key, value);
        tcp_bench_pause(0.05);
    }
}

void tcp_bench_prepare(struct tcp_bench *b)
{
    char words[1024];
    wait_count(b, "\"up\": ", "true", 4, 10);
    wait_beats(b);
    tcp_bench_do(b, "watchdog prove bank --who Ines");
    wait_count(b, "\"isolated\": {", "\"value\": 0.0", 2, 30);
    for (int i = 0; i < 2; i++) {
        const char *serial = i ? "HQ-0152" : "HQ-0147";
        text_format(words, sizeof words, "unit add " SOURCE_DIR "/config/examples/units/%s",
                    i ? "hq-0152.yaml" : "hq-0147.yaml");
        tcp_bench_do(b, words);
        text_format(words, sizeof words, "unit inspect %s --passed --who Ines --reference HQ-T-4", serial);
        tcp_bench_do(b, words);
        text_format(words, sizeof words, "rig %s --who Ines", i ? "B" : "A");
        tcp_bench_do(b, words);
        text_format(words, sizeof words, "rigged %s --who Ines", i ? "B" : "A");
        tcp_bench_do(b, words);
    }
}

/* ---- a Modbus reader of our own ---- */

static int connect_port(int port)
{
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_port = htons((uint16_t)port)};
    struct timeval limit = {.tv_sec = 2};
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return -1;
    setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof limit);
    if (connect(fd, (struct sockaddr *)&address, sizeof address)) {
        close(fd);
        return -1;
    }
    return fd;
}

/* Modbus application protocol over TCP: transaction, protocol 0, length, server, function 4. */
int tcp_bench_read_inputs(int port, int server, int first, int count, uint16_t *values)
{
    uint8_t ask[12] = {0, 1, 0, 0, 0, 6, (uint8_t)server, 4, (uint8_t)(first >> 8), (uint8_t)first, 0, (uint8_t)count};
    uint8_t answer[300];
    size_t want = 9 + (size_t)count * 2, got = 0;
    int fd = connect_port(port);
    if (fd < 0)
        return -1;
    bool sent = send(fd, ask, sizeof ask, MSG_NOSIGNAL) == (ssize_t)sizeof ask;
    while (sent && got < want) {
        ssize_t n = recv(fd, answer + got, sizeof answer - got, 0);
        if (n <= 0)
            break;
        got += (size_t)n;
    }
    close(fd);
    if (got < want || answer[7] != 4)
        return -1;
    for (int i = 0; i < count; i++)
        values[i] = (uint16_t)(answer[9 + 2 * i] << 8 | answer[10 + 2 * i]);
    return 0;
}

int tcp_bench_closed(struct tcp_bench *b, int channel)
{
    static const int closed_register[] = {20, 32}; /* config/maps/stepped-bank.yaml: a_closed, b_closed */
    uint16_t mask;
    return tcp_bench_read_inputs(b->rack_port, 1, closed_register[channel], 1, &mask) ? -1 : mask;
}

bool tcp_bench_wait_closed(struct tcp_bench *b, int channel, bool closed, double timeout_s)
{
    double end_s = tcp_bench_now_s() + timeout_s;
    do {
        int mask = tcp_bench_closed(b, channel);
        if (mask >= 0 && (mask != 0) == closed)
            return true;
        tcp_bench_pause(0.01);
    } while (tcp_bench_now_s() < end_s);
    return false;
}
