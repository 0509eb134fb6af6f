/* The in-process face: construction, transactions, introspection. */
#include "vbench.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "vb_world.h"

enum { SCENARIO_BYTES = 1 << 20 };

static char *read_file(const char *path, size_t *size, struct vbench_error *err)
{
    char *text = NULL;
    FILE *f = fopen(path, "rb");
    if (!f)
        goto failed;
    text = malloc(SCENARIO_BYTES);
    if (!text)
        goto failed;
    *size = fread(text, 1, SCENARIO_BYTES, f);
    if (ferror(f) || *size == SCENARIO_BYTES) {
        errno = ferror(f) ? EIO : EFBIG;
        goto failed;
    }
    fclose(f);
    return text;
failed:
    if (err)
        snprintf(err->text, sizeof err->text, "%.300s: %s", path, strerror(errno));
    free(text);
    if (f)
        fclose(f);
    return NULL;
}

struct vbench *vbench_new(const char *scenario, struct vbench_error *err)
{
    char *file = NULL;
    size_t size = strlen(scenario);
    struct vbench *vb = NULL;
    if (!strchr(scenario, '\n')) {
        file = read_file(scenario, &size, err);
        if (!file)
            return NULL;
        scenario = file;
    }
    vb = calloc(1, sizeof *vb);
    if (!vb) {
        if (err)
            snprintf(err->text, sizeof err->text, "out of memory");
    } else if (vb_scenario_load(vb, scenario, size, err) != 0) {
        vbench_free(vb);
        vb = NULL;
    }
    free(file);
    return vb;
}

/* Time on the line: characters of 11 bits both ways and two silences of 3.5 characters, or a local network's. */
static int64_t line_ns(const struct vb_bus *b, size_t bytes)
{
    if (b->kind == VB_MODBUS_TCP || b->kind == VB_TEXT_TCP)
        return VB_MS / 2;
    return (int64_t)((double)bytes + 7) * 11 * VB_S / b->baud;
}

int vbench_exchange(struct vbench *vb, const char *bus, int server, const uint8_t *pdu, size_t pdu_size,
                    uint8_t *answer, size_t cap, size_t *answer_size, int64_t *took_ns)
{
    int b = vb_bus_find(vb, bus);
    *answer_size = 0;
    *took_ns = 0;
    if (b < 0 || vb->bus[b].kind > VB_MODBUS_RTU || pdu_size < 1 || pdu_size > 253 || cap < 253)
        return VBENCH_BAD_CALL;
    struct vb_device *d = vb_device_at(vb, b, server);
    const struct vb_fault *f = vb_fault_now(vb, b, d ? (int)(d - vb->device) : -1);
    *took_ns = line_ns(&vb->bus[b], pdu_size + 4);
    if (f && f->kind == VB_GONE)
        return VBENCH_GONE;
    if (!d || vb_device_dead(vb, d) || (f && f->kind == VB_SILENCE))
        return VBENCH_NO_ANSWER;
    *took_ns += d->answer_ns;
    if (f && f->kind == VB_EXCEPTION) {
        answer[0] = pdu[0] | 0x80;
        answer[1] = (uint8_t)f->code;
        *answer_size = 2;
        return VBENCH_OK;
    }
    *answer_size = vb_modbus_answer(vb, d, pdu, pdu_size, answer, cap);
    *took_ns += line_ns(&vb->bus[b], *answer_size + 4);
    if (!f)
        return VBENCH_OK;
    if (f->kind == VB_LATE || f->kind == VB_DRIBBLE) {
        *took_ns += f->delay_ns * (f->kind == VB_DRIBBLE ? (int64_t)*answer_size : 1);
        return VBENCH_OK;
    }
    *answer_size = 0;
    return f->kind == VB_WRONG_SERVER ? VBENCH_WRONG_SERVER : VBENCH_GARBLED;
}

static struct vb_device *text_device(struct vbench *vb, int bus)
{
    for (int i = 0; i < vb->device_count; i++)
        if (vb->device[i].bus == bus)
            return &vb->device[i];
    return NULL;
}

int vbench_text(struct vbench *vb, const char *bus, const char *line, char *reply, size_t cap, int64_t *took_ns)
{
    int b = vb_bus_find(vb, bus);
    *took_ns = 0;
    if (b < 0 || vb->bus[b].kind < VB_TEXT_PTY || cap < 1)
        return VBENCH_BAD_CALL;
    reply[0] = '\0';
    struct vb_device *d = text_device(vb, b);
    const struct vb_fault *f = vb_fault_now(vb, b, d ? (int)(d - vb->device) : -1);
    *took_ns = line_ns(&vb->bus[b], strlen(line) + 2);
    if (f && f->kind == VB_GONE)
        return VBENCH_GONE;
    if (!d || vb_device_dead(vb, d) || (f && f->kind == VB_SILENCE))
        return VBENCH_NO_ANSWER;
    if (!vb_text_answer(vb, d, line, reply, cap))
        return VBENCH_NO_ANSWER;
    *took_ns += d->answer_ns + line_ns(&vb->bus[b], strlen(reply) + 2);
    if (!f)
        return VBENCH_OK;
    size_t size = strlen(reply);
    if (f->kind == VB_LATE)
        *took_ns += f->delay_ns;
    else if (f->kind == VB_TRUNCATED)
        reply[size / 2] = '\0';
    else if (f->kind == VB_NOISE && size > 0)
        reply[size / 2] = '\x7f';
    else
        return VBENCH_GARBLED;
    return VBENCH_OK;
}

