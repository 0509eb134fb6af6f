/* Fast meters: a ring of samples that stands still some time after the current fell, and latched peaks. State: 0 idle,
 * 1 waits for the fall, 2 fills up, 3 whole. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "vb_world.h"

enum { IDLE, WAITING, FILLING, WHOLE };
enum { FIRST_U = 100, FIRST_I = 700 };

static void arm(struct vb_recorder *r)
{
    r->state = WAITING;
    r->number++;
    r->left = 0;
}

/* The event: so many samples more. */
static void strike(const struct vbench *vb, struct vb_recorder *r)
{
    if (r->state != WAITING)
        return;
    r->state = FILLING;
    r->event_ns = vb->now_ns;
    r->left = r->count - r->count * r->before_pct / 100;
}

static void keep(struct vb_recorder *r)
{
    r->state = WHOLE;
    if (r->stuck)
        return;
    for (int i = 0; i < r->count; i++) {
        int at = (int)((r->at + VB_SAMPLES - (unsigned)r->count + (unsigned)i) % VB_SAMPLES);
        r->kept[0][i] = r->ring[0][at];
        r->kept[1][i] = r->ring[1][at];
    }
}

static void sample(struct vbench *vb, struct vb_recorder *r)
{
    const struct vb_channel *c = &vb->channel[r->channel];
    double u = c->u2_at_bank ? c->u_bank : c->u_unit;
    double i = c->i_a + r->noise_i * vb_random_normal(&r->random);
    r->ring[0][r->at] = u + r->noise_u * vb_random_normal(&r->random);
    r->ring[1][r->at] = i;
    r->at = (r->at + 1) % VB_SAMPLES;
    if (c->i_a > r->level)
        r->level = c->i_a;
    bool fell = r->level > 10 && c->i_a < 0.5 * r->level;
    if (fell) {
        r->level = 0;
        strike(vb, r);
    }
    if (r->state == FILLING && --r->left <= 0)
        keep(r);
}

void vb_recorder_run(struct vbench *vb)
{
    for (int n = 0; n < vb->recorder_count; n++) {
        struct vb_recorder *r = &vb->recorder[n];
        const struct vb_channel *c = &vb->channel[r->channel];
        double u = c->u2_at_bank ? c->u_bank : c->u_unit;
        /* What stood since the last step fills the samples that were due meanwhile. */
        for (; r->next_ns <= vb->tick_ns; r->next_ns += r->interval_ns)
            sample(vb, r);
        r->peak[0] = u > r->peak[0] ? u : r->peak[0];
        r->peak[1] = u > r->peak[1] ? u : r->peak[1];
        if (r->state == FILLING || r->state == WAITING)
            vb_schedule(vb, r->next_ns);
    }
}

double vb_recorder_value(const struct vbench *vb, const struct vb_cell *cell)
{
    const struct vb_recorder *r = &vb->recorder[cell->index];
    switch (cell->source) {
    case VB_BUFFER_STATE:
        return r->state;
    case VB_BUFFER_NUMBER:
        return r->number;
    case VB_BUFFER_INTERVAL:
        return (double)r->interval_ns / 1e9;
    case VB_BUFFER_COUNT:
        return r->count;
    case VB_BUFFER_AGE:
        return (double)(vb->now_ns - r->event_ns) / 1e9;
    case VB_PEAK_HELD:
        return r->peak[0];
    case VB_PEAK_READ:
        return r->peak[1];
    default:
        return 0;
    }
}

void vb_recorder_write(struct vbench *vb, const struct vb_cell *cell, double value)
{
    struct vb_recorder *r = &vb->recorder[cell->index];
    if (value == 0)
        return;
    if (cell->source == VB_BUFFER_ARM)
        arm(r);
    else if (cell->source == VB_BUFFER_TRIGGER)
        strike(vb, r);
    else if (cell->source == VB_PEAK_RESET && !r->peak_sticks)
        r->peak[0] = 0;
    vb_stir(vb);
}

