/* Runs the real program and catches what it prints. */
#ifndef RUN_CLIENT_H
#define RUN_CLIENT_H

#include <jansson.h>

enum { OUTPUT_CAP = 256 * 1024 };

struct outcome {
    int status; /* exit status */
    char out[OUTPUT_CAP];
    char err[16384];
};

/* words is a shell's command line behind the program's name. */
void run_client(struct outcome *o, const char *words);

/* Runs it with --json behind, expects the status, and parses what it printed; the caller releases it. */
json_t *client_json(const char *words, int status);

/* A figure of the object, which must be there. */
double figure(const json_t *object, const char *key);

#endif
