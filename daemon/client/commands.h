/* The commands' own functions; each gives the exit status. The table of them is in command_table.c. */
#ifndef COMMANDS_H
#define COMMANDS_H

#include "client.h"

int command_status(struct client *c, const struct arguments *args);
int command_channel(struct client *c,
                    const struct arguments *args); /* rig, rigged, reset, continue, note, run set/release/end */
int command_watchdog_prove(struct client *c, const struct arguments *args);
int command_run_plan(struct client *c, const struct arguments *args);
int command_run_start(struct client *c, const struct arguments *args);
int command_run_queue(struct client *c, const struct arguments *args);
int command_run_queued(struct client *c, const struct arguments *args);
int command_run_unqueue(struct client *c, const struct arguments *args);
int command_run_list(struct client *c, const struct arguments *args);
int command_run_show(struct client *c, const struct arguments *args);
int command_run_watch(struct client *c, const struct arguments *args);
int command_unit_add(struct client *c, const struct arguments *args);
int command_unit_import(struct client *c, const struct arguments *args);
int command_unit_list(struct client *c, const struct arguments *args);
int command_unit_show(struct client *c, const struct arguments *args);
int command_unit_history(struct client *c, const struct arguments *args);
int command_unit_inspect(struct client *c, const struct arguments *args);
int command_unit_release(struct client *c, const struct arguments *args);
int command_unit_baseline(struct client *c, const struct arguments *args);
int command_check(struct client *c, const struct arguments *args);
int command_config_reference(struct client *c, const struct arguments *args);
int command_probe(struct client *c, const struct arguments *args);
int command_replay(struct client *c, const struct arguments *args);
int command_journal_backup(struct client *c, const struct arguments *args);
int command_journal_unpack(struct client *c, const struct arguments *args);
int command_journal_check(struct client *c, const struct arguments *args);
int command_notify_test(struct client *c, const struct arguments *args);
int command_notify_acknowledge(struct client *c, const struct arguments *args);
int command_use(struct client *c, const struct arguments *args);
int command_morning(struct client *c, const struct arguments *args);
int command_record(struct client *c, const struct arguments *args);
int command_uplink_resend(struct client *c, const struct arguments *args);
int command_attach(struct client *c, const struct arguments *args);
int command_run_rejudge(struct client *c, const struct arguments *args);
int command_export(struct client *c, const struct arguments *args);
int command_completion(struct client *c, const struct arguments *args);

/* The fields of a run-start or run-queue request out of the options of run plan, run start and run queue; NULL when
 * memory is short. */
json_t *run_request_of(const struct arguments *args, enum protocol_verb verb);

struct unit_plate;

/* The plate: of --plate FILE, else of --unit in the register. Exit status, what is wrong printed. */
int find_plate(struct client *c, const struct arguments *args, struct unit_plate *plate);

/* Follows a run until it has ended and its verdict is on record; prints the verdict. Exit status by the verdict. */
int watch_run(struct client *c, int64_t run_no);

/* The verdict in a sentence for people, with its reason, and the finding on the installation if there is one. */
void print_judgement(const struct screen *s, const json_t *judgement);

/* replay FILE.csv: judges a record that was made elsewhere. Exit status by the verdict. */
int replay_file(struct client *c, const struct arguments *args);

/* replay RUN --rules FILE: which rules of the file would have told what, and when. */
int try_rules(struct client *c, int64_t run_no, const char *file);

/* Prints help for one command, or the list of all (command NULL). */
void print_help(const struct screen *s, const struct command_row *command);

/* Prints the cautions. */
void print_cautions(const struct screen *s);

#endif