void vb_recorder_power_cycle(struct vbench *vb, const struct vb_device *d)
{
    if (d->recorder < 0)
        return;
    struct vb_recorder *r = &vb->recorder[d->recorder];
    r->state = IDLE;
    r->number = 0;
    r->peak[0] = r->peak[1] = 0;
    memset(r->ring, 0, sizeof r->ring);
}

/* Samples being read: a buffer that is torn begins anew under the reader's hands. */
static void touched(struct vb_recorder *r)
{
    if (r->tears && r->state == WHOLE)
        arm(r);
}

int vb_recorder_length(const struct vbench *vb, const struct vb_device *d)
{
    const struct vb_recorder *r = &vb->recorder[d->recorder];
    return r->is_short ? r->count * 3 / 4 : r->count;
}

/* Lays the samples over what the registers hold otherwise; a peak that is read is let go. Returns false for registers
 * beyond the end of a buffer. */
bool vb_recorder_registers(struct vbench *vb, struct vb_device *d, unsigned first, unsigned count, uint8_t *to)
{
    struct vb_recorder *r = &vb->recorder[d->recorder];
    unsigned length = (unsigned)vb_recorder_length(vb, d);
    bool read = false;
    for (unsigned i = 0; i < count; i++) {
        unsigned at = first + i;
        int row = at >= FIRST_I ? 1 : 0;
        unsigned sample_at = at - (row ? FIRST_I : FIRST_U);
        if (at < FIRST_U)
            continue;
        if (sample_at >= length)
            return false;
        double raw = r->kept[row][sample_at] * (row ? 10 : 100);
        int word = (int)(raw < 0 ? raw - 0.5 : raw + 0.5);
        to[2 * i] = (uint8_t)(word >> 8);
        to[2 * i + 1] = (uint8_t)word;
        read = true;
    }
    if (read)
        touched(r);
    for (int i = 0; i < d->cell_count; i++)
        if (d->cell[i].source == VB_PEAK_READ && d->cell[i].address >= first && d->cell[i].address < first + count)
            r->peak[1] = 0;
    return true;
}

/* TRAC:DATA? VOLT,first,count as a list. */
bool vb_recorder_list(struct vbench *vb, struct vb_device *d, int row, int first, int count, char *reply, size_t cap)
{
    struct vb_recorder *r = &vb->recorder[d->recorder];
    int length = vb_recorder_length(vb, d);
    size_t used = 0;
    for (int i = first; i < first + count && i < length; i++) {
        int n = snprintf(reply + used, cap - used, "%s%.4E", i > first ? "," : "", r->kept[row][i]);
        if (n < 0 || used + (size_t)n >= cap)
            return false;
        used += (size_t)n;
    }
    touched(r);
    return used > 0;
}

void vb_recorder_do(struct vbench *vb, const struct vb_event *e)
{
    int n = vb->device[e->device].recorder;
    if (n < 0)
        return;
    struct vb_recorder *r = &vb->recorder[n];
    switch (e->action) {
    case VB_DO_BUFFER_FREEZE:
        r->stuck = true;
        break;
    case VB_DO_BUFFER_TEAR:
        r->tears = true;
        break;
    case VB_DO_BUFFER_SHORTEN:
        r->is_short = true;
        break;
    case VB_DO_PEAK_STICK:
        r->peak_sticks = true;
        break;
    default:
        r->stuck = r->tears = r->is_short = r->peak_sticks = false;
        break;
    }
}

int vb_recorder_add(struct vbench *vb, struct vb_device *d, const struct vb_recorder_habits *h, const char *of)
{
    int channel = vbench_channel_find(vb, of);
    if (vb->recorder_count == VB_RECORDERS_MAX || channel < 0)
        return -1;
    struct vb_recorder *r = &vb->recorder[vb->recorder_count];
    *r = (struct vb_recorder){.channel = channel,
                              .interval_ns = h->interval_ns,
                              .count = h->count,
                              .before_pct = h->before_pct,
                              .noise_u = h->noise_u,
                              .noise_i = h->noise_i,
                              .random = vb_random_stream(vb->seed, d->name)};
    d->recorder = vb->recorder_count++;
    return 0;
}
