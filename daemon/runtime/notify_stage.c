#include "notify_stage.h"

#include <inttypes.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "command.h"
#include "journal_read.h"
#include "journal_stage.h"

enum { NOTICES_MAX = 256, TOLD_MAX = 64, PER_HOUR_MAX = 12, MORNING_HOUR = 6 };

static const int64_t second_ns = INT64_C(1000000000);
static const int64_t backoff_min_ns = INT64_C(5000000000);
static const int64_t backoff_max_ns = INT64_C(600000000000);
static const int64_t hour_ns = INT64_C(3600000000000);
static const int64_t same_matter_ns = INT64_C(1800000000000);
static const int64_t give_up_ns = INT64_C(172800000000000);

struct waiting {
    struct journal_notice notice;
    int64_t known_ns;  /* since when this stage has it */
    int64_t due_utc_s; /* not before */
    uint32_t targets;  /* bit i: target i is still to be told */
};

struct told {
    char text[TEXT_CAP];
    int32_t channel;
    int64_t at_ns; /* 0: empty */
};

struct target {
    int64_t next_ns; /* not before */
    int64_t backoff_ns;
    int64_t hour_began_ns;
    int sent_this_hour;
    bool failing;
    int64_t beat_ns; /* next sign of life */
};

struct notify_stage {
    struct notify_setup setup;
    struct target targets[NOTIFY_MAX];
    struct waiting waiting[NOTICES_MAX];
    int count;
    struct told told[TOLD_MAX];
    int told_next;
    uint64_t numbers;
    struct notify_proof *proof;
    _Atomic uint64_t delivered, failures;
    _Atomic int64_t last_delivered_utc_s;
    atomic_int pending;
};

static int send_by_network(void *ctx, int target, const struct notify_message *message, struct error *err)
{
    struct notify_stage *s = ctx;
    return notify_send(&s->setup.config->notify[target], message, err);
}

static int beat_by_network(void *ctx, int target, struct error *err)
{
    struct notify_stage *s = ctx;
    return notify_beat(&s->setup.config->notify[target], err);
}

static int send_message(void *ctx, int target, const struct notify_message *message, struct error *err)
{
    struct notify_stage *s = ctx;
    return s->setup.send ? s->setup.send(s->setup.ctx, target, message, err) : send_by_network(s, target, message, err);
}

struct notify_stage *notify_stage_new(const struct notify_setup *setup, struct error *err)
{
    struct notify_stage *s = calloc(1, sizeof *s);
    if (!s) {
        error_set(err, "out of memory");
        return NULL;
    }
    s->setup = *setup;
    struct notify_proof_setup proof = {.config = setup->config,
                                       .send = send_message,
                                       .send_ctx = s,
                                       .answer = setup->answer,
                                       .answer_ctx = setup->ctx};
    s->proof = notify_proof_new(&proof, err);
    if (!s->proof) {
        free(s);
        return NULL;
    }
    return s;
}

void notify_stage_free(struct notify_stage *stage)
{
    if (!stage)
        return;
    notify_proof_free(stage->proof);
    free(stage);
}

struct notify_proof *notify_stage_proof(struct notify_stage *stage)
{
    return stage->proof;
}

/* ---- what is to be told ---- */

/* The next six o'clock in the morning, local time, after utc_s. */
static int64_t next_morning_utc_s(int64_t utc_s)
{
    struct tm tm;
    time_t now = (time_t)utc_s;
    if (!localtime_r(&now, &tm))
        return utc_s;
    if (tm.tm_hour >= MORNING_HOUR)
        tm.tm_mday++;
    tm.tm_hour = MORNING_HOUR;
    tm.tm_min = tm.tm_sec = 0;
    tm.tm_isdst = -1;
    time_t then = mktime(&tm);
    return then == (time_t)-1 ? utc_s : (int64_t)then;
}

static uint32_t targets_of(const struct notify_stage *s, const struct journal_notice *n)
{
    uint32_t targets = 0;
    for (int i = 0; i < s->setup.config->notify_count; i++) {
        const struct notify_config *c = &s->setup.config->notify[i];
        if (c->kind != NOTIFY_HEARTBEAT && (!c->urgent_only || n->urgency == NOTIFY_NOW))
            targets |= UINT32_C(1) << i;
    }
    return targets;
}

