#include "web_metrics.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct print {
    FILE *to;
    bool open; /* OpenMetrics */
};

/* Label values escape backslash, quote and line feed (OpenMetrics 1.0, "Escaping"). */
static void put_label(FILE *to, const char *name, const char *value)
{
    (void)fprintf(to, "%s=\"", name);
    for (const char *c = value; *c != '\0'; c++) {
        if (*c == '\\' || *c == '"')
            (void)fputc('\\', to);
        if (*c == '\n')
            (void)fputs("\\n", to);
        else
            (void)fputc(*c, to);
    }
    (void)fputc('"', to);
}

/* Counters' families are named without _total in OpenMetrics and with it in the older format. */
static void head(const struct print *p, const char *name, const char *type, const char *unit, const char *help)
{
    const char *tail = !p->open && strcmp(type, "counter") == 0 ? "_total" : "";
    (void)fprintf(p->to, "# HELP soakbench_%s%s %s\n# TYPE soakbench_%s%s %s\n", name, tail, help, name, tail, type);
    if (p->open && unit[0] != '\0')
        (void)fprintf(p->to, "# UNIT soakbench_%s %s\n", name, unit);
}

static const char *text_of(const json_t *o, const char *key)
{
    const char *t = json_string_value(json_object_get(o, key));
    return t != NULL ? t : "";
}

static double figure_of(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);
    return json_is_boolean(v) ? json_is_true(v) : json_number_value(v);
}

/* One gauge or counter without labels. */
static void put_plain(const struct print *p, const char *name, const char *type, const char *unit, const char *help,
                      double value)
{
    head(p, name, type, unit, help);
    (void)fprintf(p->to, "soakbench_%s%s %.17g\n", name, strcmp(type, "counter") == 0 ? "_total" : "", value);
}

struct list_row {
    const char *name, *type, *help;
    const char *label, *label_key; /* label's name, key of its text in each item */
    const char *key;               /* of the figure; an item without it is left out */
};

static void put_list(const struct print *p, const struct list_row *row, const json_t *items)
{
    head(p, row->name, row->type, "", row->help);
    size_t i;
    json_t *item;
    json_array_foreach((json_t *)items, i, item)
    {
        if (json_object_get(item, row->key) == NULL)
            continue;
        (void)fprintf(p->to, "soakbench_%s%s{", row->name, strcmp(row->type, "counter") == 0 ? "_total" : "");
        put_label(p->to, row->label, text_of(item, row->label_key));
        (void)fprintf(p->to, "} %.17g\n", figure_of(item, row->key));
    }
}

static void put_states(const struct print *p, const json_t *channels)
{
    static const char *const states[] = {"free",  "rigging",    "preflight", "setting", "on-load",
                                         "pause", "recovering", "locked",    "done"};
    head(p, "channel_state", "gauge", "", "1 at the state that the channel is in.");
    size_t i;
    json_t *c;
    json_array_foreach((json_t *)channels, i, c)
    {
        for (size_t s = 0; s < sizeof states / sizeof states[0]; s++) {
            (void)fputs("soakbench_channel_state{", p->to);
            put_label(p->to, "channel", text_of(c, "channel"));
            (void)fprintf(p->to, ",state=\"%s\"} %d\n", states[s], strcmp(states[s], text_of(c, "state")) == 0);
        }
    }
}

static void put_signals(const struct print *p, const json_t *channels)
{
    head(p, "signal", "gauge", "", "Latest good value of a signal, in the base unit of its kind.");
    size_t i;
    json_t *c;
    json_array_foreach((json_t *)channels, i, c)
    {
        const char *name;
        json_t *signal;
        json_object_foreach(json_object_get(c, "signals"), name, signal)
        {
            if (!json_is_number(json_object_get(signal, "value")) || strcmp(text_of(signal, "quality"), "good") != 0)
                continue;
            (void)fputs("soakbench_signal{", p->to);
            put_label(p->to, "channel", text_of(c, "channel"));
            (void)fputc(',', p->to);
            put_label(p->to, "signal", name);
            (void)fprintf(p->to, "} %.17g\n", figure_of(signal, "value"));
        }
    }
}

