#include "power_cut.h"

#include <check.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { FILES = 2, WRITES_MAX = 4096, IMAGE_CAP = 8 * 1024 * 1024, SECTOR = 512 };

/* A write or (bytes NULL) a truncation that no sync has followed yet. */
struct change {
    uint8_t *bytes;
    size_t size;
    int64_t at;
};

struct image {
    uint8_t *synced;
    int64_t size;
    struct change changes[WRITES_MAX];
    int change_count;
    uint8_t *picture;
    int64_t picture_size;
};

struct power_cut {
    sqlite3_vfs vfs;
    sqlite3_vfs *real;
    sqlite3_io_methods methods;
    struct image images[FILES]; /* main file, WAL */
    uint64_t operations, cut_at;
    bool happened;
    uint32_t random;
};

struct shim_file {
    sqlite3_file base;
    struct power_cut *owner;
    struct image *image; /* NULL: a file that does not count */
    sqlite3_file *real;
};

static struct shim_file *shim(sqlite3_file *f)
{
    return (struct shim_file *)(void *)f;
}

static uint32_t next_random(struct power_cut *p)
{
    p->random = p->random * 1664525u + 1013904223u;
    return p->random >> 8;
}

static void apply(uint8_t *to, int64_t *size, const struct change *c, size_t bytes)
{
    if (c->bytes == NULL) {
        *size = c->at < *size ? c->at : *size;
        return;
    }
    int64_t end = c->at + (int64_t)bytes;
    ck_assert_int_lt(end, IMAGE_CAP);
    if (end > *size) {
        memset(to + *size, 0, (size_t)(end - *size));
        *size = end;
    }
    memcpy(to + c->at, c->bytes, bytes);
}

static void take_picture(struct power_cut *p)
{
    p->happened = true;
    for (int i = 0; i < FILES; i++) {
        struct image *m = &p->images[i];
        memcpy(m->picture, m->synced, (size_t)m->size);
        m->picture_size = m->size;
        for (int k = 0; k < m->change_count; k++) {
            uint32_t r = next_random(p);
            size_t whole = m->changes[k].size, part = r % 4 == 0 ? whole / 2 / SECTOR * SECTOR : whole;
            if (r % 3 != 0)
                apply(m->picture, &m->picture_size, &m->changes[k], part);
        }
    }
}

static void count_operation(struct power_cut *p)
{
    if (++p->operations == p->cut_at && !p->happened)
        take_picture(p);
}

static void add_change(struct image *m, const void *bytes, size_t size, int64_t at)
{
    ck_assert_int_lt(m->change_count, WRITES_MAX);
    struct change *c = &m->changes[m->change_count++];
    *c = (struct change){.size = size, .at = at};
    if (bytes != NULL) {
        c->bytes = malloc(size);
        ck_assert_ptr_nonnull(c->bytes);
        memcpy(c->bytes, bytes, size);
    }
}

static int shim_close(sqlite3_file *f)
{
    return shim(f)->real->pMethods->xClose(shim(f)->real);
}

static int shim_read(sqlite3_file *f, void *to, int n, sqlite3_int64 at)
{
    return shim(f)->real->pMethods->xRead(shim(f)->real, to, n, at);
}

static int shim_write(sqlite3_file *f, const void *bytes, int n, sqlite3_int64 at)
{
    struct shim_file *s = shim(f);
    if (s->image != NULL) {
        add_change(s->image, bytes, (size_t)n, at);
        count_operation(s->owner);
    }
    return s->real->pMethods->xWrite(s->real, bytes, n, at);
}

static int shim_truncate(sqlite3_file *f, sqlite3_int64 size)
{
    struct shim_file *s = shim(f);
    if (s->image != NULL) {
        add_change(s->image, NULL, 0, size);
        count_operation(s->owner);
    }
    return s->real->pMethods->xTruncate(s->real, size);
}

static int shim_sync(sqlite3_file *f, int flags)
{
    struct shim_file *s = shim(f);
    int rc = s->real->pMethods->xSync(s->real, flags);
    if (s->image == NULL || rc != SQLITE_OK)
        return rc;
    count_operation(s->owner);
    struct image *m = s->image;
    for (int i = 0; i < m->change_count; i++) {
        apply(m->synced, &m->size, &m->changes[i], m->changes[i].size);
        free(m->changes[i].bytes);
    }
    m->change_count = 0;
    return rc;
}

static int shim_size(sqlite3_file *f, sqlite3_int64 *size)
{
    return shim(f)->real->pMethods->xFileSize(shim(f)->real, size);
}

static int shim_lock(sqlite3_file *f, int kind)
{
    return shim(f)->real->pMethods->xLock(shim(f)->real, kind);
}

