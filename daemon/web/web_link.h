/* The web process as a client of the control socket: one short connection an answer, bounded in time, so that a slow or
 * dead daemon costs a request and nothing else. */
#ifndef WEB_LINK_H
#define WEB_LINK_H

#include <jansson.h>

#include "error.h"

/* Sends request (taken over, also on failure; its id is set here) and waits up to timeout_ms for the answer that ends
 * it: stage done or refused, or accepted when accepted_ends. Returns the whole answer, the caller's to release, or NULL
 * with err. Any thread. */
json_t *web_link_ask(const char *socket_path, json_t *request, int accepted_ends, int timeout_ms, struct error *err);

#endif
