/* libFuzzer harness for the control socket's requests: any bytes as a line, and what is understood as a run start or a
 * plate. Built with clang and -fsanitize=fuzzer,address. */
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include "model_json.h"
#include "protocol.h"
#include "run_order.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    json_t *body = NULL;
    enum protocol_verb verb;
    int64_t id;
    struct protocol_error err;
    if (size > PROTOCOL_REQUEST_MAX)
        return 0;
    if (protocol_parse((const char *)data, size, &body, &verb, &id, &err) != 0)
        return 0;
    struct unit_plate plate = {0};
    struct run_request run;
    const json_t *object = json_object_get(body, "plate");
    if (plate_from_json(object ? object : body, &plate, &err) == 0) {
        json_t *back = plate_to_json(&plate);
        json_decref(back);
    }
    (void)run_order_from_json(body, &plate, &run, &err);
    json_decref(body);
    return 0;
}
