/* soakbench-virtual: the virtual bench as a program, for demonstrations and tests over real sockets and terminals. */
#include <errno.h>
#include <getopt.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/signalfd.h>
#include <unistd.h>

#include "vb_serve.h"

static const char usage[] =
    "usage: soakbench-virtual SCENARIO [--rate R] [--ready-file F] [--verbose]\n"
    "\n"
    "Serves a simulated load bench, its units and meters on 127.0.0.1 and on pseudo terminals until it is told to "
    "end.\n"
    "  --rate R        bench time passes R times as fast as real time (default: the scenario's)\n"
    "  --ready-file F  writes name=port and name=path of every bus to F when all of them are open\n"
    "  --verbose       tells what trips, and when\n"
    "Nothing here switches real equipment. See docs/virtual-bench.md.\n";

struct options {
    const char *scenario, *ready;
    double rate;
    bool verbose;
};

static int parse(int argc, char **argv, struct options *o)
{
    static const struct option known[] = {{"rate", required_argument, NULL, 'r'},
                                          {"ready-file", required_argument, NULL, 'f'},
                                          {"verbose", no_argument, NULL, 'v'},
                                          {"help", no_argument, NULL, 'h'},
                                          {0}};
    int c;
    while ((c = getopt_long(argc, argv, "", known, NULL)) != -1) {
        char *end = NULL;
        switch (c) {
        case 'r':
            o->rate = strtod(optarg, &end);
            if (end == optarg || *end || !(o->rate > 0) || o->rate > 100000)
                return 2;
            break;
        case 'f':
            o->ready = optarg;
            break;
        case 'v':
            o->verbose = true;
            break;
        case 'h':
            fputs(usage, stdout);
            return -1;
        default:
            return 2;
        }
    }
    if (optind != argc - 1)
        return 2;
    o->scenario = argv[optind];
    return 0;
}

static int catch_signals(void)
{
    sigset_t set;
    sigemptyset(&set);
    sigaddset(&set, SIGTERM);
    sigaddset(&set, SIGINT);
    if (sigprocmask(SIG_BLOCK, &set, NULL) != 0)
        return -1;
    struct sigaction ignore = {.sa_handler = SIG_IGN};
    if (sigaction(SIGPIPE, &ignore, NULL) != 0)
        return -1;
    return signalfd(-1, &set, SFD_CLOEXEC);
}

int main(int argc, char **argv)
{
    struct options o = {0};
    struct vbench_error err = {{0}};
    int wrong = parse(argc, argv, &o);
    if (wrong) {
        if (wrong == 2)
            fputs(usage, stderr);
        return wrong == 2 ? 2 : 0;
    }
    int result = 1;
    struct vb_serve *serve = NULL;
    int signals = catch_signals();
    struct vbench *vb = vbench_new(o.scenario, &err);
    if (!vb || signals < 0) {
        fprintf(stderr, "soakbench-virtual: %s: %s\n", o.scenario, vb ? strerror(errno) : err.text);
        goto done;
    }
    if (o.rate > 0)
        vbench_set_rate(vb, o.rate);
    serve = vb_serve_new(vb, &err);
    if (!serve) {
        fprintf(stderr, "soakbench-virtual: %s\n", err.text);
        goto done;
    }
    if (vb_serve_ready(serve, o.ready) != 0) {
        fprintf(stderr, "soakbench-virtual: %s: %s\n", o.ready ? o.ready : "stdout", strerror(errno));
        goto done;
    }
    result = vb_serve_run(serve, signals, o.verbose) == 0 ? 0 : 1;
done:
    if (serve)
        vb_serve_free(serve);
    vbench_free(vb);
    if (signals >= 0)
        close(signals);
    return result;
}
