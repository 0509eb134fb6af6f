/* A device inside this process: what a bus of kind BUS_IN_PROCESS talks to instead of a descriptor. Plain function
 * pointers, so that a simulation, a recorded session or a fault layer can stand in without sharing any code. */
#ifndef PEER_H
#define PEER_H

#include <stddef.h>
#include <stdint.h>

/* What an exchange returns. */
enum {
    PEER_ANSWERED = 0,
    PEER_SILENT = -1,       /* no answer: the bus waits for its whole timeout */
    PEER_GARBLED = -2,      /* something came that is no frame (checksum, truncated, noise) */
    PEER_WRONG_SERVER = -3, /* a frame of another server came */
    PEER_GONE = -4          /* the connection or port is lost; other negative values count as this */
};

struct peer {
    /* One Modbus transaction: a protocol data unit (function code and data, at most 253 bytes) to the server address
     * given, its answer into answer (cap bytes, *answer_size used). *took_ns is how long the transaction lasts in the
     * bench's time; longer than the timeout means too late. NULL: this peer does not speak Modbus. */
    int (*exchange)(void *ctx, int server, const uint8_t *pdu, size_t pdu_size, uint8_t *answer, size_t cap,
                    size_t *answer_size, int64_t *took_ns);
    /* One exchange of text: a line without its terminator, and the reply without its terminator (empty when the
     * command has none). NULL: this peer does not speak text. */
    int (*talk)(void *ctx, const char *line, char *reply, size_t cap, int64_t *took_ns);
    /* The next line that the device has said by itself and when (bench time): 1 with a line, 0 when there is none, or
     * one of the negative values above. NULL: it never does. */
    int (*listen)(void *ctx, char *line, size_t cap, int64_t *said_ns);
    void *ctx;
};

#endif
