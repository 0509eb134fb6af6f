/* Serial ports that are none, so that the serial library's own way can be tested on a computer without ports: a mount
 * namespace of the test's own, with a /dev and a list of ports in /sys that nobody else sees, and in it pseudo
 * terminals under the names of USB adapters. Needs the right to make such a namespace. */
#ifndef TTY_ROOM_H
#define TTY_ROOM_H

#include <stdbool.h>
#include <stddef.h>

/* Moves this process, before it has threads, and its children into a namespace with an empty list of ports. 0, or -1
 * with the reason in why. */
int tty_room_enter(char *why, size_t cap);

/* Plugs an adapter in: kernel name ("ttyUSB0"), persistent name below /dev/serial/by-id. Returns the descriptor of the
 * far side, non-blocking. Fails the running test. */
int tty_room_plug(const char *name, const char *by_id);

/* Pulls it out: the far side is closed, its names are gone. */
void tty_room_pull(const char *name, const char *by_id, int far_fd);

/* How often the lines of the modem were asked for or set: only the serial library does that. */
int tty_shim_modem_calls(void);

#endif
