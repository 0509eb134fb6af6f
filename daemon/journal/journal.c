#include "journal_private.h"
#include "journal_read.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include "chain_rows.h"
#include "journal_place.h"
#include "journal_schema.h"
#include "sql.h"
#include "unit_name.h"

/* strerror for a daemon of several threads. */
static const char *errno_text(int code, char *to, size_t cap)
{
    return strerror_r(code, to, cap) == 0 ? to : "unknown failure";
}

static int lock_take(struct journal *j, struct error *err)
{
    char path[PATH_CAP + 8], words[128];
    (void)text_format(path, sizeof path, "%s.lock", j->path);
    /* One that is there is opened without asking for it to be made: on a frozen disk only that does not wait. */
    j->lock_fd = open(path, O_RDWR | O_CLOEXEC);
    if (j->lock_fd < 0 && errno == ENOENT)
        j->lock_fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0644);
    if (j->lock_fd < 0)
        return error_set(err, "%s: cannot be opened: %s; check the rights of its directory", path,
                         errno_text(errno, words, sizeof words));
    char text[64] = "";
    if (flock(j->lock_fd, LOCK_EX | LOCK_NB) != 0) {
        ssize_t n = read(j->lock_fd, text, sizeof text - 1);
        text[n > 0 ? n : 0] = '\0';
        text[strcspn(text, "\n")] = '\0';
        (void)close(j->lock_fd);
        j->lock_fd = -1;
        return error_set(err,
                         "the journal %s is already written by process %s: only one daemon may write to it; stop that "
                         "one first, or name another journal",
                         j->path, text[0] != '\0' ? text : "(unknown)");
    }
    (void)text_format(text, sizeof text, "%ld\n", (long)getpid());
    if (ftruncate(j->lock_fd, 0) != 0 || pwrite(j->lock_fd, text, strlen(text), 0) != (ssize_t)strlen(text))
        return error_set(err, "%s: cannot be written: %s", path, errno_text(errno, words, sizeof words));
    return 0;
}

struct pragma {
    const char *set;
    const char *ask;
    const char *wanted;
};

static int pragma_apply(sqlite3 *db, const struct pragma *p, struct error *err)
{
    if (sql_exec(db, p->set, err) != 0)
        return error_prefix(err, "%s", p->set);
    sqlite3_stmt *st = sql_prepare(db, p->ask, err);
    if (st == NULL)
        return -1;
    char got[64] = "";
    int rc = sql_next(st, p->ask, err);
    if (rc == 1)
        sql_text(st, 0, got, sizeof got);
    sqlite3_finalize(st);
    if (rc < 0)
        return -1;
    if (strcmp(got, p->wanted) != 0)
        return error_set(err,
                         "%s: the file system or SQLite gave \"%s\" in place of \"%s\"; put the journal on a local "
                         "disk (no network share)",
                         p->set, got, p->wanted);
    return 0;
}

static int set_pragmas(struct journal *j, struct error *err)
{
    static const struct pragma pragmas[] = {
        {"PRAGMA busy_timeout = 2000", "PRAGMA busy_timeout", "2000"},
        {"PRAGMA journal_mode = WAL", "PRAGMA journal_mode", "wal"},
        {"PRAGMA synchronous = FULL", "PRAGMA synchronous", "2"},
        {"PRAGMA wal_autocheckpoint = 0", "PRAGMA wal_autocheckpoint", "0"},
        {"PRAGMA journal_size_limit = 4194304", "PRAGMA journal_size_limit", "4194304"},
        {"PRAGMA foreign_keys = ON", "PRAGMA foreign_keys", "1"},
        {"PRAGMA cell_size_check = ON", "PRAGMA cell_size_check", "1"},
        {"PRAGMA temp_store = MEMORY", "PRAGMA temp_store", "2"},
    };
    for (size_t i = 0; i < sizeof pragmas / sizeof pragmas[0]; i++)
        if (pragma_apply(j->db, &pragmas[i], err) != 0)
            return -1;
    /* The WAL and its index stay behind a clean stop: a reader under another user, who may not create them, needs
     * them to open the file. */
    int persist = 1;
    if (sqlite3_file_control(j->db, "main", SQLITE_FCNTL_PERSIST_WAL, &persist) != SQLITE_OK || persist != 1)
        return error_set(err, "journal: a lasting WAL could not be set");
    return 0;
}

