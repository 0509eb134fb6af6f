/* Every command of the client with its options: this table parses, helps and completes. */
#include <stddef.h>

#include "calc.h"
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

#define PERCENT(name, help)                                           \
    {                                                                 \
        name, OPTION_PERCENT, "PERCENT", help, DIM_NUMBER, NULL, 0, 0 \
    }
#define NUMBER(name, argument, help)                                \
    {                                                               \
        name, OPTION_NUMBER, argument, help, DIM_NUMBER, NULL, 0, 0 \
    }

static const char *const procedures[] = {"screen", "proof", "soak", "to-cutout", "survey", NULL};
static const char *const strikes[] = {"by-unit", "use", "none", NULL};
static const char *const starts[] = {"unknown", "cold", "warm", NULL};
static const char *const verdicts[] = {"met", "not-met", "undecided", "held", NULL};

static const struct option_row who_options[] = {TEXT("--who", "NAME", "who gives the order")};

static const struct option_row add_options[] = {
    TEXT("--unit", "SERIAL", "the unit whose plate it is, when serial number or maker on file is to be corrected"),
    TEXT("--who", "NAME", "who gives the order"),
};

static const struct option_row rigged_options[] = {
    TEXT("--unit", "SERIAL", "serial number as read from the unit's label: a start for another unit is refused"),
    TEXT("--who", "NAME", "who gives the order"),
};

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
    QUANTITY("--cap", "TIME", "to-cutout, survey: longest on-load part", DIM_TIME),
    WHOLE("--repeats", "N", "to-cutout: how many cut-outs; survey: how many at each current (4)", 1, 100),
    TEXT("--currents", "A,A,...", "survey: the currents in ampere, in the order in which they are taken"),
    QUANTITY("--rest", "TIME", "survey: least rest between two currents", DIM_TIME),
    WORD("--start", "CONDITION", "how the unit starts", starts),
    WORD("--strike", "WORD", "begin on-load parts by the channel's strike; without it: as the unit is on file",
         strikes),
    FLAG("--setting", "begin by dialling the unit in (see run set)"),
    FLAG("--heated-intake", "the intake air is held at the rated ambient"),
    FLAG("--control-at-maximum", "the output control was seen at its maximum"),
    FLAG("--consent-past-rating", "the owner agreed to work past the rating"),
    FLAG("--unattended", "nobody stays with the bench"),
    FLAG("--together", "run queue: beside other runs as far as the limits allow, not in turn"),
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
    FLAG("--brief", "only what was run and how it came out"),
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

static const char *const places[] = {"hire", "service", "quarantine", NULL};

static const struct option_row release_options[] = {
    WORD("--to", "PLACE", "where it goes", places),
    WHOLE("--run", "RUN", "the run that this rests on", 1, INT64_C(9007199254740992)),
    DATE("--due", "DATE", "when it is due for its next check"),
    TEXT("--note", "TEXT", "what is to be done"),
    TEXT("--who", "NAME", "who decides"),
    {"--tag", OPTION_FILE, "FILE", "the tag to tie to it, as a PDF page of 105 x 74 mm", DIM_NUMBER, NULL, 0, 0},
};

static const struct option_row history_options[] = {
    WHOLE("--limit", "N", "read the curves of so many runs, the newest (50)", 1, 1000),
};

static const struct option_row use_options[] = {
    DATE("--since", "DATE", "from this moment on (UTC; the first of this month)"),
    DATE("--until", "DATE", "up to this moment (UTC; now)"),
};

static const struct option_row resend_options[] = {
    DATE("--since", "DATE", "from this moment on (UTC)"),
    TEXT("--store", "NAME", "only this store of the configuration"),
    TEXT("--who", "NAME", "who gives the order"),
};

static const struct option_row attach_options[] = {
    TEXT("--note", "TEXT", "what it shows, or the remark"),
    TEXT("--who", "NAME", "who adds it"),
};

