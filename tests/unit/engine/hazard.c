#include "hazard.h"

#include <math.h>

static void estop(struct plant *p, int ch)
{
    p->channels[ch].read[SIG_ESTOP] = 1;
}
static void smoke(struct plant *p, int ch)
{
    p->channels[ch].read[SIG_SMOKE] = 1;
}
static void bank_hot(struct plant *p, int ch)
{
    p->channels[ch].read[SIG_T_BANK] = p->bench.limits.t_bank_max_degc + 1;
}
static void lead_hot(struct plant *p, int ch)
{
    p->channels[ch].read[SIG_T_LEAD] = p->bench.limits.t_lead_max_degc + 1;
}
static void no_fan(struct plant *p, int ch)
{
    p->channels[ch].read[SIG_FAN_PROOF] = 0;
}
static void silence(struct plant *p, int ch)
{
    p->channels[ch].silent[SIG_U2] = true;
}
static void fell_open(struct plant *p, int ch)
{
    p->channels[ch].read[SIG_FEEDBACK] = 0;
}
static void element(struct plant *p, int ch)
{
    p->channels[ch].read[SIG_U2] = 30;
}
static void high_voltage(struct plant *p, int ch)
{
    p->channels[ch].read[SIG_U2] = p->bench.channels[ch].load.max_voltage_v + 1;
}
static void over_power(struct plant *p, int ch)
{
    p->channels[ch].read[SIG_U2] = 60;
    p->channels[ch].read[SIG_I2] = 580;
}
static void brown_out(struct plant *p, int ch)
{
    p->channels[ch].read[SIG_U1] = 170;
}
static void record_fails(struct plant *p, int ch)
{
    (void)ch;
    struct input in = {.kind = INPUT_JOURNAL, .u.journal = {.failed = true}};
    p->journal_stuck = true;
    plant_input(p, &in);
}
static void record_lags(struct plant *p, int ch)
{
    (void)ch;
    struct input in = {.kind = INPUT_JOURNAL, .u.journal = {.oldest_unsynced_ns = SEC}};
    p->journal_stuck = true;
    plant_input(p, &in);
}
static void power_up(struct plant *p, int ch)
{
    (void)ch;
    struct input in = {.kind = INPUT_LINK, .u.link = {.device = 0, .up = true, .power_up = true}};
    plant_input(p, &in);
}
static void link_down(struct plant *p, int ch)
{
    (void)ch;
    struct input in = {.kind = INPUT_LINK, .u.link = {.device = 0, .up = false}};
    p->device_down = true;
    plant_input(p, &in);
}
static void lease_out(struct plant *p, int ch)
{
    (void)ch;
    struct input in = {.kind = INPUT_ACK, .u.ack = {.device = 0, .kind = ACK_LEASE_EXPIRED, .stamp_ns = p->now_ns}};
    plant_input(p, &in);
}
static void isolated(struct plant *p, int ch)
{
    p->channels[ch].read[SIG_ISOLATED] = 1;
}
static void lost(struct plant *p, int ch)
{
    (void)ch;
    struct input in = {.kind = INPUT_LOST, .u.lost = {.bus = 0, .count = 3}};
    plant_input(p, &in);
}
static void suspended(struct plant *p, int ch)
{
    (void)ch;
    struct input in = {.kind = INPUT_ANCHOR,
                       .u.anchor = {.suspended = true,
                                    .slept_ns = 5 * SEC,
                                    .utc_ns = p->utc0_ns + (p->now_ns - 1000 * SEC) + 5 * SEC,
                                    .monotonic_ns = p->now_ns,
                                    .boottime_ns = p->now_ns + 5 * SEC}};
    plant_input(p, &in);
}
static void rule_opens(struct plant *p, int ch)
{
    p->channels[ch].read[SIG_T_INTAKE] = 70; /* the plant's rule */
}

static const struct hazard hazards[] = {
    {INTERLOCK_ESTOP, estop, 0.15, false, true},
    {INTERLOCK_SMOKE, smoke, 0.15, false, true},
    {INTERLOCK_BANK_HOT, bank_hot, 0.15, false, true},
    {INTERLOCK_LEAD_HOT, lead_hot, 0.15, false, true},
    {INTERLOCK_NO_FAN, no_fan, 0.15, false, false},
    {INTERLOCK_SIGNAL_LOST, silence, 2.3, false, true},
    {INTERLOCK_NOT_CLOSED, fell_open, 0.15, true, false},
    {INTERLOCK_ELEMENT, element, 3.5, true, false},
    {INTERLOCK_NO_LOAD_VOLTAGE, high_voltage, 0.15, false, true},
    {INTERLOCK_OVER_POWER, over_power, 4.5, true, false},
    {INTERLOCK_SUPPLY, brown_out, 2.6, false, false},
    {INTERLOCK_JOURNAL, record_fails, 0.01, false, true},
    {INTERLOCK_JOURNAL, record_lags, 4.2, false, true},
    {INTERLOCK_WATCHDOG, power_up, 0.01, false, true},
    {INTERLOCK_LINK, link_down, 0.01, false, true},
    {INTERLOCK_LINK, lease_out, 0.01, true, false},
    {INTERLOCK_ISOLATED, isolated, 0.15, false, true},
    {INTERLOCK_QUEUE, lost, 0.01, false, false},
    {INTERLOCK_CLOCK, suspended, 0.01, false, false},
    {INTERLOCK_RULE, rule_opens, 0.6, false, false},
};

const struct hazard *hazard_list(int *count)
{
    *count = (int)(sizeof hazards / sizeof hazards[0]);
    return hazards;
}

void hazard_clear(struct plant *p)
{
    for (int ch = 0; ch < p->bench.channel_count; ch++)
        for (int k = 0; k < SIG_KIND_COUNT_; k++) {
            p->channels[ch].read[k] = NAN;
            p->channels[ch].silent[k] = false;
        }
    p->journal_stuck = false;
    struct input in = {.kind = INPUT_JOURNAL};
    plant_input(p, &in);
    if (p->device_down) {
        p->device_down = false;
        struct input up = {.kind = INPUT_LINK, .u.link = {.device = 0, .up = true, .tells = POWER_UP_MARK}};
        for (int ch = 0; ch < p->bench.channel_count; ch++)
            p->channels[ch].wanted = p->channels[ch].mask = 0;
        plant_input(p, &up);
    }
}
