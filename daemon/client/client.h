/* What the commands of the client share: how they print, how they talk to the daemon, and their exit status. */
#ifndef CLIENT_H
#define CLIENT_H

#include <jansson.h>

#include "journal_read.h"
#include "options.h"
#include "protocol.h"
#include "screen.h"

/* Exit status. A judgement that a command ends with decides between 0 (met, held), 3 and 4. */
enum { EXIT_DONE = 0, EXIT_REFUSED = 1, EXIT_WRONG_USE = 2, EXIT_NOT_MET = 3, EXIT_UNDECIDED = 4 };

struct config;

struct client {
    struct screen screen; /* standard output */
    struct screen errors; /* standard error */
    bool json;
    const char *socket_option, *config_option, *journal_option;
    struct config *config; /* loaded when first needed */
    int fd;                /* connection; -1: none yet */
    struct line_buffer in;
    int64_t next_id;
};

/* Exit status of a verdict by its name. */
int verdict_status(const char *verdict);

/* Prints an error: a sentence on standard error, with --json also {"v":1,"error":{...}} on standard output. Returns
 * EXIT_REFUSED. */
int client_failed(struct client *c, const struct error *err);
int client_wrong_use(struct client *c, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* The command's first operand as the number of a run, from 1. Returns EXIT_DONE, or EXIT_WRONG_USE and says so. */
int client_run_operand(struct client *c, const struct arguments *args, int64_t *run_no);

/* Prints an object as {"v":1, ...} and releases it. Returns EXIT_DONE; EXIT_REFUSED when memory is short. */
int client_print_json(struct client *c, json_t *object);

/* Sends a request (taken over; its id is set here) and waits for the answer that ends it: stage done or refused, or
 * accepted when accepted_ends. An accepted answer before that is told on standard error when people watch. *answer is
 * the whole answer, the caller's to release. Returns 0, or -1 with err when the daemon could not be reached or talked
 * to. */
int client_ask(struct client *c, json_t *request, bool accepted_ends, json_t **answer, struct error *err);

/* client_ask and, on refusal or failure, everything printed: *result is the "result" of the answer (the caller's to
 * release) and EXIT_DONE returned, else NULL and the exit status. */
int client_result(struct client *c, json_t *request, bool accepted_ends, json_t **result);

/* Prints a refusal with its reasons line by line. Returns EXIT_REFUSED. */
int client_refused(struct client *c, const json_t *answer);

/* The configuration named by --config, loaded once; NULL with its problems printed. */
const struct config *client_config(struct client *c);

/* How records are printed, by the configuration where one is named. */
struct print_wishes {
    bool letter; /* paper: else A4 */
    char site[2 * NAME_CAP + TEXT_CAP];
};
void client_print_wishes(struct client *c, struct print_wishes *wishes);

/* The bench: of --config when given, else the daemon's. Returns a heap copy, the caller's to free, or NULL with err. */
struct bench *client_bench(struct client *c, struct error *err);

/* The journal of --journal, of --config, or the daemon's own. NULL with err. */
struct journal_reader *client_journal(struct client *c, struct error *err);

/* The name on record of the unit that a person calls so (journal_reader_find_unit); as called where there is none on
 * file. Returns 0; -1 with err, which says what to type when several are called so. */
int client_unit(struct journal_reader *reader, const char *called, char name[NAME_CAP], struct error *err);

/* Is the journal to be read without the daemon? */
bool client_offline(const struct client *c);

/* Short cuts into JSON objects: "" and NAN where there is nothing. */
const char *get_word(const json_t *object, const char *key);
double get_figure(const json_t *object, const char *key);
int64_t get_whole(const json_t *object, const char *key);
bool get_flag(const json_t *object, const char *key);

/* "3 min 20 s", "8 h 05 min"; "-" for NAN. */
void print_duration(char *to, size_t cap, double seconds);

/* "12.3 A" with the digits given; "-" for NAN. */
void print_figure(char *to, size_t cap, double value, int digits, const char *unit);

#endif
