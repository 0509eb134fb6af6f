/* A recorded session (session_record.h) as a transport: the devices as they were, without the devices. */
#ifndef SESSION_REPLAY_H
#define SESSION_REPLAY_H

#include "transport.h"

struct session_replay_setup {
    const char *path;
    /* Modbus TCP: the first two bytes of a frame number the transaction; they are put in as asked. */
    bool numbered;
    /* Answers as late as they were, times this; 0: at once. */
    double pace;
};

/* What the recording says to a question: whatever followed it there, the next place onward from the last one that holds
 * the same bytes (round to the beginning). A question that is not in it gets no answer. NULL with err, which names the
 * line that cannot be read. */
struct transport *session_replay_new(const struct session_replay_setup *setup, struct error *err);

#endif
