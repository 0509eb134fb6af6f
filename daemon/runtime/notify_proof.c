#include "notify_proof.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>

enum { CODE_CAP = 8, TRIES_MAX = 5 };

static const int64_t code_good_ns = INT64_C(1800000000000);

struct notify_proof {
    struct notify_proof_setup setup;
    pthread_mutex_t lock; /* of what follows, except the time of the acknowledgement */
    bool asked;
    uint64_t request;
    char who[NAME_CAP];
    char code[CODE_CAP]; /* empty: none is out */
    int64_t sent_real_ns;
    int wrong;
    _Atomic int64_t acknowledged_utc_s;
};

struct notify_proof *notify_proof_new(const struct notify_proof_setup *setup, struct error *err)
{
    struct notify_proof *p = calloc(1, sizeof *p);
    if (!p || pthread_mutex_init(&p->lock, NULL)) {
        free(p);
        error_set(err, "out of memory");
        return NULL;
    }
    p->setup = *setup;
    return p;
}

void notify_proof_free(struct notify_proof *proof)
{
    if (!proof)
        return;
    pthread_mutex_destroy(&proof->lock);
    free(proof);
}

static bool is_told(const struct notify_proof *p, int target)
{
    return p->setup.config->notify[target].kind != NOTIFY_HEARTBEAT;
}

int notify_proof_ask(struct notify_proof *proof, uint64_t request, const char *who, struct error *err)
{
    int told = 0, status = 0;
    for (int i = 0; i < proof->setup.config->notify_count; i++)
        told += is_told(proof, i);
    if (!told)
        return error_set(err, "nobody is told: the configuration names no smtp and no webhook");
    pthread_mutex_lock(&proof->lock);
    if (proof->asked) {
        status = error_set(err, "a test message is on its way");
    } else {
        proof->asked = true;
        proof->request = request;
        text_copy(proof->who, sizeof proof->who, who);
    }
    pthread_mutex_unlock(&proof->lock);
    return status;
}

/* Six digits that nobody can guess; -1 when the system has no randomness to give. */
static int make_code(char code[CODE_CAP])
{
    uint32_t number;
    if (getrandom(&number, sizeof number, GRND_NONBLOCK) != (ssize_t)sizeof number)
        return -1;
    text_format(code, CODE_CAP, "%06u", (unsigned)(number % 1000000U));
    return 0;
}

/* Sends to each; words say to how many and what failed. Returns how many took it. */
static int send_to_all(struct notify_proof *p, const struct notify_message *m, char *words, size_t cap)
{
    int sent = 0, told = 0;
    char failures[TEXT_CAP] = "";
    for (int i = 0; i < p->setup.config->notify_count; i++) {
        struct error err = {""};
        if (!is_told(p, i))
            continue;
        told++;
        if (p->setup.send(p->setup.send_ctx, i, m, &err) == 0)
            sent++;
        else
            text_append(failures, sizeof failures, "; %.40s failed: %.100s", p->setup.config->notify[i].name, err.text);
    }
    text_format(words, cap, "test message sent to %d of %d%.190s", sent, told, failures);
    return sent;
}

void notify_proof_run(struct notify_proof *proof, int64_t real_ns, int64_t utc_s, uint64_t number)
{
    char who[NAME_CAP], code[CODE_CAP] = "", body[640], words[TEXT_CAP] = "no code could be made";
    pthread_mutex_lock(&proof->lock);
    bool asked = proof->asked;
    uint64_t request = proof->request;
    text_copy(who, sizeof who, proof->who);
    pthread_mutex_unlock(&proof->lock);
    if (!asked)
        return;
    struct notify_message m = {.body = body, .utc_s = utc_s, .number = number};
    int sent = 0;
    text_copy(m.bench, sizeof m.bench, proof->setup.config->bench.name);
    text_format(m.subject, sizeof m.subject, "%.40s: test message, code inside", m.bench);
    if (make_code(code) == 0) {
        text_format(body, sizeof body,
                    "Test message of bench %s, asked for by %s.\nIt shows that messages from the bench reach somebody. "
                    "Whoever reads it enters at the bench:\n\n    soakbench notify acknowledge %s\n\nThe code is good "
                    "for 30 minutes.\n",
                    m.bench, who, code);
        sent = send_to_all(proof, &m, words, sizeof words);
    }
    pthread_mutex_lock(&proof->lock);
    proof->asked = false;
    if (sent) {
        text_copy(proof->code, sizeof proof->code, code);
        proof->sent_real_ns = real_ns;
        proof->wrong = 0;
    }
    pthread_mutex_unlock(&proof->lock);
    if (proof->setup.answer)
        proof->setup.answer(proof->setup.answer_ctx, request, sent ? 2 : 1, words);
}

int notify_proof_acknowledge(struct notify_proof *proof, const char *code, int64_t real_ns, int64_t bench_utc_s,
                             struct error *err)
{
    int status = -1;
    pthread_mutex_lock(&proof->lock);
    if (!proof->code[0]) {
        error_set(err, "no test message is out");
    } else if (real_ns - proof->sent_real_ns > code_good_ns || proof->wrong >= TRIES_MAX) {
        proof->code[0] = '\0';
        error_set(err, "the code has run out");
    } else if (strcmp(code, proof->code) != 0) {
        proof->wrong++;
        error_set(err, "this is not the code of the last test message");
    } else {
        proof->code[0] = '\0';
        atomic_store(&proof->acknowledged_utc_s, bench_utc_s);
        status = 0;
    }
    pthread_mutex_unlock(&proof->lock);
    return status;
}

int64_t notify_proof_acknowledged_utc_s(const struct notify_proof *proof)
{
    return atomic_load(&proof->acknowledged_utc_s);
}
