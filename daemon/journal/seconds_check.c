#include "seconds_check.h"

#include <math.h>
#include <stdlib.h>

#include "sql.h"

struct seconds_check {
    sqlite3_stmt *st;
    const struct block_row *order[READING_BLOCK_ROWS];
};

struct seconds_check *seconds_check_new(struct journal_reader *r, struct error *err)
{
    char text[8192] = "SELECT rows";
    for (int k = 0; k < SIG_OTHER; k++) {
        const char *n = signal_kind_name((enum signal_kind)k);
        (void)text_append(text, sizeof text, ", %s_min, %s_mean, %s_max", n, n, n);
    }
    struct seconds_check *c = calloc(1, sizeof *c);
    if (c == NULL ||
        text_append(text, sizeof text, " FROM second_rows WHERE channel = ?1 AND run_no = ?2 AND second = ?3") != 0) {
        (void)error_set(err, "journal: out of memory");
        free(c);
        return NULL;
    }
    c->st = sql_prepare(r->db, text, err);
    if (c->st == NULL) {
        free(c);
        return NULL;
    }
    return c;
}

void seconds_check_free(struct seconds_check *c)
{
    if (c == NULL)
        return;
    sqlite3_finalize(c->st);
    free(c);
}

static int compare(int64_t a, int64_t b)
{
    return a < b ? -1 : a > b;
}

static int64_t second_of(const struct block_row *row)
{
    return row->m.utc_us / 1000000;
}

static int by_second(const void *x, const void *y)
{
    const struct block_row *a = *(const struct block_row *const *)x, *b = *(const struct block_row *const *)y;
    int rc = compare(a->channel_id, b->channel_id);
    if (rc == 0)
        rc = compare(a->m.run_no, b->m.run_no);
    if (rc == 0)
        rc = compare(second_of(a), second_of(b));
    return rc != 0 ? rc : compare(a->m.row, b->m.row);
}

static bool equal(double a, double b)
{
    return (isnan(a) && isnan(b)) || !(a < b || a > b || isnan(a) || isnan(b));
}

/* One kind of signal in the rows of one second. The mean may differ by the order of its sum. */
static bool kind_fits(sqlite3_stmt *st, const struct block_row *const *rows, int count, int kind)
{
    double min = NAN, max = NAN, sum = 0, largest = 0;
    int good = 0;
    for (int i = 0; i < count; i++) {
        double v = rows[i]->m.values[kind];
        if (isnan(v))
            continue;
        min = good == 0 || v < min ? v : min;
        max = good == 0 || v > max ? v : max;
        largest = fabs(v) > largest ? fabs(v) : largest;
        sum += v;
        good++;
    }
    double mean = sql_real(st, 2 + 3 * kind);
    if (!equal(min, sql_real(st, 1 + 3 * kind)) || !equal(max, sql_real(st, 3 + 3 * kind)) ||
        isnan(mean) != (good == 0))
        return false;
    return good == 0 || !isfinite(sum) || fabs(mean - sum / good) <= 1e-9 * largest;
}

/* One second; when other blocks hold rows of it as well, its number of rows is held by the sum over all of them. */
static int second_fits(struct seconds_check *c, const struct block_row *const *rows, int count, struct error *err)
{
    sql_bind_int(c->st, 1, rows[0]->channel_id);
    sql_bind_int(c->st, 2, rows[0]->m.run_no);
    sql_bind_int(c->st, 3, second_of(rows[0]));
    int rc = sql_next(c->st, "journal: seconds", err);
    if (rc != 1)
        return rc;
    int64_t there = sql_int(c->st, 0);
    bool fits = there >= count;
    for (int k = 0; fits && there == count && k < SIG_OTHER; k++)
        fits = kind_fits(c->st, rows, count, k);
    sql_done(c->st);
    return fits;
}

int seconds_check_block(struct seconds_check *c, const struct block_row *rows, int count, int64_t *second,
                        struct error *err)
{
    for (int i = 0; i < count; i++)
        c->order[i] = &rows[i];
    /* Sorted are pointers. NOLINTNEXTLINE(bugprone-sizeof-expression) */
    qsort(c->order, (size_t)count, sizeof c->order[0], by_second);
    int rc = 1;
    for (int i = 0, n; rc == 1 && i < count; i += n) {
        n = 1;
        while (i + n < count && c->order[i + n]->channel_id == c->order[i]->channel_id &&
               c->order[i + n]->m.run_no == c->order[i]->m.run_no &&
               second_of(c->order[i + n]) == second_of(c->order[i]))
            n++;
        rc = second_fits(c, &c->order[i], n, err);
        *second = second_of(c->order[i]);
    }
    return rc;
}
