/* Upper bounds of everything that is sized at start. Structures in this room hold no pointers, so that they can be
 * copied, queued, encoded and compared as they are. */
#ifndef CAPACITY_H
#define CAPACITY_H

enum {
    NAME_CAP = 48,            /* names of channels, devices, signals, units ... with the final zero */
    PATH_CAP = 256,           /* file and device paths, URLs */
    TEXT_CAP = 256,           /* a sentence for people */
    CHANNELS_MAX = 64,        /* load positions of a bench */
    DEVICES_MAX = 64,         /* controllers and meters */
    BUSES_MAX = 32,           /* serial lines and TCP connections */
    CIRCUITS_MAX = 32,        /* supply circuits */
    SIGNALS_MAX = 1024,       /* signals of a bench */
    STEPS_MAX = 16,           /* switched resistors of a channel */
    PATH_PARTS_MAX = 12,      /* cable, connectors, adaptor of a load path */
    RATINGS_MAX = 24,         /* rating points of a plate */
    RULES_MAX = 64,           /* rules from the configuration */
    CURVE_POINTS_MAX = 24,    /* points of a maker's breaker curve */
    SURVEY_POINTS_MAX = 8,    /* currents of a survey */
    QUEUE_MAX = 32,           /* runs that wait for their turn */
    BLOCK_ITEMS_MAX = 48,     /* readings in one input */
    CAPTURE_VALUES_MAX = 1024 /* samples in one fast capture, of all its signals together */
};

#endif
