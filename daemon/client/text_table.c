/* Tables of screen.h. */
#include "screen.h"

#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

enum { GAP = 2, CELL_CAP = 512, LOOSE_LEAST = 14, CUT_LEAST = 4, TAIL_LEAST = 32, TAIL_INDENT = 5 };

struct table {
    struct column columns[TABLE_COLUMNS_MAX];
    int column_count;
    int shown; /* columns side by side; the one after them, if any, goes below its row */
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
    t->column_count = t->shown = count;
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
    /* The analyzer of clang 14 does not see that va_start began args. */
    (void)vsnprintf(text, sizeof text, format, args); /* NOLINT(clang-analyzer-valist.Uninitialized) */
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
    int sum = GAP * (t->shown - 1);
    for (int c = 0; c < t->shown; c++)
        sum += widths[c];
    return sum;
}

/* Columns that the longest word of each column takes: below that, words would be cut. */
static void word_widths(const struct table *t, int *widths)
{
    for (int c = 0; c < t->column_count; c++)
        widths[c] = text_width(t->columns[c].head);
    for (size_t i = 0; i < t->cell_count; i++) {
        int *width = &widths[i % (size_t)t->column_count];
        int columns = 0;
        for (const char *p = t->cells[i]; *p; p++) {
            columns = *p == ' ' ? 0 : columns + (((unsigned char)*p & 0xC0) != 0x80);
            if (columns > *width)
                *width = columns;
        }
    }
}

/* Takes columns away from the widest loose column first, down to its longest word; then further; then from the widest
 * of all. */
static void fit_widths(const struct table *t, int *widths, int screen_width)
{
    int words[TABLE_COLUMNS_MAX] = {0};
    word_widths(t, words);
    for (int pass = 0; pass < 3; pass++) {
        while (total(t, widths) > screen_width) {
            int widest = -1;
            for (int c = 0; c < t->shown; c++) {
                int least = pass == 0 ? words[c] : pass == 1 ? LOOSE_LEAST : CUT_LEAST;
                if ((pass == 2 || t->columns[c].loose) && widths[c] > least &&
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

/* A line under construction: spaces are held back until something follows them, so that none end a line. */
struct line {
    const struct screen *screen;
    int spaces;
};

static void line_spaces(struct line *l, int count)
{
    l->spaces += count;
}

static void line_text(struct line *l, const char *text, size_t size, enum tone tone)
{
    if (size == 0)
        return;
    fprintf(l->screen->out, "%*s%s%.*s%s", l->spaces, "", tone_begin(l->screen, tone), (int)size, text,
            tone_end(l->screen, tone));
    l->spaces = 0;
}

static int columns_in(const char *text, size_t size)
{
    int n = 0;
    for (size_t i = 0; i < size; i++)
        n += ((unsigned char)text[i] & 0xC0) != 0x80;
    return n;
}

/* Puts the next piece of a cell into the line and returns what is left of it ("" when it is done). */
static const char *put_piece(const struct table *t, struct line *l, int column, int width, const char *text,
                             enum tone tone)
{
    const struct column *col = &t->columns[column];
    size_t size = fitting_bytes(text, width, col->loose);
    int pad = width - columns_in(text, size);
    line_spaces(l, col->right ? pad : 0);
    line_text(l, text, size, tone);
    line_spaces(l, (col->right ? 0 : pad) + GAP);
    if (!col->loose)
        return "";
    text += size;
    while (*text == ' ')
        text++;
    return text;
}

static void print_row(const struct table *t, const struct screen *s, const int *widths, char *const *cells)
{
    const char *left[TABLE_COLUMNS_MAX] = {NULL};
    bool more = true;
    for (int c = 0; c < t->shown; c++)
        left[c] = cells[c];
    while (more) {
        struct line l = {.screen = s};
        more = false;
        for (int c = 0; c < t->shown; c++) {
            enum tone tone = t->columns[c].toned ? tone_of(cells[c]) : TONE_PLAIN;
            left[c] = put_piece(t, &l, c, widths[c], left[c], tone);
            more = more || left[c][0];
        }
        fputc('\n', s->out);
    }
}

/* No line at all when every heading is empty. */
static void print_heads(const struct table *t, const struct screen *s, const int *widths)
{
    bool any = false;
    for (int c = 0; c < t->shown; c++)
        any = any || t->columns[c].head[0];
    if (!any)
        return;
    struct line l = {.screen = s};
    for (int c = 0; c < t->shown; c++) {
        const struct column *col = &t->columns[c];
        size_t size = fitting_bytes(col->head, widths[c], false);
        int pad = widths[c] - columns_in(col->head, size);
        line_spaces(&l, col->right ? pad : 0);
        line_text(&l, col->head, size, TONE_FAINT);
        line_spaces(&l, (col->right ? 0 : pad) + GAP);
    }
    fputc('\n', s->out);
}

/* Sentences in the last column make a poor sight in what a narrow screen leaves them. */
static bool needs_tail(const struct table *t, const int *natural, int screen_width)
{
    int words[TABLE_COLUMNS_MAX] = {0}, last = t->column_count - 1, left = screen_width - GAP * last;
    if (last < 1 || !t->columns[last].loose || total(t, natural) <= screen_width)
        return false;
    word_widths(t, words);
    for (int c = 0; c < last; c++)
        left -= t->columns[c].loose ? words[c] : natural[c];
    return left < TAIL_LEAST && natural[last] > left;
}

static void print_tail(const struct screen *s, const char *text)
{
    while (*text) {
        size_t size = fitting_bytes(text, s->width - TAIL_INDENT, true);
        fprintf(s->out, "%*s%.*s\n", TAIL_INDENT, "", (int)size, text);
        text += size;
        while (*text == ' ')
            text++;
    }
}

void table_print(const struct table *t, const struct screen *s)
{
    int widths[TABLE_COLUMNS_MAX] = {0};
    if (!t)
        return;
    natural_widths(t, widths);
    struct table view = *t;
    if (s->width && needs_tail(t, widths, s->width))
        view.shown--;
    if (s->width)
        fit_widths(&view, widths, s->width);
    print_heads(&view, s, widths);
    for (size_t i = 0; i + (size_t)t->column_count <= t->cell_count; i += (size_t)t->column_count) {
        print_row(&view, s, widths, t->cells + i);
        if (view.shown < t->column_count)
            print_tail(s, t->cells[i + (size_t)view.shown]);
    }
}
