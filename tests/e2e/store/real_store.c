#define _XOPEN_SOURCE 700 /* nftw */

#include "real_store.h"

#include <arpa/inet.h>
#include <check.h>
#include <curl/curl.h>
#include <fcntl.h>
#include <ftw.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

static const char *const programs[] = {"/usr/bin/influxd", "/usr/bin/victoria-metrics"};

bool real_store_installed(enum real_store_kind kind)
{
    return access(programs[kind], X_OK) == 0;
}

static int free_port(void)
{
    int fd = socket(AF_INET, SOCK_STREAM, 0);
    struct sockaddr_in a = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t n = sizeof a;
    ck_assert(fd >= 0 && bind(fd, (struct sockaddr *)&a, sizeof a) == 0 &&
              getsockname(fd, (struct sockaddr *)&a, &n) == 0);
    (void)close(fd);
    return ntohs(a.sin_port);
}

static void write_settings(const struct real_store *s, int rpc_port)
{
    char path[128];
    (void)snprintf(path, sizeof path, "%s/store.conf", s->dir);
    FILE *f = fopen(path, "w");
    ck_assert_ptr_nonnull(f);
    (void)fprintf(f,
                  "reporting-disabled = true\nbind-address = \"127.0.0.1:%d\"\n[meta]\n  dir = \"%s/meta\"\n[data]\n"
                  "  dir = \"%s/data\"\n  wal-dir = \"%s/wal\"\n[monitor]\n  store-enabled = false\n[http]\n"
                  "  bind-address = \"127.0.0.1:%d\"\n  log-enabled = false\n",
                  rpc_port, s->dir, s->dir, s->dir, s->port);
    if (s->tls)
        (void)fprintf(f,
                      "  https-enabled = true\n  https-certificate = \"%s/store.pem\"\n  https-private-key ="
                      " \"%s/store.key\"\n",
                      s->dir, s->dir);
    (void)fputs("[logging]\n  level = \"error\"\n", f);
    ck_assert_int_eq(fclose(f), 0);
}

static void make_certificates(const struct real_store *s)
{
    char command[1024];
    (void)snprintf(
        command, sizeof command,
        "cd %s && for ca in ca other; do openssl req -x509 -newkey rsa:2048 -nodes -keyout $ca.key -out $ca.pem"
        " -days 2 -subj /CN=$ca >/dev/null 2>&1 || exit 1; done && echo subjectAltName=IP:127.0.0.1 >ext &&"
        " openssl req -newkey rsa:2048 -nodes -keyout store.key -out store.csr -subj /CN=store >/dev/null"
        " 2>&1 && openssl x509 -req -in store.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 -extfile"
        " ext -out store.pem >/dev/null 2>&1",
        s->dir);
    ck_assert_int_eq(system(command), 0);
}

static void make(struct real_store *s, enum real_store_kind kind, bool tls)
{
    *s = (struct real_store){.kind = kind, .dir = "/tmp/store-XXXXXX", .tls = tls};
    ck_assert_ptr_nonnull(mkdtemp(s->dir));
    s->port = free_port();
    (void)snprintf(s->url, sizeof s->url, "%s://127.0.0.1:%d", tls ? "https" : "http", s->port);
    if (tls)
        make_certificates(s);
    write_settings(s, free_port());
    real_store_start(s);
    if (kind == REAL_INFLUXDB)
        free(real_store_query(s, "CREATE DATABASE soak"));
}

void real_store_make(struct real_store *s, enum real_store_kind kind)
{
    make(s, kind, false);
}

void real_store_make_tls(struct real_store *s)
{
    make(s, REAL_INFLUXDB, true);
}

static size_t keep_text(char *bytes, size_t size, size_t count, void *ctx)
{
    char **text = ctx;
    size_t old = strlen(*text), n = size * count;
    *text = realloc(*text, old + n + 1);
    ck_assert_ptr_nonnull(*text);
    memcpy(*text + old, bytes, n);
    (*text)[old + n] = '\0';
    return n;
}

