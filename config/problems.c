#include "problems.h"

#include <stdlib.h>
#include <string.h>

#include "error.h"

static int grow(struct problems *list)
{
    if (list->count < list->cap)
        return 0;
    int cap = list->cap == 0 ? 16 : list->cap * 2;
    struct problem *items = realloc(list->items, (size_t)cap * sizeof *items);
    if (items == NULL)
        return -1;
    list->items = items;
    list->cap = cap;
    return 0;
}

void problems_add(struct problems *list, const struct problem *problem)
{
    if (problem->level == PROBLEM_ERROR)
        list->errors++;
    else if (problem->level == PROBLEM_WARNING)
        list->warnings++;
    else
        list->hints++;
    if (list->count >= PROBLEMS_MAX)
        return;
    if (grow(list) != 0) {
        list->out_of_memory = true;
        list->errors++;
        return;
    }
    list->items[list->count++] = *problem;
}

static int file_rank(const struct problems *list, const char *file)
{
    for (int i = 0; i < list->count; i++)
        if (strcmp(list->items[i].file, file) == 0)
            return i;
    return list->count;
}

/* At or before, so that an insertion keeps the order of equals. */
static bool in_order(const struct problem *a, int rank_a, const struct problem *b, int rank_b)
{
    if (rank_a != rank_b)
        return rank_a < rank_b;
    if (a->line != b->line)
        return a->line < b->line;
    return a->column <= b->column;
}

void problems_sort(struct problems *list)
{
    int ranks[PROBLEMS_MAX];
    for (int i = 0; i < list->count; i++)
        ranks[i] = file_rank(list, list->items[i].file);
    for (int i = 1; i < list->count; i++) {
        struct problem moved = list->items[i];
        int rank = ranks[i];
        int k = i;
        for (; k > 0 && !in_order(&list->items[k - 1], ranks[k - 1], &moved, rank); k--) {
            list->items[k] = list->items[k - 1];
            ranks[k] = ranks[k - 1];
        }
        list->items[k] = moved;
        ranks[k] = rank;
    }
}

const char *problem_level_name(enum problem_level level)
{
    switch (level) {
    case PROBLEM_ERROR:
        return "error";
    case PROBLEM_WARNING:
        return "warning";
    case PROBLEM_HINT:
        break;
    }
    return "hint";
}

void problem_print(char *to, size_t cap, const struct problem *problem)
{
    (void)text_format(to, cap, "%s", problem->file);
    if (problem->line > 0)
        (void)text_append(to, cap, ":%d:%d", problem->line, problem->column);
    (void)text_append(to, cap, ": %s: ", problem_level_name(problem->level));
    if (problem->path[0] != '\0')
        (void)text_append(to, cap, "%s: ", problem->path);
    (void)text_append(to, cap, "%s", problem->text);
    if (problem->remedy[0] != '\0')
        (void)text_append(to, cap, "\n    %s", problem->remedy);
}

void problems_free(struct problems *list)
{
    free(list->items);
    *list = (struct problems){0};
}