static int load_head(struct journal *j, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(j->db, "SELECT batch, head FROM batches ORDER BY batch DESC LIMIT 1", err);
    if (st == NULL)
        return -1;
    int rc = sql_next(st, "journal: head", err);
    if (rc == 1) {
        j->state.batch = sql_int(st, 0);
        if (sql_digest(st, 1, &j->state.head) != 0)
            rc = error_set(err, "%s: the head of the record is damaged; check the journal", j->path);
    }
    sqlite3_finalize(st);
    return rc < 0 ? -1 : 0;
}

/* What the last session left. */
static int load_state(struct journal *j, struct error *err)
{
    int64_t epoch = 0, clean = 1, meta_no = 0, run_no = 0;
    if (load_head(j, err) != 0 ||
        sql_get_int(j->db,
                    "SELECT max(ifnull((SELECT max(row) FROM reading_rows), 0),"
                    " ifnull((SELECT max(last_row) FROM reading_blocks), 0),"
                    " ifnull((SELECT last_reading FROM batches ORDER BY batch DESC LIMIT 1), 0))",
                    &j->state.rows[FEED_READINGS], err) != 0 ||
        sql_get_int(j->db, "SELECT ifnull(max(row), 0) FROM event_rows", &j->state.rows[FEED_EVENTS], err) != 0 ||
        sql_get_int(j->db, "SELECT ifnull(max(row), 0) FROM verdict_rows", &j->state.rows[FEED_VERDICTS], err) != 0 ||
        sql_get_int(j->db, "SELECT ifnull(max(epoch), 0) FROM sessions", &epoch, err) != 0 ||
        sql_get_int(j->db, "SELECT ifnull((SELECT ended_clean FROM sessions ORDER BY epoch DESC LIMIT 1), 1)", &clean,
                    err) != 0 ||
        sql_get_int(j->db, "SELECT ifnull(max(value), 0) FROM meta WHERE key = 'next_run_no'", &meta_no, err) != 0 ||
        sql_get_int(j->db, "SELECT ifnull(max(run_no), 0) + 1 FROM run_rows", &run_no, err) != 0)
        return -1;
    j->state.session.epoch = (uint64_t)epoch;
    j->state.last_ended_clean = clean != 0;
    j->next_run_no = meta_no > run_no ? meta_no : run_no;
    return 0;
}

static struct journal *journal_alloc(const char *path, struct error *err)
{
    struct journal *j = calloc(1, sizeof *j);
    if (j == NULL) {
        (void)error_set(err, "journal: out of memory");
        return NULL;
    }
    j->lock_fd = -1;
    j->packed_cap = ZSTD_compressBound(INPUT_BLOCK_CAP);
    j->raw = malloc(INPUT_BLOCK_CAP);
    j->packed = malloc(j->packed_cap);
    j->zstd = ZSTD_createCCtx();
    j->chain = chain_new();
    if (j->raw == NULL || j->packed == NULL || j->zstd == NULL || j->chain == NULL) {
        (void)error_set(err, "journal: out of memory");
        journal_close(j);
        return NULL;
    }
    if (text_copy(j->path, sizeof j->path, path) != 0) {
        (void)error_set(err, "journal: the path is longer than %d bytes", PATH_CAP - 1);
        journal_close(j);
        return NULL;
    }
    (void)text_format(j->wal_path, sizeof j->wal_path, "%s-wal", path);
    return j;
}

/* A copy of a file of older tables, before they are changed: whole and verified, or the file is left alone. One that is
 * there already is from a change that was cut off. */
static int keep_older(const char *path, int version, struct error *err)
{
    char copy[PATH_CAP + 16];
    (void)text_format(copy, sizeof copy, "%s.tables-%d", path, version);
    if (access(copy, F_OK) == 0)
        return 0;
    struct journal_reader *r = journal_reader_open(path, err);
    int rc = r == NULL ? -1 : journal_backup(r, copy, err);
    journal_reader_close(r);
    return rc == 0 ? 0
                   : error_prefix(err, "%s: its tables are of version %d and are not changed without a copy", path,
                                  version);
}

