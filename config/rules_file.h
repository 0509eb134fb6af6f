/* Rules in a file of their own, to be tried on what is on record before they go into a bench's configuration. */
#ifndef RULES_FILE_H
#define RULES_FILE_H

#include "bench.h"
#include "problems.h"

/* Reads the rules of a file into bench, in place of those that it has. The file holds either `rules:` alone, checked
 * against the bench's channels and signals, or a whole configuration, whose rules are taken over by the names of the
 * channels; rules for channels that the bench does not have are then problems. Returns 0, or -1 when there is any
 * error; the bench's rules are then not to be used. */
int rules_file_load(const char *path, struct bench *bench, struct problems *problems);

#endif
