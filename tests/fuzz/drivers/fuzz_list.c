/* Any line as a list of samples, any text as the query of a part: no crash, no more numbers than there is room for. */
#include <stdlib.h>
#include <string.h>

#include "bus_text.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const struct device_map map = {.out_of_range = {"OL", "---"}};
    enum { ROOM = 64 };
    double values[ROOM + 1];
    char line[LIST_CAP], query[64];
    bool parted;
    if (size == 0 || size >= sizeof line)
        return 0;
    memcpy(line, data, size);
    line[size] = '\0';
    values[ROOM] = 4711;
    int n = text_list_read(&map, line, values, data[0] % (ROOM + 1));
    if (n > data[0] % (ROOM + 1) || values[ROOM] != 4711)
        abort();
    if (text_part_query(line, data[0], 512, query, sizeof query, &parted) == 0 && strlen(query) >= sizeof query)
        abort();
    return 0;
}
