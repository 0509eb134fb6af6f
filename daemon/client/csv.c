#include "csv.h"

#include <errno.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

char *csv_text(const char *path, struct error *err)
{
    FILE *f = strcmp(path, "-") == 0 ? stdin : fopen(path, "rb");
    char *text = NULL;
    size_t used = 0, cap = 0;
    if (!f) {
        error_set(err, "%s cannot be opened: %s", path, strerror(errno));
        return NULL;
    }
    for (;;) {
        if (used + 1 >= cap) {
            cap = cap ? cap * 2 : 65536;
            char *grown = cap <= CSV_BYTES_MAX ? realloc(text, cap) : NULL;
            if (!grown) {
                error_set(err, "%s is too large", path);
                break;
            }
            text = grown;
        }
        size_t n = fread(text + used, 1, cap - used - 1, f);
        used += n;
        if (n == 0) {
            bool failed = ferror(f);
            text[used] = 0;
            if (f != stdin)
                fclose(f);
            if (!failed && strlen(text) == used)
                return text;
            error_set(err, failed ? "%s cannot be read" : "%s holds zero bytes: it is no text", path);
            free(text);
            return NULL;
        }
    }
    if (f != stdin)
        fclose(f);
    free(text);
    return NULL;
}

static char separator_of(const char *text)
{
    size_t line = strcspn(text, "\r\n");
    if (memchr(text, ';', line))
        return ';';
    if (memchr(text, '\t', line))
        return '\t';
    return ',';
}

/* A place in the text and the line it is on. */
struct place {
    char *at;
    int line;
    char separator;
};

/* Takes one cell, ends it with a zero and unquotes it. *end is what followed it: the separator, LF or 0. Returns NULL
 * when a quote is not closed. */
static char *take_cell(struct place *p, char *end)
{
    char *cell = p->at, *to = p->at;
    if (*p->at == '"') {
        p->at++;
        for (;;) {
            if (*p->at == 0)
                return NULL;
            if (*p->at == '"' && p->at[1] != '"')
                break;
            if (*p->at == '"')
                p->at++;
            if (*p->at == '\n')
                p->line++;
            *to++ = *p->at++;
        }
        p->at++;
    }
    while (*p->at && *p->at != p->separator && *p->at != '\n') {
        if (*p->at != '\r')
            *to++ = *p->at;
        p->at++;
    }
    *end = *p->at;
    if (*p->at)
        p->at++;
    if (*end == '\n')
        p->line++;
    *to = 0;
    while (*cell == ' ')
        cell++;
    while (to > cell && to[-1] == ' ')
        *--to = 0;
    return cell;
}

static void skip_lines(struct place *p)
{
    for (;;) {
        size_t size = strcspn(p->at, "\n");
        bool empty = strspn(p->at, " \r") == size || p->at[0] == '\r';
        if (*p->at == 0 || !(p->at[0] == '#' || empty))
            return;
        p->at += size;
        if (*p->at == '\n') {
            p->at++;
            p->line++;
        }
    }
}

static int read_heads(struct csv *csv, struct place *p, const char *path, struct error *err)
{
    char end = p->separator;
    skip_lines(p);
    if (*p->at == 0)
        return error_set(err, "%s is empty: the first line holds the headings", path);
    p->separator = separator_of(p->at);
    end = p->separator;
    while (end == p->separator) {
        if (csv->column_count == CSV_COLUMNS_MAX)
            return error_set(err, "%s has more than %d columns", path, (int)CSV_COLUMNS_MAX);
        char *cell = take_cell(p, &end);
        if (!cell)
            return error_set(err, "%s:1: a quote is not closed", path);
        csv->heads[csv->column_count++] = cell;
    }
    return 0;
}

static int add_row(struct csv *csv, size_t *cap)
{
    if (csv->row_count < *cap)
        return 0;
    size_t grown = *cap ? *cap * 2 : 256;
    const char **cells = realloc(csv->cells, grown * (size_t)csv->column_count * sizeof *cells);
    if (cells)
        csv->cells = cells;
    int *lines = realloc(csv->lines, grown * sizeof *lines);
    if (lines)
        csv->lines = lines;
    if (!cells || !lines)
        return -1;
    *cap = grown;
    return 0;
}

static int read_rows(struct csv *csv, struct place *p, const char *path, struct error *err)
{
    size_t cap = 0;
    for (skip_lines(p); *p->at; skip_lines(p)) {
        if (add_row(csv, &cap) != 0)
            return error_set(err, "%s: memory is short", path);
        int line = p->line;
        const char **row = csv->cells + csv->row_count * (size_t)csv->column_count;
        int column = 0;
        char end = p->separator;
        while (end == p->separator) {
            char *cell = take_cell(p, &end);
            if (!cell)
                return error_set(err, "%s:%d: a quote is not closed", path, line);
            if (column == csv->column_count)
                return error_set(err, "%s:%d: more cells than the %d headings", path, line, csv->column_count);
            row[column++] = cell;
        }
        while (column < csv->column_count)
            row[column++] = "";
        csv->lines[csv->row_count++] = line;
    }
    return 0;
}

int csv_read(const char *path, struct csv *csv, struct error *err)
{
    *csv = (struct csv){0};
    csv->text = csv_text(path, err);
    if (!csv->text)
        return -1;
    char *begin = csv->text;
    if (strncmp(begin, "\xEF\xBB\xBF", 3) == 0)
        begin += 3;
    struct place p = {.at = begin, .line = 1, .separator = ','};
    if (read_heads(csv, &p, path, err) == 0 && read_rows(csv, &p, path, err) == 0)
        return 0;
    csv_free(csv);
    return -1;
}

void csv_free(struct csv *csv)
{
    free(csv->text);
    free(csv->cells);
    free(csv->lines);
    *csv = (struct csv){0};
}

int csv_column(const struct csv *csv, const char *head)
{
    for (int i = 0; i < csv->column_count; i++) {
        if (strcasecmp(csv->heads[i], head) == 0)
            return i;
    }
    return -1;
}

const char *csv_cell(const struct csv *csv, size_t row, int column)
{
    return csv->cells[row * (size_t)csv->column_count + (size_t)column];
}