int vbench_listen(struct vbench *vb, const char *bus, char *line, size_t cap, int64_t *sent_ns)
{
    int n = vb_bus_find(vb, bus);
    if (n < 0 || vb->bus[n].kind < VB_TEXT_PTY)
        return VBENCH_BAD_CALL;
    struct vb_bus *b = &vb->bus[n];
    if (b->line_count == 0)
        return 0;
    struct vb_line *l = &b->line[b->line_first];
    snprintf(line, cap, "%s", l->text);
    *sent_ns = l->sent_ns + vb->origin_ns;
    b->line_first = (b->line_first + 1) % VB_LINES;
    b->line_count--;
    return 1;
}

int vbench_port_exchange(void *ctx, int server, const uint8_t *pdu, size_t pdu_size, uint8_t *answer, size_t cap,
                         size_t *answer_size, int64_t *took_ns)
{
    struct vbench_port *p = ctx;
    return vbench_exchange(p->vb, p->bus, server, pdu, pdu_size, answer, cap, answer_size, took_ns);
}

int vbench_port_text(void *ctx, const char *line, char *reply, size_t cap, int64_t *took_ns)
{
    struct vbench_port *p = ctx;
    return vbench_text(p->vb, p->bus, line, reply, cap, took_ns);
}

int vbench_port_listen(void *ctx, char *line, size_t cap, int64_t *said_ns)
{
    struct vbench_port *p = ctx;
    return vbench_listen(p->vb, p->bus, line, cap, said_ns);
}

int vbench_channel_count(const struct vbench *vb)
{
    return vb->channel_count;
}

int vbench_channel_find(const struct vbench *vb, const char *name)
{
    for (int i = 0; i < vb->channel_count; i++)
        if (strcmp(vb->channel[i].name, name) == 0)
            return i;
    return -1;
}

bool vbench_channel(const struct vbench *vb, int channel, struct vbench_channel_state *s)
{
    if (channel < 0 || channel >= vb->channel_count)
        return false;
    const struct vb_channel *c = &vb->channel[channel];
    *s = (struct vbench_channel_state){
        .i2_a = c->i_a,
        .u2_v = c->u_unit,
        .u_bank_v = c->u_bank,
        .t_lead_degc = c->t_lead,
        .load_ohm = vb_bank_ohm(c),
        .command_mask = c->command,
        .closed_mask = vb_bank_closed(c),
        .remote_v = c->remote_v,
        .operations = c->operations,
        .broken_live = c->broken_live,
        .supply_open = c->supply_open,
        .last_trip = c->last_trip,
        .last_trip_ns = c->last_trip_ns,
    };
    memcpy(s->name, c->name, sizeof s->name);
    if (c->unit < 0)
        return true;
    const struct vb_unit *u = &vb->unit[c->unit];
    s->u1_v = u->u1_v;
    s->i1_a = u->i1_a;
    s->p1_w = u->p1_w;
    s->t_a_degc = u->t_a;
    s->t_b_degc = u->t_b;
    s->t_exhaust_degc = u->t_exhaust;
    s->cut_out = u->cut_out;
    s->lamp = u->cut_out && u->powered;
    s->output_on = u->output_on;
    s->unit_fault = u->fault;
    return true;
}

static void mix(uint64_t *hash, double value)
{
    uint64_t bits;
    memcpy(&bits, &value, sizeof bits);
    for (int i = 0; i < 8; i++)
        *hash = (*hash ^ (bits >> (8 * i) & 255)) * 0x100000001b3u;
}

uint64_t vbench_digest(const struct vbench *vb)
{
    uint64_t h = 0xcbf29ce484222325u;
    mix(&h, vb->room_degc);
    for (int i = 0; i < vb->circuit_count; i++) {
        mix(&h, vb->circuit[i].heat);
        mix(&h, vb->circuit[i].u_v);
    }
    for (int i = 0; i < vb->unit_count; i++) {
        const struct vb_unit *u = &vb->unit[i];
        mix(&h, u->t_a);
        mix(&h, u->t_b);
        mix(&h, u->i_a);
        mix(&h, u->u_v);
        mix(&h, u->i1_a);
    }
    for (int i = 0; i < vb->channel_count; i++) {
        mix(&h, vb->channel[i].t_lead);
        mix(&h, vb->channel[i].operations);
        for (int s = 0; s < vb->channel[i].step_count; s++)
            mix(&h, vb->channel[i].step[s].t_degc);
    }
    for (int i = 0; i < vb->meter_count; i++)
        mix(&h, vb->meter[i].shown);
    for (size_t i = 0; i < vb->happened; i++)
        mix(&h, (double)vb->happening[i].at_ns);
    return h;
}
