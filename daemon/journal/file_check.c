#include "file_check.h"

#include <stdlib.h>

#include "reader_private.h"

struct file_check {
    struct journal_reader *reader;
};

struct file_check *file_check_new(const char *path, struct error *err)
{
    struct file_check *c = calloc(1, sizeof *c);
    if (c == NULL) {
        (void)error_set(err, "journal: out of memory");
        return NULL;
    }
    c->reader = journal_reader_open(path, err);
    if (c->reader != NULL)
        return c;
    free(c);
    return NULL;
}

void file_check_free(struct file_check *c)
{
    if (c == NULL)
        return;
    journal_reader_close(c->reader);
    free(c);
}

int file_check_run(struct file_check *c, struct error *err)
{
    return journal_reader_check(c->reader, err);
}

void file_check_interrupt(struct file_check *c)
{
    sqlite3_interrupt(c->reader->db);
}