struct journal *journal_open(const char *path, unsigned flags, struct error *err)
{
    struct journal *j = journal_alloc(path, err);
    if (j == NULL)
        return NULL;
    if ((flags & JOURNAL_CREATE) == 0 && access(path, F_OK) != 0) {
        (void)error_set(err, "the journal %s does not exist; check its path in the configuration", path);
        goto fail;
    }
    if (journal_place_check(path, err) != 0 || lock_take(j, err) != 0)
        goto fail;
    int mode = SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX | ((flags & JOURNAL_CREATE) != 0 ? SQLITE_OPEN_CREATE : 0);
    if (sqlite3_open_v2(path, &j->db, mode, NULL) != SQLITE_OK) {
        if (j->db != NULL)
            (void)sql_fail(j->db, path, err);
        goto fail;
    }
    (void)sqlite3_extended_result_codes(j->db, 1);
    /* The version first: nothing, not even a pragma, may touch a file that is not ours or is newer than we are. */
    int version = journal_schema_version(j->db, path, err);
    if (version < 0 || (version > 0 && version < JOURNAL_SCHEMA_VERSION && keep_older(path, version, err) != 0) ||
        /* Pages that become free can be given back: asked for before the first page is written, or never. */
        (version == 0 && sql_exec(j->db, "PRAGMA auto_vacuum = INCREMENTAL", err) != 0) ||
        (version <= JOURNAL_SCHEMA_VERSION && set_pragmas(j, err) != 0) ||
        journal_schema_prepare(j->db, path, err) != 0 || load_state(j, err) != 0)
        goto fail;
    return j;
fail:
    journal_close(j);
    return NULL;
}

void journal_close(struct journal *j)
{
    if (j == NULL)
        return;
    if (j->db != NULL) {
        journal_rollback(j);
        (void)sqlite3_wal_checkpoint_v2(j->db, NULL, SQLITE_CHECKPOINT_PASSIVE, NULL, NULL);
        for (int i = 0; i < ST_COUNT_; i++)
            (void)sqlite3_finalize(j->st[i]);
        (void)sqlite3_close_v2(j->db);
    }
    if (j->lock_fd >= 0)
        (void)close(j->lock_fd);
    chain_free(j->chain);
    sealer_free(j->sealer);
    input_sealer_free(j->input_sealer);
    ZSTD_freeCCtx(j->zstd);
    free(j->raw);
    free(j->packed);
    free(j);
}

enum { VERDICT_COLUMNS = 39 };

static const char *const statements[ST_COUNT_] = {
    [ST_BEGIN] = "BEGIN IMMEDIATE",
    [ST_COMMIT] = "COMMIT",
    [ST_EVENT] = "INSERT INTO event_rows VALUES(?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
    [ST_INPUT] = "INSERT INTO input_blocks VALUES(?,?,?,?,?,?,?,?)",
    [ST_BATCH] = "INSERT INTO batches VALUES(?,?,?,?,?,?,?,?,?)",
    [ST_SEAL] = "INSERT INTO seals VALUES(?,?,?,?,?,?,?)",
    [ST_LAST_SEAL] = "SELECT digest FROM seals WHERE run_no = ? ORDER BY batch DESC LIMIT 1",
    [ST_EVENT_TAKEN] = "SELECT 1 FROM event_rows WHERE channel = ? AND store_ms = ?",
    [ST_READING_TAKEN] = "SELECT 1 FROM reading_rows WHERE channel = ? AND store_ms = ?",
    [ST_VERDICT_TAKEN] = "SELECT 1 FROM verdict_rows WHERE channel = ? AND store_ms = ?",
    [ST_META_SET] = "INSERT INTO meta(key, value) VALUES(?1, ?2) ON CONFLICT(key) DO UPDATE SET value = ?2",
    [ST_CURSOR] = "INSERT OR REPLACE INTO cursors VALUES(?1, ?2, ?3, ?4)",
    [ST_UNIT_ALIKE] = unit_alike_text,
    [ST_UNIT_NAMED] = unit_named_text,
    [ST_PLATE_LATEST] = "SELECT version, bytes FROM plate_rows WHERE serial = ? ORDER BY version DESC LIMIT 1",
    [ST_PLATE] = "INSERT INTO plate_rows VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
};

sqlite3_stmt *journal_statement(struct journal *j, enum statement which, struct error *err)
{
    if (j->st[which] != NULL)
        return j->st[which];
    if (which == ST_READING) {
        char columns[1024], text[2048];
        journal_schema_reading_columns(columns, sizeof columns, "");
        (void)text_format(text, sizeof text,
                          "INSERT INTO reading_rows(row, epoch, channel, idx, run_no, seq, utc_us, store_ms, "
                          "half_width_us, lost, back, %s) VALUES(?,?,?,?,?,?,?,?,?,?,?",
                          columns);
        for (int k = 0; k < SIG_OTHER; k++)
            (void)text_append(text, sizeof text, ",?");
        (void)text_append(text, sizeof text, ")");
        j->st[which] = sql_prepare(j->db, text, err);
    } else if (which == ST_VERDICT) {
        char text[256] = "INSERT INTO verdict_rows VALUES(?";
        for (int i = 1; i < VERDICT_COLUMNS; i++)
            (void)text_append(text, sizeof text, ",?");
        (void)text_append(text, sizeof text, ")");
        j->st[which] = sql_prepare(j->db, text, err);
    } else {
        j->st[which] = sql_prepare(j->db, statements[which], err);
    }
    return j->st[which];
}