static const struct option_row rejudge_options[] = {
    TEXT("--correct", "CORRECTION", "\"i2 +1.2 %\", \"u2 -0.3 V\"; several with a comma between"),
    TEXT("--reason", "TEXT", "why; it goes into the record"),
    TEXT("--who", "NAME", "who corrects"),
    FLAG("--try", "say what would come out, record nothing"),
};

static const struct option_row baseline_options[] = {
    WHOLE("--run", "RUN", "the run that later ones are compared with", 1, INT64_C(9007199254740992)),
    TEXT("--who", "NAME", "who decides"),
};

static const struct option_row check_options[] = {
    FLAG("--unit", "FILE is a unit file (told from a bench by its serial number)"),
    FLAG("--print", "also print the configuration with every default filled in"),
};

static const struct option_row probe_options[] = {
    TEXT("--device", "NAME", "device of the configuration"),
    WHOLE("--repeat", "N", "read so often, a second apart", 1, 100000),
};

static const char *const forms[] = {"csv", "line-protocol", NULL};

static const struct option_row morning_options[] = {
    DATE("--since", "DATE", "runs that ended at or after (UTC); without it the last sixteen hours of the record"),
};

static const struct option_row record_options[] = {
    {"--pdf", OPTION_FILE, "FILE", "the paper record", DIM_NUMBER, NULL, 0, 0},
    {"--svg", OPTION_FILE, "FILE", "the curves, to be scaled", DIM_NUMBER, NULL, 0, 0},
    {"--png", OPTION_FILE, "FILE", "the curves, as a picture", DIM_NUMBER, NULL, 0, 0},
    TEXT("--customer", "NAME", "printed on the record"),
    TEXT("--job", "NUMBER", "job card, hire or order number"),
    TEXT("--approver", "NAME", "who approves the record"),
    TEXT("--remark", "TEXT", "printed on the record"),
    DATE("--received", "DATE", "when the unit came in"),
    WHOLE("--as-found", "RUN", "the run before the repair: this one shows the unit as left", 1, INT64_C(2000000000)),
    WHOLE("--as-left", "RUN", "the run after the repair: this one shows the unit as found", 1, INT64_C(2000000000)),
};

static const struct option_row export_options[] = {
    {"--to", OPTION_FOLDER, "FOLDER", "where the files go", DIM_NUMBER, NULL, 0, 0},
    WORD("--as", "FORM", "form of the files", forms),
};

static const struct option_row journal_options[] = {
    TEXT("--head", "DIGEST", "a head that an earlier check printed: it must occur in the record"),
};

static const char *const file_procedures[] = {"screen", "proof", "soak", "to-cutout", NULL};
static const char *const separators[] = {"comma", "semicolon", "tab", NULL};
static const char *const encodings[] = {"utf-8", "latin-1", "utf-16", NULL};
static const char *const outputs[] = {"dc", "ac", NULL};

#define LIST(name, argument, help)                                \
    {                                                             \
        name, OPTION_LIST, argument, help, DIM_NUMBER, NULL, 0, 0 \
    }

