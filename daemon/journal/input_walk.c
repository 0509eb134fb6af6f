#include "input_walk.h"

#include <stdlib.h>
#include <string.h>

#include "sql.h"

struct input_walk {
    struct journal_reader *reader;
    sqlite3_stmt *sealed, *plain; /* sealed NULL: tables of a version that has none */
    struct input_packer *packer;
    uint64_t epoch, after; /* the inputs behind this one are in no block that came so far */
    uint64_t first_seq;    /* of the block in list */
    int next;              /* part of it that comes next; at: where its bytes begin, and those of the one before */
    size_t at, at_before;
    struct input_list list;
};

static const char sealed_text[] = "SELECT first_seq, last_seq, count, first_batch, last_batch, min_utc_us, max_utc_us, "
                                  "codec, bytes FROM sealed_inputs"
                                  " WHERE epoch = ?1 AND last_seq > ?2 ORDER BY last_seq LIMIT 1";
/* The block that the walk's place lies in, or the first one behind it. */
static const char plain_text[] =
    "SELECT first_seq, last_seq, batch, codec, raw_size, bytes, count FROM input_blocks WHERE epoch = ?1 AND first_seq "
    ">="
    " ifnull((SELECT CASE WHEN last_seq > ?2 THEN first_seq END FROM input_blocks WHERE epoch = ?1 AND first_seq <= ?2"
    " ORDER BY first_seq DESC LIMIT 1), ?2 + 1) ORDER BY first_seq LIMIT 1";

struct input_walk *input_walk_new(struct journal_reader *r, struct error *err)
{
    struct input_walk *w = calloc(1, sizeof *w);
    if (w != NULL)
        w->packer = input_packer_new();
    if (w == NULL || w->packer == NULL) {
        free(w);
        (void)error_set(err, "journal: out of memory");
        return NULL;
    }
    w->reader = r;
    w->plain = sql_prepare(r->db, plain_text, err);
    if (w->plain != NULL && r->schema >= 4)
        w->sealed = sql_prepare(r->db, sealed_text, err);
    if (w->plain == NULL || (r->schema >= 4 && w->sealed == NULL)) {
        input_walk_free(w);
        return NULL;
    }
    return w;
}

void input_walk_free(struct input_walk *w)
{
    if (w == NULL)
        return;
    sqlite3_finalize(w->sealed);
    sqlite3_finalize(w->plain);
    input_packer_free(w->packer);
    free(w);
}

void input_walk_from(struct input_walk *w, uint64_t epoch, uint64_t after_seq)
{
    w->epoch = epoch;
    w->after = after_seq;
    w->list.batch_count = 0;
    w->next = 0;
    w->at = w->at_before = 0;
}

/* ---- blocks ---- */

/* Do the lengths in a list lead from input to input up to its end? Returns their number or -1. */
static int64_t inputs_in(const uint8_t *bytes, size_t size)
{
    struct reader r = reader_over(bytes, size);
    int64_t count = 0;
    while (r.at < r.size) {
        uint32_t n = get_u32(&r);
        if (r.bad || n > r.size - r.at)
            return -1;
        r.at += n;
        count++;
    }
    return count;
}

int input_list_add(struct input_list *list, sqlite3_stmt *st, int at, int64_t batch)
{
    int64_t codec = sql_int(st, at), raw_size = sql_int(st, at + 1), count = sql_int(st, at + 3);
    const void *bytes = sqlite3_column_blob(st, at + 2);
    size_t size = (size_t)sqlite3_column_bytes(st, at + 2), got = 0;
    if (raw_size <= 0 || raw_size > INPUT_BLOCK_BYTES || bytes == NULL || count < 1 || count > INPUT_BLOCK_INPUTS)
        return -1;
    if ((size_t)raw_size > sizeof list->bytes - list->size || count > INPUT_BLOCK_INPUTS - list->count)
        return 1;
    uint8_t *to = list->bytes + list->size;
    if (codec == 1)
        got = ZSTD_decompress(to, (size_t)raw_size, bytes, size);
    else if (codec == 0 && size == (size_t)raw_size)
        memcpy(to, bytes, got = size);
    if (got != (size_t)raw_size || inputs_in(to, got) != count)
        return -1;
    list->size += got;
    list->count += (int)count;
    struct input_batch *last = list->batch_count > 0 ? &list->batches[list->batch_count - 1] : NULL;
    if (last != NULL && last->batch == batch)
        last->count += count;
    else
        list->batches[list->batch_count++] = (struct input_batch){batch, count};
    return 0;
}

