#include <stdlib.h>
#include <string.h>

#include "input_walk.h"
#include "journal_private.h"
#include "sql.h"

/* Inputs that one sealed block is to hold, unless its session ended with fewer: some tens of milliseconds of work. */
enum { INPUTS_WANTED = 4096 };

struct input_sealer {
    struct input_packer *packer;
    struct journal_session session; /* of the inputs in list */
    bool refused;                   /* the list makes no block that gives it back */
    struct input_list list, back;
};

static struct input_sealer *sealer_of(struct journal *j, struct error *err)
{
    if (j->input_sealer != NULL)
        return j->input_sealer;
    struct input_sealer *s = calloc(1, sizeof *s);
    if (s != NULL)
        s->packer = input_packer_new();
    if (s == NULL || s->packer == NULL) {
        free(s);
        (void)error_set(err, "journal: out of memory");
        return NULL;
    }
    j->input_sealer = s;
    return s;
}

void input_sealer_free(struct input_sealer *s)
{
    if (s == NULL)
        return;
    input_packer_free(s->packer);
    free(s);
}

static int load_session(struct journal *j, struct input_sealer *s, uint64_t epoch, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(j->db, "SELECT anchor_ns, anchor_utc_ns FROM sessions WHERE epoch = ?1", err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, (int64_t)epoch);
    int rc = sql_next(st, "journal: session", err);
    s->session = (struct journal_session){.epoch = epoch};
    if (rc == 1) {
        s->session.anchor_ns = sql_int(st, 0);
        s->session.anchor_utc_ns = sql_int(st, 1);
    }
    sqlite3_finalize(st);
    return rc == 1 ? 0 : rc < 0 ? -1 : error_set(err, "journal: session %llu is missing", (unsigned long long)epoch);
}

/* What was taken last goes back. */
static void take_back(struct input_list *list, const struct input_batch *last, int batch_count, int count, size_t size)
{
    list->batch_count = batch_count;
    if (batch_count > 0)
        list->batches[batch_count - 1] = *last;
    list->count = count;
    list->size = size;
}

/* Adds one block of a batch. Returns 0, 1 when it is too young or there is no room, -1 when it is damaged. */
static int take_block(struct input_sealer *s, sqlite3_stmt *st, int64_t limit_us)
{
    struct input_list *list = &s->list;
    struct input_batch last = list->batch_count > 0 ? list->batches[list->batch_count - 1] : (struct input_batch){0};
    int batch_count = list->batch_count, count = list->count;
    size_t size = list->size;
    uint64_t first_seq, last_seq;
    int64_t min_ns, max_ns;
    int rc = input_list_add(list, st, 3, sql_int(st, 7));
    if (rc == 0 && input_list_ends(list, &first_seq, &last_seq, &min_ns, &max_ns) != 0)
        rc = -1;
    if (rc == 0 && session_utc_ns(&s->session, max_ns) / 1000 < limit_us)
        return 0;
    take_back(list, &last, batch_count, count, size);
    return rc < 0 ? -1 : 1;
}

/* Takes blocks of one session, oldest first, into the list. Returns 1 when they are worth a sealed block, 0 when not,
 * -1. */
static int take_inputs(struct journal *j, struct input_sealer *s, int64_t limit_us, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(j->db,
                                   "SELECT epoch, first_seq, last_seq, codec, raw_size, bytes, count, batch FROM"
                                   " input_blocks WHERE (epoch, first_seq) > (?1, ?2) ORDER BY epoch, first_seq",
                                   err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, (int64_t)j->unsealed_epoch);
    sql_bind_int(st, 2, (int64_t)j->unsealed_seq);
    take_back(&s->list, NULL, 0, 0, 0);
    int rc = 0, taken = 0;
    while (taken == 0 && s->list.count < INPUTS_WANTED && (rc = sql_next(st, "journal: inputs to seal", err)) == 1) {
        uint64_t epoch = (uint64_t)sql_int(st, 0);
        if (s->list.count == 0 && load_session(j, s, epoch, err) != 0)
            taken = -1;
        else
            taken = epoch == s->session.epoch ? take_block(s, st, limit_us) : 1;
        if (taken < 0) {
            j->unsealed_epoch = epoch;
            j->unsealed_seq = (uint64_t)sql_int(st, 2);
        }
    }
    sqlite3_finalize(st);
    if (rc < 0)
        return -1;
    if (taken < 0)
        return error_set(err, "journal: inputs of session %llu cannot be read; they stay as they are",
                         (unsigned long long)j->unsealed_epoch);
    bool enough = s->list.count >= INPUTS_WANTED || s->list.size + INPUT_BLOCK_CAP > sizeof s->list.bytes;
    return s->list.count > 0 && (enough || s->session.epoch != j->state.session.epoch);
}

