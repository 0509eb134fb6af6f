/* The curves of a foreign record as a picture. */
#ifndef RECORD_PICTURE_H
#define RECORD_PICTURE_H

#include "plot.h"
#include "record_replay.h"

/* Returns 0 or -1 with err. */
int record_picture(const struct record_question *question, const struct record_answer *answer, enum plot_format format,
                   const char *path, struct error *err);

#endif
