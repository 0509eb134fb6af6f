/* A walk over the input log of a session in the order of its inputs, whether they lie in the blocks of their batches or
 * in sealed ones. Holds the WAL for one block at a time. */
#ifndef INPUT_WALK_H
#define INPUT_WALK_H

#include "input_block.h"
#include "reader_private.h"

struct input_walk;

/* Inputs that lie one behind the other and are of one batch. */
struct input_part {
    int64_t batch;
    uint64_t first_seq;   /* of the block that they lie in */
    const uint8_t *bytes; /* each: u32 size and its bytes; NULL: the block is damaged, err says how */
    size_t size;
};

/* NULL with a sentence on failure. */
struct input_walk *input_walk_new(struct journal_reader *r, struct error *err);
void input_walk_free(struct input_walk *w);

/* Goes to the first input of the session behind after_seq. */
void input_walk_from(struct input_walk *w, uint64_t epoch, uint64_t after_seq);

/* Returns 1 with a part, which is valid until the next call; 0 at the end; -1. A damaged block comes once, as a part
 * without bytes, and the walk goes on behind it. */
int input_walk_next(struct input_walk *w, struct input_part *part, struct error *err);

/* The part that came last is handed out once more. */
void input_walk_back(struct input_walk *w);

/* Unpacks a row of input_blocks (codec, raw_size, bytes, count from column `at` on) behind what the list holds already,
 * as inputs of batch. Returns 0, 1 when the list has no room for it, -1 when the block is damaged. */
int input_list_add(struct input_list *list, sqlite3_stmt *st, int at, int64_t batch);

/* Numbers of the first and last input in the list, the least and the greatest time (bench clock). Returns 0 or -1. */
int input_list_ends(const struct input_list *list, uint64_t *first, uint64_t *last, int64_t *min_ns, int64_t *max_ns);

#endif
