/* What the engine's commands do. All run in the engine's thread and never block. */
#include <math.h>

#include "heat_job.h"
#include "runtime_parts.h"
#include "worker_job.h"

static void hand_lease(void *ctx, int device, int64_t until_ns)
{
    struct runtime *rt = ctx;
    if (device >= 0 && device < rt->config->bench.device_count)
        lease_renew(&rt->leases[device], until_ns);
}

static struct bus *bus_of_device(struct runtime *rt, int device)
{
    if (device < 0 || device >= rt->config->bench.device_count)
        return NULL;
    return bus_stage_bus(rt->buses[rt->config->devices[device].bus]);
}

static void hand_drop(void *ctx, const struct command *command)
{
    struct runtime *rt = ctx;
    struct bus *bus = bus_of_device(rt, command->device);
    if (!bus)
        return;
    lease_drop(&rt->leases[command->device]);
    bus_wake(bus);
}

/* Answer a command here, without the bus: it could not take it (the engine hears that it failed, and does what it
 * must), or there is nothing to do. */
static void answer_here(struct runtime *rt, const struct command *command, enum ack_kind kind)
{
    struct input_ack ack = {
        .device = command->device, .command = command->number, .kind = kind, .stamp_ns = bench_clock_now_ns(rt->clock)};
    if (queue_put(rt->orders, INPUT_ACK, 0, &ack, sizeof ack))
        log_write(rt->log, LOG_LEVEL_ERROR, "engine: an answer to its own command did not fit its queue");
}

/* One fan may cool the resistors of several channels: it stops when the last of them has no more use for it. The engine
 * knows channels, not which of them share a fan. */
static bool fan_still_wanted(struct runtime *rt, const struct command *command)
{
    const struct load_points *points = rt->config->load_points;
    int channel = command->channel;
    if (channel < 0 || channel >= rt->config->bench.channel_count)
        return false;
    rt->fan_wanted[channel] = command->on;
    for (int c = 0; c < rt->config->bench.channel_count && !command->on; c++)
        if (rt->fan_wanted[c] && points[c].fan_device == points[channel].fan_device &&
            points[c].fan == points[channel].fan)
            return true;
    return false;
}

static void hand_post(void *ctx, const struct command *command)
{
    struct runtime *rt = ctx;
    if (command->kind == COMMAND_FAN && fan_still_wanted(rt, command)) {
        answer_here(rt, command, ACK_DONE);
        return;
    }
    for (int i = 0; i < rt->config->bench.bus_count; i++) {
        struct bus *bus = bus_stage_bus(rt->buses[i]);
        if (!bus_takes(bus, command))
            continue;
        if (bus_post(bus, command))
            answer_here(rt, command, ACK_FAILED);
        return;
    }
    answer_here(rt, command, ACK_FAILED);
}

static void hand_beacon(void *ctx, const struct command *command)
{
    struct runtime *rt = ctx;
    struct bus *bus = bus_of_device(rt, rt->config->beacon_device);
    if (bus)
        bus_post(bus, command); /* a light that fails to be set is set again by the next change; the bus counts it */
}

static void hand_answer(void *ctx, uint64_t request, int code, const char *text)
{
    struct runtime *rt = ctx;
    if (!request || (request & OWN_REQUEST))
        return;
    if (rt->options.answer)
        rt->options.answer(rt->options.ctx, request, code, text);
    if (rt->control && control_answer(rt->control, request, code, text))
        log_write(rt->log, LOG_LEVEL_WARN, "control: an answer was lost, too many are waiting");
}

static void hand_worker(void *ctx, const struct command *command, const struct stagger_job *stagger)
{
    struct runtime *rt = ctx;
    struct input_worker refused;
    if (worker_stage_post(rt->worker, command, rt->series, stagger) == 0)
        return;
    heat_job_no_answer(command, JOB_REFUSED, &refused);
    if (queue_put(rt->orders, INPUT_WORKER, 0, &refused, sizeof refused))
        log_write(rt->log, LOG_LEVEL_ERROR, "engine: the refusal of a job did not fit its queue");
}

/* Stores and messages as they stand now. Full: the engine waits for it, and skips the run in the end. */
static void hand_facts(void *ctx, const struct command *command)
{
    struct runtime *rt = ctx;
    struct input_operator facts = {.verb = VERB_FACTS, .channel = command->channel, .device = -1};
    facts.run.run_no = (int64_t)command->request;
    runtime_facts(rt, &facts.run.night, &facts.run.stores);
    if (queue_put(rt->orders, INPUT_OPERATOR, 0, &facts, sizeof facts))
        log_write(rt->log, LOG_LEVEL_ERROR, "engine: what stands behind a waiting run did not fit its queue");
}

static void hand_readings(void *ctx, const struct input_readings *in)
{
    struct runtime *rt = ctx;
    heat_series_take(rt->series, in);
}

struct engine_hands runtime_hands(struct runtime *rt)
{
    return (struct engine_hands){.ctx = rt,
                                 .lease = hand_lease,
                                 .drop = hand_drop,
                                 .post = hand_post,
                                 .beacon = hand_beacon,
                                 .answer = hand_answer,
                                 .facts = hand_facts,
                                 .worker = hand_worker,
                                 .readings = hand_readings};
}
