#include "input_block.h"

#include <stdlib.h>
#include <string.h>

#include "columns.h"
#include "input.h"

/* Lengths in the canonical encoding of an input (daemon/model/input.c): in front of every one, of readings up to the
 * first item, and of one item. */
enum { HEAD = 8 + 8 + 1, READINGS_HEAD = HEAD + 4 + 4 + 8 + 8 + 2, ITEM = 2 + 1 + 8 };
enum { KIND_AT = 16, BUS_AT = HEAD, STAMP_AT = HEAD + 8, HALF_WIDTH_AT = STAMP_AT + 8, COUNT_AT = HALF_WIDTH_AT + 8 };
enum { SHAPES_MAX = 1024, SHAPE_CAP = 12 + 3 * BLOCK_ITEMS_MAX, FIXED_MAX = 64, BLOCK_CAP = 4 * 1024 * 1024 };

/* Of readings: what is the same in all of them. Of others: kind and length. Shape 0 takes whatever fits no other. */
struct shape {
    size_t size; /* of bytes */
    uint8_t bytes[SHAPE_CAP];
    int count, at; /* inputs that have it, and where they begin in order */
};

struct input_packer {
    struct columns columns;
    uint8_t *out;
    int count;
    int shape_count;
    struct shape shapes[SHAPES_MAX];
    uint16_t shape_of[INPUT_BLOCK_INPUTS];
    uint32_t at[INPUT_BLOCK_INPUTS], len[INPUT_BLOCK_INPUTS]; /* of each input's own bytes */
    int order[INPUT_BLOCK_INPUTS];                            /* inputs shape by shape */
    int64_t seq[INPUT_BLOCK_INPUTS];
    uint8_t bytes[INPUT_BLOCK_BYTES];
};

struct input_packer *input_packer_new(void)
{
    struct input_packer *p = calloc(1, sizeof *p);
    if (p == NULL)
        return NULL;
    p->out = malloc(BLOCK_CAP);
    if (columns_init(&p->columns, INPUT_BLOCK_INPUTS) != 0 || p->out == NULL) {
        input_packer_free(p);
        return NULL;
    }
    return p;
}

void input_packer_free(struct input_packer *p)
{
    if (p == NULL)
        return;
    columns_free(&p->columns);
    free(p->out);
    free(p);
}

static int64_t number_at(const uint8_t *bytes)
{
    struct reader r = reader_over(bytes, 8);
    return get_i64(&r);
}

static void set_number(uint8_t *bytes, int64_t v)
{
    struct writer w = writer_over(bytes, 8);
    put_i64(&w, v);
}

static int items_of(const uint8_t *bytes)
{
    struct reader r = reader_over(bytes + COUNT_AT, 2);
    return get_u16(&r);
}

int input_head(const uint8_t *bytes, size_t size, uint64_t *seq, int64_t *seen_ns)
{
    if (size < HEAD)
        return -1;
    *seq = (uint64_t)number_at(bytes);
    *seen_ns = number_at(bytes + 8);
    return 0;
}

/* ---- shapes ---- */

static bool are_readings(const struct shape *s)
{
    return s->size > 0 && s->bytes[0] == INPUT_READINGS;
}

/* Is the value written as put_f64 writes it? There are many kinds of "not a number", of which it knows one. */
static bool value_is_canonical(const uint8_t *bytes)
{
    uint8_t again[8];
    struct reader r = reader_over(bytes, 8);
    struct writer w = writer_over(again, 8);
    put_f64(&w, get_f64(&r));
    return memcmp(again, bytes, 8) == 0;
}

/* The shape of an input: size 0 when it is like no other. */
static void shape_find(const uint8_t *bytes, size_t size, struct shape *s)
{
    s->size = 0;
    bool readings = bytes[KIND_AT] == INPUT_READINGS;
    if (readings && size >= READINGS_HEAD && items_of(bytes) <= BLOCK_ITEMS_MAX &&
        size == READINGS_HEAD + (size_t)items_of(bytes) * ITEM) {
        struct writer w = writer_over(s->bytes, SHAPE_CAP);
        put_u8(&w, INPUT_READINGS);
        put_bytes(&w, bytes + BUS_AT, 8);
        put_bytes(&w, bytes + COUNT_AT, 2);
        bool canonical = true;
        for (int i = 0; canonical && i < items_of(bytes); i++) {
            put_bytes(&w, bytes + READINGS_HEAD + i * ITEM, 3);
            canonical = value_is_canonical(bytes + READINGS_HEAD + i * ITEM + 3);
        }
        s->size = w.bad || !canonical ? 0 : w.used;
    } else if (!readings && size - HEAD <= FIXED_MAX) {
        s->bytes[0] = bytes[KIND_AT];
        s->bytes[1] = (uint8_t)(size - HEAD);
        s->size = 2;
    }
}