int input_list_ends(const struct input_list *list, uint64_t *first, uint64_t *last, int64_t *min_ns, int64_t *max_ns)
{
    struct reader r = reader_over(list->bytes, list->size);
    *min_ns = INT64_MAX;
    *max_ns = INT64_MIN;
    for (int i = 0; r.at < r.size; i++) {
        uint32_t n = get_u32(&r);
        int64_t seen_ns;
        if (input_head(r.bytes + r.at, n, last, &seen_ns) != 0)
            return -1;
        if (i == 0)
            *first = *last;
        *min_ns = seen_ns < *min_ns ? seen_ns : *min_ns;
        *max_ns = seen_ns > *max_ns ? seen_ns : *max_ns;
        r.at += n;
    }
    return 0;
}

static int64_t utc_us_of(const struct journal_session *s, int64_t seen_ns)
{
    /* Wrapping, since the bytes may be anything. */
    return (int64_t)((uint64_t)seen_ns - (uint64_t)s->anchor_ns + (uint64_t)s->anchor_utc_ns) / 1000;
}

static int damaged(struct error *err, uint64_t epoch, const char *how)
{
    return error_set(err, "journal: a block of inputs of session %llu %s", (unsigned long long)epoch, how);
}

static int load_plain(struct input_walk *w, struct error *err)
{
    uint64_t first = 0, last = 0;
    int64_t min_ns, max_ns;
    if (input_list_add(&w->list, w->plain, 3, sql_int(w->plain, 2)) != 0 ||
        input_list_ends(&w->list, &first, &last, &min_ns, &max_ns) != 0)
        return damaged(err, w->epoch, "is damaged");
    if (first != (uint64_t)sql_int(w->plain, 0) || last != (uint64_t)sql_int(w->plain, 1))
        return damaged(err, w->epoch, "does not fit what is written beside it: the file is damaged");
    return 0;
}

/* What stands beside the block must fit what is in it: retention goes by it. */
static int load_sealed(struct input_walk *w, struct error *err)
{
    sqlite3_stmt *st = w->sealed;
    uint64_t first = 0, last = 0;
    int64_t min_ns, max_ns;
    if (sql_int(st, 7) != INPUT_CODEC_SHAPES)
        return damaged(err, w->epoch, "is packed in a way that this version does not know");
    const void *bytes = sqlite3_column_blob(st, 8);
    int size = sqlite3_column_bytes(st, 8);
    if (bytes == NULL || input_block_unpack(w->packer, bytes, (size_t)size, &w->list) != 0 ||
        input_list_ends(&w->list, &first, &last, &min_ns, &max_ns) != 0)
        return damaged(err, w->epoch, "is damaged");
    if (reader_session_of(w->reader, w->epoch, err) != 0)
        return -1;
    const struct journal_session *s = &w->reader->session;
    if (first != (uint64_t)sql_int(st, 0) || last != (uint64_t)sql_int(st, 1) || w->list.count != sql_int(st, 2) ||
        w->list.batches[0].batch != sql_int(st, 3) ||
        w->list.batches[w->list.batch_count - 1].batch != sql_int(st, 4) || utc_us_of(s, min_ns) != sql_int(st, 5) ||
        utc_us_of(s, max_ns) != sql_int(st, 6))
        return damaged(err, w->epoch, "does not fit what is written beside it: the file is damaged");
    return 0;
}