static const struct option_row replay_options[] = {
    {"--rules", OPTION_FILE, "FILE", "RUN: try the rules of this file on it: rules: alone, or a whole configuration",
     DIM_NUMBER, NULL, 0, 0},
    TEXT("--time", "HEADING", "FILE: column of the time, or \"DATE+TIME\" for two"),
    TEXT("--time-format", "FORMAT", "s, ms, us, min, h, iso, or a pattern like \"%d.%m.%Y %H:%M:%S\""),
    LIST("--column", "SIGNAL=HEADING", "what a column is, and of its meter: \"i2=Strom;unit=A;uncertainty=0.5 %\""),
    WORD("--separator", "NAME", "between cells (told from the headings)", separators),
    FLAG("--decimal-comma", "fractions follow a comma"),
    WORD("--encoding", "NAME", "of the text (UTF-8, or by its byte order mark)", encodings),
    WHOLE("--skip-lines", "N", "lines before the headings", 0, 10000),
    FLAG("--no-headings", "columns have numbers only: #1, #2"),
    FLAG("--units-row", "the row after the headings holds units"),
    FLAG("--local-time", "stamps are local time: take out the hour of summer time"),
    QUANTITY("--stamp-half-width", "TIME", "what a stamp is good for (half its last digit)", DIM_TIME),
    QUANTITY("--gap", "TIME", "readings further apart leave the time unseen (2.5 times their interval)", DIM_TIME),
    QUANTITY("--from", "TIME", "leave out what comes before, from the first stamp on", DIM_TIME),
    QUANTITY("--until", "TIME", "leave out what comes after", DIM_TIME),
    TEXT("--unit", "SERIAL", "the unit, by its serial number in the register"),
    {"--plate", OPTION_FILE, "FILE", "a unit file in place of the register", DIM_NUMBER, NULL, 0, 0},
    TEXT("--point", "POINT", "rating point: its number, or words like \"tig 160 A\""),
    TEXT("--process", "NAME", "a rating point in place of a plate: its process"),
    QUANTITY("--current", "AMPERE", "its current", DIM_CURRENT),
    PERCENT("--percent-on", "its percent-on"),
    QUANTITY("--voltage", "VOLT", "its load voltage, where the plate prints one", DIM_VOLTAGE),
    QUANTITY("--supply", "VOLT", "its supply voltage", DIM_VOLTAGE),
    WORD("--output", "KIND", "its output (dc)", outputs),
    WORD("--procedure", "NAME", "what was done", file_procedures),
    WHOLE("--cycles", "N", "proof: number of cycles (all that the record holds)", 1, 1000),
    QUANTITY("--soak", "TIME", "soak: at least this long", DIM_TIME),
    FLAG("--to-equilibrium", "soak: until the drift is within its limit"),
    FLAG("--go-on-after-cutout", "soak: it waited for the reset and went on"),
    WHOLE("--repeats", "N", "to-cutout: how many cut-outs", 1, 100),
    WORD("--start", "CONDITION", "how the unit began (unknown)", starts),
    FLAG("--load-held", "nobody opened the load, let go of the torch switch or switched off before the current went"),
    FLAG("--heated-intake", "the intake air was held at the rated ambient"),
    FLAG("--control-at-maximum", "the output control was seen at its maximum"),
    FLAG("--confirm-setup", "mode and load were set for the rating point"),
    QUANTITY("--intake", "DEGC", "intake air, where the record does not have it", DIM_TEMPERATURE),
    QUANTITY("--altitude", "METRE", "of the place (0 m)", DIM_ALTITUDE),
    TEXT("--circuit", "NAME", "supply circuit that fed the unit"),
    {"--svg", OPTION_FILE, "FILE", "draw the curves", DIM_NUMBER, NULL, 0, 0},
    {"--png", OPTION_FILE, "FILE", "draw the curves", DIM_NUMBER, NULL, 0, 0},
};

static const struct option_row unpack_options[] = {
    TEXT("--to", "FILE", "the SQLite file to make"),
};

static const struct option_row load_options[] = {
    TEXT("--process", "NAME", "mma, tig, mig, saw, plasma-cut, plasma-weld, plasma-gouge"),
    QUANTITY("--current", "AMPERE", "welding current I2", DIM_CURRENT),
    QUANTITY("--plate-voltage", "VOLT", "U2 as printed on the plate: wins over the rule", DIM_VOLTAGE),
};

static const struct option_row lead_options[] = {
    QUANTITY("--current", "AMPERE", "current", DIM_CURRENT),
    PERCENT("--percent-on", "its percent-on"),
    PERCENT("--at-percent-on", "which current has the same heat at this percent-on"),
    QUANTITY("--at-current", "AMPERE", "which percent-on has the same heat at this current", DIM_CURRENT),
    QUANTITY("--rated-current", "AMPERE", "rating of the lead", DIM_CURRENT),
    PERCENT("--rated-percent-on", "at this percent-on (100)"),
    QUANTITY("--area", "MM2", "conductor, for its resistance", DIM_AREA),
    QUANTITY("--length", "METRE", "length, out and back", DIM_LENGTH),
};