static uint16_t shape_number(struct input_packer *p, const struct shape *s)
{
    if (s->size == 0)
        return 0;
    for (int i = 1; i < p->shape_count; i++)
        if (p->shapes[i].size == s->size && memcmp(p->shapes[i].bytes, s->bytes, s->size) == 0)
            return (uint16_t)i;
    if (p->shape_count == SHAPES_MAX)
        return 0;
    p->shapes[p->shape_count] = *s;
    return (uint16_t)p->shape_count++;
}

/* Where the inputs of each shape lie in order. */
static void order_inputs(struct input_packer *p)
{
    for (int s = 0; s < p->shape_count; s++)
        p->shapes[s].count = 0;
    for (int i = 0; i < p->count; i++)
        p->shapes[p->shape_of[i]].count++;
    for (int s = 0, at = 0; s < p->shape_count; s++) {
        p->shapes[s].at = at;
        at += p->shapes[s].count;
    }
    int filled[SHAPES_MAX] = {0};
    for (int i = 0; i < p->count; i++) {
        int s = p->shape_of[i];
        p->order[p->shapes[s].at + filled[s]++] = i;
    }
}

/* Cuts the list into inputs and finds the shape of each. */
static int look_through(struct input_packer *p, const struct input_list *list)
{
    struct reader r = reader_over(list->bytes, list->size);
    struct shape shape;
    p->count = 0;
    p->shape_count = 1;
    p->shapes[0].size = 0;
    while (r.at < r.size) {
        uint32_t n = get_u32(&r);
        if (r.bad || n > r.size - r.at || n < HEAD || p->count == INPUT_BLOCK_INPUTS)
            return -1;
        p->at[p->count] = (uint32_t)r.at;
        p->len[p->count] = n;
        shape_find(list->bytes + r.at, n, &shape);
        p->shape_of[p->count] = shape_number(p, &shape);
        p->count++;
        r.at += n;
    }
    order_inputs(p);
    return p->count > 0 && p->count == list->count ? 0 : -1;
}

/* ---- packing ---- */

static void put_batches(struct input_packer *p, struct writer *w, const struct input_list *list)
{
    put_u32(w, (uint32_t)list->batch_count);
    for (int i = 0; i < list->batch_count; i++)
        p->columns.whole[i] = list->batches[i].batch;
    columns_put_whole(&p->columns, w, list->batch_count, NULL);
    for (int i = 0; i < list->batch_count; i++)
        p->columns.whole[i] = list->batches[i].count;
    columns_put_whole(&p->columns, w, list->batch_count, NULL);
}

/* Numbers at the same place of all inputs of a shape; less: those at another place are taken off (0: none are). */
static void put_numbers(struct input_packer *p, struct writer *w, const struct input_list *list, const struct shape *s,
                        int place, int less)
{
    for (int i = 0; i < s->count; i++) {
        const uint8_t *bytes = list->bytes + p->at[p->order[s->at + i]];
        int64_t v = number_at(bytes + place);
        p->columns.whole[i] = less > 0 ? wrapping_sub(v, number_at(bytes + less)) : v;
    }
    columns_put_whole(&p->columns, w, s->count, NULL);
}

static void put_readings_of(struct input_packer *p, struct writer *w, const struct input_list *list,
                            const struct shape *s)
{
    put_numbers(p, w, list, s, STAMP_AT, 0);
    put_numbers(p, w, list, s, 8, STAMP_AT);
    put_numbers(p, w, list, s, HALF_WIDTH_AT, 0);
    int items = items_of(list->bytes + p->at[p->order[s->at]]);
    for (int k = 0; k < items; k++) {
        for (int i = 0; i < s->count; i++) {
            struct reader r =
                reader_over(list->bytes + p->at[p->order[s->at + i]] + READINGS_HEAD + (size_t)k * ITEM + 3, 8);
            p->columns.values[i] = get_f64(&r);
        }
        columns_put_values(&p->columns, w, s->count);
    }
}

/* The bytes of equal place behind the head come together. */
static void put_fixed(struct input_packer *p, struct writer *w, const struct input_list *list, const struct shape *s)
{
    size_t len = s->bytes[1], used = 0;
    put_numbers(p, w, list, s, 8, 0);
    for (size_t b = 0; b < len; b++)
        for (int i = 0; i < s->count; i++)
            p->bytes[used++] = list->bytes[p->at[p->order[s->at + i]] + HEAD + b];
    if (used > 0)
        columns_put_plane(&p->columns, w, p->bytes, used);
}

