/* soakbench-web: the live page and the API. A process of its own, a client of the daemon like any other. */
#include <errno.h>
#include <getopt.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "config.h"
#include "problems.h"
#include "web_server.h"

static const char usage[] =
    "use: soakbench-web --config FILE [--listen ADDRESS:PORT] [--token-file FILE] [--hosts NAME,...]\n"
    "\n"
    "Serves the live page and the API of a bench. It only looks, unless a token file is given; then orders need that\n"
    "token, and starting a run needs the bench's key switch as well. \"End run\" on the page is not the emergency "
    "stop.\n"
    "\n"
    "  --config FILE        the bench's configuration: says where control socket and journal are\n"
    "  --socket PATH        control socket, instead of the configuration's\n"
    "  --journal PATH       journal, instead of the configuration's\n"
    "  --listen ADDR:PORT   instead of the configuration's; port 0 takes a free one, printed on standard output\n"
    "  --token-file FILE    first line is the token; the file must not be readable by others; instead of the\n"
    "                       configuration's\n"
    "  --hosts NAME,...     further names that browsers may call this page by\n";

struct arguments {
    const char *config, *socket, *journal, *listen, *token_file, *hosts;
};

static int parse(int argc, char **argv, struct arguments *a)
{
    static const struct option options[] = {{"config", required_argument, NULL, 'c'},
                                            {"socket", required_argument, NULL, 's'},
                                            {"journal", required_argument, NULL, 'j'},
                                            {"listen", required_argument, NULL, 'l'},
                                            {"token-file", required_argument, NULL, 't'},
                                            {"hosts", required_argument, NULL, 'n'},
                                            {"help", no_argument, NULL, 'h'},
                                            {NULL, 0, NULL, 0}};
    int o;
    while ((o = getopt_long(argc, argv, "", options, NULL)) != -1) {
        switch (o) {
        case 'c':
            a->config = optarg;
            break;
        case 's':
            a->socket = optarg;
            break;
        case 'j':
            a->journal = optarg;
            break;
        case 'l':
            a->listen = optarg;
            break;
        case 't':
            a->token_file = optarg;
            break;
        case 'n':
            a->hosts = optarg;
            break;
        case 'h':
            (void)fputs(usage, stdout);
            exit(0);
        default:
            return -1;
        }
    }
    return optind == argc ? 0 : -1;
}

static int read_token(const char *path, char *token, size_t cap, struct error *err)
{
    struct stat st;
    FILE *f = fopen(path, "r");
    if (f == NULL)
        return error_set(err, "%s: the token file cannot be read (%s)", path, strerror(errno));
    int rc = 0;
    if (fstat(fileno(f), &st) != 0 || (st.st_mode & (S_IROTH | S_IWOTH)) != 0)
        rc = error_set(err, "%s: others may read this file; make it chmod 640 or less", path);
    else if (fgets(token, (int)cap, f) == NULL)
        rc = error_set(err, "%s: the file is empty; its first line is the token", path);
    (void)fclose(f);
    token[strcspn(token, "\r\n")] = '\0';
    if (rc == 0 && strlen(token) < 16)
        rc = error_set(err, "%s: the token is shorter than 16 characters", path);
    return rc;
}

static int take_config(struct arguments *a, struct config **config)
{
    if (a->config == NULL)
        return 0;
    struct problems problems = {0};
    int rc = config_load(a->config, config, &problems);
    if (rc != 0) {
        (void)fprintf(stderr, "soakbench-web: %s has errors; `soakbench check %s` lists them\n", a->config, a->config);
    } else {
        if (a->socket == NULL)
            a->socket = (*config)->listen.socket;
        if (a->journal == NULL)
            a->journal = (*config)->journal.path;
        if (a->listen == NULL && (*config)->listen.http[0] != '\0')
            a->listen = (*config)->listen.http;
        if (a->token_file == NULL && (*config)->listen.token_file[0] != '\0')
            a->token_file = (*config)->listen.token_file;
    }
    problems_free(&problems);
    return rc;
}

/* How records are printed, by the configuration where one is named. */
static void take_wishes(const struct config *config, char *site, size_t cap, struct web_setup *setup)
{
    if (config == NULL)
        return;
    const struct record_config *r = &config->record;
    (void)text_format(site, cap, "%s%s%s", r->site, r->address[0] != '\0' ? ", " : "", r->address);
    setup->site = site;
    setup->letter = r->paper == PAPER_LETTER;
    setup->check_unit = r->check_unit;
}

static int serve(const struct arguments *a, const struct config *config)
{
    struct error err = {{0}};
    char token[256] = "";
    if (a->token_file != NULL && read_token(a->token_file, token, sizeof token, &err) != 0) {
        (void)fprintf(stderr, "soakbench-web: %s\n", err.text);
        return 1;
    }
    /* Block before the threads start, so that only sigwait below receives them. */
    sigset_t signals;
    (void)sigemptyset(&signals);
    (void)sigaddset(&signals, SIGTERM);
    (void)sigaddset(&signals, SIGINT);
    (void)pthread_sigmask(SIG_BLOCK, &signals, NULL);
    struct web_setup setup = {.listen = a->listen,
                              .socket_path = a->socket,
                              .journal_path = a->journal,
                              .token = token[0] != '\0' ? token : NULL,
                              .hosts = a->hosts,
                              .version = SOAKBENCH_VERSION,
                              .period_ms = 500};
    char site[2 * NAME_CAP + TEXT_CAP];
    take_wishes(config, site, sizeof site, &setup);
    struct web_server *server = web_server_new(&setup, &err);
    if (server == NULL) {
        (void)fprintf(stderr, "soakbench-web: %s\n", err.text);
        return 1;
    }
    (void)printf("listening on port %d%s\n", web_server_port(server),
                 setup.token != NULL ? ", orders with a token" : ", looking only");
    (void)fflush(stdout);
    int which;
    (void)sigwait(&signals, &which);
    web_server_free(server);
    return 0;
}

int main(int argc, char **argv)
{
    struct arguments a = {0};
    struct config *config = NULL;
    if (parse(argc, argv, &a) != 0) {
        (void)fputs(usage, stderr);
        return 2;
    }
    int rc = 1;
    if (take_config(&a, &config) == 0) {
        if (a.socket == NULL || a.journal == NULL) {
            (void)fputs("soakbench-web: say which bench: --config FILE, or --socket and --journal\n", stderr);
            rc = 2;
        } else {
            if (a.listen == NULL)
                a.listen = "127.0.0.1:8460";
            rc = serve(&a, config);
        }
    }
    config_free(config);
    return rc;
}