static const struct option_row sensor_options[] = {
    TEXT("--type", "TYPE", "thermocouple letter B E J K N R S T, or pt100, pt1000"),
    NUMBER("--emf-mv", "MV", "measured emf"),
    NUMBER("--resistance-ohm", "OHM", "measured resistance"),
    NUMBER("--temperature-degc", "DEGC", "temperature"),
    NUMBER("--cold-junction-degc", "DEGC", "cold junction of a thermocouple (0)"),
};

static const struct option_row supply_options[] = {
    QUANTITY("--i1", "AMPERE", "supply current on-load", DIM_CURRENT),
    QUANTITY("--i0", "AMPERE", "supply current in the pause (0 A)", DIM_CURRENT),
    PERCENT("--percent-on", "percent-on"),
    QUANTITY("--output", "WATT", "in place of --i1: output power I2 x U2", DIM_POWER),
    NUMBER("--efficiency", "SHARE", "output over supply power"),
    NUMBER("--power-factor", "SHARE", "supply power over apparent power"),
    QUANTITY("--supply", "VOLT", "supply voltage", DIM_VOLTAGE),
    WHOLE("--phases", "N", "1 or 3", 1, 3),
    QUANTITY("--loop", "OHM", "loop and extension resistance: the sag, and I1 with it", DIM_RESISTANCE),
    QUANTITY("--breaker", "AMPERE", "rated current of a breaker: when it may trip", DIM_CURRENT),
    TEXT("--standard", "NAME", "of the breaker: iec-60898-1 or ul-489"),
    TEXT("--curve", "LETTER", "of the breaker: B, C or D"),
    QUANTITY("--cycle", "TIME", "length of the cycle (600 s)", DIM_TIME),
    WHOLE("--cycles", "N", "how many cycles to look at (6)", 1, 1000),
};

static const struct option_row cycle_options[] = {
    QUANTITY("--current", "AMPERE", "the current that counts as rated", DIM_CURRENT),
    PERCENT("--percent-on", "rated percent-on: tells which cycles were held"),
    TEXT("--process", "NAME", "for the load voltage of the band"),
    QUANTITY("--voltage", "VOLT", "load voltage of the band", DIM_VOLTAGE),
    QUANTITY("--expanded-uncertainty", "AMPERE", "of the current meter (0 A)", DIM_CURRENT),
    QUANTITY("--cycle", "TIME", "length of the cycle (600 s)", DIM_TIME),
    QUANTITY("--refresh", "TIME", "how often the meter makes a new value", DIM_TIME),
    QUANTITY("--averaging", "TIME", "window it averages over", DIM_TIME),
    QUANTITY("--damping", "TIME", "time constant of its filter", DIM_TIME),
    QUANTITY("--gap", "TIME", "readings further apart leave the time unseen (5 s)", DIM_TIME),
};

static const struct option_row heat_options[] = {
    QUANTITY("--intake", "DEGC", "intake air, when the file has no intake_degc", DIM_TEMPERATURE),
    QUANTITY("--noise", "KELVIN", "standard uncertainty of one temperature", DIM_TEMP_DIFF),
    QUANTITY("--limit", "DEGC", "temperature at which the unit cuts out, or the most it bore", DIM_TEMPERATURE),
    FLAG("--cutout-seen", "a cut-out was seen at --limit"),
    QUANTITY("--limit-u", "KELVIN", "its standard uncertainty (1 K)", DIM_TEMP_DIFF),
    QUANTITY("--ambient", "DEGC", "asked-for intake air (40 degC)", DIM_TEMPERATURE),
    QUANTITY("--ambient-u", "KELVIN", "its standard uncertainty (0.5 K)", DIM_TEMP_DIFF),
    NUMBER("--current-ratio", "RATIO", "asked-for current over the record's (1)"),
    QUANTITY("--cycle", "TIME", "length of the cycle (600 s)", DIM_TIME),
};

