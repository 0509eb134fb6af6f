#include "rule_trial.h"

int rule_trial_prepare(struct bench *recorded, const struct bench *wanted, enum rule_action asked[])
{
    int left_out = 0;
    recorded->rule_count = 0;
    for (int i = 0; i < wanted->rule_count; i++) {
        struct bench_rule rule = wanted->rules[i];
        if (rule.channel >= 0) {
            rule.channel = bench_channel_find(recorded, wanted->channels[rule.channel].name);
            if (rule.channel < 0) {
                left_out++;
                continue;
            }
        }
        asked[recorded->rule_count] = rule.action;
        if (rule.action == RULE_END || rule.action == RULE_OPEN)
            rule.action = RULE_FLAG;
        rule.notify = false;
        recorded->rules[recorded->rule_count++] = rule;
    }
    return left_out;
}
