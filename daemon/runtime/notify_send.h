/* One message to one target, over SMTP or as a web hook; and the sign of life to the dead-man outside. */
#ifndef NOTIFY_SEND_H
#define NOTIFY_SEND_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"
#include "error.h"

struct notify_message {
    char bench[NAME_CAP];
    bool urgent;
    char subject[128];
    char *body; /* lines of text; the caller's */
    int64_t utc_s;
    uint64_t number; /* makes the message's id */
};

/* Sends and waits for the answer, the target's timeout at most. Real network; one thread at a time for each call.
 * curl_global_init must have been called. Returns 0, or -1 with the other side's words. */
int notify_send(const struct notify_config *target, const struct notify_message *message, struct error *err);

/* Tells the dead-man outside that all is well. 0 or -1 with err. */
int notify_beat(const struct notify_config *target, struct error *err);

/* The text of a mail, with its headers, in malloc'd memory; NULL when memory is short. Line ends are CR LF, nothing in
 * the fields can add a header. */
char *notify_mail_text(const struct notify_config *target, const struct notify_message *message);

#endif
