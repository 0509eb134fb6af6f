/* What the operator asks for. */
#ifndef OPERATE_H
#define OPERATE_H

#include "engine_state.h"

/* Takes one request and answers it. */
void operate(struct engine *e, const struct input_operator *op);

#endif
