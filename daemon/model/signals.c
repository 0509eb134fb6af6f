#include "signals.h"

#include <string.h>

struct kind_row {
    const char *name;
    enum signal_class cls;
    enum dimension dim;
};

static const struct kind_row kind_rows[SIG_KIND_COUNT_] = {
    [SIG_I2] = {"i2", CLASS_SAFETY, DIM_CURRENT},
    [SIG_U2] = {"u2", CLASS_SAFETY, DIM_VOLTAGE},
    [SIG_U2_PEAK] = {"u2_peak", CLASS_INFORMATIVE, DIM_VOLTAGE},
    [SIG_U_BANK] = {"u_bank", CLASS_INFORMATIVE, DIM_VOLTAGE},
    [SIG_U1] = {"u1", CLASS_JUDGEMENT, DIM_VOLTAGE},
    [SIG_U1_LINE] = {"u1_line", CLASS_INFORMATIVE, DIM_VOLTAGE},
    [SIG_U1_A] = {"u1_a", CLASS_JUDGEMENT, DIM_VOLTAGE},
    [SIG_U1_B] = {"u1_b", CLASS_JUDGEMENT, DIM_VOLTAGE},
    [SIG_U1_C] = {"u1_c", CLASS_JUDGEMENT, DIM_VOLTAGE},
    [SIG_I1] = {"i1", CLASS_INFORMATIVE, DIM_CURRENT},
    [SIG_I1_A] = {"i1_a", CLASS_INFORMATIVE, DIM_CURRENT},
    [SIG_I1_B] = {"i1_b", CLASS_INFORMATIVE, DIM_CURRENT},
    [SIG_I1_C] = {"i1_c", CLASS_INFORMATIVE, DIM_CURRENT},
    [SIG_P1] = {"p1", CLASS_INFORMATIVE, DIM_POWER},
    [SIG_T_INTAKE] = {"t_intake", CLASS_JUDGEMENT, DIM_TEMPERATURE},
    [SIG_T_EXHAUST] = {"t_exhaust", CLASS_INFORMATIVE, DIM_TEMPERATURE},
    [SIG_T_CASE] = {"t_case", CLASS_INFORMATIVE, DIM_TEMPERATURE},
    [SIG_T_LEAD] = {"t_lead", CLASS_INFORMATIVE, DIM_TEMPERATURE},
    [SIG_T_BANK] = {"t_bank", CLASS_SAFETY, DIM_TEMPERATURE},
    [SIG_FAN_PROOF] = {"fan_proof", CLASS_SAFETY, DIM_NUMBER},
    [SIG_ESTOP] = {"estop", CLASS_SAFETY, DIM_NUMBER},
    [SIG_SMOKE] = {"smoke", CLASS_SAFETY, DIM_NUMBER},
    [SIG_ISOLATED] = {"isolated", CLASS_SAFETY, DIM_NUMBER},
    [SIG_BREAKER_AUX] = {"breaker_aux", CLASS_INFORMATIVE, DIM_NUMBER},
    [SIG_THERMAL_LAMP] = {"thermal_lamp", CLASS_INFORMATIVE, DIM_NUMBER},
    [SIG_ENGINE_SPEED] = {"engine_speed", CLASS_JUDGEMENT, DIM_SPEED},
    [SIG_FEEDBACK] = {"feedback", CLASS_SAFETY, DIM_NUMBER},
    [SIG_SUPPLY_OPEN] = {"supply_open", CLASS_INFORMATIVE, DIM_NUMBER},
    [SIG_KEY_SWITCH] = {"key_switch", CLASS_INFORMATIVE, DIM_NUMBER},
    [SIG_OTHER] = {"other", CLASS_INFORMATIVE, DIM_NUMBER},
};

static const char *const class_names[CLASS_COUNT_] = {"safety", "judgement", "informative"};
static const char *const quality_names[QUALITY_COUNT_] = {"good", "stale", "out-of-range", "invalid", "link-lost"};

const char *signal_kind_name(enum signal_kind kind)
{
    return (unsigned)kind < SIG_KIND_COUNT_ ? kind_rows[kind].name : "?";
}

const char *signal_class_name(enum signal_class c)
{
    return (unsigned)c < CLASS_COUNT_ ? class_names[c] : "?";
}

const char *quality_name(enum quality quality)
{
    return (unsigned)quality < QUALITY_COUNT_ ? quality_names[quality] : "?";
}

enum signal_kind signal_kind_parse(const char *name)
{
    for (int i = 0; i < SIG_OTHER; i++)
        if (strcmp(kind_rows[i].name, name) == 0)
            return (enum signal_kind)i;
    return SIG_OTHER;
}

enum signal_class signal_kind_class(enum signal_kind kind)
{
    return (unsigned)kind < SIG_KIND_COUNT_ ? kind_rows[kind].cls : CLASS_INFORMATIVE;
}

enum dimension signal_kind_dimension(enum signal_kind kind)
{
    return (unsigned)kind < SIG_KIND_COUNT_ ? kind_rows[kind].dim : DIM_NUMBER;
}
