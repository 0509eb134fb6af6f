/* Sweeps up a test's folder, whatever becomes of the test: a process of its own waits until the test's process has
 * ended or says that it is done with the folder, and then removes it. A test that fails or is killed by its time limit
 * cleans up nothing itself. */
#ifndef BROOM_H
#define BROOM_H

struct broom;

/* From now on the folder goes when this process does. Fails the test when that cannot be. */
struct broom *broom_new(const char *folder);

/* Remove the folder now, with all that is in it. */
void broom_free(struct broom *broom);

#endif
