#include "modbus_link.h"

#include <errno.h>
#include <modbus.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "transport.h"

struct modbus_link {
    modbus_t *ctx;
    bool rtu;
};

struct modbus_link *modbus_link_new(const struct bus_config *config, struct error *err)
{
    struct modbus_link *link = calloc(1, sizeof *link);
    if (link == NULL) {
        (void)error_set(err, "out of memory");
        return NULL;
    }
    link->rtu = config->kind == BUS_MODBUS_RTU;
    /* The names and settings given here are never used: the descriptor comes from the transport. */
    link->ctx = link->rtu ? modbus_new_rtu("/dev/null", 19200, 'E', 8, 1) : modbus_new_tcp("127.0.0.1", 502);
    if (link->ctx == NULL || modbus_set_error_recovery(link->ctx, MODBUS_ERROR_RECOVERY_NONE) != 0 ||
        modbus_set_byte_timeout(link->ctx, 0, 0) != 0) {
        (void)error_set(err, "Modbus framing cannot be set up: %s", modbus_strerror(errno));
        modbus_link_free(link);
        return NULL;
    }
    return link;
}

void modbus_link_free(struct modbus_link *link)
{
    if (link == NULL)
        return;
    if (link->ctx != NULL)
        modbus_free(link->ctx);
    free(link);
}

int modbus_link_attach(struct modbus_link *link, int fd)
{
    return fd < 0 ? -1 : modbus_set_socket(link->ctx, fd);
}

static enum bus_error error_of(int e, struct modbus_answer *answer)
{
    if (e > MODBUS_ENOBASE && e < MODBUS_ENOBASE + MODBUS_EXCEPTION_MAX) {
        answer->exception = e - MODBUS_ENOBASE;
        return BUS_EXCEPTION;
    }
    if (e == ETIMEDOUT || e == EAGAIN || e == EINTR)
        return BUS_TIMEOUT;
    if (e == EMBBADCRC)
        return BUS_BAD_CHECKSUM;
    if (e == EMBBADSLAVE)
        return BUS_WRONG_SERVER;
    return transport_error_is_loss(e) ? BUS_LINK_LOST : BUS_BAD_ANSWER;
}

static int set_timeout(struct modbus_link *link, int64_t timeout_ns)
{
    int64_t us = (timeout_ns + 999) / 1000;
    if (us < 1)
        us = 1; /* 0,0 is refused, and would leave the value of before */
    return modbus_set_response_timeout(link->ctx, (uint32_t)(us / 1000000), (uint32_t)(us % 1000000));
}

/* TCP: the library's own functions, since only they number the transactions. */
static int tcp_call(modbus_t *ctx, const struct modbus_request *r, struct modbus_answer *a)
{
    uint8_t bits[READ_BITS_MAX] = {0};
    int n = -1;
    switch (r->function) {
    case MODBUS_READ_COILS:
        n = modbus_read_bits(ctx, r->address, r->count, bits);
        break;
    case MODBUS_READ_DISCRETE:
        n = modbus_read_input_bits(ctx, r->address, r->count, bits);
        break;
    case MODBUS_READ_HOLDING:
        return modbus_read_registers(ctx, r->address, r->count, a->values);
    case MODBUS_READ_INPUT:
        return modbus_read_input_registers(ctx, r->address, r->count, a->values);
    case MODBUS_WRITE_COIL:
        return modbus_write_bit(ctx, r->address, r->values[0] != 0);
    case MODBUS_WRITE_REGISTER:
        return modbus_write_register(ctx, r->address, r->values[0]);
    case MODBUS_WRITE_COILS:
        for (int i = 0; i < r->count; i++)
            bits[i] = r->values[i] != 0;
        return modbus_write_bits(ctx, r->address, r->count, bits);
    case MODBUS_WRITE_REGISTERS:
        return modbus_write_registers(ctx, r->address, r->count, r->values);
    case MODBUS_MASK_WRITE:
        return modbus_mask_write_register(ctx, r->address, r->values[0], r->values[1]);
    }
    for (int i = 0; i < n && i < r->count; i++)
        a->values[i] = bits[i];
    return n;
}

/* RTU: the frame is sent raw and its answer received raw, so that we can check all of it: there is no transaction
 * number, and the library does not compare the echoed address of a write. */
static enum bus_error rtu_call(struct modbus_link *link, int server, const struct modbus_request *r,
                               struct modbus_answer *a)
{
    uint8_t raw[1 + PDU_CAP];
    uint8_t got[MODBUS_RTU_MAX_ADU_LENGTH];
    raw[0] = (uint8_t)server;
    size_t size = pdu_encode(r, raw + 1, PDU_CAP);
    if (size == 0)
        return BUS_NOT_SENT;
    if (modbus_send_raw_request(link->ctx, raw, (int)size + 1) < 0)
        return error_of(errno, a);
    int n = modbus_receive_confirmation(link->ctx, got);
    if (n < 0)
        return error_of(errno, a);
    if (n == 0 || got[0] != server) /* the library gives nothing for a frame of another server */
        return BUS_WRONG_SERVER;
    if (n < 4)
        return BUS_BAD_ANSWER;
    return pdu_decode(r, got + 1, (size_t)n - 3, a);
}

enum bus_error modbus_link_exchange(struct modbus_link *link, int server, const struct modbus_request *request,
                                    int64_t timeout_ns, struct modbus_answer *answer)
{
    answer->exception = 0;
    if (modbus_get_socket(link->ctx) < 0)
        return BUS_LINK_LOST;
    if (modbus_set_slave(link->ctx, server) != 0 || set_timeout(link, timeout_ns) != 0)
        return BUS_NOT_SENT;
    if (link->rtu)
        return rtu_call(link, server, request, answer);
    uint8_t probe[PDU_CAP];
    if (pdu_encode(request, probe, sizeof probe) == 0)
        return BUS_NOT_SENT;
    errno = 0;
    return tcp_call(link->ctx, request, answer) < 0 ? error_of(errno, answer) : BUS_OK;
}
