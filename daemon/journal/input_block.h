/* Sealed blocks of the input log: the inputs of many batches of one session, packed without loss. Inputs of the same
 * shape (readings of the same signals with the same qualities; other inputs of the same kind and length) are put
 * together, and their times and values become columns (columns.h). What has no such fellows is kept as it is.
 *
 * Works on the canonical encodings byte by byte and never decodes an input, so that whatever was put in comes out the
 * same, whichever version encoded it. Pure functions over memory, without SQLite. */
#ifndef INPUT_BLOCK_H
#define INPUT_BLOCK_H

#include <stddef.h>
#include <stdint.h>

/* codec of a block, kept beside it; another number is another format. */
enum { INPUT_CODEC_SHAPES = 2 };

/* What one block takes at most: inputs, and their bytes with four more for the length of each. */
enum { INPUT_BLOCK_INPUTS = 16384, INPUT_BLOCK_BYTES = 1024 * 1024 };

/* So many inputs, one behind the other, are of this batch. */
struct input_batch {
    int64_t batch, count;
};

struct input_list {
    int count;
    size_t size; /* bytes used */
    int batch_count;
    uint8_t bytes[INPUT_BLOCK_BYTES]; /* each input: u32 size and its bytes */
    struct input_batch batches[INPUT_BLOCK_INPUTS];
};

struct input_packer;

struct input_packer *input_packer_new(void); /* NULL: out of memory */
void input_packer_free(struct input_packer *p);

/* *bytes belongs to the packer until its next call. Returns 0, or -1 when the list does not make a block. */
int input_block_pack(struct input_packer *p, const struct input_list *list, const uint8_t **bytes, size_t *size);

/* Bytes of any kind are safe to give. Returns 0, or -1 when they are no block. */
int input_block_unpack(struct input_packer *p, const uint8_t *bytes, size_t size, struct input_list *list);

/* Number and time (bench clock) of an encoded input. Returns 0, or -1 when it is too short for one. */
int input_head(const uint8_t *bytes, size_t size, uint64_t *seq, int64_t *seen_ns);

#endif
