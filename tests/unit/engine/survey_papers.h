/* A survey's map on its way out of the journal. */
#ifndef SURVEY_PAPERS_H
#define SURVEY_PAPERS_H

#include <stdint.h>

/* Exports the run below a folder and draws its record there: a row a current, and a document. Removes all of it again;
 * SOAKBENCH_KEEP_RECORD names a file to draw it in, which stays. */
void survey_leaves_the_journal(const char *journal, const char *below, int64_t run, int count);

#endif
