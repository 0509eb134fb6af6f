#include "process.h"

#include <stddef.h>
#include <strings.h>

struct word {
    const char *text;
    int value;
};

/* The first word of a value is the one that is printed. */
static const struct word process_words[] = {
    {"mma", PROCESS_MMA},
    {"tig", PROCESS_TIG},
    {"mig", PROCESS_MIG},
    {"saw", PROCESS_SAW},
    {"plasma-cut", PROCESS_PLASMA_CUT},
    {"plasma-weld", PROCESS_PLASMA_WELD},
    {"plasma-gouge", PROCESS_PLASMA_GOUGE},
    {"stick", PROCESS_MMA},
    {"smaw", PROCESS_MMA},
    {"gtaw", PROCESS_TIG},
    {"mag", PROCESS_MIG},
    {"gmaw", PROCESS_MIG},
    {"fcaw", PROCESS_MIG},
    {"mig/mag", PROCESS_MIG},
    {"flux-cored", PROCESS_MIG},
    {"submerged-arc", PROCESS_SAW},
    {"pac", PROCESS_PLASMA_CUT},
    {"paw", PROCESS_PLASMA_WELD},
};

static const struct word output_words[] = {{"dc", OUTPUT_DC}, {"ac", OUTPUT_AC}};

static const struct word control_words[] = {
    {"trigger", CONTROL_TRIGGER},
    {"always-live", CONTROL_ALWAYS_LIVE},
    {"remote-contactor", CONTROL_REMOTE_CONTACTOR},
};

#define LENGTH(array) (sizeof(array) / sizeof(array)[0])

static const char *name_of(const struct word *words, size_t n, int value)
{
    for (size_t i = 0; i < n; i++)
        if (words[i].value == value)
            return words[i].text;
    return "?";
}

static int value_of(const struct word *words, size_t n, const char *text)
{
    for (size_t i = 0; i < n; i++)
        if (strcasecmp(words[i].text, text) == 0)
            return words[i].value;
    return -1;
}

const char *process_name(enum process process)
{
    return name_of(process_words, LENGTH(process_words), (int)process);
}

const char *output_name(enum output_kind output)
{
    return name_of(output_words, LENGTH(output_words), (int)output);
}

const char *control_name(enum output_control control)
{
    return name_of(control_words, LENGTH(control_words), (int)control);
}

int process_parse(const char *text, enum process *process)
{
    int v = value_of(process_words, LENGTH(process_words), text);
    if (v < 0)
        return -1;
    *process = (enum process)v;
    return 0;
}

int output_parse(const char *text, enum output_kind *output)
{
    int v = value_of(output_words, LENGTH(output_words), text);
    if (v < 0)
        return -1;
    *output = (enum output_kind)v;
    return 0;
}

int control_parse(const char *text, enum output_control *control)
{
    int v = value_of(control_words, LENGTH(control_words), text);
    if (v < 0)
        return -1;
    *control = (enum output_control)v;
    return 0;
}