static int put_block(struct journal *j, const struct input_sealer *s, uint64_t first, uint64_t last,
                     const uint8_t *bytes, size_t size, struct error *err)
{
    uint64_t ignored;
    int64_t min_ns, max_ns;
    if (input_list_ends(&s->list, &ignored, &ignored, &min_ns, &max_ns) != 0)
        return error_set(err, "journal: inputs without a number");
    sqlite3_stmt *st = sql_prepare(j->db, "INSERT INTO sealed_inputs VALUES(?,?,?,?,?,?,?,?,?,?)", err);
    if (st == NULL)
        return -1;
    const int64_t front[] = {(int64_t)s->session.epoch,
                             (int64_t)last,
                             (int64_t)first,
                             s->list.count,
                             s->list.batches[0].batch,
                             s->list.batches[s->list.batch_count - 1].batch,
                             session_utc_ns(&s->session, min_ns) / 1000,
                             session_utc_ns(&s->session, max_ns) / 1000,
                             INPUT_CODEC_SHAPES};
    for (int i = 0; i < 9; i++)
        sql_bind_int(st, 1 + i, front[i]);
    sql_bind_bytes(st, 10, bytes, size);
    int rc = sql_run(st, "journal: sealed inputs", err);
    sqlite3_finalize(st);
    return rc;
}

/* What is written is unpacked from what SQLite gives back, and compared, before any block of a batch goes. */
static int check_block(struct journal *j, struct input_sealer *s, uint64_t last, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(j->db, "SELECT bytes FROM sealed_inputs WHERE epoch = ?1 AND last_seq = ?2", err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, (int64_t)s->session.epoch);
    sql_bind_int(st, 2, (int64_t)last);
    const struct input_list *a = &s->list, *b = &s->back;
    bool same =
        sql_next(st, "journal: sealed inputs", err) == 1 &&
        input_block_unpack(s->packer, sqlite3_column_blob(st, 0), (size_t)sqlite3_column_bytes(st, 0), &s->back) == 0 &&
        a->count == b->count && a->size == b->size && memcmp(a->bytes, b->bytes, a->size) == 0 &&
        a->batch_count == b->batch_count &&
        memcmp(a->batches, b->batches, (size_t)a->batch_count * sizeof a->batches[0]) == 0;
    sqlite3_finalize(st);
    s->refused = !same;
    return same ? 0 : error_set(err, "journal: a sealed block does not give back its inputs; they stay as they are");
}

static int drop_plain(struct journal *j, const struct input_sealer *s, uint64_t first, uint64_t last, struct error *err)
{
    char text[160];
    int64_t count = 0;
    (void)text_format(text, sizeof text,
                      "SELECT ifnull(sum(count), 0) FROM input_blocks WHERE epoch = %llu AND first_seq BETWEEN %llu AND"
                      " %llu",
                      (unsigned long long)s->session.epoch, (unsigned long long)first, (unsigned long long)last);
    if (sql_get_int(j->db, text, &count, err) != 0)
        return -1;
    if (count != s->list.count)
        return error_set(err, "journal: inputs changed while they were sealed");
    (void)text_format(text, sizeof text,
                      "DELETE FROM input_blocks WHERE epoch = %llu AND first_seq BETWEEN %llu AND %llu",
                      (unsigned long long)s->session.epoch, (unsigned long long)first, (unsigned long long)last);
    return sql_exec(j->db, text, err);
}

static int seal_inputs(struct journal *j, struct input_sealer *s, uint64_t first, uint64_t last, struct error *err)
{
    const uint8_t *bytes;
    size_t size;
    s->refused = input_block_pack(s->packer, &s->list, &bytes, &size) != 0;
    if (s->refused)
        return error_set(err, "journal: inputs from %llu on do not make a sealed block; they stay as they are",
                         (unsigned long long)first);
    if (sql_exec(j->db, "BEGIN IMMEDIATE", err) != 0)
        return -1;
    int rc = put_block(j, s, first, last, bytes, size, err);
    if (rc == 0)
        rc = check_block(j, s, last, err);
    if (rc == 0)
        rc = drop_plain(j, s, first, last, err);
    if (rc == 0)
        rc = sql_exec(j->db, "COMMIT", err);
    if (rc != 0 && sqlite3_get_autocommit(j->db) == 0)
        (void)sqlite3_exec(j->db, "ROLLBACK", NULL, NULL, NULL);
    return rc;
}

int journal_seal_inputs(struct journal *j, int64_t before_utc_us, struct error *err)
{
    struct input_sealer *s = sealer_of(j, err);
    if (s == NULL)
        return -1;
    int rc = take_inputs(j, s, before_utc_us, err);
    if (rc != 1)
        return rc;
    uint64_t first = 0, last = 0;
    int64_t min_ns, max_ns;
    if (input_list_ends(&s->list, &first, &last, &min_ns, &max_ns) != 0)
        return error_set(err, "journal: inputs without a number");
    if (seal_inputs(j, s, first, last, err) == 0)
        return 1;
    /* Not again at the same place: what is behind it can be sealed. */
    if (s->refused) {
        j->unsealed_epoch = s->session.epoch;
        j->unsealed_seq = last;
    }
    return -1;
}
