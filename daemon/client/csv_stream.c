#include "csv_stream.h"

#include <errno.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { RAW_MAX = 64 * 1024, END = -1, BROKEN = -2 };

struct csv_stream {
    FILE *file;
    struct digest_stream *digest;
    enum csv_encoding encoding;
    bool big_endian;
    bool began; /* a byte order mark was looked for */
    char separator;
    int64_t line;
    unsigned char raw[RAW_MAX];
    size_t raw_at, raw_count;
    unsigned char pending[4]; /* bytes of one character of UTF-8 */
    int pending_at, pending_count;
    int held; /* a byte given back; END: none */
    char text[CSV_ROW_MAX];
    size_t used;
};

struct csv_stream *csv_stream_open(const char *path, enum csv_encoding encoding, char separator, struct error *err)
{
    struct csv_stream *s = calloc(1, sizeof *s);
    if (!s) {
        error_set(err, "memory is short");
        return NULL;
    }
    s->encoding = encoding;
    s->separator = separator;
    s->line = 1;
    s->held = END;
    s->digest = digest_stream_new();
    if (!s->digest || digest_stream_begin(s->digest) != 0)
        error_set(err, "memory is short");
    else if ((s->file = fopen(path, "rb")) == NULL)
        error_set(err, "cannot be opened: %s", strerror(errno));
    else
        return s;
    csv_stream_close(s);
    return NULL;
}

void csv_stream_close(struct csv_stream *s)
{
    if (!s)
        return;
    if (s->file)
        (void)fclose(s->file);
    digest_stream_free(s->digest);
    free(s);
}

char csv_stream_separator(const struct csv_stream *s)
{
    return s->separator;
}

/* More raw bytes. False at the end of the file or when it cannot be read. */
static bool fill(struct csv_stream *s)
{
    s->raw_at = 0;
    s->raw_count = fread(s->raw, 1, sizeof s->raw, s->file);
    return s->raw_count > 0 && digest_stream_add(s->digest, s->raw, s->raw_count) == 0;
}

static int raw_byte(struct csv_stream *s)
{
    if (s->raw_at == s->raw_count && !fill(s))
        return END;
    return s->raw[s->raw_at++];
}

/* A byte order mark is no text. UTF-16 without one is taken as little-endian, as instruments write it. */
static void take_mark(struct csv_stream *s)
{
    s->began = true;
    if (!fill(s))
        return;
    bool little = s->raw_count >= 2 && s->raw[0] == 0xff && s->raw[1] == 0xfe;
    bool big = s->raw_count >= 2 && s->raw[0] == 0xfe && s->raw[1] == 0xff;
    if (little || big) {
        s->encoding = CSV_UTF_16;
        s->big_endian = big;
        s->raw_at = 2;
    } else if (s->raw_count >= 3 && memcmp(s->raw, "\xef\xbb\xbf", 3) == 0) {
        s->encoding = CSV_UTF_8;
        s->raw_at = 3;
    }
}

static int unit_16(struct csv_stream *s)
{
    int a = raw_byte(s), b = a == END ? END : raw_byte(s);
    if (a == END)
        return END;
    if (b == END)
        return BROKEN;
    return s->big_endian ? a << 8 | b : b << 8 | a;
}

/* The next code point. */
static long code_point(struct csv_stream *s)
{
    if (s->encoding != CSV_UTF_16)
        return raw_byte(s);
    int high = unit_16(s);
    if (high < 0xd800 || high > 0xdfff)
        return high;
    int low = high < 0xdc00 ? unit_16(s) : BROKEN;
    if (low < 0xdc00 || low > 0xdfff)
        return BROKEN;
    return 0x10000 + ((long)(high - 0xd800) << 10) + (low - 0xdc00);
}

/* The next byte of the text in UTF-8; END or BROKEN. */
static int next(struct csv_stream *s)
{
    if (s->held != END) {
        int c = s->held;
        s->held = END;
        return c;
    }
    if (s->pending_at < s->pending_count)
        return s->pending[s->pending_at++];
    if (!s->began)
        take_mark(s);
    long c = code_point(s);
    if (c < 0x80 || s->encoding == CSV_UTF_8)
        return (int)c;
    int n = c < 0x800 ? 2 : c < 0x10000 ? 3 : 4;
    static const unsigned char lead[] = {0, 0, 0xc0, 0xe0, 0xf0};
    for (int i = n - 1; i > 0; i--, c >>= 6)
        s->pending[i] = (unsigned char)(0x80 | (c & 0x3f));
    s->pending[0] = (unsigned char)(lead[n] | c);
    s->pending_at = 1;
    s->pending_count = n;
    return s->pending[0];
}

static int broken(const struct csv_stream *s, struct error *err)
{
    return error_set(err, "line %lld: no UTF-16 text; state the file's --encoding", (long long)s->line);
}

/* One end of line, whichever of CR LF, LF and CR it is. */
static void end_line(struct csv_stream *s, int c)
{
    s->line++;
    if (c != '\r')
        return;
    int after = next(s);
    if (after != '\n')
        s->held = after;
}

int csv_stream_skip(struct csv_stream *s, int lines, struct error *err)
{
    while (lines > 0) {
        int c = next(s);
        if (c == BROKEN)
            return broken(s, err);
        if (c == END)
            return error_set(err, "line %lld: the file ends before its headings; are there so many lines to skip?",
                             (long long)s->line);
        if (c == '\n' || c == '\r') {
            end_line(s, c);
            lines--;
        }
    }
    return 0;
}

