#include "template_check.h"

#include <regex.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

enum { COUNT_MAX = 32, REPEATS_MAX = 4 };

int template_slots(const char *text, struct error *err)
{
    int slots = 0;
    for (const char *c = text; *c != '\0'; c++) {
        if (*c == '}')
            return error_set(err, "a closing brace stands alone");
        if (*c != '{')
            continue;
        if (strncmp(c, "{number}", 8) == 0) {
            slots++;
            c += 7;
        } else if (strncmp(c, "{text}", 6) == 0) {
            c += 5;
        } else {
            return error_set(err, "the slot \"%.16s\" is not known; there are {number} and {text}", c);
        }
    }
    return slots;
}

/* Behind a bracket expression's closing bracket; NULL when it does not close. */
static const char *skip_bracket(const char *c)
{
    c++;
    if (*c == '^')
        c++;
    if (*c == ']')
        c++;
    while (*c != '\0' && *c != ']')
        c++;
    return *c == '\0' ? NULL : c;
}

static int check_count(const char *c, struct error *err)
{
    char *end;
    long low = strtol(c + 1, &end, 10);
    long high = low;
    if (*end == ',')
        high = strtol(end + 1, &end, 10);
    if (*end != '}' || low < 0 || low > COUNT_MAX || high < low || high > COUNT_MAX)
        return error_set(err, "counts must be whole and at most %d, such as {1,8}", COUNT_MAX);
    return 0;
}

struct scan {
    int groups;
    int depth;
    int repeats;
};

/* One character of the expression; moves *c to its last byte. */
static int scan_one(struct scan *s, const char **c, struct error *err)
{
    switch (**c) {
    case '\\':
        (*c)++;
        if (**c == '\0' || (**c >= '0' && **c <= '9'))
            return error_set(err, "back-references are not taken");
        return 0;
    case '[':
        *c = skip_bracket(*c);
        return *c == NULL ? error_set(err, "a bracket does not close") : 0;
    case '(':
        s->groups++;
        s->depth++;
        return 0;
    case ')':
        s->depth--;
        if ((*c)[1] != '\0' && strchr("*+?{", (*c)[1]) != NULL)
            return error_set(err, "a group must not be repeated");
        return 0;
    case '}': /* one that closes nothing: taken for the end of a count, as the drivers do */
    case '?':
    case '*':
    case '+':
        s->repeats += **c == '*' || **c == '+';
        if ((*c)[1] != '\0' && strchr("*+?{", (*c)[1]) != NULL)
            return error_set(err, "a repetition must not be repeated");
        return 0;
    case '{':
        s->repeats++;
        if (check_count(*c, err) != 0)
            return -1;
        *c = strchr(*c, '}');
        if ((*c)[1] != '\0' && strchr("*+?{", (*c)[1]) != NULL)
            return error_set(err, "a repetition must not be repeated");
        return 0;
    default:
        return 0;
    }
}

int expression_check(const char *text, struct error *err)
{
    struct scan s = {0};
    regex_t compiled;
    char why[128];
    for (const char *c = text; c != NULL && *c != '\0'; c++) {
        if (scan_one(&s, &c, err) != 0)
            return -1;
        if (s.depth < 0 || s.depth > 1)
            return error_set(err, "groups are nested or do not match");
    }
    if (s.groups != 1 || s.depth != 0)
        return error_set(err, "the number must be the one group of the expression");
    if (s.repeats > REPEATS_MAX)
        return error_set(err, "at most %d repetitions are taken", REPEATS_MAX);
    int rc = regcomp(&compiled, text, REG_EXTENDED);
    if (rc != 0) {
        (void)regerror(rc, &compiled, why, sizeof why);
        return error_set(err, "%s", why);
    }
    regfree(&compiled);
    return 0;
}