int journal_need_batch(const struct journal *j, struct error *err)
{
    return j->in_batch ? 0 : error_set(err, "journal: rows are only taken within a batch");
}

int journal_need_session(const struct journal *j, struct error *err)
{
    if (journal_need_batch(j, err) != 0)
        return -1;
    return j->state.session_open ? 0 : error_set(err, "journal: no session has begun");
}

int64_t journal_batch_no(const struct journal *j)
{
    return j->saved.batch + 1;
}

bool journal_in_batch(const struct journal *j)
{
    return j->in_batch;
}

int journal_begin(struct journal *j, struct error *err)
{
    if (j->in_batch)
        return error_set(err, "journal: the batch before has not ended");
    sqlite3_stmt *st = journal_statement(j, ST_BEGIN, err);
    if (st == NULL || sql_run(st, "journal: begin", err) != 0)
        return -1;
    j->in_batch = true;
    j->others = false;
    j->saved = j->state;
    j->raw_used = 0;
    j->raw_count = 0;
    chain_begin(j->chain);
    return 0;
}

void journal_rollback(struct journal *j)
{
    if (!j->in_batch)
        return;
    if (sqlite3_get_autocommit(j->db) == 0)
        (void)sqlite3_exec(j->db, "ROLLBACK", NULL, NULL, NULL);
    j->state = j->saved;
    j->in_batch = false;
    j->raw_used = 0;
    j->raw_count = 0;
    j->failures++;
}

static int write_seal(struct journal *j, int i, struct error *err)
{
    struct digest before = {{0}}, seal;
    sqlite3_stmt *last = journal_statement(j, ST_LAST_SEAL, err);
    sqlite3_stmt *put = journal_statement(j, ST_SEAL, err);
    if (last == NULL || put == NULL)
        return -1;
    sql_bind_int(last, 1, chain_run_no(j->chain, i));
    int rc = sql_next(last, "journal: seal", err);
    if (rc == 1) {
        (void)sql_digest(last, 0, &before);
        sql_done(last);
    }
    if (rc < 0)
        return -1;
    if (chain_seal(j->chain, i, journal_batch_no(j), &before, &seal) != 0)
        return error_set(err, "journal: the digest library failed");
    sql_bind_int(put, 1, journal_batch_no(j));
    sql_bind_int(put, 2, chain_run_no(j->chain, i));
    for (int p = 0; p < CHAIN_PART_COUNT_; p++)
        sql_bind_int(put, 3 + p, chain_count(j->chain, i, (enum chain_part)p));
    sql_bind_digest(put, 7, &seal);
    return sql_run(put, "journal: seal", err);
}

static int write_chain(struct journal *j, struct error *err)
{
    if (j->others && chain_feed_others(j->db, JOURNAL_SCHEMA_VERSION, journal_batch_no(j), j->chain, err) != 0)
        return -1;
    if (!chain_used(j->chain))
        return 0;
    if (chain_close(j->chain) != 0)
        return error_set(err, "journal: the digest library failed");
    for (int i = 0; i < chain_runs(j->chain); i++)
        if (write_seal(j, i, err) != 0)
            return -1;
    int64_t batch = journal_batch_no(j);
    uint64_t epoch = j->state.session.epoch;
    if (chain_head(j->chain, batch, epoch, &j->saved.head, &j->state.head) != 0)
        return error_set(err, "journal: the digest library failed");
    sqlite3_stmt *st = journal_statement(j, ST_BATCH, err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, batch);
    sql_bind_int(st, 2, (int64_t)epoch);
    static const enum feed order[] = {FEED_EVENTS, FEED_READINGS, FEED_VERDICTS};
    for (int i = 0; i < 3; i++) {
        sql_bind_int(st, 3 + 2 * i, j->saved.rows[order[i]] + 1);
        sql_bind_int(st, 4 + 2 * i, j->state.rows[order[i]]);
    }
    sql_bind_digest(st, 9, &j->state.head);
    if (sql_run(st, "journal: batch", err) != 0)
        return -1;
    j->state.batch = batch;
    return 0;
}