int notify_stage_add(struct notify_stage *stage, const struct journal_notice *notice, int64_t real_ns, int64_t utc_s)
{
    for (int i = 0; i < stage->count; i++)
        if (stage->waiting[i].notice.id == notice->id)
            return 0;
    if (stage->count == NOTICES_MAX)
        return -1;
    struct waiting *w = &stage->waiting[stage->count++];
    *w = (struct waiting){.notice = *notice,
                          .known_ns = real_ns,
                          .due_utc_s = notice->urgency == NOTIFY_NOW ? 0 : next_morning_utc_s(utc_s),
                          .targets = targets_of(stage, notice)};
    atomic_store(&stage->pending, stage->count);
    return 0;
}

struct look {
    struct notify_stage *stage;
    int64_t real_ns, utc_s;
};

static int look_at_notice(void *ctx, const struct journal_notice *n)
{
    struct look *l = ctx;
    return notify_stage_add(l->stage, n, l->real_ns, l->utc_s) != 0;
}

int notify_stage_look(struct notify_stage *stage, int64_t real_ns, int64_t utc_s, struct error *err)
{
    struct look l = {stage, real_ns, utc_s};
    struct journal_reader *r = journal_reader_open(stage->setup.config->journal.path, err);
    if (!r)
        return -1;
    int status = journal_reader_notices(r, true, look_at_notice, &l, err);
    journal_reader_close(r);
    return status;
}

/* ---- what has been told ---- */

static bool was_told(const struct notify_stage *s, const struct journal_notice *n, int64_t real_ns)
{
    for (int i = 0; i < TOLD_MAX; i++) {
        const struct told *t = &s->told[i];
        if (t->at_ns && real_ns - t->at_ns < same_matter_ns && t->channel == n->channel &&
            strcmp(t->text, n->text) == 0)
            return true;
    }
    return false;
}

static void remember(struct notify_stage *s, const struct journal_notice *n, int64_t real_ns)
{
    struct told *t = &s->told[s->told_next];
    s->told_next = (s->told_next + 1) % TOLD_MAX;
    t->channel = n->channel;
    t->at_ns = real_ns;
    text_copy(t->text, sizeof t->text, n->text);
}

/* Put the notice's new state on record. When the queue is full it stays pending there, and is told twice rather than
 * never. */
static void put_state(struct notify_stage *s, struct waiting *w, enum notice_state state, int64_t utc_s)
{
    w->notice.state = state;
    w->notice.tried_utc_s = utc_s;
    if (queue_put(s->setup.orders, ORDER_NOTICE, 0, &w->notice, sizeof w->notice))
        log_write(s->setup.log, LOG_LEVEL_WARN, "notify: the state of notice %" PRId64 " could not be put on record",
                  w->notice.id);
}

/* Forget what every target was told, or what nobody takes. */
static void sweep(struct notify_stage *s, int64_t real_ns, int64_t utc_s)
{
    int kept = 0;
    for (int i = 0; i < s->count; i++) {
        struct waiting *w = &s->waiting[i];
        if (w->notice.urgency == NOTIFY_NOW && w->targets && was_told(s, &w->notice, real_ns) && !w->notice.attempts) {
            text_copy(w->notice.answer, sizeof w->notice.answer, "the same was told shortly before");
            w->targets = 0;
        }
        if (!w->targets) {
            put_state(s, w, NOTICE_DELIVERED, utc_s);
        } else if (real_ns - w->known_ns > give_up_ns) {
            put_state(s, w, NOTICE_FAILED, utc_s);
            log_write(s->setup.log, LOG_LEVEL_ERROR, "notify: gave up after two days: %s", w->notice.text);
        } else {
            if (kept != i)
                s->waiting[kept] = *w;
            kept++;
        }
    }
    s->count = kept;
    atomic_store(&s->pending, kept);
}

/* ---- sending ---- */