static void put_loose(struct input_packer *p, struct writer *w, const struct input_list *list, const struct shape *s)
{
    size_t used = 0;
    for (int i = 0; i < s->count; i++) {
        int n = p->order[s->at + i];
        p->columns.whole[i] = p->len[n];
        memcpy(p->bytes + used, list->bytes + p->at[n] + 8, p->len[n] - 8);
        used += p->len[n] - 8;
    }
    columns_put_whole(&p->columns, w, s->count, NULL);
    if (used > 0)
        columns_put_plane(&p->columns, w, p->bytes, used);
}

int input_block_pack(struct input_packer *p, const struct input_list *list, const uint8_t **bytes, size_t *size)
{
    if (list->batch_count < 1 || look_through(p, list) != 0)
        return -1;
    struct writer w = writer_over(p->out, BLOCK_CAP);
    put_u32(&w, (uint32_t)p->count);
    put_batches(p, &w, list);
    put_u16(&w, (uint16_t)p->shape_count);
    for (int s = 1; s < p->shape_count; s++) {
        put_u16(&w, (uint16_t)p->shapes[s].size);
        put_bytes(&w, p->shapes[s].bytes, p->shapes[s].size);
    }
    for (int i = 0; i < p->count; i++)
        p->columns.words[i] = p->shape_of[i];
    columns_put_words(&p->columns, &w, p->count);
    for (int i = 0; i < p->count; i++)
        p->columns.whole[i] = number_at(list->bytes + p->at[i]);
    columns_put_whole(&p->columns, &w, p->count, NULL);
    for (int s = 0; s < p->shape_count; s++) {
        if (p->shapes[s].count == 0)
            continue;
        if (s == 0)
            put_loose(p, &w, list, &p->shapes[s]);
        else if (are_readings(&p->shapes[s]))
            put_readings_of(p, &w, list, &p->shapes[s]);
        else
            put_fixed(p, &w, list, &p->shapes[s]);
    }
    *bytes = p->out;
    *size = w.used;
    return w.bad ? -1 : 0;
}

/* ---- unpacking ---- */

static int get_batches(struct input_packer *p, struct reader *r, struct input_list *list)
{
    uint32_t n = get_u32(r);
    if (r->bad || n < 1 || n > INPUT_BLOCK_INPUTS)
        return -1;
    list->batch_count = (int)n;
    columns_get_whole(&p->columns, r, list->batch_count, NULL);
    for (int i = 0; i < list->batch_count; i++)
        list->batches[i].batch = p->columns.whole[i];
    columns_get_whole(&p->columns, r, list->batch_count, NULL);
    int64_t left = p->count;
    for (int i = 0; i < list->batch_count; i++) {
        list->batches[i].count = p->columns.whole[i];
        if (p->columns.whole[i] < 1 || p->columns.whole[i] > left)
            return -1;
        left -= p->columns.whole[i];
    }
    return left == 0 && !r->bad ? 0 : -1;
}

/* Length of an input of a shape that is in the list of shapes; 0: no such shape. */
static uint32_t length_of(const struct shape *s)
{
    if (are_readings(s)) {
        struct reader r = reader_over(s->bytes + 9, 2);
        uint16_t items = s->size >= 11 ? get_u16(&r) : UINT16_MAX;
        return s->size == 11 + 3 * (size_t)items ? READINGS_HEAD + (uint32_t)items * ITEM : 0;
    }
    return s->size == 2 && s->bytes[1] <= FIXED_MAX ? HEAD + (uint32_t)s->bytes[1] : 0;
}

static int get_shapes(struct input_packer *p, struct reader *r)
{
    p->shape_count = get_u16(r);
    if (r->bad || p->shape_count < 1 || p->shape_count > SHAPES_MAX)
        return -1;
    p->shapes[0].size = 0;
    for (int s = 1; s < p->shape_count; s++) {
        p->shapes[s].size = get_u16(r);
        if (r->bad || p->shapes[s].size > SHAPE_CAP)
            return -1;
        get_bytes(r, p->shapes[s].bytes, p->shapes[s].size);
        if (r->bad || length_of(&p->shapes[s]) == 0)
            return -1;
    }
    columns_get_words(&p->columns, r, p->count);
    for (int i = 0; i < p->count; i++) {
        if (p->columns.words[i] >= (uint64_t)p->shape_count)
            return -1;
        p->shape_of[i] = (uint16_t)p->columns.words[i];
    }
    columns_get_whole(&p->columns, r, p->count, NULL);
    for (int i = 0; i < p->count; i++)
        p->seq[i] = p->columns.whole[i];
    order_inputs(p);
    return r->bad ? -1 : 0;
}

/* Length and bytes of those that fit no shape: the first things behind the shapes, since all places follow from them.
 */
