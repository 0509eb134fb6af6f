/* Who is told, of what, and when. Notices are on record before anybody is told (the journal keeps them pending until
 * they are delivered), so neither a dead mail server nor a restart loses one.
 *
 *   - what somebody must come for goes out at once, one message a matter, however many channels it locks;
 *   - the same matter again within 30 minutes counts as told;
 *   - what can wait goes out in one message at six in the morning, local time, behind the morning sheet;
 *   - more than 12 messages an hour to one target: the rest goes out together when the hour is over;
 *   - a target that fails is tried again after 5 s, doubling up to 10 minutes, for two days.
 *
 * The dead-man outside is told "all is well" each interval only while the daemon's threads move and the record is
 * healthy: silence is its alarm. One thread; tests call it from their own. */
#ifndef NOTIFY_STAGE_H
#define NOTIFY_STAGE_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#include "config.h"
#include "error.h"
#include "journal_types.h"
#include "log.h"
#include "notify_proof.h"
#include "notify_send.h"
#include "queue.h"

struct notify_setup {
    const struct config *config; /* outlives the stage */
    struct queue *orders;        /* to the journal: ORDER_NOTICE */
    struct log *log;
    void *ctx;
    bool (*all_well)(void *ctx); /* for the dead-man */
    /* Writes the morning sheet, and one line of it for the subject. Returns 0, or -1 when there is none. May be NULL.
     */
    int (*sheet)(void *ctx, char *line, size_t cap, FILE *to);
    void (*answer)(void *ctx, uint64_t request, int code, const char *text); /* of a test message; may be NULL */
    /* How messages go out; NULL: notify_send and notify_beat. Tests put their own. */
    int (*send)(void *ctx, int target, const struct notify_message *message, struct error *err);
    int (*beat)(void *ctx, int target, struct error *err);
};

struct notify_stage;

struct notify_stage *notify_stage_new(const struct notify_setup *setup, struct error *err);
void notify_stage_free(struct notify_stage *stage);

/* The proof that messages reach a person; notify_stage_run sends what it is asked for. */
struct notify_proof *notify_stage_proof(struct notify_stage *stage);

/* A notice that is on disk and pending. Known ones are ignored. -1: no room now, it stays in the journal and comes
 * again with the next look. */
int notify_stage_add(struct notify_stage *stage, const struct journal_notice *notice, int64_t real_ns, int64_t utc_s);

/* Look into the journal for pending notices. 0 or -1 with err. */
int notify_stage_look(struct notify_stage *stage, int64_t real_ns, int64_t utc_s, struct error *err);

/* Do what is due: at most one message for each target. Returns how long to sleep, in real ns. */
int64_t notify_stage_run(struct notify_stage *stage, int64_t real_ns, int64_t utc_s);

struct notify_counts {
    uint64_t delivered, failures;
    int64_t last_delivered_utc_s; /* 0: none in this session */
    int pending;
};
/* Any thread. */
struct notify_counts notify_stage_counts(const struct notify_stage *stage);

#endif