/* Rows of the journal that a store has not settled yet, by feed. */
static void put_backlog(const struct print *p, const json_t *stores)
{
    static const char *const feeds[] = {"readings", "events", "verdicts"};
    head(p, "store_backlog_rows", "gauge", "rows", "Rows of the record that a store does not hold safely yet.");
    size_t i;
    json_t *store;
    json_array_foreach((json_t *)stores, i, store)
    {
        for (size_t f = 0; f < sizeof feeds / sizeof feeds[0]; f++) {
            const json_t *feed = json_object_get(store, feeds[f]);
            if (!json_is_object(feed))
                continue;
            (void)fputs("soakbench_store_backlog_rows{", p->to);
            put_label(p->to, "store", text_of(store, "name"));
            (void)fprintf(p->to, ",feed=\"%s\"} %.17g\n", feeds[f],
                          figure_of(feed, "newest") - figure_of(feed, "settled"));
        }
    }
}

static void put_journal(const struct print *p, const json_t *journal)
{
    if (!json_is_object(journal))
        return;
    put_plain(p, "journal_commits", "counter", "", "Batches that reached the disk.", figure_of(journal, "commits"));
    put_plain(p, "journal_failures", "counter", "", "Batches that did not reach the disk.",
              figure_of(journal, "failures"));
    put_plain(p, "journal_oldest_unsynced_seconds", "gauge", "seconds", "Age of the oldest input not yet on disk.",
              figure_of(journal, "oldest_unsynced_ms") / 1000);
    put_plain(p, "journal_free_bytes", "gauge", "bytes", "Free on the journal's file system.",
              figure_of(journal, "free_bytes"));
    put_plain(p, "journal_file_bytes", "gauge", "bytes", "Size of the journal's file.",
              figure_of(journal, "file_bytes"));
}

static void put_all(const struct print *p, const json_t *snapshot)
{
    static const struct list_row device_up = {"device_up", "gauge",  "1 when the device answers.",
                                              "device",    "device", "up"};
    static const struct list_row proved = {
        "watchdog_proved", "gauge",  "1 when the load controller's watchdog is proved.",
        "device",          "device", "watchdog_proved"};
    static const struct list_row bus = {"bus_transactions", "counter", "Transactions on a bus.", "bus", "name",
                                        "transactions"};
    const json_t *status = json_object_get(snapshot, "status");
    const json_t *counters = json_object_get(snapshot, "counters");
    put_plain(p, "daemon_reachable", "gauge", "", "1 when the daemon answered last time.",
              figure_of(snapshot, "reachable"));
    put_plain(p, "snapshot_age_seconds", "gauge", "seconds", "Age of these figures; -1: never had any.",
              figure_of(snapshot, "age_ms") < 0 ? -1 : figure_of(snapshot, "age_ms") / 1000);
    put_plain(p, "journal_healthy", "gauge", "", "1 when the record keeps up.", figure_of(status, "journal_healthy"));
    put_states(p, json_object_get(status, "channels"));
    put_signals(p, json_object_get(status, "channels"));
    put_list(p, &device_up, json_object_get(status, "devices"));
    put_list(p, &proved, json_object_get(status, "devices"));
    put_list(p, &bus, json_object_get(counters, "buses"));
    put_journal(p, json_object_get(counters, "journal"));
    put_backlog(p, json_object_get(counters, "stores"));
}

char *web_metrics_print(const json_t *snapshot, bool open)
{
    char *text = NULL;
    size_t size = 0;
    struct print p = {.to = open_memstream(&text, &size), .open = open};
    if (p.to == NULL)
        return NULL;
    put_all(&p, snapshot);
    if (open)
        (void)fputs("# EOF\n", p.to);
    bool bad = ferror(p.to) != 0;
    if (fclose(p.to) != 0 || bad) {
        free(text);
        return NULL;
    }
    return text;
}