static int get_loose(struct input_packer *p, struct reader *r)
{
    const struct shape *s = &p->shapes[0];
    int64_t used = 0;
    if (s->count > 0)
        columns_get_whole(&p->columns, r, s->count, NULL);
    for (int i = 0; i < s->count; i++) {
        int64_t n = p->columns.whole[i];
        if (n < HEAD || n > INPUT_BLOCK_BYTES || used + n > INPUT_BLOCK_BYTES)
            return -1;
        p->len[p->order[s->at + i]] = (uint32_t)n;
        used += n - 8;
    }
    if (used > 0)
        columns_get_plane(&p->columns, r, p->bytes, (size_t)used);
    return r->bad ? -1 : 0;
}

/* Lays the inputs out in the list, with their numbers. */
static int lay_out(struct input_packer *p, struct input_list *list)
{
    struct writer w = writer_over(list->bytes, sizeof list->bytes);
    const uint8_t *loose = p->bytes;
    for (int i = 0; i < p->count; i++) {
        const struct shape *s = &p->shapes[p->shape_of[i]];
        if (s->size > 0)
            p->len[i] = length_of(s);
        put_u32(&w, p->len[i]);
        if (w.bad || p->len[i] > w.cap - w.used)
            return -1;
        p->at[i] = (uint32_t)w.used;
        uint8_t *to = list->bytes + w.used;
        set_number(to, p->seq[i]);
        if (s->size == 0) {
            memcpy(to + 8, loose, p->len[i] - 8);
            loose += p->len[i] - 8;
        } else {
            to[KIND_AT] = s->bytes[0];
        }
        w.used += p->len[i];
    }
    list->count = p->count;
    list->size = w.used;
    return 0;
}

static void get_numbers(struct input_packer *p, struct reader *r, struct input_list *list, const struct shape *s,
                        int place, int more)
{
    columns_get_whole(&p->columns, r, s->count, NULL);
    for (int i = 0; i < s->count; i++) {
        uint8_t *bytes = list->bytes + p->at[p->order[s->at + i]];
        int64_t v = p->columns.whole[i];
        set_number(bytes + place, more > 0 ? wrapping_add(v, number_at(bytes + more)) : v);
    }
}

static void get_readings_of(struct input_packer *p, struct reader *r, struct input_list *list, const struct shape *s)
{
    int items = (int)((s->size - 11) / 3);
    for (int i = 0; i < s->count; i++) {
        uint8_t *bytes = list->bytes + p->at[p->order[s->at + i]];
        memcpy(bytes + BUS_AT, s->bytes + 1, 8);
        memcpy(bytes + COUNT_AT, s->bytes + 9, 2);
        for (int k = 0; k < items; k++)
            memcpy(bytes + READINGS_HEAD + k * ITEM, s->bytes + 11 + 3 * k, 3);
    }
    get_numbers(p, r, list, s, STAMP_AT, 0);
    get_numbers(p, r, list, s, 8, STAMP_AT);
    get_numbers(p, r, list, s, HALF_WIDTH_AT, 0);
    for (int k = 0; !r->bad && k < items; k++) {
        columns_get_values(&p->columns, r, s->count);
        for (int i = 0; i < s->count; i++) {
            struct writer w =
                writer_over(list->bytes + p->at[p->order[s->at + i]] + READINGS_HEAD + (size_t)k * ITEM + 3, 8);
            put_f64(&w, p->columns.values[i]);
        }
    }
}

static void get_fixed(struct input_packer *p, struct reader *r, struct input_list *list, const struct shape *s)
{
    size_t len = s->bytes[1], used = 0;
    get_numbers(p, r, list, s, 8, 0);
    if (len == 0 || len * (size_t)s->count > sizeof p->bytes)
        return;
    columns_get_plane(&p->columns, r, p->bytes, len * (size_t)s->count);
    for (size_t b = 0; b < len; b++)
        for (int i = 0; i < s->count; i++)
            list->bytes[p->at[p->order[s->at + i]] + HEAD + b] = p->bytes[used++];
}

int input_block_unpack(struct input_packer *p, const uint8_t *bytes, size_t size, struct input_list *list)
{
    struct reader r = reader_over(bytes, size);
    uint32_t count = get_u32(&r);
    if (r.bad || count < 1 || count > INPUT_BLOCK_INPUTS)
        return -1;
    p->count = (int)count;
    if (get_batches(p, &r, list) != 0 || get_shapes(p, &r) != 0 || get_loose(p, &r) != 0 || lay_out(p, list) != 0)
        return -1;
    for (int s = 1; !r.bad && s < p->shape_count; s++) {
        const struct shape *shape = &p->shapes[s];
        if (shape->count == 0)
            continue;
        if (are_readings(shape))
            get_readings_of(p, &r, list, shape);
        else
            get_fixed(p, &r, list, shape);
    }
    return r.bad || r.at != r.size ? -1 : 0;
}
