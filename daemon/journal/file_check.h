/* SQLite's own check of the whole file, in a thread of its own beside the daemon's work: it takes minutes on a big
 * file. */
#ifndef FILE_CHECK_H
#define FILE_CHECK_H

#include "error.h"

struct file_check;

/* NULL with a sentence when the file cannot be opened for reading. */
struct file_check *file_check_new(const char *path, struct error *err);
void file_check_free(struct file_check *c);

/* Returns 0 when the file is sound, 1 when damaged (err says how), -1 when it could not be checked or was interrupted.
 */
int file_check_run(struct file_check *c, struct error *err);

/* From another thread: the check ends now. */
void file_check_interrupt(struct file_check *c);

#endif
