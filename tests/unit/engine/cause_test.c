/* Why it shut off, through the whole chain: units of many habits on the virtual bench, which shares no code with the
 * daemon, seen through meters with noise and drift, on a bench that lacks one signal. Printed is the matrix of what was
 * and what was concluded, at the first telling and in the end. Nothing wrong may be held with high confidence.
 *
 * What 0 wrong of n allows: a true share p gives no wrong one with probability (1-p)^n, so at 95 % confidence p is at
 * most 1 - 0.05^(1/n) (the rule of three, 3/n).
 *
 * SOAKBENCH_SEED (a number, or "fresh" for the time of day) draws other seeds, SOAKBENCH_SEEDS that many a scene
 * (default 6: more than 200 in all; 1 in a build with sanitizers, which is to find other things),
 * SOAKBENCH_SCENE only scenes of that name.
 * SOAKBENCH_PART "2/4" plays every fourth scene from the second on: parts run side by side, and each scene has the
 * seeds that it has in the whole. */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "cause_scenes.h"
#include "harness.h"
#include "journal_read.h"
#include "suite_run.h"

#define HIGH_CONFIDENCE 0.85

#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
enum { SEEDS_EACH = 1 };
#else
enum { SEEDS_EACH = 6 };
#endif

struct outcome {
    enum shutoff_cause first, last, second;
    double first_confidence, last_confidence;
    bool told; /* the words that a scene without a shutoff has to give */
    int shutoffs;
    const char *tells;
    char evidence[TEXT_CAP];
};

static int look(void *ctx, const struct journal_event *je)
{
    struct outcome *o = ctx;
    const struct event *e = &je->event;
    if (e->kind == EVENT_SHUTOFF || e->kind == EVENT_SHUTOFF_REVISED) {
        if (e->kind == EVENT_SHUTOFF) {
            o->shutoffs++;
            o->first = (enum shutoff_cause)e->code;
            o->first_confidence = e->values[1];
        }
        o->last = (enum shutoff_cause)e->code;
        o->second = (enum shutoff_cause)e->code2;
        o->last_confidence = e->values[1];
        memcpy(o->evidence, e->text, sizeof o->evidence);
    }
    bool speaks = e->kind == EVENT_OUTPUT_REDUCED || e->kind == EVENT_METER_DOUBT || e->kind == EVENT_FINDING ||
                  e->kind == EVENT_NEVER_REACHED;
    if (speaks && o->tells && strstr(e->text, o->tells))
        o->told = true;
    if (speaks && !o->evidence[0])
        memcpy(o->evidence, e->text, sizeof o->evidence);
    return 0;
}

