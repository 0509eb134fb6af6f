/* Files from disk, and the loaders that begin with one. */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "config.h"
#include "map_file.h"
#include "raw.h"
#include "text_file.h"
#include "unit_file.h"

/* errno in words; strerror itself may not be used by threads. */
static int say_errno(struct error *err, const char *what, const char *path)
{
    char why[128] = "";
    if (strerror_r(errno, why, sizeof why) != 0)
        (void)text_format(why, sizeof why, "error %d", errno);
    return error_set(err, "cannot %s %s: %s", what, path, why);
}

static int read_open(FILE *f, const char *path, char **text, size_t *size, struct error *err)
{
    struct stat st;
    if (fstat(fileno(f), &st) != 0 || !S_ISREG(st.st_mode))
        return error_set(err, "%s is not a plain file", path);
    if (st.st_size > CONFIG_FILE_MAX_BYTES)
        return error_set(err, "%s is larger than %d bytes", path, CONFIG_FILE_MAX_BYTES);
    size_t cap = (size_t)st.st_size;
    char *bytes = malloc(cap + 1);
    if (bytes == NULL)
        return error_set(err, "out of memory");
    size_t n = fread(bytes, 1, cap, f);
    if (ferror(f)) {
        free(bytes);
        return say_errno(err, "read", path);
    }
    bytes[n] = '\0';
    *text = bytes;
    *size = n;
    return 0;
}

int config_file_read(const char *path, char **text, size_t *size, struct error *err)
{
    FILE *f = fopen(path, "rbe");
    if (f == NULL)
        return say_errno(err, "open", path);
    int rc = read_open(f, path, text, size, err);
    (void)fclose(f);
    return rc;
}

void text_file_problem(const char *path, const struct error *err, struct problems *problems)
{
    struct problem p = {.level = PROBLEM_ERROR};
    (void)text_copy(p.file, sizeof p.file, path);
    (void)text_copy(p.text, sizeof p.text, err->text);
    (void)text_copy(p.remedy, sizeof p.remedy, "Look at the path and at who may read the file.");
    problems_add(problems, &p);
}

int map_load(const char *path, struct device_map *map, struct problems *problems)
{
    char *text = NULL;
    size_t size = 0;
    struct error err;
    if (config_file_read(path, &text, &size, &err) != 0) {
        text_file_problem(path, &err, problems);
        return -1;
    }
    int rc = map_load_text(path, text, size, map, problems);
    free(text);
    problems_sort(problems);
    return rc;
}

int unit_file_load(const char *path, struct unit_plate *plate, struct problems *problems)
{
    char *text = NULL;
    size_t size = 0;
    struct error err;
    if (config_file_read(path, &text, &size, &err) != 0) {
        text_file_problem(path, &err, problems);
        return -1;
    }
    int rc = unit_file_load_text(path, text, size, plate, problems);
    free(text);
    problems_sort(problems);
    return rc;
}
