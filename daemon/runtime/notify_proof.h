/* The proof that messages reach a person: a test message with a code goes to everybody who is told, and somebody who
 * has read it enters the code at the bench. It holds for this session only: after a restart it is sent anew. */
#ifndef NOTIFY_PROOF_H
#define NOTIFY_PROOF_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"
#include "error.h"
#include "notify_send.h"

struct notify_proof_setup {
    const struct config *config; /* outlives the proof */
    void *send_ctx, *answer_ctx;
    int (*send)(void *ctx, int target, const struct notify_message *message, struct error *err);
    void (*answer)(void *ctx, uint64_t request, int code, const char *text); /* may be NULL */
};

struct notify_proof;

struct notify_proof *notify_proof_new(const struct notify_proof_setup *setup, struct error *err);
void notify_proof_free(struct notify_proof *proof);

/* Ask for a test message; the request is answered with 2 (sent; the words tell what failed all the same) or 1. Any
 * thread. Returns 0, or -1 with err when there is nobody to tell or one is on its way. */
int notify_proof_ask(struct notify_proof *proof, uint64_t request, const char *who, struct error *err);

/* Send what was asked for; the thread that sends. real_ns is monotonic, number names the message. */
void notify_proof_run(struct notify_proof *proof, int64_t real_ns, int64_t utc_s, uint64_t number);

/* A person enters the code. Any thread. The code is good for 30 minutes and five tries. Returns 0; -1 with err. */
int notify_proof_acknowledge(struct notify_proof *proof, const char *code, int64_t real_ns, int64_t bench_utc_s,
                             struct error *err);

/* When it was acknowledged, by the bench's clock; 0: not in this session. Any thread. */
int64_t notify_proof_acknowledged_utc_s(const struct notify_proof *proof);

#endif