static bool is_due(const struct waiting *w, int target, int64_t utc_s)
{
    return (w->targets & UINT32_C(1) << target) && utc_s >= w->due_utc_s;
}

/* What a notice is about, whatever channel it came from: smoke locks four channels and is one matter. */
static const char *matter(const struct journal_notice *n)
{
    const char *colon = strncmp(n->text, "Channel ", 8) == 0 ? strstr(n->text, ": ") : NULL;
    return colon ? colon + 2 : n->text;
}

/* Which notices go into the target's next message: bits in take. One matter that is urgent, or all that can wait, or
 * all of them together when there were too many messages already. Returns how many. */
static int choose(const struct notify_stage *s, int target, bool together, int64_t utc_s, bool take[NOTICES_MAX])
{
    int first = -1, count = 0;
    for (int i = 0; i < s->count; i++) {
        take[i] = false;
        if (first < 0 && is_due(&s->waiting[i], target, utc_s) && s->waiting[i].notice.urgency == NOTIFY_NOW)
            first = i;
    }
    for (int i = 0; i < s->count; i++) {
        const struct journal_notice *n = &s->waiting[i].notice;
        bool same = first < 0 || together ||
                    (n->urgency == NOTIFY_NOW && strcmp(matter(n), matter(&s->waiting[first].notice)) == 0);
        take[i] = same && is_due(&s->waiting[i], target, utc_s);
        count += take[i];
    }
    return count;
}

static void write_notices(const struct notify_stage *s, const bool take[NOTICES_MAX], FILE *to)
{
    for (int i = 0; i < s->count; i++) {
        const struct journal_notice *n = &s->waiting[i].notice;
        if (!take[i])
            continue;
        if (n->channel >= 0 && n->channel < s->setup.config->bench.channel_count)
            fprintf(to, "Channel %s", s->setup.config->bench.channels[n->channel].name);
        else
            fprintf(to, "Bench");
        if (n->run_no)
            fprintf(to, ", run %" PRId64, n->run_no);
        fprintf(to, ": %s\n", n->text);
    }
}

/* Body, malloc'd, and subject. What nobody is woken for goes behind the morning sheet. NULL when memory is short. */
static char *write_message(const struct notify_stage *s, const bool take[NOTICES_MAX], int count,
                           struct notify_message *m)
{
    char *text = NULL;
    size_t size = 0;
    FILE *to = open_memstream(&text, &size);
    if (!to)
        return NULL;
    for (int i = 0; i < s->count; i++)
        if (take[i]) {
            m->urgent = m->urgent || s->waiting[i].notice.urgency == NOTIFY_NOW;
            if (!m->subject[0])
                text_format(m->subject, sizeof m->subject, "%s: %.90s", m->bench, s->waiting[i].notice.text);
        }
    if (count > 1)
        text_format(m->subject, sizeof m->subject, "%s: %d messages", m->bench, count);
    if (!m->urgent && s->setup.sheet) {
        char line[96] = "";
        if (s->setup.sheet(s->setup.ctx, line, sizeof line, to) == 0) {
            text_format(m->subject, sizeof m->subject, "%.40s: %.80s", m->bench, line);
            fputs("\nMessages of the night\n", to);
        }
    }
    write_notices(s, take, to);
    if (fclose(to)) {
        free(text);
        return NULL;
    }
    return text;
}

static void sent(struct notify_stage *s, int target, const bool take[NOTICES_MAX], int64_t real_ns, int64_t utc_s)
{
    struct target *t = &s->targets[target];
    for (int i = 0; i < s->count; i++)
        if (take[i]) {
            s->waiting[i].targets &= ~(UINT32_C(1) << target);
            if (!s->waiting[i].targets)
                remember(s, &s->waiting[i].notice, real_ns);
        }
    if (t->failing)
        log_write(s->setup.log, LOG_LEVEL_NOTICE, "notify: %s takes messages again",
                  s->setup.config->notify[target].name);
    t->failing = false;
    t->backoff_ns = 0;
    t->sent_this_hour++;
    atomic_fetch_add(&s->delivered, 1);
    atomic_store(&s->last_delivered_utc_s, utc_s);
}

