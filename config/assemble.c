/* What all stages use. */
#include "assemble.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "map_file.h"

void assemble_path(const struct assembly *a, const char *path, char *to, size_t cap)
{
    const char *slash = strrchr(a->name, '/');
    if (path[0] == '\0' || path[0] == '/' || slash == NULL)
        (void)text_copy(to, cap, path);
    else
        (void)text_format(to, cap, "%.*s/%s", (int)(slash - a->name), a->name, path);
}

static void fill(char *to, size_t cap, const char *format, va_list args) __attribute__((format(printf, 3, 0)));

static void fill(char *to, size_t cap, const char *format, va_list args)
{
    /* The analyzer loses a va_list behind five named parameters; both callers begin it with va_start. */
    (void)vsnprintf(to, cap, format, args); /* NOLINT(clang-analyzer-valist.Uninitialized) */
}

void assemble_error(const struct assembly *a, const struct at *at, const char *key, const char *remedy,
                    const char *format, ...)
{
    char text[TEXT_CAP];
    va_list args;
    va_start(args, format);
    fill(text, sizeof text, format, args);
    va_end(args);
    at_problem(a->problems, at, key, PROBLEM_ERROR, text, remedy);
}

void assemble_warning(const struct assembly *a, const struct at *at, const char *key, const char *remedy,
                      const char *format, ...)
{
    char text[TEXT_CAP];
    va_list args;
    va_start(args, format);
    fill(text, sizeof text, format, args);
    va_end(args);
    at_problem(a->problems, at, key, PROBLEM_WARNING, text, remedy);
}

/* Fills remedy with the nearest name, or with all of them. */
static void suggest(const char *value, const char *names, size_t stride, int count, char *remedy)
{
    const char *near = NULL;
    int least = (int)strlen(value) / 3 + 1;
    for (int i = 0; i < count; i++) {
        const char *name = names + (size_t)i * stride;
        int d = word_distance(value, name);
        if (d <= least && (near == NULL || d < least)) {
            near = name;
            least = d;
        }
    }
    if (near != NULL) {
        (void)text_format(remedy, TEXT_CAP, "Did you mean \"%s\"?", near);
        return;
    }
    (void)text_copy(remedy, TEXT_CAP, count == 0 ? "There is none in this file." : "There are: ");
    for (int i = 0; i < count; i++)
        (void)text_append(remedy, TEXT_CAP, "%s%s", i == 0 ? "" : ", ", names + (size_t)i * stride);
}

int assemble_find(const struct assembly *a, const struct at *at, const char *key, const char *value, const char *what,
                  const char *names, size_t stride, int count)
{
    char remedy[TEXT_CAP];
    if (value[0] == '\0')
        return -1;
    for (int i = 0; i < count; i++)
        if (strcmp(names + (size_t)i * stride, value) == 0)
            return i;
    suggest(value, names, stride, count, remedy);
    assemble_error(a, at, key, remedy, "there is no %s \"%.80s\"", what, value);
    return -1;
}

int assemble_point(const struct assembly *a, const struct at *at, const char *key, int device, const char *point)
{
    char remedy[TEXT_CAP];
    if (device < 0 || point[0] == '\0' || a->config->devices[device].map < 0)
        return -1;
    const struct device_map *map = &a->config->maps[a->config->devices[device].map];
    int index = map_point_find(map, point);
    if (index >= 0)
        return index;
    suggest(point, map->points[0].name, sizeof map->points[0], map->point_count, remedy);
    assemble_error(a, at, key, remedy, "the map %s of device %s has no point \"%.60s\"", map->name,
                   a->config->devices[device].name, point);
    return -1;
}

int assemble_output(const struct assembly *a, const struct at *at, const char *key, int device, const char *point)
{
    int index = assemble_point(a, at, key, device, point);
    if (index >= 0 && !a->config->maps[a->config->devices[device].map].points[index].writable) {
        assemble_error(a, at, key, "Name a point that has access: write in its map.",
                       "the point \"%s\" cannot be written", point);
        return -1;
    }
    return index;
}

void assemble_unique(const struct assembly *a, const struct list *list, size_t item_size, size_t name_offset,
                     const char *what)
{
    for (int i = 0; i < list->count; i++) {
        const char *item = (const char *)list->items + (size_t)i * item_size;
        const char *name = item + name_offset;
        for (int k = 0; k < i && name[0] != '\0'; k++) {
            const char *earlier = (const char *)list->items + (size_t)k * item_size + name_offset;
            if (strcmp(name, earlier) != 0)
                continue;
            assemble_error(a, (const struct at *)item, "name", "Give each a name of its own.",
                           "there is already a %s \"%s\"", what, name);
            break;
        }
    }
}