static void read_outcome(struct harness *h, int64_t run, struct outcome *o)
{
    struct error err = {""};
    struct row_filter filter = row_filter_any();
    struct verdict v;
    filter.epoch = runtime_epoch(h->rt);
    struct journal_reader *r = journal_reader_open(h->journal_path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    ck_assert_msg(journal_reader_events(r, &filter, look, o, &err) == 0, "%s", err.text);
    journal_reader_close(r);
    if (o->shutoffs == 0 && harness_verdict(h, run, &v)) {
        o->first = o->last = v.cause;
        o->first_confidence = o->last_confidence = v.cause == CAUSE_NONE || v.cause == CAUSE_UNKNOWN ? 0 : 1;
        if (!o->evidence[0])
            memcpy(o->evidence, v.reason, sizeof o->evidence);
    }
}

static void act(struct harness *h, const struct draw *d)
{
    const struct scene *s = d->scene;
    for (int i = 0; i < 3 && s->events[i]; i++) {
        harness_happen(h, s->events[i]);
        if (i < 2 && s->events[i + 1])
            harness_run_for(h, (int64_t)((s->back_after_s > 0 ? s->back_after_s : 12) * 1e9));
    }
    if (s->act == ACT_OPERATOR) {
        struct input_operator end = {.verb = VERB_END, .channel = 0, .device = -1};
        harness_order_done(h, &end, 30 * H_SECOND, NULL);
    } else if (s->act == ACT_BUS_SILENT) {
        h->bus_silent[0] = true;
    }
}

static void play(const struct scene *scene, uint64_t seed, struct draw *d, struct outcome *o)
{
    draw_scene(d, scene, seed);
    struct harness_setup setup = {.bench = "config/examples/two-units",
                                  .scenario = d->scenario,
                                  .real_share = 2, /* half as many commits */
                                  .log_fd = getenv("SOAKBENCH_LOG") ? 2 : 0,
                                  .edit_for = draw_edit,
                                  .edit_ctx = d};
    struct harness *h = harness_new(&setup);
    harness_happen(h, "{do: switch-off, unit: HQ-0147}"); /* the proof is made with a dead unit */
    harness_prove_watchdogs(h);
    harness_happen(h, "{do: switch-on, unit: HQ-0147}");
    harness_run_for(h, 5 * H_SECOND);
    harness_rig(h, "A");
    struct input_operator order =
        harness_start_order(h, "A", "config/examples/units/hq-0147.yaml", 0, PROCEDURE_TO_CUTOUT);
    draw_point(d, &order.run.point);
    order.run.cap_ns = 250 * H_SECOND;
    order.run.consent_past_rating = true;
    text_copy(order.run.accepts, sizeof order.run.accepts,
              "time-to-open circuit meters supply load-path bank start protection set-up");
    if (scene->act == ACT_NOTHING && scene->events[0])
        harness_happen(h, scene->events[0]);
    int64_t run = harness_start(h, &order);
    if (scene->act != ACT_NOTHING) {
        harness_run_for(h, (int64_t)(d->after_s * 1e9));
        act(h, d);
    }
    harness_run_until_done(h, "A", 40 * H_MINUTE);
    h->bus_silent[0] = false;
    harness_run_for(h, 20 * H_SECOND);
    harness_finish(h);
    *o = (struct outcome){.tells = scene->tells};
    read_outcome(h, run, o);
    harness_free(h);
}

struct tally {
    int matrix[CAUSE_COUNT_][CAUSE_COUNT_];
    int total, named, wrong_and_sure, sure;
};

static void count(struct tally *t, const struct draw *d, uint64_t seed, const struct outcome *o)
{
    enum shutoff_cause truth = d->scene->truth;
    bool sure = o->last_confidence >= HIGH_CONFIDENCE || o->first_confidence >= HIGH_CONFIDENCE;
    bool wrong = (o->last != truth && o->last_confidence >= HIGH_CONFIDENCE) ||
                 (o->first != truth && o->first_confidence >= HIGH_CONFIDENCE);
    bool named = truth == CAUSE_NONE ? o->shutoffs == 0 && o->told : o->last == truth || o->second == truth;
    if (truth == CAUSE_NONE && o->shutoffs == 0)
        wrong = false;
    t->matrix[truth][o->last]++;
    t->total++;
    t->named += named;
    t->sure += sure;
    t->wrong_and_sure += wrong;
    if (wrong || !named)
        printf("%s %s, seed %llu, without %s: %s %.2f, then %s or %s %.2f: %s\n", wrong ? "WRONG" : "missed",
               d->scene->name, (unsigned long long)seed,
               d->missing == SIG_OTHER ? "nothing" : signal_kind_name((enum signal_kind)d->missing),
               shutoff_cause_name(o->first), o->first_confidence, shutoff_cause_name(o->last),
               shutoff_cause_name(o->second), o->last_confidence, o->evidence);
}

static void print_tally(const struct tally *t)
{
    printf("what was -> what was concluded in the end\n");
    for (int a = 0; a < CAUSE_COUNT_; a++)
        for (int b = 0; b < CAUSE_COUNT_; b++)
            if (t->matrix[a][b] > 0)
                printf("  %-18s -> %-18s %4d\n",
                       a == CAUSE_NONE ? "(no shutoff)" : shutoff_cause_name((enum shutoff_cause)a),
                       b == CAUSE_NONE ? "(no shutoff)" : shutoff_cause_name((enum shutoff_cause)b), t->matrix[a][b]);
    printf("%d scenarios, cause among the candidates in %d, high confidence in %d, of these wrong %d\n", t->total,
           t->named, t->sure, t->wrong_and_sure);
    if (t->wrong_and_sure == 0 && t->sure > 0)
        printf("0 wrong of %d still allows a true share of %.1f %% (95 %% confidence)\n", t->sure,
               100 * (1 - pow(0.05, 1.0 / t->sure)));
}

static uint64_t number_from(const char *name, uint64_t fallback)
{
    const char *text = getenv(name);
    return text ? strtoull(text, NULL, 10) : fallback;
}

START_TEST(no_wrong_cause_with_high_confidence)
{
    struct tally t = {0};
    const char *asked = getenv("SOAKBENCH_SEED");
    uint64_t seed = asked && strcmp(asked, "fresh") == 0 ? (uint64_t)time(NULL) : number_from("SOAKBENCH_SEED", 1);
    int each = (int)number_from("SOAKBENCH_SEEDS", SEEDS_EACH);
    const char *only = getenv("SOAKBENCH_SCENE"), *asked_part = getenv("SOAKBENCH_PART");
    int part = 1, parts = 1;
    ck_assert(!asked_part || (sscanf(asked_part, "%d/%d", &part, &parts) == 2 && part >= 1 && part <= parts));
    for (int s = part - 1; s < scene_count; s += parts)
        for (int k = 0; k < each; k++) {
            struct draw *d = calloc(1, sizeof *d);
            struct outcome o;
            uint64_t own = seed * 1000 + (uint64_t)(s * each + k);
            ck_assert_ptr_nonnull(d);
            if (!only || strstr(scenes[s].name, only)) {
                play(&scenes[s], own, d, &o);
                count(&t, d, own, &o);
            }
            free(d);
        }
    printf("seed %llu\n", (unsigned long long)seed);
    print_tally(&t);
    ck_assert_int_eq(t.wrong_and_sure, 0);
    ck_assert_int_ge(t.named * 100, t.total * 85);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("causes through the chain");
    TCase *t = tcase_create("causes");
    tcase_set_timeout(t, 1200);
    tcase_add_test(t, no_wrong_cause_with_high_confidence);
    suite_add_tcase(s, t);
    return suite_run(s);
}
