/* The verifier's inside: the chain batch by batch (journal_verify.c) and what stands beside it (verify_beside.c). */
#ifndef VERIFY_PRIVATE_H
#define VERIFY_PRIVATE_H

#include "chain.h"
#include "input_walk.h"
#include "reader_private.h"

struct check {
    struct journal_reader *r;
    struct chain *chain;
    problem_fn fn;
    void *ctx;
    struct journal_check_result *result;
    const struct digest *expected;
    struct error *err;
    bool removals; /* retention took something out of this record */
    int64_t batch;
    uint64_t epoch;
    int64_t last[3]; /* last row of events, readings, verdicts by the batches so far */
    uint64_t last_seq;
    uint64_t seq_epoch;
    struct input_walk *walk;
    uint64_t walk_epoch;
    int add; /* result of the last chain_add of a row callback */
};

void verify_problem(struct check *c, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* Rows that belong to no batch, kept files, tombstones, sealed blocks and their seconds. Returns 0 or -1. */
int verify_beside(struct check *c);

#endif
