/* Tables of screen.h. */
#include "screen.h"

#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

enum { GAP = 2, CELL_CAP = 512, LOOSE_LEAST = 14, CUT_LEAST = 4 };

struct table {
    struct column columns[TABLE_COLUMNS_MAX];
    int column_count;
    char **cells;
    size_t cell_count, cell_cap;
};

struct table *table_new(const struct column *columns, int count)
{
    struct table *t = calloc(1, sizeof *t);
    if (!t || count > TABLE_COLUMNS_MAX) {
        free(t);
        return NULL;
    }
    memcpy(t->columns, columns, (size_t)count * sizeof *columns);
    t->column_count = count;
    return t;
}

void table_free(struct table *t)
{
    if (!t)
        return;
    for (size_t i = 0; i < t->cell_count; i++)
        free(t->cells[i]);
    free(t->cells);
    free(t);
}

void table_cell(struct table *t, const char *format, ...)
{
    char text[CELL_CAP];
    if (!t)
        return;
    va_list args;
    va_start(args, format);
    (void)vsnprintf(text, sizeof text, format, args);
    va_end(args);
    for (char *c = text; *c; c++) {
        if ((unsigned char)*c < 0x20 || *c == 0x7f)
            *c = ' ';
    }
    if (t->cell_count == t->cell_cap) {
        size_t cap = t->cell_cap ? t->cell_cap * 2 : 64;
        char **grown = realloc(t->cells, cap * sizeof *grown);
        if (!grown)
            return;
        t->cells = grown;
        t->cell_cap = cap;
    }
    char *copy = strdup(text);
    if (copy)
        t->cells[t->cell_count++] = copy;
}

static void natural_widths(const struct table *t, int *widths)
{
    for (int c = 0; c < t->column_count; c++)
        widths[c] = text_width(t->columns[c].head);
    for (size_t i = 0; i < t->cell_count; i++) {
        int *width = &widths[i % (size_t)t->column_count];
        int w = text_width(t->cells[i]);
        if (w > *width)
            *width = w;
    }
}

static int total(const struct table *t, const int *widths)
{
    int sum = GAP * (t->column_count - 1);
    for (int c = 0; c < t->column_count; c++)
        sum += widths[c];
    return sum;
}

/* Takes columns away from the widest loose column first, then from the widest of all. */
static void fit_widths(const struct table *t, int *widths, int screen_width)
{
    for (int pass = 0; pass < 2; pass++) {
        int least = pass == 0 ? LOOSE_LEAST : CUT_LEAST;
        while (total(t, widths) > screen_width) {
            int widest = -1;
            for (int c = 0; c < t->column_count; c++) {
                if ((pass == 1 || t->columns[c].loose) && widths[c] > least &&
                    (widest < 0 || widths[c] > widths[widest]))
                    widest = c;
            }
            if (widest < 0)
                break;
            widths[widest]--;
        }
    }
}

static size_t fitting_bytes(const char *text, int width, bool at_spaces)
{
    size_t i = 0, space = 0;
    int columns = 0;
    for (; text[i]; i++) {
        bool begins = ((unsigned char)text[i] & 0xC0) != 0x80;
        if (begins && columns == width)
            return at_spaces && space ? space : i;
        columns += begins;
        if (text[i] == ' ')
            space = i;
    }
    return i;
}

/* Prints the next line of a cell and returns what is left of it ("" when it is done). */
static const char *print_piece(const struct table *t, const struct screen *s, int column, int width, const char *text,
                               const char *whole)
{
    const struct column *col = &t->columns[column];
    size_t size = fitting_bytes(text, width, col->loose);
    char piece[CELL_CAP + 1];
    memcpy(piece, text, size);
    piece[size] = 0;
    int used = text_width(piece);
    enum tone tone = col->toned ? tone_of(whole) : TONE_PLAIN;
    bool last = column == t->column_count - 1;
    int pad = width - used;
    fprintf(s->out, "%*s%s%s%s%*s", col->right ? pad : 0, "", tone_begin(s, tone), piece, tone_end(s, tone),
            col->right || last ? 0 : pad, "");
    if (!last)
        fprintf(s->out, "%*s", GAP, "");
    if (!col->loose)
        return "";
    text += size;
    while (*text == ' ')
        text++;
    return text;
}

static void print_row(const struct table *t, const struct screen *s, const int *widths, char *const *cells)
{
    const char *left[TABLE_COLUMNS_MAX];
    bool more = true;
    for (int c = 0; c < t->column_count; c++)
        left[c] = cells[c];
    while (more) {
        more = false;
        for (int c = 0; c < t->column_count; c++) {
            left[c] = print_piece(t, s, c, widths[c], left[c], cells[c]);
            more = more || left[c][0];
        }
        fputc('\n', s->out);
    }
}

void table_print(const struct table *t, const struct screen *s)
{
    int widths[TABLE_COLUMNS_MAX];
    if (!t)
        return;
    natural_widths(t, widths);
    if (s->width)
        fit_widths(t, widths, s->width);
    for (int c = 0; c < t->column_count; c++) {
        const struct column *col = &t->columns[c];
        bool last = c == t->column_count - 1;
        size_t size = fitting_bytes(col->head, widths[c], false);
        int pad = widths[c] - text_width(col->head);
        if (pad < 0)
            pad = 0;
        fprintf(s->out, "%*s%s%.*s%s%*s", col->right ? pad : 0, "", tone_begin(s, TONE_FAINT), (int)size, col->head,
                tone_end(s, TONE_FAINT), last ? 0 : (col->right ? 0 : pad) + GAP, "");
    }
    fputc('\n', s->out);
    for (size_t i = 0; i + (size_t)t->column_count <= t->cell_count; i += (size_t)t->column_count)
        print_row(t, s, widths, t->cells + i);
}
