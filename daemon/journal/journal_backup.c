#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include "journal_read.h"
#include "reader_private.h"
#include "sql.h"

static int sync_path(const char *path, int flags, struct error *err)
{
    int fd = open(path, flags | O_CLOEXEC);
    if (fd < 0)
        return error_set(err, "%s: cannot be opened", path);
    int rc = fsync(fd) == 0 ? 0 : error_set(err, "%s: cannot be synced", path);
    (void)close(fd);
    return rc;
}

static void directory_of(const char *path, char *to, size_t cap)
{
    (void)text_copy(to, cap, path);
    char *slash = strrchr(to, '/');
    if (slash == NULL)
        (void)text_copy(to, cap, ".");
    else
        slash[slash == to ? 1 : 0] = '\0';
}

static int room_for(const struct journal_reader *r, const char *directory, struct error *err)
{
    struct stat file = {0}, wal = {0};
    struct statvfs fs;
    char wal_path[PATH_CAP + 8];
    (void)text_format(wal_path, sizeof wal_path, "%s-wal", r->path);
    if (stat(r->path, &file) != 0 || statvfs(directory, &fs) != 0)
        return error_set(err, "%s: cannot be asked for its free space", directory);
    if (stat(wal_path, &wal) != 0)
        wal.st_size = 0;
    uint64_t need = (uint64_t)file.st_size + (uint64_t)wal.st_size;
    uint64_t have = (uint64_t)fs.f_bavail * fs.f_frsize;
    if (have < need)
        return error_set(err, "%s has %llu MB free, the copy needs up to %llu MB: free space or name another place",
                         directory, (unsigned long long)(have >> 20), (unsigned long long)(need >> 20));
    return 0;
}

static int copy_to(struct journal_reader *r, const char *to, struct error *err)
{
    /* This connection only reads its own file; query_only would forbid writing the copy as well. */
    if (sql_exec(r->db, "PRAGMA query_only = OFF", err) != 0)
        return -1;
    sqlite3_stmt *st = sql_prepare(r->db, "VACUUM INTO ?1", err);
    int rc = -1;
    if (st != NULL) {
        sql_bind_text(st, 1, to);
        rc = sql_run(st, "journal: copy", err);
    }
    sqlite3_finalize(st);
    if (sql_exec(r->db, "PRAGMA query_only = ON", err) != 0)
        rc = -1;
    return rc;
}

static int copy_is_whole(const char *path, const struct digest *head, struct error *err)
{
    struct journal_reader *copy = journal_reader_open(path, err);
    if (copy == NULL)
        return -1;
    struct journal_check_result result = {0};
    int rc = journal_reader_check(copy, err) == 0 ? 0 : -1;
    if (rc == 0 && journal_verify(copy, head, NULL, NULL, &result, err) != 0)
        rc = -1;
    if (rc == 0 && result.problems > 0)
        rc = error_set(err, "the copy does not verify: %lld problems; check the journal itself",
                       (long long)result.problems);
    journal_reader_close(copy);
    return rc;
}

int journal_backup(struct journal_reader *r, const char *to, struct error *err)
{
    char part[PATH_CAP + 8], directory[PATH_CAP];
    struct digest head;
    if (text_format(part, sizeof part, "%s.part", to) != 0 || strlen(to) >= PATH_CAP)
        return error_set(err, "the path of the copy is too long");
    if (access(to, F_OK) == 0)
        return error_set(err, "%s is there already; a backup never overwrites: name another file", to);
    directory_of(to, directory, sizeof directory);
    if (room_for(r, directory, err) != 0 || journal_reader_head(r, &head, err) != 0)
        return -1;
    (void)unlink(part); /* what an interrupted backup left */
    int rc = copy_to(r, part, err);
    if (rc == 0)
        rc = copy_is_whole(part, &head, err);
    if (rc == 0)
        rc = sync_path(part, O_RDWR, err);
    if (rc == 0 && rename(part, to) != 0)
        rc = error_set(err, "%s: cannot be put in its place", to);
    if (rc == 0)
        rc = sync_path(directory, O_RDONLY | O_DIRECTORY, err);
    if (rc != 0)
        (void)unlink(part);
    return rc;
}
