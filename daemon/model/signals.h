/* The signals that the engine knows, their class (how long a loss is borne) and the quality of a reading. */
#ifndef SIGNALS_H
#define SIGNALS_H

#include "quantity.h"

enum signal_kind {
    SIG_I2,      /* welding current */
    SIG_U2,      /* load voltage at the unit's terminals */
    SIG_U2_PEAK, /* latched peak of U2 */
    SIG_U_BANK,  /* voltage at the load bank's terminals */
    SIG_U1,      /* supply voltage at the unit */
    SIG_U1_LINE, /* supply voltage ahead of the breaker */
    SIG_U1_A,
    SIG_U1_B,
    SIG_U1_C,
    SIG_I1, /* supply current */
    SIG_I1_A,
    SIG_I1_B,
    SIG_I1_C,
    SIG_P1,       /* supply power */
    SIG_T_INTAKE, /* air going into the unit */
    SIG_T_EXHAUST,
    SIG_T_CASE,
    SIG_T_LEAD,
    SIG_T_BANK,       /* load bank outlet or element */
    SIG_FAN_PROOF,    /* 1: the bank's fan is seen turning */
    SIG_ESTOP,        /* 1: the hard-wired emergency stop is pressed (auxiliary contact, read only) */
    SIG_SMOKE,        /* 1: smoke or heat detector */
    SIG_ISOLATED,     /* 1: the channel's isolator is open: safe to rig */
    SIG_BREAKER_AUX,  /* 1: the supply breaker is closed */
    SIG_THERMAL_LAMP, /* 1: the unit's own over-temperature lamp is lit */
    SIG_ENGINE_SPEED,
    SIG_FEEDBACK,    /* mask of closed steps, bit i = step i */
    SIG_SUPPLY_OPEN, /* 1: the second means (supply contactor or trip) is open */
    SIG_KEY_SWITCH,  /* 1: the bench's key allows starting from elsewhere */
    SIG_OTHER,       /* recorded, never judged */
    SIG_KIND_COUNT_
};

enum signal_class { CLASS_SAFETY, CLASS_JUDGEMENT, CLASS_INFORMATIVE, CLASS_COUNT_ };

/* A meter's latched peak: how it lets go. */
enum latch_kind {
    LATCH_NONE,  /* no latch, or one that lets go by itself after some seconds */
    LATCH_WRITE, /* stays until it is reset by a write */
    LATCH_READ,  /* each reading clears it */
    LATCH_KIND_COUNT_
};

/* What a fast capture holds. */
enum capture_signal { CAPTURED_U2, CAPTURED_I2, CAPTURE_SIGNALS };

enum quality { QUALITY_GOOD, QUALITY_STALE, QUALITY_OUT_OF_RANGE, QUALITY_INVALID, QUALITY_LINK_LOST, QUALITY_COUNT_ };

const char *signal_kind_name(enum signal_kind kind);
const char *signal_class_name(enum signal_class c);
const char *quality_name(enum quality quality);

/* Kind of a signal by its name in the configuration; names the engine does not know are SIG_OTHER. */
enum signal_kind signal_kind_parse(const char *name);

/* The class that a kind has unless the configuration says another, and the dimension of its value. */
enum signal_class signal_kind_class(enum signal_kind kind);
enum dimension signal_kind_dimension(enum signal_kind kind);

#endif
