/* A disk that forgets: an SQLite VFS that passes everything on to the real one and keeps, for each file, what was
 * synced and what was only written. At a chosen operation it takes the picture that a power cut could leave: synced
 * bytes, plus an arbitrary part of the unsynced writes, some of them torn at a sector. */
#ifndef POWER_CUT_H
#define POWER_CUT_H

#include <stdbool.h>
#include <stdint.h>

struct power_cut;

/* Registers itself as the default VFS; one at a time. */
struct power_cut *power_cut_new(uint32_t seed);
void power_cut_free(struct power_cut *p);

/* Take the picture at this operation from now on (writes, truncations and syncs are counted). */
void power_cut_at(struct power_cut *p, uint64_t operation);
bool power_cut_happened(const struct power_cut *p);
/* Writes the picture of the main file and its WAL to a new place. Ends the test on failure. */
void power_cut_restore(const struct power_cut *p, const char *path);

#endif
