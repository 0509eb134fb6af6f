/* What the engine asks for. The runtime carries it out; the engine learns the outcome from later inputs. */
#ifndef COMMAND_H
#define COMMAND_H

#include <stdbool.h>
#include <stdint.h>

#include "capacity.h"

enum command_kind {
    COMMAND_STEPS, /* close exactly the steps of mask on the channel; goes out only after the intent event is durable */
    COMMAND_OPEN,  /* open all steps of one channel, at once */
    COMMAND_DROP,  /* drop latch of the whole load device, at once, never queued */
    COMMAND_TRIGGER,    /* hold or release the unit's torch switch */
    COMMAND_SUPPLY,     /* on: allow the unit's supply; off: trip the second means */
    COMMAND_LEASE,      /* the device's heartbeat may go on until until_ns */
    COMMAND_BEAT_STOP,  /* stop the heartbeat for good: the controller's watchdog shall act */
    COMMAND_BEAT_START, /* after a reset or a proof */
    COMMAND_FAN,        /* bank fan */
    COMMAND_BEACON,     /* "bench live" light */
    COMMAND_SETPOINT,   /* settable loads: value in ohm or A; latest wins */
    COMMAND_ANSWER,     /* to the operator's request: accepted or refused, text */
    COMMAND_NOTIFY,     /* wake somebody or tell them later: text */
    COMMAND_REMOTE,     /* the unit's remote control: value in the output's unit */
    COMMAND_WORKER,     /* start a job beside the engine */
    COMMAND_PEAK_RESET, /* let the channel's latched peak go */
    COMMAND_CAPTURE,    /* the channel's buffer of fast samples; code: capture_order. Answered by an input of its own */
    COMMAND_FACTS, /* what stands behind a waiting run (request: its number) as it is now; the answer is VERB_FACTS */
    COMMAND_KIND_COUNT_
};

enum notify_urgency { NOTIFY_MORNING, NOTIFY_NOW };

enum capture_order { CAPTURE_ARM, CAPTURE_READ };

struct command {
    enum command_kind kind;
    uint64_t number; /* of this command, counts up; ACK refers to it */
    int32_t channel; /* -1: none */
    int32_t device;  /* -1: none */
    uint32_t mask;   /* COMMAND_STEPS */
    bool on;
    int64_t until_ns;      /* COMMAND_LEASE */
    uint64_t intent_event; /* COMMAND_STEPS, TRIGGER on: event that must be durable first; 0: none */
    uint64_t request;      /* COMMAND_ANSWER */
    int32_t code;          /* ANSWER: 0 accepted, 1 refused, 2 done; NOTIFY: urgency; WORKER: job kind */
    double value;
    double percent_on, cycle_s; /* COMMAND_WORKER: of the rating point */
    char text[TEXT_CAP];
};

#endif
