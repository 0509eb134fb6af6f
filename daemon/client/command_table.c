/* Every command of the client with its options: this table parses, helps and completes. */
#include <stddef.h>

#include "commands.h"

#define LENGTH(array) ((int)(sizeof(array) / sizeof(array)[0]))
#define FLAG(name, help)                                      \
    {                                                         \
        name, OPTION_FLAG, NULL, help, DIM_NUMBER, NULL, 0, 0 \
    }
#define TEXT(name, argument, help)                                \
    {                                                             \
        name, OPTION_TEXT, argument, help, DIM_NUMBER, NULL, 0, 0 \
    }
#define QUANTITY(name, argument, help, dim)                    \
    {                                                          \
        name, OPTION_QUANTITY, argument, help, dim, NULL, 0, 0 \
    }
#define WHOLE(name, argument, help, low, high)                            \
    {                                                                     \
        name, OPTION_INTEGER, argument, help, DIM_NUMBER, NULL, low, high \
    }
#define WORD(name, argument, help, words)                          \
    {                                                              \
        name, OPTION_WORD, argument, help, DIM_NUMBER, words, 0, 0 \
    }
#define DATE(name, argument, help)                                \
    {                                                             \
        name, OPTION_DATE, argument, help, DIM_NUMBER, NULL, 0, 0 \
    }

static const char *const procedures[] = {"screen", "proof", "soak", "to-cutout", "survey", NULL};
static const char *const starts[] = {"unknown", "cold", "warm", NULL};
static const char *const verdicts[] = {"met", "not-met", "undecided", "held", NULL};

static const struct option_row who_options[] = {TEXT("--who", "NAME", "who gives the order")};

static const struct option_row reason_options[] = {
    TEXT("--reason", "TEXT", "why; it goes into the record"),
    TEXT("--who", "NAME", "who gives the order"),
};

static const struct option_row note_options[] = {
    TEXT("--text", "TEXT", "what was seen: a lamp, a code on the display, a smell"),
    TEXT("--who", "NAME", "who saw it"),
};

static const struct option_row status_options[] = {
    FLAG("--figures", "also the figures of buses, queues, journal and stores"),
};

/* Shared by run plan and run start, so that the same words plan a run and start it. */
static const struct option_row run_options[] = {
    TEXT("--unit", "SERIAL", "the unit, by its serial number in the register"),
    {"--plate", OPTION_FILE, "FILE", "run plan: a unit file in place of the register", DIM_NUMBER, NULL, 0, 0},
    TEXT("--point", "POINT", "rating point: its number, or words like \"tig 160 A\""),
    WORD("--procedure", "NAME", "what to do", procedures),
    WHOLE("--cycles", "N", "proof: number of cycles", 1, 1000),
    QUANTITY("--soak", "TIME", "soak: at least this long", DIM_TIME),
    FLAG("--to-equilibrium", "soak: until the drift is within its limit"),
    QUANTITY("--soak-cap", "TIME", "soak: give up after this long", DIM_TIME),
    FLAG("--go-on-after-cutout", "soak: wait for the reset and go on"),
    QUANTITY("--cap", "TIME", "to-cutout: longest on-load part", DIM_TIME),
    WHOLE("--repeats", "N", "to-cutout: how many cut-outs", 1, 100),
    WORD("--start", "CONDITION", "how the unit starts", starts),
    FLAG("--setting", "begin by dialling the unit in (see run set)"),
    FLAG("--heated-intake", "the intake air is held at the rated ambient"),
    FLAG("--control-at-maximum", "the output control was seen at its maximum"),
    FLAG("--consent-past-rating", "the owner agreed to work past the rating"),
    FLAG("--unattended", "nobody stays with the bench"),
    QUANTITY("--resistance", "OHM", "load resistance in place of the rating point's", DIM_RESISTANCE),
    QUANTITY("--u0", "VOLT", "the unit's own no-load voltage, if known", DIM_VOLTAGE),
    TEXT("--accept", "NAMES", "warnings of the preflight that are accepted, by name"),
    TEXT("--who", "NAME", "who starts the run"),
    FLAG("--confirm-setup", "the unit was set up by the set-up sheet of run plan"),
    FLAG("--watch", "follow the run until its verdict"),
};

static const struct option_row list_options[] = {
    TEXT("--unit", "SERIAL", "runs of this unit"),
    TEXT("--channel", "NAME", "runs on this channel"),
    WORD("--verdict", "VERDICT", "runs with this verdict", verdicts),
    DATE("--since", "DATE", "started at or after (UTC)"),
    DATE("--until", "DATE", "started before (UTC)"),
    TEXT("--instrument", "CERTIFICATE", "runs in which a meter with this certificate took part"),
    FLAG("--open", "runs that are going on"),
    WHOLE("--limit", "N", "at most so many, the newest first (50)", 1, 1000),
};

static const struct option_row show_options[] = {
    FLAG("--events", "all events instead of the table of cycles"),
};

static const struct option_row import_options[] = {
    TEXT("--columns", "KEY=HEADING,...", "headings that are not named like the keys"),
    FLAG("--check-only", "look for problems, enter nothing"),
    TEXT("--who", "NAME", "who enters them"),
};

static const struct option_row inspect_options[] = {
    FLAG("--passed", "the unit passed"),
    FLAG("--failed", "the unit failed"),
    TEXT("--who", "NAME", "who tested"),
    TEXT("--kind", "TEXT", "which test, in your own words"),
    TEXT("--reference", "TEXT", "number of the test sheet or certificate"),
    DATE("--done", "DATE", "when it was done (today)"),
    DATE("--due", "DATE", "when it is due again"),
    TEXT("--note", "TEXT", "figures and remarks: protective conductor, insulation, leakage, U0, instrument"),
};

