/* A mail server and a web server of the test's own on the loopback, which take, refuse or never answer. */
#ifndef MESSAGE_SINK_H
#define MESSAGE_SINK_H

#include <stdbool.h>
#include <stddef.h>

enum sink_kind { SINK_SMTP, SINK_HTTP };
enum sink_mood { SINK_TAKES, SINK_REFUSES, SINK_HANGS };

struct message_sink;

/* Listens on a free port. Fails the test when it cannot. */
struct message_sink *message_sink_new(enum sink_kind kind);
void message_sink_free(struct message_sink *s);

int message_sink_port(const struct message_sink *s);
void message_sink_set(struct message_sink *s, enum sink_mood mood);

/* How many messages (mails, requests) came whole, and how many connections at all. */
int message_sink_count(struct message_sink *s);
int message_sink_calls(struct message_sink *s);

/* Text of message n from 0, as sent; "" when there is none. Copied into to. */
void message_sink_text(struct message_sink *s, int n, char *to, size_t cap);

/* Waits until there are so many messages; false when they do not come within timeout_s. */
bool message_sink_wait(struct message_sink *s, int count, double timeout_s);

#endif
