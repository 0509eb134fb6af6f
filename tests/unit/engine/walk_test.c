/* The channel's states walked: every action from every state, and pairs of actions. What must hold after each input is
 * checked by the plant: load never commanded on in free, rigging, locked or done, never on-load with a stale safety
 * signal, an unproved watchdog, a lost controller or a failed record. And from everywhere there is a way to free.
 * Pairs: every eighth, another eighth in each state, unless SOAKBENCH_LONG is set. */
#include <check.h>
#include <stdlib.h>

#include "hazard.h"
#include "plant.h"
#include "suite_run.h"

enum { VERBS = 8, HAZARDS_MAX = 32, SHARE = 8 };

static const enum operator_verb verbs[VERBS] = {VERB_END,     VERB_RESET, VERB_RIG,  VERB_RIGGED,
                                                VERB_RELEASE, VERB_SET,   VERB_NOTE, VERB_PROVE_WATCHDOG};

static int action_count(void)
{
    int n;
    (void)hazard_list(&n);
    return VERBS + 1 + 3 + n;
}

/* Action number `a`: an operator's verb, a start, something that the unit does, or a hazard. */
static void act(struct plant *p, int a)
{
    int n;
    const struct hazard *h = hazard_list(&n);
    if (a < VERBS) {
        /* with `rigged` the text is a unit's label: none was read */
        (void)plant_operate(p, verbs[a], 0, verbs[a] == VERB_RIGGED ? "" : "walk");
        return;
    }
    a -= VERBS;
    if (a == 0) {
        struct run_request q = plant_request(PROCEDURE_SCREEN, 160, 40);
        (void)plant_start(p, 0, &q);
    } else if (a == 1) {
        p->channels[0].unit.supply_present = !p->channels[0].unit.supply_present;
    } else if (a == 2) {
        p->channels[0].unit.path_open = !p->channels[0].unit.path_open;
    } else if (a == 3) {
        p->channels[0].unit.cut = !p->channels[0].unit.cut;
    } else {
        h[a - 4].cause(p, 0);
    }
}

static void come_to_free(struct plant *p)
{
    hazard_clear(p);
    p->channels[0].unit.supply_present = true;
    p->channels[0].unit.path_open = false;
    plant_run(p, 5);
    if (plant_state(p, 0) != STATE_LOCKED && plant_state(p, 0) != STATE_FREE)
        (void)plant_operate(p, VERB_END, 0, "");
    plant_run(p, 20);
    if (plant_state(p, 0) == STATE_LOCKED)
        ck_assert_msg(plant_operate(p, VERB_RESET, 0, "walk") == 0, "%s", p->answer);
    if (plant_state(p, 0) != STATE_FREE)
        ck_assert_msg(plant_operate(p, VERB_RELEASE, 0, "") == 0, "%s", p->answer);
    ck_assert_int_eq(plant_state(p, 0), STATE_FREE);
    ck_assert(!plant_load_closed(p, 0));
    ck_assert(!p->channels[0].trigger);
}

static void walk(enum channel_state from, int first, int second)
{
    struct plant *p = plant_new(1);
    plant_begin(p);
    ck_assert(plant_bring_to(p, 0, from));
    act(p, first);
    plant_run(p, second >= 0 ? 0.7 : 4);
    if (second >= 0) {
        act(p, second);
        plant_run(p, 4);
    }
    come_to_free(p);
    ck_assert_msg(p->broken[0] == '\0', "from %s by %d, %d: %s", channel_state_name(from), first, second, p->broken);
    ck_assert(!p->overflowed);
    plant_free(p);
}

START_TEST(every_action_from_every_state)
{
    for (int a = 0; a < action_count(); a++)
        walk((enum channel_state)_i, a, -1);
}
END_TEST

START_TEST(every_pair_of_actions)
{
    bool all = getenv("SOAKBENCH_LONG") != NULL;
    for (int a = 0; a < action_count(); a++)
        for (int b = 0; b < action_count(); b++)
            if (all || (a + b + _i) % SHARE == 0)
                walk((enum channel_state)_i, a, b);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("engine walk");
    TCase *t = tcase_create("walk");
    tcase_set_timeout(t, 600);
    tcase_add_loop_test(t, every_action_from_every_state, 0, STATE_COUNT_);
    tcase_add_loop_test(t, every_pair_of_actions, 0, STATE_COUNT_);
    suite_add_tcase(s, t);
    return suite_run(s);
}
