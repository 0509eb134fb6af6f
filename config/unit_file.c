#include "unit_file.h"

#include <stdio.h>
#include <stdlib.h>

#include "raw.h"

static void build(const struct raw_unit *raw, struct unit_plate *plate)
{
    const struct raw_rating *ratings = raw->ratings.items;
    *plate = raw->plate;
    plate->rating_count = raw->ratings.count;
    for (int i = 0; i < raw->ratings.count; i++)
        plate->ratings[i] = ratings[i].point;
}

int unit_file_load_text(const char *name, const char *text, size_t size, struct unit_plate *plate,
                        struct problems *problems)
{
    int before = problems->errors;
    struct tree *tree = tree_parse(name, text, size, problems);
    struct raw_unit raw;
    if (tree == NULL)
        return -1;
    schema_defaults(&unit_object, &raw);
    schema_parse(&unit_object, tree_root(tree), &raw, problems);
    if (problems->errors == before)
        build(&raw, plate);
    schema_free(&unit_object, &raw);
    tree_free(tree);
    return problems->errors == before ? 0 : -1;
}

char *unit_file_print(const struct unit_plate *plate)
{
    struct raw_unit raw = {.plate = *plate};
    struct raw_rating ratings[RATINGS_MAX] = {0};
    char *text = NULL;
    size_t size = 0;
    FILE *to = open_memstream(&text, &size);
    if (to == NULL)
        return NULL;
    for (int i = 0; i < plate->rating_count && i < RATINGS_MAX; i++) {
        ratings[i].point = plate->ratings[i];
        ratings[i].cycle_ns = (int64_t)(plate->ratings[i].cycle_s * 1e9 + 0.5);
        raw.ratings.count++;
    }
    raw.ratings.items = ratings;
    schema_print(to, &unit_object, &raw, 0);
    if (fclose(to) != 0) {
        free(text);
        return NULL;
    }
    return text;
}
