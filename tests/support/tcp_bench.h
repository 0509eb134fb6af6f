/* The virtual bench as a program of its own on free ports of the loopback, a configuration that fits it, and the daemon
 * and the client as programs beside it. What a test starts here is stopped by its own process number; folders are the
 * test's own. Also a Modbus reader of our own, so that what a load controller says can be seen without the daemon. */
#ifndef TCP_BENCH_H
#define TCP_BENCH_H

#include <stdbool.h>
#include <stdint.h>
#include <sys/types.h>

#include "capacity.h"

struct tcp_bench {
    char folder[PATH_CAP];
    char config[PATH_CAP];
    char journal[PATH_CAP];
    char socket[PATH_CAP];
    char log[PATH_CAP]; /* of the daemon */
    int rack_port, meters_port;
    pid_t bench, daemon;
    struct broom *broom;
};

/* Starts the virtual bench of config/examples/two-units at a rate; fails the test when it does not come up. extra
 * (NULL: nothing) is put behind the end of the configuration; scenario_extra behind the scenario. */
struct tcp_bench *tcp_bench_new(int rate, const char *config_extra, const char *scenario_extra);

/* Replaces a text in the configuration, everywhere; fails the test when it is not there. Before the daemon starts. */
void tcp_bench_edit(struct tcp_bench *b, const char *from, const char *to);

/* Stops what still runs and removes the folder. */
void tcp_bench_free(struct tcp_bench *b);

/* Starts the daemon and waits until its socket answers. */
void tcp_bench_start_daemon(struct tcp_bench *b);

/* SIGTERM and wait; returns the exit status. */
int tcp_bench_stop_daemon(struct tcp_bench *b);

/* SIGKILL and wait. */
void tcp_bench_kill_daemon(struct tcp_bench *b);

/* Runs a program with arguments (NULL at the end) and waits; output (malloc'd, NULL: not wanted) receives what it wrote
 * to both its outputs. Returns the exit status, -1 when it did not end by itself within timeout_s. */
int tcp_bench_run(const char *const argv[], int timeout_s, char **output);

/* The soakbench command against the daemon's socket: "soakbench WORDS", words split at spaces. */
int tcp_bench_client(struct tcp_bench *b, const char *words, char **output);

/* The same, and fails the test unless it exits with 0. */
void tcp_bench_do(struct tcp_bench *b, const char *words);

/* Scenario text that leaves both isolators open until connect_s seconds of bench time. */
const char *tcp_bench_isolators(char to[512], int connect_s);

/* What a bench hand does before the first run: waits for the devices, proves the watchdog while the isolators are open,
 * waits until they are closed, puts both units and their safety tests on file, rigs both channels. */
void tcp_bench_prepare(struct tcp_bench *b);

/* Waits until the words' output holds the text; fails the test after timeout_s. */
void tcp_bench_wait_text(struct tcp_bench *b, const char *words, const char *text, double timeout_s);

/* Reads registers of the input table of a server, over a connection of its own. Returns 0 or -1. */
int tcp_bench_read_inputs(int port, int server, int first, int count, uint16_t *values);

/* Mask of closed steps of channel A (0) or B (1), as the controller says; -1 when it does not answer. */
int tcp_bench_closed(struct tcp_bench *b, int channel);

/* Waits until the mask is (not) zero; true when it came to be within timeout_s. */
bool tcp_bench_wait_closed(struct tcp_bench *b, int channel, bool closed, double timeout_s);

/* Does the daemon's log hold the text? When that is not what is expected, the log goes to the standard error (it is too
 * long for a test's message) and the test fails. */
void tcp_bench_log(struct tcp_bench *b, const char *text, bool expected);

/* Text of a file, malloc'd; "" when there is none. */
char *tcp_bench_file(const char *path);

/* Real monotonic seconds. */
double tcp_bench_now_s(void);
void tcp_bench_pause(double seconds);

#endif
