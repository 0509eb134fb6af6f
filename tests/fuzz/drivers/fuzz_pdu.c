/* Any bytes as the answer to any request: decoding must neither crash nor accept what pdu_encode could not have asked.
 * The first 8 bytes make the request and the point, the rest is the answer. */
#include <stdlib.h>

#include "pdu.h"
#include "register_value.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct modbus_answer answer;
    uint8_t pdu[PDU_CAP];
    if (size < 8)
        return 0;
    struct modbus_request request = {.function = (enum modbus_function)data[0],
                                     .address = (uint16_t)(data[1] << 8 | data[2]),
                                     .count = (uint16_t)((data[3] & 7) << 8 | data[4])};
    if (pdu_encode(&request, pdu, sizeof pdu) == 0)
        return 0;
    if (pdu_decode(&request, data + 8, size - 8, &answer) != BUS_OK || !pdu_is_read(request.function) ||
        request.count < 16)
        return 0;
    struct map_point point = {.table = (enum register_table)(data[5] % TABLE_COUNT_),
                              .type = (enum value_type)(data[6] % TYPE_COUNT_),
                              .order = (enum word_order)(data[7] % ORDER_COUNT_),
                              .scale = 0.1,
                              .bit = (int8_t)(data[5] / 8 % 8),
                              .bits = (int8_t)(data[6] / 16 % 8)};
    enum quality quality;
    uint64_t raw;
    uint16_t registers[16];
    double value = value_decode(&point, answer.values, &quality);
    if (quality == QUALITY_GOOD && value_encode(&point, value, &raw) == 0)
        value_to_registers(&point, raw, registers);
    return 0;
}
