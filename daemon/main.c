/* soakbenchd: reads its arguments and the configuration, and hands over to the runtime. */
#include <getopt.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/signalfd.h>
#include <unistd.h>

#include <curl/curl.h>

#include "config.h"
#include "problems.h"
#include "runtime.h"

enum { EXIT_FAILED = 1, EXIT_WRONG_USE = 2 };

static void print_usage(FILE *to)
{
    fputs("usage: soakbenchd --config FILE [--verbose] [--service]\n"
          "\n"
          "  --config FILE  the bench: buses, devices, channels, limits\n"
          "  --verbose      log more\n"
          "  --service      started by a service manager: report when ready, put levels before log lines\n"
          "  --version      print the version\n"
          "\n"
          "Mains and welding outputs kill, banks and leads burn. A hard-wired emergency stop and a guard are needed;\n"
          "this program is neither. Local electrical codes and the makers' instructions come first.\n",
          to);
}

static struct config *load_config(const char *path)
{
    struct problems problems = {0};
    struct config *config = NULL;
    char text[1024];
    int status = config_load(path, &config, &problems);
    for (int i = 0; i < problems.count; i++) {
        problem_print(text, sizeof text, &problems.items[i]);
        if (status || problems.items[i].level != PROBLEM_HINT)
            fprintf(stderr, "%s\n", text);
    }
    if (status)
        fprintf(stderr, "soakbenchd: %s has %d errors; nothing was started\n", path, problems.errors);
    if (!status && config->bench.channel_count == 0) {
        fprintf(stderr, "soakbenchd: %s has no channels; nothing was started\n", path);
        config_free(config);
        status = -1;
    }
    problems_free(&problems);
    return status ? NULL : config;
}

/* SIGTERM and SIGINT become readable descriptors; no handler runs. */
static int signal_descriptor(void)
{
    sigset_t set;
    sigemptyset(&set);
    sigaddset(&set, SIGTERM);
    sigaddset(&set, SIGINT);
    if (sigprocmask(SIG_BLOCK, &set, NULL) || signal(SIGPIPE, SIG_IGN) == SIG_ERR)
        return -1;
    return signalfd(-1, &set, SFD_CLOEXEC | SFD_NONBLOCK);
}

static int run(const struct config *config, const struct runtime_options *options)
{
    struct error err = {0};
    int status = -1;
    struct runtime *rt = runtime_new(config, options, &err);
    if (rt)
        status = runtime_run(rt, &err);
    runtime_free(rt);
    if (status)
        fprintf(stderr, "soakbenchd: %s\n", err.text);
    return status ? EXIT_FAILED : EXIT_SUCCESS;
}

int main(int argc, char **argv)
{
    static const struct option options[] = {
        {"config", required_argument, NULL, 'c'}, {"verbose", no_argument, NULL, 'v'},
        {"service", no_argument, NULL, 's'},      {"version", no_argument, NULL, 'V'},
        {"help", no_argument, NULL, 'h'},         {0}};
    struct runtime_options runtime = {.log_level = LOG_LEVEL_NOTICE, .log_fd = STDERR_FILENO, .stop_fd = -1};
    const char *path = NULL;
    int option;
    while ((option = getopt_long(argc, argv, "", options, NULL)) != -1)
        switch (option) {
        case 'c':
            path = optarg;
            break;
        case 'v':
            runtime.log_level = LOG_LEVEL_DEBUG;
            break;
        case 's':
            runtime.service = runtime.log_prefix = true;
            break;
        case 'V':
            puts("soakbenchd " SOAKBENCH_VERSION);
            return EXIT_SUCCESS;
        case 'h':
            print_usage(stdout);
            return EXIT_SUCCESS;
        default:
            print_usage(stderr);
            return EXIT_WRONG_USE;
        }
    if (!path || optind != argc) {
        print_usage(stderr);
        return EXIT_WRONG_USE;
    }
    struct config *config = load_config(path);
    int status = EXIT_FAILED;
    runtime.stop_fd = signal_descriptor();
    if (runtime.stop_fd < 0)
        perror("soakbenchd: signals");
    else if (config && curl_global_init(CURL_GLOBAL_DEFAULT) == 0)
        status = run(config, &runtime);
    curl_global_cleanup();
    if (runtime.stop_fd >= 0)
        close(runtime.stop_fd);
    config_free(config);
    return status;
}
