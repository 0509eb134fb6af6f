#include "rule_trial.h"

static bool acts(const struct bench_rule *rule)
{
    return rule->action == RULE_END || rule->action == RULE_OPEN;
}

int rule_trial_prepare(struct bench *recorded, const struct bench_rule *rules, int count, enum rule_action asked[])
{
    struct bench_rule kept[RULES_MAX];
    int keep = 0;
    for (int i = 0; i < recorded->rule_count; i++)
        if (acts(&recorded->rules[i]))
            kept[keep++] = recorded->rules[i];
    int tried = count < RULES_MAX - keep ? count : RULES_MAX - keep;
    for (int i = 0; i < tried; i++) {
        recorded->rules[i] = rules[i];
        recorded->rules[i].notify = false;
        asked[i] = rules[i].action;
        if (acts(&rules[i]))
            recorded->rules[i].action = RULE_FLAG;
    }
    for (int i = 0; i < keep; i++)
        recorded->rules[tried + i] = kept[i];
    recorded->rule_count = tried + keep;
    return tried;
}
