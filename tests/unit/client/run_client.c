#include "run_client.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

static void read_all(const char *path, char *to, size_t cap)
{
    FILE *f = fopen(path, "rb");
    ck_assert_ptr_nonnull(f);
    size_t n = fread(to, 1, cap - 1, f);
    to[n] = 0;
    fclose(f);
}

void run_client(struct outcome *o, const char *words)
{
    char out[] = "/tmp/client-out-XXXXXX", err[] = "/tmp/client-err-XXXXXX", line[4096];
    int fd[2] = {mkstemp(out), mkstemp(err)};
    ck_assert(fd[0] >= 0 && fd[1] >= 0);
    close(fd[0]);
    close(fd[1]);
    int n = snprintf(line, sizeof line, "'%s' %s >%s 2>%s </dev/null", SOAKBENCH_BINARY, words, out, err);
    ck_assert(n > 0 && n < (int)sizeof line);
    int status = system(line);
    ck_assert_msg(WIFEXITED(status), "%s did not exit", line);
    o->status = WEXITSTATUS(status);
    read_all(out, o->out, sizeof o->out);
    read_all(err, o->err, sizeof o->err);
    unlink(out);
    unlink(err);
}

json_t *client_json(const char *words, int status)
{
    struct outcome *o = calloc(1, sizeof *o);
    char line[3000];
    ck_assert_ptr_nonnull(o);
    snprintf(line, sizeof line, "%s --json", words);
    run_client(o, line);
    ck_assert_msg(o->status == status, "%s: status %d: %s%s", words, o->status, o->err, o->out);
    json_error_t error;
    json_t *object = json_loads(o->out, 0, &error);
    ck_assert_msg(object != NULL, "%s: %s", words, error.text);
    free(o);
    return object;
}

double figure(const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);
    ck_assert_msg(json_is_number(value), "%s is no number", key);
    return json_number_value(value);
}