int journal_meta_set_int(struct journal *j, const char *key, int64_t value, struct error *err)
{
    sqlite3_stmt *st = journal_statement(j, ST_META_SET, err);
    if (st == NULL)
        return -1;
    sql_bind_text(st, 1, key);
    sql_bind_int(st, 2, value);
    return sql_run(st, "journal: meta", err);
}

int journal_commit(struct journal *j, struct error *err)
{
    if (journal_need_batch(j, err) != 0)
        return -1;
    if (sqlite3_get_autocommit(j->db) != 0)
        return error_set(err, "journal: the batch was ended by an earlier failure; roll back and put it again");
    if (journal_flush_inputs(j, err) != 0 || write_chain(j, err) != 0)
        return -1;
    if (j->run_no_dirty && journal_meta_set_int(j, "next_run_no", j->next_run_no, err) != 0)
        return -1;
    sqlite3_stmt *st = journal_statement(j, ST_COMMIT, err);
    if (st == NULL || sql_run(st, "journal: commit", err) != 0)
        return -1;
    j->run_no_dirty = false;
    j->in_batch = false;
    j->commits++;
    return 0;
}

int journal_once(struct journal *j, const char *text, void (*bind)(sqlite3_stmt *st, const void *ctx), const void *ctx,
                 const char *what, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(j->db, text, err);
    if (st == NULL)
        return -1;
    bind(st, ctx);
    int rc = sql_run(st, what, err);
    sqlite3_finalize(st);
    return rc;
}

uint64_t journal_next_epoch(const struct journal *j)
{
    return j->state.session.epoch + 1;
}

bool journal_last_ended_clean(const struct journal *j)
{
    return j->state.last_ended_clean;
}

int64_t journal_next_run_no(struct journal *j)
{
    j->run_no_dirty = true;
    return j->next_run_no++;
}

int64_t journal_peek_run_no(const struct journal *j)
{
    return j->next_run_no;
}

void journal_get_head(const struct journal *j, struct digest *head)
{
    *head = j->in_batch ? j->saved.head : j->state.head;
}

int journal_checkpoint(struct journal *j, bool idle, struct error *err)
{
    if (j->in_batch)
        return error_set(err, "journal: no checkpoint within a batch");
    int pages = 0, done = 0;
    int rc = sqlite3_wal_checkpoint_v2(j->db, NULL, SQLITE_CHECKPOINT_PASSIVE, &pages, &done);
    if (rc != SQLITE_OK && (rc & 0xff) != SQLITE_BUSY)
        return sql_fail(j->db, "journal: checkpoint", err);
    j->wal_left_pages = pages > done ? pages - done : 0;
    if (!idle || j->wal_left_pages > 0 || pages <= 0)
        return 0;
    /* Everything is in the file, so cutting the WAL takes no time; a reader that came just now must not hold us up. */
    (void)sqlite3_busy_timeout(j->db, 0);
    rc = sqlite3_wal_checkpoint_v2(j->db, NULL, SQLITE_CHECKPOINT_TRUNCATE, NULL, NULL);
    (void)sqlite3_busy_timeout(j->db, 2000);
    return rc == SQLITE_OK || (rc & 0xff) == SQLITE_BUSY ? 0 : sql_fail(j->db, "journal: checkpoint", err);
}

static int64_t size_of_file(const char *path)
{
    struct stat st;
    return stat(path, &st) == 0 ? (int64_t)st.st_size : 0;
}

int journal_get_stats(struct journal *j, struct journal_stats *stats, struct error *err)
{
    struct error ignored;
    *stats = (struct journal_stats){
        .commits = j->commits,
        .failures = j->failures,
        .wal_bytes = size_of_file(j->wal_path),
        .wal_left_pages = j->wal_left_pages,
        .free_bytes = -1,
        .file_bytes = size_of_file(j->path),
        .used_bytes = -1,
    };
    if (journal_used_bytes(j, &stats->used_bytes, &ignored) != 0)
        stats->used_bytes = -1;
    (void)err;
    stats->wal_alarm = stats->wal_bytes > JOURNAL_WAL_ALARM_BYTES;
    struct statvfs fs;
    if (statvfs(j->path, &fs) == 0)
        stats->free_bytes = (int64_t)(fs.f_bavail * fs.f_frsize);
    return 0;
}
