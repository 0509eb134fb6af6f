/* How a meter sees a quantity: filter, averaging window, refresh, gain, offset, noise, resolution. */
#include <math.h>
#include <stdio.h>

#include "vb_world.h"

static double round_to(double value, double step)
{
    if (step <= 0)
        return value;
    double n = value / step;
    return (double)(int64_t)(n < 0 ? n - 0.5 : n + 0.5) * step;
}

static bool dead(const struct vbench *vb, const struct vb_meter *m)
{
    return m->powered_from >= 0 && vb->circuit[m->powered_from].u_v <= 0;
}

/* A new value for the display: the mean over the window when there is one, else the filtered value. */
static void refresh(struct vb_meter *m, int64_t now_ns)
{
    double value = m->filtered;
    if (m->averaging_ns > 0) {
        unsigned window = (unsigned)(m->averaging_ns / m->refresh_ns);
        window = window < 1 ? 1 : window > VB_RING - 1 ? VB_RING - 1 : window;
        unsigned back = m->ring_filled < window ? m->ring_filled : window;
        if (back > 0) {
            double before = m->ring[(m->ring_at + VB_RING - back) % VB_RING];
            value = (m->integral - before) / ((double)back * (double)m->refresh_ns / 1e9);
        }
        m->ring[m->ring_at] = m->integral;
        m->ring_at = (m->ring_at + 1) % VB_RING;
        if (m->ring_filled < VB_RING - 1)
            m->ring_filled++;
    }
    double sd = m->noise + m->noise_of_reading * fabs(value);
    double shown = value * m->gain + m->offset + (sd > 0 ? sd * vb_random_normal(&m->random) : 0);
    if (!m->frozen)
        m->shown = round_to(shown, m->resolution);
    m->last_ns = now_ns;
    m->next_ns = now_ns + m->refresh_ns;
}

static void run(struct vbench *vb, struct vb_meter *m, double dt_s)
{
    double now = vb_probe_value(vb, m->probe);
    if (!m->started) {
        m->started = true;
        m->filtered = now;
        m->integral = 0;
        m->next_ns = vb->tick_ns;
    }
    if (m->damping_ns > 0)
        m->filtered += (now - m->filtered) * vb_approach(dt_s, (double)m->damping_ns / 1e9);
    else
        m->filtered = now;
    m->integral += m->filtered * dt_s;
    if (vb->tick_ns >= m->next_ns)
        refresh(m, vb->tick_ns);
}

void vb_meter_run(struct vbench *vb, double dt_s)
{
    for (int i = 0; i < vb->meter_count; i++) {
        struct vb_meter *m = &vb->meter[i];
        if (m->refresh_ns <= 0)
            continue;
        if (dead(vb, m)) {
            m->started = false;
            m->ring_filled = 0;
            continue;
        }
        run(vb, m, dt_s);
        vb_schedule(vb, m->next_ns);
    }
}

double vb_meter_value(const struct vbench *vb, int meter)
{
    const struct vb_meter *m = &vb->meter[meter];
    if (dead(vb, m))
        return NAN;
    if (m->refresh_ns > 0)
        return m->started ? m->shown : NAN;
    if (m->frozen)
        return m->shown;
    return round_to(vb_probe_value(vb, m->probe) * m->gain + m->offset, m->resolution);
}

int vb_meter_add(struct vbench *vb, struct vb_device *d, const char *probe, const struct vb_meter_habits *h)
{
    if (vb->meter_count == VB_METERS_MAX)
        return -1;
    struct vb_meter *m = &vb->meter[vb->meter_count];
    *m = (struct vb_meter){
        .refresh_ns = (int64_t)(h->refresh_s * 1e9 + 0.5),
        .averaging_ns = (int64_t)(h->averaging_s * 1e9 + 0.5),
        .damping_ns = (int64_t)(h->damping_s * 1e9 + 0.5),
        .resolution = h->resolution,
        .noise = h->noise,
        .noise_of_reading = h->noise_of_reading,
        .offset = h->offset,
        .gain = h->gain,
        .powered_from = d->powered_from,
    };
    if (vb_probe_parse(vb, probe, &m->probe) != 0)
        return -1;
    snprintf(m->name, sizeof m->name, "%.20s/%.26s", d->name, probe);
    m->random = vb_random_stream(vb->seed, m->name);
    return vb->meter_count++;
}
