/* Communication that goes wrong by the scenario, and the way of a transaction through a bus. */
#include <math.h>
#include <string.h>

#include "vb_world.h"

struct vb_device *vb_device_at(struct vbench *vb, int bus, int server)
{
    struct vb_device *only = NULL;
    int count = 0;
    for (int i = 0; i < vb->device_count; i++) {
        struct vb_device *d = &vb->device[i];
        if (d->bus != bus)
            continue;
        if (d->server == server)
            return d;
        only = d;
        count++;
    }
    /* 255 addresses the server at the end of a connection directly (TCP messaging guide V1.0b). */
    return vb->bus[bus].kind == VB_MODBUS_TCP && server == 255 && count == 1 ? only : NULL;
}

bool vb_device_dead(const struct vbench *vb, const struct vb_device *d)
{
    return d->powered_from >= 0 && vb->circuit[d->powered_from].u_v <= 0;
}

int vb_bus_find(const struct vbench *vb, const char *name)
{
    for (int i = 0; i < vb->bus_count; i++)
        if (strcmp(vb->bus[i].name, name) == 0)
            return i;
    return -1;
}

const struct vb_fault *vb_fault_now(struct vbench *vb, int bus, int device)
{
    for (int i = 0; i < vb->fault_count; i++) {
        const struct vb_fault *f = &vb->fault[i];
        if (f->kind == VB_FROZEN || f->kind == VB_STUCK || f->bus != bus)
            continue;
        if (vb->now_ns < f->from_ns || vb->now_ns >= f->until_ns)
            continue;
        if (f->device >= 0 && f->device != device && f->kind != VB_GONE)
            continue;
        if (f->share_pct >= 100 || vb_random_uniform(&vb->line_random) * 100 < f->share_pct)
            return f;
    }
    return NULL;
}

bool vb_bus_gone(const struct vbench *vb, int bus)
{
    for (int i = 0; i < vb->fault_count; i++) {
        const struct vb_fault *f = &vb->fault[i];
        if (f->kind == VB_GONE && f->bus == bus && vb->now_ns >= f->from_ns && vb->now_ns < f->until_ns)
            return true;
    }
    return false;
}

static void freeze(struct vbench *vb, const struct vb_fault *f, bool on)
{
    struct vb_device *d = &vb->device[f->device];
    for (int i = 0; i < d->cell_count; i++) {
        struct vb_cell *cell = &d->cell[i];
        if (f->kind == VB_FROZEN && (cell->source == VB_METER || cell->source == VB_EMF))
            vb->meter[cell->index].frozen = on;
        if (f->kind != VB_STUCK || cell->address != f->address || (int)cell->table != f->table)
            continue;
        double now = vb_cell_value(vb, d, cell);
        cell->stuck = on;
        cell->stuck_raw = isnan(now) ? cell->invalid : now / cell->scale;
    }
    for (int i = 0; i < d->input_count && f->kind == VB_FROZEN; i++)
        if (d->inputs[i] >= 0)
            vb->meter[d->inputs[i]].frozen = on;
}

/* Freezes and frees what is to stand still; forgets faults that are over. */
void vb_fault_tick(struct vbench *vb)
{
    for (int i = 0; i < vb->fault_count; i++) {
        struct vb_fault *f = &vb->fault[i];
        bool still = f->kind == VB_FROZEN || f->kind == VB_STUCK;
        if (still && !f->applied && vb->tick_ns >= f->from_ns) {
            f->applied = true;
            freeze(vb, f, true);
        }
        if (vb->tick_ns < f->until_ns) {
            if (f->until_ns != VB_NEVER)
                vb_schedule(vb, f->until_ns);
            continue;
        }
        if (still && f->applied)
            freeze(vb, f, false);
        vb->fault[i] = vb->fault[--vb->fault_count];
        i--;
    }
}