static int shim_unlock(sqlite3_file *f, int kind)
{
    return shim(f)->real->pMethods->xUnlock(shim(f)->real, kind);
}

static int shim_reserved(sqlite3_file *f, int *out)
{
    return shim(f)->real->pMethods->xCheckReservedLock(shim(f)->real, out);
}

static int shim_control(sqlite3_file *f, int op, void *arg)
{
    return shim(f)->real->pMethods->xFileControl(shim(f)->real, op, arg);
}

static int shim_sector(sqlite3_file *f)
{
    return shim(f)->real->pMethods->xSectorSize(shim(f)->real);
}

static int shim_device(sqlite3_file *f)
{
    /* Promise nothing: a disk that tears and forgets. */
    return shim(f)->real->pMethods->xDeviceCharacteristics(shim(f)->real) & SQLITE_IOCAP_UNDELETABLE_WHEN_OPEN;
}

static int shim_map(sqlite3_file *f, int page, int size, int extend, void volatile **to)
{
    return shim(f)->real->pMethods->xShmMap(shim(f)->real, page, size, extend, to);
}

static int shim_shm_lock(sqlite3_file *f, int at, int n, int flags)
{
    return shim(f)->real->pMethods->xShmLock(shim(f)->real, at, n, flags);
}

static void shim_barrier(sqlite3_file *f)
{
    shim(f)->real->pMethods->xShmBarrier(shim(f)->real);
}

static int shim_unmap(sqlite3_file *f, int delete_flag)
{
    return shim(f)->real->pMethods->xShmUnmap(shim(f)->real, delete_flag);
}

static int shim_open(sqlite3_vfs *vfs, const char *name, sqlite3_file *f, int flags, int *out_flags)
{
    struct power_cut *p = (struct power_cut *)(void *)vfs;
    struct shim_file *s = shim(f);
    s->owner = p;
    s->real = (sqlite3_file *)(void *)(s + 1);
    s->image = (flags & SQLITE_OPEN_MAIN_DB) != 0 ? &p->images[0]
               : (flags & SQLITE_OPEN_WAL) != 0   ? &p->images[1]
                                                  : NULL;
    int rc = p->real->xOpen(p->real, name, s->real, flags, out_flags);
    s->base.pMethods = rc == SQLITE_OK ? &p->methods : NULL;
    return rc;
}

struct power_cut *power_cut_new(uint32_t seed)
{
    struct power_cut *p = calloc(1, sizeof *p);
    ck_assert_ptr_nonnull(p);
    p->random = seed;
    p->real = sqlite3_vfs_find(NULL);
    p->vfs = *p->real;
    p->vfs.pNext = NULL;
    p->vfs.zName = "power-cut";
    p->vfs.szOsFile = (int)sizeof(struct shim_file) + p->real->szOsFile;
    p->vfs.xOpen = shim_open;
    p->methods = (sqlite3_io_methods){2,           shim_close, shim_read,     shim_write,    shim_truncate, shim_sync,
                                      shim_size,   shim_lock,  shim_unlock,   shim_reserved, shim_control,  shim_sector,
                                      shim_device, shim_map,   shim_shm_lock, shim_barrier,  shim_unmap,    NULL,
                                      NULL};
    for (int i = 0; i < FILES; i++) {
        p->images[i].synced = malloc(IMAGE_CAP);
        p->images[i].picture = malloc(IMAGE_CAP);
        ck_assert(p->images[i].synced != NULL && p->images[i].picture != NULL);
    }
    ck_assert_int_eq(sqlite3_vfs_register(&p->vfs, 1), SQLITE_OK);
    return p;
}

void power_cut_free(struct power_cut *p)
{
    (void)sqlite3_vfs_unregister(&p->vfs);
    (void)sqlite3_vfs_register(p->real, 1);
    for (int i = 0; i < FILES; i++) {
        for (int k = 0; k < p->images[i].change_count; k++)
            free(p->images[i].changes[k].bytes);
        free(p->images[i].synced);
        free(p->images[i].picture);
    }
    free(p);
}

void power_cut_at(struct power_cut *p, uint64_t operation)
{
    p->cut_at = p->operations + operation;
    p->happened = false;
}

bool power_cut_happened(const struct power_cut *p)
{
    return p->happened;
}

void power_cut_restore(const struct power_cut *p, const char *path)
{
    for (int i = 0; i < FILES; i++) {
        char name[256];
        (void)snprintf(name, sizeof name, "%s%s", path, i == 0 ? "" : "-wal");
        FILE *f = fopen(name, "wb");
        ck_assert_ptr_nonnull(f);
        size_t n = (size_t)p->images[i].picture_size;
        ck_assert_uint_eq(fwrite(p->images[i].picture, 1, n, f), n);
        ck_assert_int_eq(fclose(f), 0);
    }
}
