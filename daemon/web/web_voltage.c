/* The voltage that a rating point is tested at: the plate's U2, or where the plate prints none the conventional load
 * voltage of the process. The page marks its band, the curves theirs. */
#include <math.h>
#include <string.h>

#include "load_voltage.h"
#include "process.h"
#include "web_request.h"

static void add_to_point(json_t *point)
{
    const char *word = json_string_value(json_object_get(point, "process"));
    double current_a = json_number_value(json_object_get(point, "current_a"));
    json_t *plate = json_object_get(point, "load_voltage_v");
    enum process process;
    struct load_point at;
    struct error err;
    bool found =
        word != NULL && process_parse(word, &process) == 0 && current_a > 0 &&
        load_point_find(process, current_a, json_is_number(plate) ? json_number_value(plate) : NAN, &at, &err) == 0;
    (void)json_object_set_new(point, "test_voltage_v", found ? json_real(at.voltage_v) : json_null());
}

void web_add_test_voltage(json_t *value)
{
    size_t i;
    const char *key;
    json_t *inner;
    json_array_foreach(value, i, inner) web_add_test_voltage(inner);
    json_object_foreach(value, key, inner) web_add_test_voltage(inner);
    if (json_object_get(value, "percent_on") != NULL && json_object_get(value, "process") != NULL)
        add_to_point(value);
}
