/* Rules, limits, stores, people to tell. */
#include <string.h>

#include "assemble.h"
#include "verdict.h"

/* Dimension of a signal by name, looked for in the channel (-1: in all) and the bench. Returns 0 or -1. */
static int signal_dimension(const struct bench *b, const char *name, int channel, enum dimension *dim)
{
    for (int i = 0; i < b->signal_count; i++) {
        const struct bench_signal *s = &b->signals[i];
        bool here = channel < 0 || s->channel < 0 || s->channel == channel;
        if (here && strcmp(s->name, name) == 0) {
            *dim = s->dim;
            return 0;
        }
    }
    return -1;
}

static double threshold(const struct assembly *a, const struct at *at, const char *key, const char *text,
                        enum dimension dim)
{
    struct error err;
    double v = 0;
    if (quantity_parse(text, dim, &v, &err) != 0)
        assemble_error(a, at, key, "Use the unit of the rule's signal.", "%.200s", err.text);
    return v;
}

static void fill_sense(const struct assembly *a, const struct raw_rule *r, enum dimension dim, struct bench_rule *to)
{
    if (r->above[0] != '\0') {
        to->sense = RULE_ABOVE;
        to->high = threshold(a, &r->at, "above", r->above, dim);
    } else if (r->below[0] != '\0') {
        to->sense = RULE_BELOW;
        to->low = threshold(a, &r->at, "below", r->below, dim);
    } else if (r->rising[0] != '\0') {
        to->sense = RULE_RISING;
        if (dim != DIM_TEMPERATURE)
            assemble_error(a, &r->at, "rising", "Use above, below or outside.",
                           "only temperatures can be watched for rising");
        else
            to->high = threshold(a, &r->at, "rising", r->rising, DIM_TEMP_RATE);
    } else {
        to->sense = RULE_OUTSIDE;
        to->low = threshold(a, &r->outside.at, "low", r->outside.low, dim);
        to->high = threshold(a, &r->outside.at, "high", r->outside.high, dim);
        if (to->low >= to->high)
            assemble_error(a, &r->outside.at, "high", "Swap or correct them.", "low is not below high");
    }
}

static void add_rule(struct assembly *a, const struct raw_rule *r, const struct bench_rule *rule)
{
    struct bench *b = &a->config->bench;
    if (b->rule_count >= RULES_MAX)
        assemble_error(a, &r->at, "channels",
                       "A rule counts once for each channel that it names; without channels, once.",
                       "more than %d rules", RULES_MAX);
    else
        b->rules[b->rule_count++] = *rule;
}

static void check_named_channels(struct assembly *a, const struct raw_rule *r, struct bench_rule *rule)
{
    struct bench *b = &a->config->bench;
    enum dimension dim;
    for (int i = 0; i < r->channels.count; i++) {
        const char *name = r->channels.words[i];
        rule->channel = bench_channel_find(b, name);
        if (rule->channel < 0)
            node_problem(a->problems, r->channels.nodes[i], PROBLEM_ERROR, "there is no such channel",
                         "Write the names of channels as they stand in channels.");
        else if (signal_dimension(b, r->signal, rule->channel, &dim) != 0)
            node_problem(a->problems, r->channels.nodes[i], PROBLEM_ERROR, "this channel has no signal of that name",
                         "Remove the channel from the rule, or add the signal.");
        else
            add_rule(a, r, rule);
    }
}

static void build_rule(struct assembly *a, const struct raw_rule *r)
{
    struct bench *b = &a->config->bench;
    struct bench_rule rule = {
        .channel = -1, .for_ns = r->for_ns, .action = (enum rule_action)r->action, .notify = r->notify};
    enum dimension dim;
    if (r->signal[0] == '\0')
        return;
    if (signal_dimension(b, r->signal, -1, &dim) != 0) {
        (void)assemble_find(a, &r->at, "signal", r->signal, "signal", b->signals[0].name, sizeof b->signals[0],
                            b->signal_count);
        return;
    }
    (void)text_copy(rule.name, sizeof rule.name, r->name);
    (void)text_copy(rule.signal, sizeof rule.signal, r->signal);
    if (r->while_state >= 0)
        (void)text_copy(rule.while_state, sizeof rule.while_state,
                        channel_state_name((enum channel_state)r->while_state));
    fill_sense(a, r, dim, &rule);
    if (r->channels.count == 0)
        add_rule(a, r, &rule);
    else
        check_named_channels(a, r, &rule);
}

