/* Corrections of meters that were found wrong afterwards: "i2 +1.2 %, u2 -0.3 V" makes every reading of I2 of a run 1.2
 * % larger and takes 0.3 V off U2. */
#ifndef CORRECTION_H
#define CORRECTION_H

#include "bench.h"
#include "error.h"
#include "input.h"

enum { CORRECTIONS_MAX = 8 };

struct corrections {
    int count;
    struct {
        enum signal_kind kind;
        double factor, offset; /* value * factor + offset, in the signal's base unit */
    } rows[CORRECTIONS_MAX];
};

/* Reads the words. 0, or -1 with err in words. */
int corrections_parse(const char *text, struct corrections *c, struct error *err);

/* Does the channel of this bench have every signal that is corrected? 0, or -1 with err. */
int corrections_fit(const struct corrections *c, const struct bench *bench, int channel, struct error *err);

/* Corrects the readings of the channel's signals, and of the bench's own where the channel uses these. */
void corrections_apply(const struct corrections *c, const struct bench *bench, int channel, struct input *in);

#endif