/* Posts a form; NULL when nobody answers. */
static char *ask(const struct real_store *s, const char *place, const char *form, const char *query)
{
    CURL *c = curl_easy_init();
    ck_assert_ptr_nonnull(c);
    char *escaped = curl_easy_escape(c, query, 0), *text = calloc(1, 1);
    char body[4096], url[160], ca[96];
    (void)snprintf(body, sizeof body, "%s=%s", form, escaped);
    (void)snprintf(url, sizeof url, "%s/%s", s->url, place);
    curl_free(escaped);
    (void)curl_easy_setopt(c, CURLOPT_URL, url);
    (void)curl_easy_setopt(c, CURLOPT_NOSIGNAL, 1L);
    (void)curl_easy_setopt(c, CURLOPT_NOPROXY, "*");
    (void)curl_easy_setopt(c, CURLOPT_TIMEOUT, 20L);
    (void)curl_easy_setopt(c, CURLOPT_POSTFIELDS, body);
    (void)snprintf(ca, sizeof ca, "%s/ca.pem", s->dir);
    if (s->tls)
        (void)curl_easy_setopt(c, CURLOPT_CAINFO, ca);
    (void)curl_easy_setopt(c, CURLOPT_WRITEFUNCTION, keep_text);
    (void)curl_easy_setopt(c, CURLOPT_WRITEDATA, &text);
    CURLcode rc = curl_easy_perform(c);
    curl_easy_cleanup(c);
    if (rc == CURLE_OK)
        return text;
    free(text);
    return NULL;
}

char *real_store_query(const struct real_store *s, const char *query)
{
    if (s->kind == REAL_VICTORIAMETRICS)
        free(ask(s, "internal/force_flush", "now", ""));
    char *text = s->kind == REAL_INFLUXDB ? ask(s, "query", "db=soak&epoch=ms&q", query)
                                          : ask(s, "api/v1/export", "match[]", query);
    ck_assert_ptr_nonnull(text);
    return text;
}

static void run_program(const struct real_store *s, const char *settings)
{
    char data[128], listen[64];
    (void)snprintf(data, sizeof data, "-storageDataPath=%s/data", s->dir);
    (void)snprintf(listen, sizeof listen, "-httpListenAddr=127.0.0.1:%d", s->port);
    if (s->kind == REAL_INFLUXDB)
        (void)execl(programs[s->kind], "influxd", "-config", settings, (char *)NULL);
    else /* the options of deploy/stores/victoriametrics.options */
        (void)execl(programs[s->kind], "victoria-metrics", data, listen, "-dedup.minScrapeInterval=1ms",
                    "-search.latencyOffset=1ms", "-search.maxStalenessInterval=5s", "-retentionPeriod=100y",
                    (char *)NULL);
}

void real_store_start(struct real_store *s)
{
    char settings[128];
    (void)snprintf(settings, sizeof settings, "%s/store.conf", s->dir);
    s->pid = fork();
    ck_assert_int_ge(s->pid, 0);
    if (s->pid == 0) {
        (void)prctl(PR_SET_PDEATHSIG, SIGKILL); /* a test that fails leaves nothing running */
        int null = open("/dev/null", O_RDWR);
        (void)dup2(null, 0);
        (void)dup2(null, 1);
        (void)dup2(null, 2);
        run_program(s, settings);
        _exit(127);
    }
    time_t deadline = time(NULL) + 60;
    char *answer = NULL;
    while (answer == NULL && time(NULL) < deadline) {
        answer = s->kind == REAL_INFLUXDB ? ask(s, "query", "q", "SHOW DATABASES") : ask(s, "health", "now", "");
        if (answer == NULL)
            (void)nanosleep(&(struct timespec){0, 50 * 1000 * 1000}, NULL);
    }
    ck_assert_msg(answer != NULL, "the store did not start");
    free(answer);
}

void real_store_kill(struct real_store *s)
{
    ck_assert_int_eq(kill(s->pid, SIGKILL), 0);
    ck_assert_int_eq(waitpid(s->pid, NULL, 0), s->pid);
    s->pid = 0;
}

static int remove_one(const char *path, const struct stat *st, int kind, struct FTW *ftw)
{
    (void)st;
    (void)kind;
    (void)ftw;
    return remove(path);
}

void real_store_wipe(struct real_store *s)
{
    char data[96];
    (void)snprintf(data, sizeof data, "%s/data", s->dir);
    (void)nftw(data, remove_one, 16, FTW_DEPTH | FTW_PHYS);
}

void real_store_remove(struct real_store *s)
{
    if (s->pid > 0)
        real_store_kill(s);
    (void)nftw(s->dir, remove_one, 16, FTW_DEPTH | FTW_PHYS);
}
