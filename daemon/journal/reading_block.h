/* Sealed blocks: many readings of one session, consecutive by row, packed without loss. Values that are whole multiples
 * of a power of ten (as a meter of that resolution gives them) become differences of whole numbers; values that take
 * few different amounts become places in a list of them; values of single precision keep four bytes; all others keep
 * their eight. What remains is split into planes of bytes of equal weight, each compressed by zstd where that helps.
 *
 * Pure functions over memory, without SQLite: the writer, the readers and the tests use the same. */
#ifndef READING_BLOCK_H
#define READING_BLOCK_H

#include <stddef.h>
#include <stdint.h>

#include "journal_types.h"

/* codec of a block, kept beside it; another number is another format. */
enum { READING_CODEC_PLANES = 1 };

enum { READING_BLOCK_ROWS = 4096, READING_BLOCK_GROUPS = 255 };

struct block_row {
    struct journal_reading m; /* stamp_ns and half_width_ns are no part of the block: they follow from the session */
    int64_t channel_id;       /* of the table of channels */
};

struct reading_packer;

struct reading_packer *reading_packer_new(void); /* NULL: out of memory */
void reading_packer_free(struct reading_packer *p);

/* Packs count rows (1 to READING_BLOCK_ROWS; of one session, numbered without a gap; absent values NAN, others finite).
 * *bytes belongs to the packer until its next call. Returns 0, or -1 when the rows do not make a block. */
int reading_block_pack(struct reading_packer *p, const struct block_row *rows, int count, const uint8_t **bytes,
                       size_t *size);

/* Unpacks into rows (room for READING_BLOCK_ROWS). Bytes of any kind are safe to give. Returns the count, or -1 when
 * the bytes are no block. */
int reading_block_unpack(struct reading_packer *p, const uint8_t *bytes, size_t size, struct block_row *rows);

/* Are two rows the same in all that a block keeps, to the bit? */
bool block_row_same(const struct block_row *a, const struct block_row *b);

#endif
