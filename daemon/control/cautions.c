#include "cautions.h"

#include <stddef.h>

static const char *const cautions[] = {
    "Mains and welding outputs can kill. Isolate the unit and prove it dead before you touch a terminal.",
    "Load banks, leads and connectors get hot enough to burn skin and start fires. Keep them guarded, clear and aired; "
    "let the fans run on.",
    "A hard-wired emergency stop, over-temperature and airflow trips and guards are needed. This program is none of "
    "them and replaces none of them.",
    "Only qualified people may rig and run a bench. Do not leave a run alone unless the bench was set up for that.",
    "Local electrical codes, your employer's rules and the makers' instructions govern. Where they differ from what "
    "this program says, follow them.",
};

int caution_count(void)
{
    return (int)(sizeof cautions / sizeof cautions[0]);
}

const char *caution_text(int index)
{
    return index >= 0 && index < caution_count() ? cautions[index] : NULL;
}
