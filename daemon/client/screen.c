#include "screen.h"

#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

enum { LEAST_WIDTH = 40, MOST_WIDTH = 1000 };

static int environment_width(void)
{
    const char *columns = getenv("COLUMNS");
    char *end = NULL;
    long width = columns ? strtol(columns, &end, 10) : 0;
    return columns && end && *end == 0 && width > 0 && width <= MOST_WIDTH ? (int)width : 0;
}

struct screen screen_of(FILE *out)
{
    struct screen s = {.out = out};
    s.terminal = isatty(fileno(out)) == 1;
    s.width = environment_width();
    if (s.terminal) {
        struct winsize size;
        if (s.width == 0 && ioctl(fileno(out), TIOCGWINSZ, &size) == 0)
            s.width = size.ws_col;
        if (s.width == 0)
            s.width = 80;
    }
    if (s.width != 0 && s.width < LEAST_WIDTH)
        s.width = LEAST_WIDTH;
    const char *no_color = getenv("NO_COLOR");
    const char *term = getenv("TERM");
    s.coloured = s.terminal && !(no_color && no_color[0]) && !(term && strcmp(term, "dumb") == 0);
    return s;
}

static const char *const tones[TONE_COUNT_] = {
    [TONE_PLAIN] = "",         [TONE_GOOD] = "\033[32m", [TONE_BAD] = "\033[31;1m",
    [TONE_DOUBT] = "\033[33m", [TONE_FAINT] = "\033[2m", [TONE_STRONG] = "\033[1m",
};

const char *tone_begin(const struct screen *s, enum tone tone)
{
    return s->coloured ? tones[tone] : "";
}

const char *tone_end(const struct screen *s, enum tone tone)
{
    return s->coloured && tone != TONE_PLAIN ? "\033[0m" : "";
}

enum tone tone_of(const char *word)
{
    static const struct {
        const char *word;
        enum tone tone;
    } rows[] = {{"met", TONE_GOOD},      {"held", TONE_GOOD},        {"good", TONE_GOOD},       {"ok", TONE_GOOD},
                {"not-met", TONE_BAD},   {"locked", TONE_BAD},       {"refuse", TONE_BAD},      {"lost", TONE_BAD},
                {"error", TONE_BAD},     {"failed", TONE_BAD},       {"undecided", TONE_DOUBT}, {"warn", TONE_DOUBT},
                {"warning", TONE_DOUBT}, {"recovering", TONE_DOUBT}, {"on-load", TONE_STRONG}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        if (strcmp(rows[i].word, word) == 0)
            return rows[i].tone;
    }
    return TONE_PLAIN;
}

static bool is_continuation(char c)
{
    return ((unsigned char)c & 0xC0) == 0x80;
}

int text_width(const char *text)
{
    int n = 0;
    for (; *text; text++)
        n += !is_continuation(*text);
    return n;
}

/* Bytes of the longest piece of text that fits into width columns, broken at a space where there is one. */
static size_t piece_size(const char *text, int width)
{
    size_t i = 0, space = 0;
    int columns = 0;
    while (text[i]) {
        if (!is_continuation(text[i])) {
            if (columns == width)
                return space ? space : i;
            columns++;
        }
        if (text[i] == ' ')
            space = i;
        i++;
    }
    return i;
}

static const char *skip_spaces(const char *text)
{
    while (*text == ' ')
        text++;
    return text;
}

void print_wrapped(const struct screen *s, int indent, const char *text)
{
    int width = s->width ? s->width : MOST_WIDTH;
    if (!s->width)
        width = 100; /* paragraphs stay readable in files as well */
    bool first = true;
    if (!*text)
        fputc('\n', s->out);
    while (*text) {
        int lead = first ? 0 : indent;
        size_t size = piece_size(text, width - (first ? 0 : indent));
        fprintf(s->out, "%*s%.*s\n", lead, "", (int)size, text);
        text = skip_spaces(text + size);
        first = false;
    }
}
