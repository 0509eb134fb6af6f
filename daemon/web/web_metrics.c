#include "web_metrics.h"

#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Label values escape backslash, quote and line feed (OpenMetrics 1.0, "Label"). */
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

static void head(FILE *to, const char *name, const char *type, const char *unit, const char *help)
{
    (void)fprintf(to, "# TYPE soakbench_%s %s\n", name, type);
    if (unit[0] != '\0')
        (void)fprintf(to, "# UNIT soakbench_%s %s\n", name, unit);
    (void)fprintf(to, "# HELP soakbench_%s %s\n", name, help);
}

static const char *text_of(const json_t *o, const char *key)
{
    const char *t = json_string_value(json_object_get(o, key));
    return t != NULL ? t : "";
}

static void put_states(FILE *to, const json_t *channels)
{
    static const char *const states[] = {"free",  "rigging",    "preflight", "setting", "on-load",
                                         "pause", "recovering", "locked",    "done"};
    head(to, "channel_state", "stateset", "", "What a channel is doing.");
    size_t i;
    json_t *c;
    json_array_foreach((json_t *)channels, i, c)
    {
        for (size_t s = 0; s < sizeof states / sizeof states[0]; s++) {
            (void)fputs("soakbench_channel_state{", to);
            put_label(to, "channel", text_of(c, "channel"));
            (void)fprintf(to, ",soakbench_channel_state=\"%s\"} %d\n", states[s],
                          strcmp(states[s], text_of(c, "state")) == 0);
        }
    }
}

static void put_signals(FILE *to, const json_t *channels)
{
    head(to, "signal", "gauge", "", "Latest good value of a signal, in the base unit of its kind.");
    size_t i;
    json_t *c;
    json_array_foreach((json_t *)channels, i, c)
    {
        const char *name;
        json_t *signal;
        json_object_foreach(json_object_get(c, "signals"), name, signal)
        {
            const json_t *value = json_is_object(signal) ? json_object_get(signal, "value") : signal;
            if (!json_is_number(value))
                continue;
            (void)fputs("soakbench_signal{", to);
            put_label(to, "channel", text_of(c, "channel"));
            (void)fputc(',', to);
            put_label(to, "signal", name);
            (void)fprintf(to, "} %.17g\n", json_number_value(value));
        }
    }
}

static void put_buses(FILE *to, const json_t *counters)
{
    head(to, "bus_transactions", "counter", "", "Transactions on a bus.");
    size_t i;
    json_t *b;
    json_array_foreach(json_object_get(counters, "buses"), i, b)
    {
        (void)fputs("soakbench_bus_transactions_total{", to);
        put_label(to, "bus", text_of(b, "name"));
        (void)fprintf(to, "} %.17g\n", json_number_value(json_object_get(b, "transactions")));
    }
}

char *web_metrics_print(const json_t *snapshot)
{
    char *text = NULL;
    size_t size = 0;
    FILE *to = open_memstream(&text, &size);
    if (to == NULL)
        return NULL;
    const json_t *status = json_object_get(snapshot, "status");
    head(to, "daemon_reachable", "gauge", "", "1 when the daemon answered last time.");
    (void)fprintf(to, "soakbench_daemon_reachable %d\n", json_is_true(json_object_get(snapshot, "reachable")));
    head(to, "snapshot_age_seconds", "gauge", "seconds", "Age of the figures on this page.");
    (void)fprintf(to, "soakbench_snapshot_age_seconds %.3f\n",
                  json_number_value(json_object_get(snapshot, "age_ms")) / 1000);
    head(to, "journal_healthy", "gauge", "", "1 when the record keeps up.");
    (void)fprintf(to, "soakbench_journal_healthy %d\n", json_is_true(json_object_get(status, "journal_healthy")));
    put_states(to, json_object_get(status, "channels"));
    put_signals(to, json_object_get(status, "channels"));
    put_buses(to, json_object_get(snapshot, "counters"));
    (void)fputs("# EOF\n", to);
    bool bad = ferror(to) != 0;
    if (fclose(to) != 0 || bad) {
        free(text);
        return NULL;
    }
    return text;
}
