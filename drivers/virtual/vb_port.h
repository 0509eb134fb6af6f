/* Descriptors of the program soakbench-virtual: listening sockets and pseudo terminals. */
#ifndef VB_PORT_H
#define VB_PORT_H

#include <stddef.h>

/* Listens on 127.0.0.1 and the port (0: any free one; *port tells which). Returns a non-blocking descriptor or -1. */
int vb_port_listen(int *port);

/* Accepts a connection, non-blocking, without delay. -1: none. */
int vb_port_accept(int listener);

/* Opens a pseudo terminal in raw mode and holds its other side open too, so that it lives on between users. path gets
 * the name of that side; link, when not empty, becomes a symbolic link to it (an old link is replaced). Returns the
 * descriptor or -1; *other is to be closed with it. */
int vb_port_pty(char *path, size_t cap, const char *link, int *other);

#endif