static void failed(struct notify_stage *s, int target, const bool take[NOTICES_MAX], int64_t real_ns, int64_t utc_s,
                   const struct error *err)
{
    struct target *t = &s->targets[target];
    t->backoff_ns = t->backoff_ns ? t->backoff_ns * 2 : backoff_min_ns;
    if (t->backoff_ns > backoff_max_ns)
        t->backoff_ns = backoff_max_ns;
    t->next_ns = real_ns + t->backoff_ns;
    if (!t->failing)
        log_write(s->setup.log, LOG_LEVEL_WARN, "notify: %s: %s; it is tried again",
                  s->setup.config->notify[target].name, err->text);
    t->failing = true;
    for (int i = 0; i < s->count; i++)
        if (take[i]) {
            s->waiting[i].notice.attempts++;
            text_copy(s->waiting[i].notice.answer, sizeof s->waiting[i].notice.answer, err->text);
            put_state(s, &s->waiting[i], NOTICE_PENDING, utc_s);
        }
    atomic_fetch_add(&s->failures, 1);
}

/* One message to one target, if one is due. */
static void run_target(struct notify_stage *s, int target, int64_t real_ns, int64_t utc_s)
{
    struct target *t = &s->targets[target];
    bool take[NOTICES_MAX] = {false};
    struct error err = {""};
    if (real_ns < t->next_ns)
        return;
    bool new_hour = !t->hour_began_ns || real_ns - t->hour_began_ns >= hour_ns;
    bool together = new_hour && t->sent_this_hour >= PER_HOUR_MAX;
    if (new_hour) {
        t->hour_began_ns = real_ns;
        t->sent_this_hour = 0;
    }
    if (t->sent_this_hour >= PER_HOUR_MAX)
        return;
    int count = choose(s, target, together, utc_s, take);
    if (!count)
        return;
    struct notify_message m = {.utc_s = utc_s, .number = ++s->numbers};
    text_copy(m.bench, sizeof m.bench, s->setup.config->bench.name);
    m.body = write_message(s, take, count, &m);
    int status = m.body ? send_message(s, target, &m, &err) : error_set(&err, "out of memory");
    free(m.body);
    if (status)
        failed(s, target, take, real_ns, utc_s, &err);
    else
        sent(s, target, take, real_ns, utc_s);
}

static void run_beat(struct notify_stage *s, int target, int64_t real_ns)
{
    struct target *t = &s->targets[target];
    const struct notify_config *c = &s->setup.config->notify[target];
    struct error err = {""};
    if (real_ns < t->beat_ns)
        return;
    t->beat_ns = real_ns + (c->interval_ns > 0 ? c->interval_ns : 60 * second_ns);
    if (!s->setup.all_well(s->setup.ctx))
        return; /* silence is what raises the alarm */
    int status = s->setup.beat ? s->setup.beat(s->setup.ctx, target, &err) : beat_by_network(s, target, &err);
    if (status && !t->failing)
        log_write(s->setup.log, LOG_LEVEL_WARN, "notify: %s did not take the sign of life: %s", c->name, err.text);
    t->failing = status != 0;
}

int64_t notify_stage_run(struct notify_stage *stage, int64_t real_ns, int64_t utc_s)
{
    int64_t next_ns = real_ns + second_ns;
    sweep(stage, real_ns, utc_s);
    notify_proof_run(stage->proof, real_ns, utc_s, ++stage->numbers);
    for (int i = 0; i < stage->setup.config->notify_count; i++) {
        if (stage->setup.config->notify[i].kind == NOTIFY_HEARTBEAT)
            run_beat(stage, i, real_ns);
        else
            run_target(stage, i, real_ns, utc_s);
    }
    sweep(stage, real_ns, utc_s);
    return next_ns - real_ns;
}

struct notify_counts notify_stage_counts(const struct notify_stage *stage)
{
    return (struct notify_counts){.delivered = atomic_load(&stage->delivered),
                                  .failures = atomic_load(&stage->failures),
                                  .last_delivered_utc_s = atomic_load(&stage->last_delivered_utc_s),
                                  .pending = atomic_load(&stage->pending)};
}
