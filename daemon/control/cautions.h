/* The cautions, in the words that client, page and record show where the work is done. */
#ifndef CAUTIONS_H
#define CAUTIONS_H

/* Number of cautions, and each as one sentence or two. */
int caution_count(void);
const char *caution_text(int index);

#endif
