#include "emit.h"

#include <stdarg.h>
#include <stdio.h>

static void format_into(char *to, size_t cap, const char *format, va_list args) __attribute__((format(printf, 3, 0)));

static void format_into(char *to, size_t cap, const char *format, va_list args)
{
    /* The analyzer of clang 14 does not see that va_start began args, here or in every caller. */
    if (vsnprintf(to, cap, format, args) < 0) /* NOLINT(clang-analyzer-valist.Uninitialized) */
        to[0] = '\0';
}

struct event *emit_event(struct engine *e, enum event_kind kind, int channel)
{
    struct event *v = &e->scratch_event;
    if (e->out->event_count < ENGINE_EVENTS_MAX)
        v = &e->out->events[e->out->event_count++];
    else
        e->out->overflow = true;
    *v = (struct event){
        .id = ++e->events,
        .seq = e->seq,
        .kind = kind,
        .channel = channel,
        .run_no = channel >= 0 && e->channels[channel].run.active ? e->channels[channel].run.rq.run_no : 0,
        .seen_ns = e->now_ns,
        .at_ns = e->now_ns,
    };
    return v;
}

void emit_text(struct engine *e, enum event_kind kind, int channel, const char *format, ...)
{
    struct event *v = emit_event(e, kind, channel);
    va_list args;
    va_start(args, format);
    format_into(v->text, sizeof v->text, format, args);
    va_end(args);
}

struct command *emit_command(struct engine *e, enum command_kind kind, int channel, int device)
{
    struct command *c = &e->scratch_command;
    if (e->out->command_count < ENGINE_COMMANDS_MAX)
        c = &e->out->commands[e->out->command_count++];
    else
        e->out->overflow = true;
    *c = (struct command){.kind = kind, .number = ++e->commands, .channel = channel, .device = device};
    return c;
}

void emit_answer(struct engine *e, uint64_t request, int code, const char *format, ...)
{
    if (request == 0)
        return;
    struct command *c = emit_command(e, COMMAND_ANSWER, -1, -1);
    c->request = request;
    c->code = code;
    va_list args;
    va_start(args, format);
    format_into(c->text, sizeof c->text, format, args);
    va_end(args);
}

void emit_notify(struct engine *e, int channel, enum notify_urgency urgency, const char *format, ...)
{
    struct command *c = emit_command(e, COMMAND_NOTIFY, channel, -1);
    c->code = (int32_t)urgency;
    va_list args;
    va_start(args, format);
    format_into(c->text, sizeof c->text, format, args);
    va_end(args);
}

struct verdict *emit_verdict(struct engine *e)
{
    if (e->out->verdict_count >= ENGINE_VERDICTS_MAX) {
        e->out->overflow = true;
        return &e->out->verdicts[ENGINE_VERDICTS_MAX - 1];
    }
    struct verdict *v = &e->out->verdicts[e->out->verdict_count++];
    *v = (struct verdict){0};
    return v;
}
