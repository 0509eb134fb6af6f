/* The reference of all keys: docs/configuration.md. */
#include <stdio.h>
#include <stdlib.h>

#include "config.h"
#include "raw.h"

static const char intro[] =
    "# Configuration reference\n\n"
    "Made by the program `soakbench-reference` from the tables that read the files; a test holds it to them.\n\n"
    "> **Caution.** Mains and welding outputs kill; banks and leads burn. A hard-wired emergency stop, bank "
    "thermostats, "
    "an airflow switch and a guard are needed, and no key of these files is one of them. Qualified people only; local "
    "electrical codes and the makers' instructions govern.\n\n"
    "## How to write it\n\n"
    "- YAML, one document, UTF-8. No anchors, aliases, tags or repeated keys; unknown keys are errors. `soakbench "
    "check "
    "FILE` reports every error at once, each with line, column and remedy.\n"
    "- A quantity carries its unit: `300 ms`, `0.16 ohm`, `0.5 %`, `80 degC`, `2 K`, `2 K/h`. A number without its "
    "unit "
    "is refused where a unit belongs, and nothing is guessed. Units: A mA kA, V mV kV, ohm mohm kohm, W kW, J Wh kWh, "
    "s "
    "ms us ns min h d, degC, K, K/h, %, m mm, mm2, Hz kHz, 1/min.\n"
    "- Decimal point, no thousands separator. Booleans are `true` and `false` only.\n"
    "- Paths are relative to the folder of the file that they stand in.\n"
    "- Secrets never stand in these files; `password_file` and `token_file` name files that hold one secret each.\n"
    "- The service reads its file when it starts; restart it to change something, when no run is on.\n";

static const char opening[] =
    "\n## How long opening takes\n\n"
    "`check` and preflight print two times for each load controller.\n\n"
    "- **By the bus**: a request may be under way when the drop comes, and may run to its deadline. Then come the "
    "silence "
    "that device and line need, the write, its answer and the contactors:\n"
    "  `longest deadline of any device on the bus + turnaround + silence + 13 characters + deadline of the controller "
    "+ "
    "longest travel`\n"
    "- **By the watchdog**, when the link is dead: `watchdog_time + longest travel`, counted from the last beat. "
    "Nothing "
    "shorter can be promised for a dead link; a controller without a heartbeat has no such time at all.\n";

static const char by_name[] =
    "\n## Signals by name\n\n"
    "These names have a meaning for the bench; others are recorded and can be used in rules.\n\n"
    "The supply is `u1` and `i1`, or with three phases `u1_a`, `u1_b`, `u1_c` (each line to neutral, near 230 V where "
    "the "
    "rating says 400 V line to line) and `i1_a`, `i1_b`, `i1_c`. With `phases: 3` the three count before `u1`, which "
    "is then "
    "line to line; with `phases: 1` `u1` counts first.\n\n"
    "| name | unit | class |\n| --- | --- | --- |\n";

static void print_signals(FILE *to)
{
    (void)fputs(by_name, to);
    for (int i = 0; i < SIG_OTHER; i++) {
        enum signal_kind kind = (enum signal_kind)i;
        const char *unit = dimension_unit(signal_kind_dimension(kind));
        (void)fprintf(to, "| `%s` | %s | %s |\n", signal_kind_name(kind), unit[0] == '\0' ? "0 or 1, or a mask" : unit,
                      signal_class_name(signal_kind_class(kind)));
    }
}

char *config_reference_print(void)
{
    char *text = NULL;
    size_t size = 0;
    FILE *to = open_memstream(&text, &size);
    if (to == NULL)
        return NULL;
    (void)fputs(intro, to);
    (void)fputs("\n## Bench\n", to);
    schema_reference(to, &bench_object);
    (void)fputs("\n## Maps\n", to);
    schema_reference(to, &map_object);
    (void)fputs("\n## Units\n", to);
    schema_reference(to, &unit_object);
    print_signals(to);
    (void)fputs(opening, to);
    if (fclose(to) != 0) {
        free(text);
        return NULL;
    }
    return text;
}
