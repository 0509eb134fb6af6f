/* Welding and cutting processes, kinds of output and ways an output is controlled, with the words people use for
 * them. */
#ifndef PROCESS_H
#define PROCESS_H

enum process {
    PROCESS_MMA,
    PROCESS_TIG,
    PROCESS_MIG, /* gas-shielded and flux-cored wire */
    PROCESS_SAW,
    PROCESS_PLASMA_CUT,
    PROCESS_PLASMA_WELD,
    PROCESS_PLASMA_GOUGE,
    PROCESS_COUNT_
};

enum output_kind { OUTPUT_DC, OUTPUT_AC, OUTPUT_COUNT_ };

/* How the unit's output is switched, which decides what breaks the current at every opening. */
enum output_control {
    CONTROL_TRIGGER,          /* by the unit's torch switch, held by the bench */
    CONTROL_ALWAYS_LIVE,      /* output present whenever the unit is on: the load contactors break the current */
    CONTROL_REMOTE_CONTACTOR, /* by a contactor inside the unit, from a remote input */
    CONTROL_COUNT_
};

const char *process_name(enum process process);
const char *output_name(enum output_kind output);
const char *control_name(enum output_control control);

/* Accepts our names and the trade's other words (stick, SMAW, GTAW, MAG, GMAW, FCAW ...), any case.
 * Return 0, or -1 when the word is unknown. */
int process_parse(const char *text, enum process *process);
int output_parse(const char *text, enum output_kind *output);
int control_parse(const char *text, enum output_control *control);

#endif
