#include "vb_link.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "vb_frame.h"
#include "vb_world.h"

static const int64_t silence_ns = 5 * VB_MS; /* of real time: ends a serial frame that is not one */

void vb_link_say(struct vb_link *l, const void *bytes, size_t size, int64_t due_ns)
{
    if (size > sizeof l->out - l->out_size)
        return;
    if (l->out_size == 0)
        l->due_ns = due_ns;
    memcpy(l->out + l->out_size, bytes, size);
    l->out_size += size;
}

int64_t vb_link_due_ns(const struct vb_link *l)
{
    if (l->out_size > 0)
        return l->due_ns;
    return l->in_size > 0 ? l->last_ns + silence_ns : VB_NEVER;
}

/* Spoils a frame as the fault says. Returns its new size. */
static size_t spoil(struct vbench *vb, const struct vb_fault *f, bool serial, uint8_t *frame, size_t size)
{
    uint64_t noise = vb_random_next(&vb->line_random);
    switch (f->kind) {
    case VB_WRONG_CRC:
        frame[serial ? size - 1 : 2] ^= 0x5a; /* on TCP, which has no CRC, the protocol identifier */
        return size;
    case VB_TRUNCATED:
        return size / 2 > 0 ? size / 2 : 1;
    case VB_WRONG_SERVER:
        frame[serial ? 0 : 6] ^= 0x10;
        if (serial) {
            uint16_t crc = vb_frame_crc(frame, size - 2);
            frame[size - 2] = (uint8_t)crc;
            frame[size - 1] = (uint8_t)(crc >> 8);
        }
        return size;
    case VB_NOISE:
        memmove(frame + 3, frame, size);
        for (int i = 0; i < 3; i++)
            frame[i] = (uint8_t)(noise >> (8 * i));
        return size + 3;
    default:
        return size;
    }
}

static void answer_modbus(struct vb_link *l, struct vbench *vb, const uint8_t *transaction, uint8_t server,
                          const uint8_t *pdu, size_t size, int64_t now_ns)
{
    bool serial = vb->bus[l->bus].kind == VB_MODBUS_RTU;
    uint8_t answer[VB_FRAME_MAX], frame[VB_FRAME_MAX + 16];
    for (int i = 0; serial && server == 0 && i < vb->device_count; i++)
        if (vb->device[i].bus == l->bus) /* to all, answered by none */
            vb_modbus_answer(vb, &vb->device[i], pdu, size, answer, sizeof answer);
    struct vb_device *d = vb_device_at(vb, l->bus, server);
    const struct vb_fault *f = vb_fault_now(vb, l->bus, d ? (int)(d - vb->device) : -1);
    size_t n = 0;
    if (!d && !serial) {
        answer[n++] = pdu[0] | 0x80;
        answer[n++] = 0x0b; /* the gateway's target does not respond */
    } else if (!d || vb_device_dead(vb, d) || (f && f->kind == VB_SILENCE)) {
        return;
    } else if (f && f->kind == VB_EXCEPTION) {
        answer[n++] = pdu[0] | 0x80;
        answer[n++] = (uint8_t)f->code;
    } else {
        n = vb_modbus_answer(vb, d, pdu, size, answer, sizeof answer);
    }
    n = serial ? vb_frame_rtu(frame, server, answer, n) : vb_frame_tcp(frame, transaction, server, answer, n);
    if (f)
        n = spoil(vb, f, serial, frame, n);
    bool late = f && (f->kind == VB_LATE || f->kind == VB_DRIBBLE);
    l->pause_ns = f && f->kind == VB_DRIBBLE ? f->delay_ns : 0;
    vb_link_say(l, frame, n, now_ns + (late ? f->delay_ns : 0));
}

static void drop_front(struct vb_link *l, size_t size)
{
    memmove(l->in, l->in + size, l->in_size - size);
    l->in_size -= size;
}

