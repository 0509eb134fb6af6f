#include "preflight_line.h"

#include <string.h>

#include "error.h"

static const char *const names[PREFLIGHT_LINE_COUNT_] = {
    [LINE_RIGGING] = "rigging",
    [LINE_UNIT] = "unit",
    [LINE_ISOLATOR] = "isolator",
    [LINE_INTERRUPTION] = "interruption",
    [LINE_BENCH] = "bench",
    [LINE_PROCEDURE] = "procedure",
    [LINE_SAFETY_TEST] = "safety-test",
    [LINE_PROTECTION] = "protection",
    [LINE_CUTOUTS] = "cutouts",
    [LINE_SET_UP] = "set-up",
    [LINE_BREAKING] = "breaking",
    [LINE_BANK] = "bank",
    [LINE_STRIKE] = "strike",
    [LINE_LOAD_PATH] = "load-path",
    [LINE_CIRCUIT] = "circuit",
    [LINE_SUPPLY] = "supply",
    [LINE_METERS] = "meters",
    [LINE_WATCHDOG] = "watchdog",
    [LINE_TIME_TO_OPEN] = "time-to-open",
    [LINE_START] = "start",
    [LINE_RECORD] = "record",
    [LINE_STORE] = "store",
    [LINE_CLOCK] = "clock",
    [LINE_KEY_SWITCH] = "key-switch",
    [LINE_SECOND_MEANS] = "second-means",
    [LINE_UNATTENDED] = "unattended",
    [LINE_DETECTORS] = "detectors",
    [LINE_NOTIFICATION] = "notification",
    [LINE_OUTSIDE] = "outside",
    [LINE_STANDBY_SUPPLY] = "standby-supply",
    [LINE_BEACON] = "beacon",
};

static const char between[] = " ,";

const char *preflight_line_name(enum preflight_line line)
{
    return (unsigned)line < PREFLIGHT_LINE_COUNT_ ? names[line] : "?";
}

/* The next name at *at, moved behind it; NULL at the end. */
static const char *next_name(const char **at, size_t *size)
{
    const char *name = *at + strspn(*at, between);
    *size = strcspn(name, between);
    *at = name + *size;
    return *size > 0 ? name : NULL;
}

static bool is_name(enum preflight_line line, const char *name, size_t size)
{
    return strlen(names[line]) == size && memcmp(names[line], name, size) == 0;
}

bool preflight_list_holds(const char *list, enum preflight_line line)
{
    size_t size;
    for (const char *name; (name = next_name(&list, &size)) != NULL;)
        if (is_name(line, name, size))
            return true;
    return false;
}

bool preflight_list_unknown(const char *list, char *unknown, size_t cap)
{
    size_t size;
    for (const char *name; (name = next_name(&list, &size)) != NULL;) {
        int line = 0;
        while (line < PREFLIGHT_LINE_COUNT_ && !is_name((enum preflight_line)line, name, size))
            line++;
        if (line < PREFLIGHT_LINE_COUNT_)
            continue;
        (void)text_format(unknown, cap, "%.*s", (int)(size < cap ? size : cap - 1), name);
        return true;
    }
    return false;
}

void preflight_line_names(char *text, size_t cap)
{
    text[0] = '\0';
    for (int i = 0; i < PREFLIGHT_LINE_COUNT_; i++)
        (void)text_append(text, cap, "%s%s", i == 0 ? "" : ", ", names[i]);
}