#define OPTIONS(rows) rows, LENGTH(rows)

static const struct command_row commands[] = {
    {"status", NULL, NULL, OPERAND_NONE, 0, 0, "show channels, devices and what goes on now",
     "What it shows is live and may not be on record yet; run show reads the record.", OPTIONS(status_options),
     command_status},
    {"unit", "add", "FILE", OPERAND_FILE, 1, 1, "enter a unit's rating plate, or a new version of it",
     "The file is YAML, as soakbench-unit(5) describes. A run keeps the version of the plate that it was judged by.",
     OPTIONS(who_options), command_unit_add},
    {"unit", "import", "FILE", OPERAND_FILE, 1, 1, "enter many plates from a CSV file",
     "One line for each rating point; the first line holds the headings serial, maker, model, asset, rated_by, year, "
     "protection, process, output, output_control, supply_v, phases, frequency_hz, percent_on, current_a, "
     "load_voltage_v, no_load_v, i1max_a, i1eff_a, ambient_degc. All lines are checked first; with any problem "
     "nothing is entered.",
     OPTIONS(import_options), command_unit_import},
    {"unit", "list", NULL, OPERAND_NONE, 0, 0, "list the register of units", NULL, NULL, 0, command_unit_list},
    {"unit", "show", "SERIAL", OPERAND_UNIT, 1, 1, "show a unit: plate, safety tests, runs", NULL, NULL, 0,
     command_unit_show},
    {"unit", "inspect", "SERIAL", OPERAND_UNIT, 1, 1, "put a safety inspection and test on file",
     "No unit goes live before a qualified person has inspected it and done the electrical safety tests that apply "
     "where you are (IEC 60974-4 or your local rule).",
     OPTIONS(inspect_options), command_unit_inspect},
    {"rig", NULL, "CHANNEL", OPERAND_CHANNEL, 1, 1, "take a free channel for rigging: its load stays open",
     "Lock the channel's isolator open before anybody touches leads.", OPTIONS(who_options), command_channel},
    {"rigged", NULL, "CHANNEL", OPERAND_CHANNEL, 1, 1, "confirm at the bench that rigging is finished",
     "Say it only when you stand at the bench, the right unit is on this channel and everybody is clear.",
     OPTIONS(who_options), command_channel},
    {"run", "plan", "CHANNEL", OPERAND_CHANNEL, 1, 1, "say what a run will do, and print its set-up sheet",
     "Takes the same words as run start and changes nothing.", OPTIONS(run_options), command_run_plan},
    {"run", "start", "CHANNEL", OPERAND_CHANNEL, 1, 1, "start a run on a rigged channel",
     "The preflight refuses with its reasons, or the run begins. Needs --confirm-setup and --who.",
     OPTIONS(run_options), command_run_start},
    {"run", "set", "CHANNEL", OPERAND_CHANNEL, 1, 1, "the unit is dialled in: end the setting and go on", NULL,
     OPTIONS(who_options), command_channel},
    {"run", "end", "CHANNEL|all", OPERAND_CHANNEL, 1, 1,
     "end a run: the load opens, the run is judged as far as it came",
     "This is not an emergency stop. In danger hit the hard-wired one.", OPTIONS(reason_options), command_channel},
    {"run", "release", "CHANNEL", OPERAND_CHANNEL, 1, 1, "give a finished channel free", NULL, OPTIONS(who_options),
     command_channel},
    {"run", "watch", "RUN|CHANNEL", OPERAND_RUN, 1, 1, "follow a run to its verdict",
     "Ends with the verdict, and an exit status by it: 0 met or held, 3 not-met, 4 undecided.", NULL, 0,
     command_run_watch},
    {"run", "list", NULL, OPERAND_NONE, 0, 0, "list runs on record, the newest first", NULL, OPTIONS(list_options),
     command_run_list},
    {"run", "show", "RUN", OPERAND_RUN, 1, 1, "show a run: verdict, figures, cycles", NULL, OPTIONS(show_options),
     command_run_show},
    {"reset", NULL, "CHANNEL", OPERAND_CHANNEL, 1, 1, "reset a channel that an interlock holds",
     "Find and mend the cause first. The reason goes into the record.", OPTIONS(reason_options), command_channel},
    {"continue", NULL, "CHANNEL", OPERAND_CHANNEL, 1, 1,
     "allow a channel again that was on load when the daemon was cut off", NULL, OPTIONS(reason_options),
     command_channel},
    {"note", NULL, "CHANNEL|all", OPERAND_CHANNEL, 1, 1, "put a remark or an observation into the record", NULL,
     OPTIONS(note_options), command_channel},
    {"watchdog", "prove", "DEVICE", OPERAND_DEVICE, 1, 1, "prove a load controller's watchdog by a timed opening",
     "Closes a step while the units are dead or isolated, stops the heartbeat and times the opening. Never with an "
     "always-live unit switched on behind it. Once a day and after each power-up.",
     OPTIONS(who_options), command_watchdog_prove},
    {"completion", NULL, "bash|zsh", OPERAND_WORD, 1, 1, "print shell completion", NULL, NULL, 0, command_completion},
};

const struct command_row *command_table(int *count)
{
    *count = LENGTH(commands);
    return commands;
}