static const struct option_row decision_options[] = {
    NUMBER("--measured", "NUMBER", "result"),
    NUMBER("--expanded-uncertainty", "NUMBER", "its expanded uncertainty U"),
    NUMBER("--at-least", "NUMBER", "what it must reach"),
    NUMBER("--coverage-factor", "K", "of U (2)"),
    NUMBER("--guard", "NUMBER", "guard band as a multiple of U (1)"),
    NUMBER("--fleet-mean", "NUMBER", "mean of many such units, for the rule's risk over all of them"),
    NUMBER("--fleet-sd", "NUMBER", "their standard deviation"),
};

#define OPTIONS(rows) rows, LENGTH(rows)

static const struct command_row commands[] = {
    {"status", NULL, NULL, OPERAND_NONE, 0, 0, "show channels, devices and what goes on now",
     "What it shows is live and may not be on record yet; run show reads the record.", OPTIONS(status_options),
     command_status},
    {"unit", "add", "FILE", OPERAND_FILE, 1, 1, "enter a unit's rating plate, or a new version of it",
     "The file is YAML, as soakbench-unit(5) describes. A run keeps the version of the plate that it was judged by. A "
     "unit is told by serial number and maker: where two makers use one number, name the unit SERIAL/MAKER.",
     OPTIONS(add_options), command_unit_add},
    {"unit", "import", "FILE", OPERAND_FILE, 1, 1, "enter many plates from a CSV file",
     "One line for each rating point; the first line holds the headings serial, maker, model, asset, rated_by, year, "
     "protection, process, output, output_control, supply_v, phases, frequency_hz, percent_on, current_a, "
     "load_voltage_v, no_load_v, i1max_a, i1eff_a, ambient_degc. All lines are checked first; with any problem "
     "nothing is entered.",
     OPTIONS(import_options), command_unit_import},
    {"unit", "list", NULL, OPERAND_NONE, 0, 0, "list the register of units", NULL, NULL, 0, command_unit_list},
    {"unit", "show", "SERIAL", OPERAND_UNIT, 1, 1, "show a unit: plate, safety tests, runs", NULL, NULL, 0,
     command_unit_show},
    {"unit", "history", "SERIAL", OPERAND_UNIT, 1, 1, "show what a unit's runs measured, and what changed",
     "Each run is compared with the unit's baseline, or with its own first run of the same kind, at that run's "
     "current, "
     "supply and intake air. A change counts only beyond the bench's own repeatability (marked !).",
     OPTIONS(history_options), command_unit_history},
    {"unit", "inspect", "SERIAL", OPERAND_UNIT, 1, 1, "put a safety inspection and test on file",
     "No unit goes live before a qualified person has inspected it and done the electrical safety tests that apply "
     "where you are (IEC 60974-4 or your local rule).",
     OPTIONS(inspect_options), command_unit_inspect},
    {"unit", "release", "SERIAL", OPERAND_UNIT, 1, 1, "say where a checked unit goes: hire, service, quarantine",
     "Puts it on file with name, date and next due, and prints the tag.", OPTIONS(release_options),
     command_unit_release},
    {"unit", "set-baseline", "SERIAL", OPERAND_UNIT, 1, 1, "name the run that a unit's later ones are compared with",
     NULL, OPTIONS(baseline_options), command_unit_baseline},
    {"rig", NULL, "CHANNEL", OPERAND_CHANNEL, 1, 1, "take a free channel for rigging: its load stays open",
     "Lock the channel's isolator open before anybody touches leads.", OPTIONS(who_options), command_channel},
    {"rigged", NULL, "CHANNEL", OPERAND_CHANNEL, 1, 1, "confirm at the bench that rigging is finished",
     "Say it only when you stand at the bench, the right unit is on this channel and everybody is clear.",
     OPTIONS(rigged_options), command_channel},
    {"run", "plan", "CHANNEL", OPERAND_CHANNEL, 1, 1, "say what a run will do, and print its set-up sheet",
     "Takes the same words as run start and changes nothing.", OPTIONS(run_options), command_run_plan},
    {"run", "start", "CHANNEL", OPERAND_CHANNEL, 1, 1, "start a run on a rigged channel",
     "The preflight refuses with its reasons, or the run begins. Needs --confirm-setup and --who.",
     OPTIONS(run_options), command_run_start},
    {"run", "queue", "CHANNEL", OPERAND_CHANNEL, 1, 1, "let a run on a rigged channel begin when its turn comes",
     "Without --confirm-setup it shows the plan and queues nothing. "
     "Unattended always. The preflight is asked now and again at the begin; what it refuses then is skipped with the "
     "reason, and the next one begins. In turn: after every run of the queue before it; with --together as soon as "
     "bank "
     "and circuit carry it. Rigging the channel anew, ending its run, or a restart of the daemon takes it off.",
     OPTIONS(run_options), command_run_queue},
    {"run", "queued", NULL, OPERAND_NONE, 0, 0, "list the runs that wait for their turn", NULL, NULL, 0,
     command_run_queued},
    {"run", "unqueue", "RUN|CHANNEL|all", OPERAND_CHANNEL, 1, 1, "take waiting runs off the queue",
     "A run under way goes on: end it with run end. \"run end all\" empties the queue as well.",
     OPTIONS(reason_options), command_run_unqueue},
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
    {"run", "rejudge", "RUN", OPERAND_RUN, 1, 1, "judge a run again with the correction of a meter that was wrong",
     "The corrected readings go through the same engine; the verdict that comes out is the next revision, which "
     "supersedes the ones before and overwrites none. Find the runs with run list --instrument CERTIFICATE --since "
     "DATE.",
     OPTIONS(rejudge_options), command_run_rejudge},
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
    {"notify", "test", NULL, OPERAND_NONE, 0, 0, "send a test message with a code to everybody who is told",
     "Before each night without anybody at the bench. Whoever receives it enters its code with notify acknowledge.",
     OPTIONS(who_options), command_notify_test},
    {"notify", "acknowledge", "CODE", OPERAND_WORD, 1, 1, "enter the code of the test message",
     "It shows that messages reach somebody, for the next twelve hours and until the daemon is restarted.",
     OPTIONS(who_options), command_notify_acknowledge},
    {"uplink", "resend", "[RUN]", OPERAND_RUN, 0, 1, "send rows to the stores again, from a run or a date on",
     "For a store that was set up anew or lost points. Everything from there on is sent again, to the same bytes: "
     "InfluxDB "
     "keeps one point of each, VictoriaMetrics with its de-duplication on (deploy/stores).",
     OPTIONS(resend_options), command_uplink_resend},
    {"morning", NULL, NULL, OPERAND_NONE, 0, 0, "print the morning sheet: what held, what shut off, what to do first",
     "From the record alone; also goes out by mail at six, when anything happened.", OPTIONS(morning_options),
     command_morning},
    {"use", NULL, NULL, OPERAND_NONE, 0, 0, "show what the bench was used for: checks, hours, energy, contactors",
     "Counts what is on record: how long each channel was held and how long somebody had to stand there (rigging and "
     "setting), current and energy into the load by the cycles' means, closings of the contactors and how many are "
     "left, and how many units were tested again.",
     OPTIONS(use_options), command_use},
    {"attach", NULL, "RUN [FILE]", OPERAND_RUN, 1, 2, "add a photo, a test sheet or a remark to a run's record",
     "Goes under the digest of the run, marked as added later. A file of at most 8 MiB; export gives it back.",
     OPTIONS(attach_options), command_attach},
    {"record", NULL, "RUN", OPERAND_RUN, 1, 1, "print a run's record, or draw its curves",
     "The journal is read; --config names paper and site.", OPTIONS(record_options), command_record},
    {"export", NULL, "RUN", OPERAND_RUN, 1, 1, "write a run's readings, events and verdicts as files",
     "CSV (the default) with a data package description beside it, which names units and types of every column; or "
     "line protocol as a store gets it, in one file.",
     OPTIONS(export_options), command_export},
    {"replay", NULL, "RUN|FILE.csv", OPERAND_FILE, 1, 1,
     "judge a run again from the record and compare to the bit, or judge a record made elsewhere",
     "RUN: feeds the engine with the input log of the run's session. Exit status 0: the same; 1: differs, and how. "
     "With "
     "--rules it says instead what each rule of the file would have noted, flagged, ended or opened, and when; a wrong "
     "file is refused with line and column, and the record stays as it is. FILE.csv: a logger's file, judged by the "
     "same "
     "engine with what its columns show and what is stated here; nothing goes into the journal. Needs a plate (--unit, "
     "--plate, or --process, --current and --percent-on) and --procedure. Exit status 0 met or held, 3 not-met, 4 "
     "undecided, 1 a file that cannot be read. A file whose name is a number is written as ./1.",
     OPTIONS(replay_options), command_replay},
    {"journal", "check", NULL, OPERAND_NONE, 0, 0, "check the journal's file and every digest in it",
     "Prints the head of the chain; keep it elsewhere, and give it with --head the next time to find a record that was "
     "cut off.",
     OPTIONS(journal_options), command_journal_check},
    {"journal", "backup", "FILE", OPERAND_FILE, 1, 1, "copy the record as it stands now into a new file",
     "Beside a running daemon. Never overwrites; the copy is checked to its head before it gets its name.", NULL, 0,
     command_journal_backup},
    {"journal", "unpack", "RUN", OPERAND_RUN, 1, 1, "write a run's readings as plain rows into a new SQLite file",
     "Also those that lie in sealed blocks by now, to the bit. Never overwrites.", OPTIONS(unpack_options),
     command_journal_unpack},
    {"verify", NULL, NULL, OPERAND_NONE, 0, 0, "the same as journal check", NULL, OPTIONS(journal_options),
     command_journal_check},
    {"check", NULL, "FILE", OPERAND_FILE, 1, 1, "check a configuration or unit file, and say what the bench can do",
     "Every problem at once, each with line, column and remedy.", OPTIONS(check_options), command_check},
    {"probe", NULL, "FILE", OPERAND_FILE, 1, 1, "read a device by its map, with or without a daemon",
     "For whoever writes a map: shows raw registers or text, value, unit and quality of every point. Never writes. "
     "Where "
     "a daemon holds the bus, it asks between its polls.",
     OPTIONS(probe_options), command_probe},
    {"config", "reference", NULL, OPERAND_NONE, 0, 0, "print the reference of all configuration keys", NULL, NULL, 0,
     command_config_reference},
    {"calc", "load", NULL, OPERAND_NONE, 0, 0, "conventional load voltage, resistance and power", NULL,
     OPTIONS(load_options), command_calc_load},
    {"calc", "cycle", "FILE.csv", OPERAND_FILE, 1, 1, "percent-on and the four times of a record",
     "Columns time_s and current_a; load_voltage_v may be there too. Cycles are counted from the first reading.",
     OPTIONS(cycle_options), command_calc_cycle},
    {"calc", "heat", "FILE.csv", OPERAND_FILE, 1, 1, "time constants, and the percent-on that a unit would hold",
     "Columns time_s, temperature_degc and on (0 or 1) or current_a; intake_degc may be there too.",
     OPTIONS(heat_options), command_calc_heat},
    {"calc", "supply", NULL, OPERAND_NONE, 0, 0, "effective supply current, sag, and when a breaker may trip", NULL,
     OPTIONS(supply_options), command_calc_supply},
    {"calc", "lead", NULL, OPERAND_NONE, 0, 0, "what a lead carries at another percent-on", NULL, OPTIONS(lead_options),
     command_calc_lead},
    {"calc", "sensor", NULL, OPERAND_NONE, 0, 0, "thermocouples and platinum resistors, both ways", NULL,
     OPTIONS(sensor_options), command_calc_sensor},
    {"calc", "decision", NULL, OPERAND_NONE, 0, 0, "met, not-met or undecided, with a guard band",
     "Exit status 0 met, 3 not-met, 4 undecided.", OPTIONS(decision_options), command_calc_decision},
    {"completion", NULL, "bash|zsh|man", OPERAND_WORD, 1, 1, "print shell completion, or the manual page", NULL, NULL,
     0, command_completion},
};

const struct command_row *command_table(int *count)
{
    *count = LENGTH(commands);
    return commands;
}
