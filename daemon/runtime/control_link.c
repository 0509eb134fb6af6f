/* What the control socket gets of the daemon. All run in the control thread. */
#include <stdlib.h>

#include "counters.h"
#include "runtime_parts.h"

static void link_view(void *ctx, struct bench_view *view)
{
    runtime_view(ctx, view);
}

static int link_submit(void *ctx, const struct input_operator *order)
{
    return runtime_submit(ctx, order);
}

static void link_submit_end(void *ctx, const struct input_operator *order)
{
    struct runtime *rt = ctx;
    /* The queue holds more than all clients together may have under way. Should it be full all the same, everything
     * ends. */
    if (queue_put(rt->ends, INPUT_OPERATOR, 0, order, sizeof *order)) {
        engine_stage_end_all(rt->engine);
        wake_fd(rt->engine_fd);
    }
}

static int link_put_on_file(void *ctx, const struct register_order *order)
{
    struct runtime *rt = ctx;
    return queue_put(rt->file_orders, ORDER_REGISTER, 0, order, sizeof *order);
}

static int64_t link_next_run_no(void *ctx)
{
    return runtime_next_run_no(ctx);
}

static char *link_counters(void *ctx)
{
    return counters_print(ctx);
}

static int64_t link_real_ns(void *ctx)
{
    struct runtime *rt = ctx;
    return bench_clock_real_ns(rt->clock);
}

static int64_t link_utc_ns(void *ctx)
{
    struct runtime *rt = ctx;
    return bench_clock_utc_ns(rt->clock);
}

static void link_log(void *ctx, const char *text)
{
    struct runtime *rt = ctx;
    log_write(rt->log, LOG_LEVEL_INFO, "control: %s", text);
}

struct control_hooks runtime_control_hooks(struct runtime *rt)
{
    struct control_hooks hooks = {.ctx = rt,
                                  .bench = &rt->config->bench,
                                  .view = link_view,
                                  .submit = link_submit,
                                  .submit_end = link_submit_end,
                                  .put_on_file = link_put_on_file,
                                  .next_run_no = link_next_run_no,
                                  .counters = link_counters,
                                  .real_ns = link_real_ns,
                                  .utc_ns = link_utc_ns,
                                  .log = link_log};
    text_copy(hooks.version, sizeof hooks.version, SOAKBENCH_VERSION);
    text_copy(hooks.journal_path, sizeof hooks.journal_path, rt->config->journal.path);
    text_copy(hooks.socket_group, sizeof hooks.socket_group, rt->config->listen.socket_group);
    return hooks;
}
