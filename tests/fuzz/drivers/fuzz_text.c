/* A template or expression, a line feed, and what a device might say: no crash, and no time beyond the line's length.
 */
#include <stdlib.h>
#include <string.h>

#include "bus_text.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct device_map map = {.out_of_range = {"OL", "---"}, .listen_count = 1};
    struct text_number numbers[TEMPLATE_SLOTS_MAX];
    int points[TEMPLATE_SLOTS_MAX];
    char template[TEMPLATE_CAP], line[LINE_CAP];
    struct error err;
    regex_t compiled;
    const uint8_t *end = memchr(data, '\n', size);
    if (end == NULL || end - data >= TEMPLATE_CAP)
        return 0;
    memcpy(template, data, (size_t)(end - data));
    template[end - data] = '\0';
    size_t rest = size - (size_t)(end - data) - 1;
    struct text_state *state = text_state_new(&map, &err);
    if (state == NULL)
        return 0;
    text_receive(state, (const char *)end + 1, rest);
    bool is_template = template_check(template, &err) >= 0;
    bool is_expression = expression_compile(template, &compiled, &err) == 0;
    memcpy(map.listen[0].reply, template, sizeof template);
    map.listen[0].point_count = TEMPLATE_SLOTS_MAX;
    for (int rc; (rc = text_take_line(state, line, sizeof line)) != 0;) {
        if (rc < 0)
            continue;
        if (is_template && template_match(template, line, &map, numbers) > TEMPLATE_SLOTS_MAX)
            abort();
        if (is_template)
            (void)text_listen_match(&map, line, points, numbers);
        if (is_expression)
            (void)expression_match(&compiled, line, &map, &numbers[0]);
    }
    if (is_template)
        (void)template_fill(template, 12.5, line, sizeof line);
    if (is_expression)
        regfree(&compiled);
    text_state_free(state);
    return 0;
}