static int ask(sqlite3_stmt *st, const struct input_walk *w, struct error *err)
{
    if (st == NULL)
        return 0;
    sql_bind_int(st, 1, (int64_t)w->epoch);
    sql_bind_int(st, 2, (int64_t)w->after);
    return sql_next(st, "journal: inputs", err);
}

/* Leaves out what was handed out already: it may have been sealed, with more behind it, since then. */
static void skip_to(struct input_walk *w, uint64_t after)
{
    struct reader r = reader_over(w->list.bytes, w->list.size);
    struct input_batch *b = w->list.batches;
    uint64_t seq = 0;
    int64_t seen_ns;
    while (r.at < r.size) {
        uint32_t n = get_u32(&r);
        if (input_head(r.bytes + r.at, n, &seq, &seen_ns) != 0 || seq > after)
            break;
        r.at += n;
        w->at = r.at;
        b[w->next].count--;
        if (b[w->next].count == 0)
            w->next++;
    }
}

/* Loads the block that comes next. Returns 1 loaded, 2 damaged, 0 none, -1. */
static int load(struct input_walk *w, struct input_part *part, struct error *err)
{
    int sealed = ask(w->sealed, w, err), plain = sealed < 0 ? -1 : ask(w->plain, w, err);
    if (sealed < 0 || plain < 0)
        return -1;
    if (sealed == 0 && plain == 0)
        return 0;
    bool take_plain = sealed == 0 || (plain == 1 && sql_int(w->plain, 0) < sql_int(w->sealed, 0));
    sqlite3_stmt *st = take_plain ? w->plain : w->sealed;
    uint64_t after = w->after, last = (uint64_t)sql_int(st, 1);
    /* A damaged index can hand out the same rows again and again. */
    if (last <= after)
        return error_set(err, "journal: inputs out of order: the file is damaged");
    w->list.batch_count = w->list.count = 0;
    w->list.size = 0;
    w->next = 0;
    w->at = 0;
    w->first_seq = (uint64_t)sql_int(st, 0);
    w->after = last;
    part->batch = sql_int(st, take_plain ? 2 : 3);
    if ((take_plain ? load_plain(w, err) : load_sealed(w, err)) == 0) {
        skip_to(w, after);
        return 1;
    }
    w->list.batch_count = 0;
    return 2;
}

static int load_next(struct input_walk *w, struct input_part *part, struct error *err)
{
    /* One view of the file for both questions: inputs that are sealed between them would be in neither answer. */
    if (sql_exec(w->reader->db, "SAVEPOINT inputs", err) != 0)
        return -1;
    int rc = load(w, part, err);
    sql_done(w->plain);
    if (w->sealed != NULL)
        sql_done(w->sealed);
    struct error ignored;
    if (sql_exec(w->reader->db, "RELEASE inputs", rc < 0 || rc == 2 ? &ignored : err) != 0)
        rc = -1;
    return rc;
}

int input_walk_next(struct input_walk *w, struct input_part *part, struct error *err)
{
    while (w->next == w->list.batch_count) {
        int rc = load_next(w, part, err);
        if (rc != 1) {
            part->bytes = NULL;
            part->size = 0;
            part->first_seq = w->first_seq;
            return rc == 2 ? 1 : rc;
        }
    }
    const struct input_batch *b = &w->list.batches[w->next++];
    struct reader r = reader_over(w->list.bytes, w->list.size);
    r.at = w->at_before = w->at;
    for (int64_t i = 0; i < b->count; i++)
        r.at += get_u32(&r);
    w->at = r.at;
    *part = (struct input_part){.batch = b->batch,
                                .first_seq = w->first_seq,
                                .bytes = w->list.bytes + w->at_before,
                                .size = w->at - w->at_before};
    return 1;
}

void input_walk_back(struct input_walk *w)
{
    if (w->next == 0)
        return;
    w->next--;
    w->at = w->at_before;
}