static int take_tcp(struct vb_link *l, struct vbench *vb, int64_t now_ns)
{
    for (;;) {
        int size = vb_frame_tcp_size(l->in, l->in_size);
        if (size < 0)
            return -1; /* out of step: a server closes such a connection */
        if (size == 0 || (size_t)size > l->in_size)
            return 0;
        answer_modbus(l, vb, l->in, l->in[6], l->in + 7, (size_t)size - 7, now_ns);
        drop_front(l, (size_t)size);
    }
}

static void take_rtu(struct vb_link *l, struct vbench *vb, bool silent, int64_t now_ns)
{
    int size = vb_frame_rtu_size(l->in, l->in_size);
    if (size > 0 && (size_t)size <= l->in_size && vb_frame_crc(l->in, (size_t)size) == 0) {
        /* The CRC over a frame with its own CRC is 0. */
        answer_modbus(l, vb, (const uint8_t[2]){0}, l->in[0], l->in + 1, (size_t)size - 3, now_ns);
        drop_front(l, (size_t)size);
    } else if (silent) {
        l->in_size = 0; /* no frame: no answer */
    }
}

static void answer_text(struct vb_link *l, struct vbench *vb, const char *line, int64_t now_ns)
{
    char reply[4096];
    int64_t took;
    const struct vb_fault *f = vb_fault_now(vb, l->bus, -1);
    const char *end = "\r\n";
    for (int i = 0; i < vb->device_count; i++)
        if (vb->device[i].bus == l->bus &&
            (vb->device[i].kind == VB_MULTIMETER || vb->device[i].kind == VB_SCPI_RECORDER))
            end = "\n";
    if (vbench_text(vb, vb->bus[l->bus].name, line, reply, sizeof reply - 2, &took) != VBENCH_OK || !*reply)
        return;
    size_t n = strlen(reply);
    memcpy(reply + n, end, strlen(end)); /* the two bytes kept free above */
    vb_link_say(l, reply, n + strlen(end), now_ns + (f && f->kind == VB_LATE ? f->delay_ns : 0));
}

static void take_text(struct vb_link *l, struct vbench *vb, int64_t now_ns)
{
    for (;;) {
        size_t n = 0;
        while (n < l->in_size && l->in[n] != '\r' && l->in[n] != '\n')
            n++;
        if (n == l->in_size)
            break;
        l->in[n] = '\0';
        if (n > 0)
            answer_text(l, vb, (const char *)l->in, now_ns);
        drop_front(l, n + 1);
    }
    if (l->in_size == sizeof l->in)
        l->in_size = 0; /* no line is as long as that */
}

int vb_link_read(struct vb_link *l, struct vbench *vb, int64_t now_ns)
{
    ssize_t n = read(l->fd, l->in + l->in_size, sizeof l->in - l->in_size);
    if (n < 0)
        return errno == EAGAIN || errno == EINTR ? 0 : -1;
    if (n == 0)
        return -1;
    l->in_size += (size_t)n;
    l->last_ns = now_ns;
    switch (vb->bus[l->bus].kind) {
    case VB_MODBUS_TCP:
        return take_tcp(l, vb, now_ns);
    case VB_MODBUS_RTU:
        take_rtu(l, vb, l->in_size == sizeof l->in, now_ns);
        return 0;
    default:
        take_text(l, vb, now_ns);
        return 0;
    }
}

int vb_link_run(struct vb_link *l, struct vbench *vb, int64_t now_ns)
{
    if (l->in_size > 0 && vb->bus[l->bus].kind == VB_MODBUS_RTU && now_ns >= l->last_ns + silence_ns)
        take_rtu(l, vb, true, now_ns);
    if (l->out_size == 0 || now_ns < l->due_ns)
        return 0;
    ssize_t n = write(l->fd, l->out, l->pause_ns > 0 ? 1 : l->out_size);
    if (n < 0 && errno != EAGAIN && errno != EINTR)
        return -1;
    if (n > 0) {
        memmove(l->out, l->out + n, l->out_size - (size_t)n);
        l->out_size -= (size_t)n;
    }
    l->due_ns = now_ns + (l->pause_ns > 0 ? l->pause_ns : n < 0 ? 50 * VB_MS : 0);
    return 0;
}