void assemble_rules(struct assembly *a)
{
    const struct raw_rule *rules = a->raw->rules.items;
    assemble_unique(a, &a->raw->rules, sizeof *rules, offsetof(struct raw_rule, name), "rule");
    for (int i = 0; i < a->raw->rules.count; i++)
        build_rule(a, &rules[i]);
}

static void build_limits(struct assembly *a)
{
    const struct raw_limits *r = &a->raw->limits;
    struct bench_limits *l = &a->config->bench.limits;
    *l = r->limits;
    memcpy(l->stale_ns, r->stale.ns, sizeof l->stale_ns);
    l->frozen_doubt_ns = r->frozen.doubt_ns;
    l->frozen_open_ns = r->frozen.open_ns;
    memcpy(l->settle_ns, r->settle.ns, sizeof l->settle_ns);
    memcpy(l->time_ns, r->times.ns, sizeof l->time_ns);
    memcpy(l->level, r->levels.value, sizeof l->level);
    l->u0_dc_peak_v = r->no_load.dc_peak_v;
    l->u0_ac_rms_v = r->no_load.ac_rms_v;
    l->u0_ac_rms_s_v = r->no_load.ac_rms_s_v;
    l->u0_plasma_v = r->no_load.plasma_v;
}

static void build_stores(struct assembly *a)
{
    const struct raw_store *stores = a->raw->stores.items;
    struct config *c = a->config;
    assemble_unique(a, &a->raw->stores, sizeof *stores, offsetof(struct raw_store, store.name), "store");
    for (int i = 0; i < a->raw->stores.count; i++) {
        const struct raw_store *r = &stores[i];
        struct store_config *s = &c->stores[c->store_count++];
        *s = r->store;
        s->batch_lines = r->batch.lines;
        s->batch_bytes = r->batch.bytes;
        s->batch_age_ns = r->batch.age_ns;
        assemble_path(a, r->store.password_file, s->password_file, sizeof s->password_file);
        assemble_path(a, r->store.token_file, s->token_file, sizeof s->token_file);
        assemble_path(a, r->store.ca_file, s->ca_file, sizeof s->ca_file);
    }
}

static void build_notify(struct assembly *a)
{
    const struct raw_notify *items = a->raw->notify.items;
    struct config *c = a->config;
    assemble_unique(a, &a->raw->notify, sizeof *items, offsetof(struct raw_notify, notify.name), "notification");
    for (int i = 0; i < a->raw->notify.count; i++) {
        const struct raw_notify *r = &items[i];
        struct notify_config *n = &c->notify[c->notify_count++];
        *n = r->notify;
        assemble_path(a, r->notify.password_file, n->password_file, sizeof n->password_file);
        assemble_path(a, r->notify.token_file, n->token_file, sizeof n->token_file);
        assemble_path(a, r->notify.ca_file, n->ca_file, sizeof n->ca_file);
    }
}

static void build_beacon(struct assembly *a)
{
    const struct raw_output *r = &a->raw->beacon;
    struct config *c = a->config;
    const struct bench *b = &c->bench;
    c->beacon_device = assemble_find(a, &r->at, "device", r->device, "device", b->devices[0].name, sizeof b->devices[0],
                                     b->device_count);
    c->beacon_point = assemble_output(a, &r->at, "command", c->beacon_device, r->command);
    if (c->beacon_point < 0)
        c->beacon_device = -1;
}

void assemble_rest(struct assembly *a)
{
    struct config *c = a->config;
    const struct raw_bench *r = a->raw;
    (void)text_copy(c->bench.name, sizeof c->bench.name, r->bench);
    c->bench.rate = r->clock.rate;
    /* A stated epoch or rate is a claim that the runtime holds every device to before it goes on. */
    c->bench.virtual_bench = r->clock.rate != 1 || r->clock.epoch_ns >= 0;
    c->has_epoch = r->clock.epoch_ns >= 0;
    c->epoch_utc_ns = c->has_epoch ? r->clock.epoch_ns : 0;
    c->journal = r->journal.journal;
    assemble_path(a, r->journal.journal.path, c->journal.path, sizeof c->journal.path);
    c->listen = r->listen.listen;
    assemble_path(a, r->listen.listen.socket, c->listen.socket, sizeof c->listen.socket);
    assemble_path(a, r->listen.listen.token_file, c->listen.token_file, sizeof c->listen.token_file);
    c->record = r->record.record;
    c->unattended = r->unattended.unattended;
    build_limits(a);
    build_stores(a);
    build_notify(a);
    build_beacon(a);
}
