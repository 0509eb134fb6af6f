/* The far side of a line, as fast as a line is: a thread that answers reads of registers over a pseudo terminal, at 11
 * bits a byte of a given rate with the silence of 3.5 characters before its answer, or over a socket as fast as it can.
 */
#ifndef PACED_PEER_H
#define PACED_PEER_H

struct paced_peer;

/* Answers over fd, which it takes over. baud 0: no line, Modbus TCP framing. Ends the program when it cannot. */
struct paced_peer *paced_peer_new(int fd, int baud);
void paced_peer_free(struct paced_peer *p);

/* Keep both sides on one processor, or let them be. */
void paced_peer_pin(int on);

#endif
