/* Recorded sessions: every byte between a bus and its devices with its time, in a text file that people can read, and
 * that can stand in for the devices afterwards.
 *
 *     # soakbench session 1
 *     # bus rack, modbus-rtu, begun 2026-01-05T08:00:00Z
 *     + 0.000000
 *     > 0.000214 0104000000023cxx       said by the bus
 *     < 0.004981 010404...              said by a device
 *
 * "+" is a new connection; times are seconds since the first one; bytes are hexadecimal, as they came together. Lines
 * that begin with "#" say what the recording is. */
#ifndef SESSION_RECORD_H
#define SESSION_RECORD_H

#include "transport.h"

enum { SESSION_BYTES_MAX = 64 * 1024 * 1024 }; /* of the file: what comes after is not recorded */

/* Records all that passes over inner (taken over; freed when this fails) into a new file: path, or where that
 * exists, path.2 and so on to path.99. what: a line for its head, without an end of line. A disk that is full ends the
 * recording and nothing else. NULL with err. */
struct transport *session_record_over(struct transport *inner, const char *path, const char *what, struct error *err);

#endif