static int put(struct csv_stream *s, int c, const struct csv_row *row, struct error *err)
{
    if (c == 0)
        return error_set(err, "line %lld, cell %d: a zero byte: this is no text, or UTF-16 (--encoding utf-16)",
                         (long long)s->line, row->count);
    if (s->used + 2 > sizeof s->text)
        return error_set(err, "line %lld, cell %d: the row is longer than %d bytes; is a quote not closed?",
                         (long long)row->line, row->count, (int)CSV_ROW_MAX);
    s->text[s->used++] = (char)c;
    return 0;
}

/* A separator that was not stated is the one that the first row holds most of, outside of quotes. */
static char guess(const char *text, size_t size)
{
    static const char candidates[] = {';', '\t', ','};
    int most = 0;
    char best = ',';
    for (size_t k = 0; k < sizeof candidates; k++) {
        int n = 0;
        bool quoted = false;
        for (size_t i = 0; i < size; i++) {
            quoted = text[i] == '"' ? !quoted : quoted;
            n += !quoted && text[i] == candidates[k];
        }
        if (n > most) {
            most = n;
            best = candidates[k];
        }
    }
    return best;
}

/* Looks at the line to come, as far as it lies in the buffer, without taking it: the first row is short. */
static void guess_separator(struct csv_stream *s)
{
    char line[4096];
    size_t n = 0, step = s->encoding == CSV_UTF_16 ? 2 : 1, low = s->encoding == CSV_UTF_16 && s->big_endian ? 1 : 0;
    if (s->held != END && s->held != BROKEN)
        line[n++] = (char)s->held;
    for (size_t i = s->raw_at; n < sizeof line && i + step <= s->raw_count; i += step) {
        unsigned char c = s->raw[i + low];
        if (c == '\n' || c == '\r')
            break;
        line[n++] = (char)c;
    }
    s->separator = guess(line, n);
}

/* The quoted part of a cell, after its opening quote. */
static int take_quoted(struct csv_stream *s, const struct csv_row *row, struct error *err)
{
    for (;;) {
        int c = next(s);
        if (c == END)
            return error_set(err, "line %lld, cell %d: a quote is not closed", (long long)row->line, row->count);
        if (c == BROKEN)
            return broken(s, err);
        if (c == '\n')
            s->line++;
        if (c == '"' && (c = next(s)) != '"') {
            s->held = c;
            return 0;
        }
        if (put(s, c, row, err) != 0)
            return -1;
    }
}

static void trim(struct csv_stream *s, size_t begin)
{
    while (s->used > begin && (s->text[s->used - 1] == ' ' || (s->text[s->used - 1] == '\t')))
        s->used--;
    s->text[s->used++] = '\0';
}

/* One cell; *end is what followed it: the separator, an end of line (already taken), or END. */
static int take_cell(struct csv_stream *s, struct csv_row *row, int *end, struct error *err)
{
    if (row->count == CSV_CELLS_MAX)
        return error_set(err, "line %lld: more than %d cells", (long long)row->line, (int)CSV_CELLS_MAX);
    size_t begin = s->used;
    row->cells[row->count++] = s->text + begin;
    int c = next(s);
    while (c == ' ' || (c == '\t' && s->separator != '\t'))
        c = next(s);
    bool quoted = c == '"';
    if (quoted && take_quoted(s, row, err) != 0)
        return -1;
    if (quoted)
        c = next(s);
    for (; c != s->separator && c != '\n' && c != '\r' && c != END; c = next(s)) {
        if (c == BROKEN)
            return broken(s, err);
        if (quoted && c != ' ')
            return error_set(err, "line %lld, cell %d: text behind a closed quote", (long long)s->line, row->count);
        if (!quoted && put(s, c, row, err) != 0)
            return -1;
    }
    if (s->used + 2 > sizeof s->text)
        return put(s, 'x', row, err);
    trim(s, begin);
    *end = c;
    if (c == '\n' || c == '\r')
        end_line(s, c);
    return 0;
}

/* A line that holds nothing, or a remark. Its first byte is already looked at. */
static bool skip_line(struct csv_stream *s)
{
    int c = next(s);
    if (c == '#') {
        while (c != '\n' && c != '\r' && c != END && c != BROKEN)
            c = next(s);
    }
    if (c == '\n' || c == '\r') {
        end_line(s, c);
        return true;
    }
    s->held = c;
    return false;
}

int csv_stream_row(struct csv_stream *s, struct csv_row *row, struct error *err)
{
    int end = 0;
    do {
        while (skip_line(s))
            ;
        if (s->held == END) {
            if (ferror(s->file))
                return error_set(err, "line %lld: cannot be read on: %s", (long long)s->line, strerror(errno));
            return 0;
        }
        if (s->separator == 0)
            guess_separator(s);
        row->line = s->line;
        row->count = 0;
        s->used = 0;
        do {
            if (take_cell(s, row, &end, err) != 0)
                return -1;
        } while (end == s->separator);
    } while (row->count == 1 && row->cells[0][0] == '\0'); /* blanks alone */
    return 1;
}

int csv_stream_digest(struct csv_stream *s, struct digest *digest, struct error *err)
{
    while (fill(s))
        ;
    if (ferror(s->file) || digest_stream_end(s->digest, digest) != 0)
        return error_set(err, "cannot be read to its end");
    return 0;
}
