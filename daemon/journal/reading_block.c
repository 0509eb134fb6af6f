#include "reading_block.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "columns.h"

enum { ROWS = READING_BLOCK_ROWS, BLOCK_CAP = 4 * 1024 * 1024 };

struct group {
    int64_t channel_id, run_no;
    int32_t idx;
};

struct reading_packer {
    struct columns columns;
    uint8_t *out;
    struct group groups[READING_BLOCK_GROUPS];
    int group_count;
    uint8_t group_of[ROWS];
    int order[ROWS];  /* places of the rows, group by group */
    bool first[ROWS]; /* in that order: does a group begin here? */
};

struct reading_packer *reading_packer_new(void)
{
    struct reading_packer *p = calloc(1, sizeof *p);
    if (p == NULL)
        return NULL;
    p->out = malloc(BLOCK_CAP);
    if (columns_init(&p->columns, ROWS) != 0 || p->out == NULL) {
        reading_packer_free(p);
        return NULL;
    }
    return p;
}

void reading_packer_free(struct reading_packer *p)
{
    if (p == NULL)
        return;
    columns_free(&p->columns);
    free(p->out);
    free(p);
}

/* Channels and runs of the rows; -1: more than a block may have. */
static int find_groups(struct reading_packer *p, const struct block_row *rows, int count)
{
    p->group_count = 0;
    for (int i = 0; i < count; i++) {
        const struct journal_reading *m = &rows[i].m;
        int g = 0;
        while (g < p->group_count && (p->groups[g].channel_id != rows[i].channel_id ||
                                      p->groups[g].run_no != m->run_no || p->groups[g].idx != m->channel))
            g++;
        if (g == p->group_count) {
            if (g == READING_BLOCK_GROUPS)
                return -1;
            p->groups[p->group_count++] =
                (struct group){.channel_id = rows[i].channel_id, .run_no = m->run_no, .idx = m->channel};
        }
        p->group_of[i] = (uint8_t)g;
    }
    return 0;
}

static void order_rows(struct reading_packer *p, int count)
{
    int at = 0;
    for (int g = 0; g < p->group_count; g++) {
        int begin = at;
        for (int i = 0; i < count; i++) {
            if (p->group_of[i] != g)
                continue;
            p->first[at] = at == begin;
            p->order[at++] = i;
        }
    }
}

static int64_t floor_ms(int64_t utc_us)
{
    return utc_us / 1000 - (utc_us % 1000 < 0 ? 1 : 0);
}

enum column { COLUMN_SEQ, COLUMN_UTC, COLUMN_STORE, COLUMN_HALF_WIDTH, COLUMN_LOST, COLUMN_BACK, COLUMN_COUNT_ };

static int64_t column_get(const struct journal_reading *m, int column)
{
    switch ((enum column)column) {
    case COLUMN_SEQ:
        return (int64_t)m->seq;
    case COLUMN_UTC:
        return m->utc_us;
    case COLUMN_STORE:
        return wrapping_sub(m->store_ms, floor_ms(m->utc_us)); /* nearly always none */
    case COLUMN_HALF_WIDTH:
        return m->half_width_us;
    case COLUMN_LOST:
        return m->lost;
    case COLUMN_BACK:
        return m->back;
    case COLUMN_COUNT_:
        break;
    }
    return 0;
}

static void column_set(struct journal_reading *m, int column, int64_t v)
{
    switch ((enum column)column) {
    case COLUMN_SEQ:
        m->seq = (uint64_t)v;
        break;
    case COLUMN_UTC:
        m->utc_us = v;
        break;
    case COLUMN_STORE:
        m->store_ms = wrapping_add(floor_ms(m->utc_us), v);
        break;
    case COLUMN_HALF_WIDTH:
        m->half_width_us = v;
        break;
    case COLUMN_LOST:
        m->lost = (uint32_t)v;
        break;
    case COLUMN_BACK:
        m->back = (uint32_t)v;
        break;
    case COLUMN_COUNT_:
        break;
    }
}

static void put_kind(struct reading_packer *p, struct writer *w, const struct block_row *rows, int count, int kind)
{
    for (int i = 0; i < count; i++)
        p->columns.values[i] = rows[p->order[i]].m.values[kind];
    columns_put_values(&p->columns, w, count);
}

static void get_kind(struct reading_packer *p, struct reader *r, struct block_row *rows, int count, int kind)
{
    columns_get_values(&p->columns, r, count);
    for (int i = 0; i < count; i++)
        rows[p->order[i]].m.values[kind] = p->columns.values[i];
}

