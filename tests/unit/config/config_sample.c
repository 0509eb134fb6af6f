#include "config_sample.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

char *mistake_text(const char *sample, const struct mistake *m, int *line, int *column)
{
    const char *at = m->find[0] == '\0' ? sample + strlen(sample) : strstr(sample, m->find);
    ck_assert_msg(at != NULL, "the sample does not hold \"%s\"", m->find);
    size_t before = (size_t)(at - sample);
    size_t cap = strlen(sample) + strlen(m->replace) + 1;
    char *text = malloc(cap);
    ck_assert_ptr_nonnull(text);
    (void)snprintf(text, cap, "%.*s%s%s", (int)before, sample, m->replace, at + strlen(m->find));
    char *mark = strchr(text + before, '@');
    ck_assert_msg(mark != NULL, "no place is marked in \"%s\"", m->replace);
    *line = 1;
    *column = 1;
    for (const char *c = text; c < mark; c++) {
        *column = *c == '\n' ? 1 : *column + 1;
        *line += *c == '\n' ? 1 : 0;
    }
    memmove(mark, mark + 1, strlen(mark));
    return text;
}

const struct problem *problem_at(const struct problems *list, enum problem_level level, int line, int column)
{
    for (int i = 0; i < list->count; i++) {
        const struct problem *p = &list->items[i];
        if (p->level == level && p->line == line && p->column == column)
            return p;
    }
    return NULL;
}

void problems_show(const struct problems *list)
{
    char text[1024];
    for (int i = 0; i < list->count; i++) {
        problem_print(text, sizeof text, &list->items[i]);
        (void)fprintf(stderr, "  %s\n", text);
    }
}

void mistake_check(const char *sample, const struct mistake *m, int (*load)(const char *text, struct problems *list))
{
    struct problems list = {0};
    int line = 0;
    int column = 0;
    char *text = mistake_text(sample, m, &line, &column);
    int rc = load(text, &list);
    const struct problem *p = NULL;
    for (int i = 0; i < list.count && p == NULL; i++) {
        const struct problem *q = &list.items[i];
        if (q->level == m->level && q->line == line && q->column == column && strstr(q->text, m->words) != NULL)
            p = q;
    }
    if (p == NULL)
        problems_show(&list);
    ck_assert_msg(p != NULL, "\"%s\" is not reported at %d:%d with \"%s\"", m->replace, line, column, m->words);
    ck_assert_msg(strstr(p->remedy, m->remedy) != NULL, "\"%s\": remedy \"%s\" lacks \"%s\"", m->replace, p->remedy,
                  m->remedy);
    ck_assert_int_eq(rc, m->level == PROBLEM_ERROR ? -1 : 0);
    if (m->level == PROBLEM_ERROR && list.errors != 1) {
        problems_show(&list);
        ck_abort_msg("\"%s\" brings %d errors, not one", m->replace, list.errors);
    }
    problems_free(&list);
    free(text);
}