int reading_block_pack(struct reading_packer *p, const struct block_row *rows, int count, const uint8_t **bytes,
                       size_t *size)
{
    if (count < 1 || count > ROWS)
        return -1;
    for (int i = 0; i < count; i++)
        if (rows[i].m.row != rows[0].m.row + i || rows[i].m.epoch != rows[0].m.epoch)
            return -1;
    if (find_groups(p, rows, count) != 0)
        return -1;
    order_rows(p, count);
    struct writer w = writer_over(p->out, BLOCK_CAP);
    put_u32(&w, (uint32_t)count);
    put_u64(&w, rows[0].m.epoch);
    put_i64(&w, rows[0].m.row);
    put_u8(&w, (uint8_t)p->group_count);
    for (int g = 0; g < p->group_count; g++) {
        put_i64(&w, p->groups[g].channel_id);
        put_i64(&w, p->groups[g].run_no);
        put_i32(&w, p->groups[g].idx);
    }
    columns_put_plane(&p->columns, &w, p->group_of, (size_t)count);
    for (int c = 0; c < COLUMN_COUNT_; c++) {
        for (int i = 0; i < count; i++)
            p->columns.whole[i] = column_get(&rows[p->order[i]].m, c);
        columns_put_whole(&p->columns, &w, count, p->first);
    }
    put_u8(&w, SIG_OTHER);
    for (int k = 0; k < SIG_OTHER; k++)
        put_kind(p, &w, rows, count, k);
    *bytes = p->out;
    *size = w.used;
    return w.bad ? -1 : 0;
}

static int unpack_head(struct reading_packer *p, struct reader *r, uint64_t *epoch, int64_t *row)
{
    uint32_t count = get_u32(r);
    *epoch = get_u64(r);
    *row = get_i64(r);
    p->group_count = get_u8(r);
    if (r->bad || count < 1 || count > ROWS)
        return -1;
    for (int g = 0; g < p->group_count; g++) {
        p->groups[g].channel_id = get_i64(r);
        p->groups[g].run_no = get_i64(r);
        p->groups[g].idx = get_i32(r);
    }
    columns_get_plane(&p->columns, r, p->group_of, count);
    for (uint32_t i = 0; i < count; i++)
        if (p->group_of[i] >= p->group_count)
            r->bad = true;
    return r->bad ? -1 : (int)count;
}

int reading_block_unpack(struct reading_packer *p, const uint8_t *bytes, size_t size, struct block_row *rows)
{
    struct reader r = reader_over(bytes, size);
    uint64_t epoch;
    int64_t row;
    int count = unpack_head(p, &r, &epoch, &row);
    if (count < 0)
        return -1;
    order_rows(p, count);
    for (int i = 0; i < count; i++) {
        const struct group *g = &p->groups[p->group_of[i]];
        rows[i] = (struct block_row){.channel_id = g->channel_id};
        rows[i].m.row = wrapping_add(row, i);
        rows[i].m.epoch = epoch;
        rows[i].m.run_no = g->run_no;
        rows[i].m.channel = g->idx;
        for (int k = 0; k < SIG_KIND_COUNT_; k++)
            rows[i].m.values[k] = (double)NAN;
    }
    for (int c = 0; c < COLUMN_COUNT_; c++) {
        columns_get_whole(&p->columns, &r, count, p->first);
        for (int i = 0; i < count; i++)
            column_set(&rows[p->order[i]].m, c, p->columns.whole[i]);
    }
    int kinds = get_u8(&r);
    if (kinds > SIG_OTHER)
        return -1;
    for (int k = 0; !r.bad && k < kinds; k++)
        get_kind(p, &r, rows, count, k);
    return r.bad || r.at != r.size ? -1 : count;
}

static uint64_t bits_of(double v)
{
    uint64_t u;
    memcpy(&u, &v, sizeof u);
    return u;
}

bool block_row_same(const struct block_row *a, const struct block_row *b)
{
    const struct journal_reading *x = &a->m, *y = &b->m;
    if (a->channel_id != b->channel_id || x->row != y->row || x->epoch != y->epoch || x->channel != y->channel ||
        x->run_no != y->run_no || x->seq != y->seq || x->utc_us != y->utc_us || x->store_ms != y->store_ms ||
        x->half_width_us != y->half_width_us || x->lost != y->lost || x->back != y->back)
        return false;
    for (int k = 0; k < SIG_OTHER; k++)
        if (bits_of(x->values[k]) != bits_of(y->values[k]) && !(isnan(x->values[k]) && isnan(y->values[k])))
            return false;
    return true;
}
