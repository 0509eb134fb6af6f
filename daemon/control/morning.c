#include "morning.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "json_build.h"
#include "utc.h"

enum { RUNS_MAX = 200, HAPPENINGS_MAX = 60, UNBEGUN_MAX = 64, LOOK_BACK_RUNS = 1000 };

static const int64_t second_us = INT64_C(1000000);
static const int64_t night_s = 16 * 3600;

/* ---- what to do first ---- */

static const char *const after_cause[CAUSE_COUNT_] = {
    [CAUSE_NONE] = "",
    [CAUSE_THERMAL_CUTOUT] = "Look at its fan, vents and filter; clean or repair, then run it again as left.",
    [CAUSE_SUPPLY_LOST] = "Keep the circuit off; a qualified person looks at breaker, socket, plug and cord first.",
    [CAUSE_SUPPLY_LOW] = "Look at the supply: extension lead unwound and thick enough, other load on the circuit.",
    [CAUSE_LOAD_PATH_OPEN] = "Isolate the channel; look at lead, lugs and connectors for burns before anything is on.",
    [CAUSE_LOAD_PATH_SHORT] = "Isolate the channel; look for a short between the leads or in the bank.",
    [CAUSE_UNIT_PROTECTION] = "Read the code on its display, and its manual; then note it with: soakbench note.",
    [CAUSE_UNIT_FAULT] = "Do not switch it on again; quarantine it for repair.",
    [CAUSE_SWITCHED_OFF] = "Ask who switched it off, or look at its switch, plug and inner fuse; run it again.",
    [CAUSE_ENGINE_STOPPED] = "Look at fuel, oil and exhaust; run it again outdoors.",
    [CAUSE_BENCH_INTERLOCK] = "See the channel's interlock below; the unit itself is not judged, run it again.",
    [CAUSE_OPERATOR] = "A person ended it; run it again if a result is wanted.",
    [CAUSE_LINK_LOST] = "Look at the load controller, its supply and its line; then run it again.",
    [CAUSE_UNKNOWN] = "Look at the unit and its curves (soakbench record RUN --png FILE); run it again attended.",
};

static const char *const after_interlock[INTERLOCK_COUNT_] = {
    [INTERLOCK_NONE] = "",
    [INTERLOCK_BANK_HOT] = "Let the bank cool with its fans on; look at airflow and filters.",
    [INTERLOCK_LEAD_HOT] = "Isolate; look at lead, lugs and connectors.",
    [INTERLOCK_NO_FAN] = "Isolate; look at the bank's fan and its proof.",
    [INTERLOCK_ESTOP] = "Find out who pressed it and why, before it is released.",
    [INTERLOCK_SMOKE] = "Look for fire first; isolate everything; do not reset from elsewhere.",
    [INTERLOCK_SIGNAL_LOST] = "Look at the meter that fell silent, and its line.",
    [INTERLOCK_NOT_CLOSED] = "Isolate; look at the contactor and its feedback.",
    [INTERLOCK_NOT_OPENED] = "Keep clear; isolate the unit at its supply; a qualified person looks at the contactors.",
    [INTERLOCK_ELEMENT] = "Isolate; measure the bank's resistors: one is open or shorted.",
    [INTERLOCK_NO_LOAD_VOLTAGE] = "Isolate the unit: its no-load voltage is too high; quarantine it.",
    [INTERLOCK_OVER_POWER] = "Isolate; compare the unit's setting with the rating point.",
    [INTERLOCK_MAX_ON_LOAD] = "Look at why the on-load part did not end; tell whoever looks after the bench.",
    [INTERLOCK_SUPPLY] = "Look at the supply voltage and what else runs on the circuit.",
    [INTERLOCK_JOURNAL] = "Look at the disk of the bench's computer: space, errors.",
    [INTERLOCK_WATCHDOG] = "The load controller was powered up anew: find out why, then prove its watchdog.",
    [INTERLOCK_CROSS_WIRED] = "Isolate; the leads of two channels are crossed.",
    [INTERLOCK_LINK] = "Look at the load controller, its supply and its line.",
    [INTERLOCK_ISOLATED] = "Somebody opened the isolator: ask before it is closed.",
    [INTERLOCK_QUEUE] = "The bench's computer did not keep up: look at what else runs on it.",
    [INTERLOCK_RULE] = "A rule of the shop opened: see its text.",
    [INTERLOCK_CLOCK] = "The computer slept or was started anew: switch its sleep off.",
};

const char *first_after_cause(enum shutoff_cause cause)
{
    return (unsigned)cause < CAUSE_COUNT_ && after_cause[cause] ? after_cause[cause] : "";
}

const char *first_after_interlock(enum interlock which)
{
    return (unsigned)which < INTERLOCK_COUNT_ && after_interlock[which] ? after_interlock[which] : "";
}

/* ---- reading ---- */

enum group { GROUP_HELD, GROUP_SHUT_OFF, GROUP_NO_RESULT, GROUP_RUNNING, GROUP_COUNT_ };

struct sheet_run {
    struct journal_run run;
    int64_t shutoff_utc_us; /* the first one of the run; 0: none seen */
    int32_t shutoff_cycle;
    double reset_s;
    enum interlock interlock; /* that ended it */
};

struct happening {
    int64_t utc_us;
    enum event_kind kind;
    char channel[NAME_CAP];
    char text[TEXT_CAP];
};

/* A run of the queue that did not begin, and why. */
struct unbegun {
    int64_t utc_us, run_no;
    char channel[NAME_CAP];
    char what[16];
    char text[TEXT_CAP];
};

struct held_channel {
    char name[NAME_CAP];
    enum interlock latched;
};

struct morning {
    int64_t since_us, until_us;
    int count;
    struct sheet_run runs[RUNS_MAX];
    int happening_count;
    int64_t happenings_lost;
    struct happening happenings[HAPPENINGS_MAX];
    int unbegun_count;
    struct unbegun unbegun[UNBEGUN_MAX];
    int channel_count;
    struct held_channel channels[CHANNELS_MAX];
    char head[DIGEST_HEX_CAP];
};

static int take_run(void *ctx, const struct journal_run *run)
{
    struct morning *m = ctx;
    if (run->end_utc_us > m->until_us)
        m->until_us = run->end_utc_us;
    bool in_it = run->end_utc_us >= m->since_us || (run->end_utc_us == 0 && !run->interrupted);
    if (run->interrupted && run->end_utc_us == 0)
        in_it = run->start_utc_us >= m->since_us;
    if (!in_it)
        return 0;
    m->runs[m->count++] = (struct sheet_run){.run = *run, .reset_s = run->judged ? run->verdict.reset_s : NAN};
    return m->count == RUNS_MAX;
}

static struct sheet_run *find_run(struct morning *m, int64_t run_no)
{
    for (int i = 0; run_no && i < m->count; i++)
        if (m->runs[i].run.run_no == run_no)
            return &m->runs[i];
    return NULL;
}

static void note_latch(struct morning *m, const struct journal_event *e)
{
    int i = 0;
    while (i < m->channel_count && strcmp(m->channels[i].name, e->channel) != 0)
        i++;
    if (i == CHANNELS_MAX)
        return;
    if (i == m->channel_count)
        (void)text_copy(m->channels[m->channel_count++].name, NAME_CAP, e->channel);
    m->channels[i].latched = e->event.kind == EVENT_INTERLOCK ? (enum interlock)e->event.code : INTERLOCK_NONE;
}

static void note_happening(struct morning *m, const struct journal_event *e)
{
    if (m->happening_count == HAPPENINGS_MAX) {
        m->happenings_lost++;
        return;
    }
    struct happening *h = &m->happenings[m->happening_count++];
    *h = (struct happening){.utc_us = e->utc_us, .kind = e->event.kind};
    (void)text_copy(h->channel, sizeof h->channel, e->channel);
    (void)text_copy(h->text, sizeof h->text, e->event.text);
}

static void note_queue(struct morning *m, const struct journal_event *e)
{
    if (e->event.code == QUEUE_BEGUN && e->event.value_count > 0 && e->event.values[0] > 0)
        note_happening(m, e); /* not as it was when somebody queued it */
    if (e->event.code < QUEUE_SKIPPED || m->unbegun_count == UNBEGUN_MAX || e->utc_us < m->since_us)
        return;
    struct unbegun *u = &m->unbegun[m->unbegun_count++];
    *u = (struct unbegun){.utc_us = e->utc_us, .run_no = e->event.run_no};
    (void)text_copy(u->channel, sizeof u->channel, e->channel);
    (void)text_copy(u->what, sizeof u->what, queue_happening_name((enum queue_happening)e->event.code));
    (void)text_copy(u->text, sizeof u->text, e->event.text);
}

static int take_event(void *ctx, const struct journal_event *e)
{
    struct morning *m = ctx;
    struct sheet_run *run = find_run(m, e->event.run_no);
    switch (e->event.kind) {
    case EVENT_CYCLE_BEGIN:
        if (run && !run->shutoff_utc_us)
            run->shutoff_cycle = e->event.code;
        break;
    case EVENT_SHUTOFF:
        if (run && !run->shutoff_utc_us)
            run->shutoff_utc_us = e->utc_us;
        break;
    case EVENT_RESET_SEEN:
        if (run && !isfinite(run->reset_s) && e->event.value_count > 0)
            run->reset_s = e->event.values[0];
        break;
    case EVENT_INTERLOCK:
        if (run)
            run->interlock = (enum interlock)e->event.code;
        note_latch(m, e);
        note_happening(m, e);
        break;
    case EVENT_INTERLOCK_RESET:
        note_latch(m, e);
        note_happening(m, e);
        break;
    case EVENT_QUEUE:
        note_queue(m, e);
        break;
    case EVENT_ALARM:
    case EVENT_SUPPLY_TRIP:
    case EVENT_CLOCK:
    case EVENT_GAP:
        note_happening(m, e);
        break;
    default:
        break;
    }
    return 0;
}

static int take_last(void *ctx, const struct journal_event *e)
{
    struct morning *m = ctx;
    if (e->seen_utc_us > m->until_us)
        m->until_us = e->seen_utc_us;
    return 0;
}

static int read_until(struct journal_reader *r, struct morning *m, struct error *err)
{
    int64_t rows[FEED_COUNT_];
    struct row_filter last = row_filter_any();
    if (journal_reader_last_rows(r, rows, err))
        return -1;
    last.after_row = rows[FEED_EVENTS] - 1;
    return journal_reader_events(r, &last, take_last, m, err);
}

static int read_all(struct journal_reader *r, struct morning *m, int64_t since_utc_s, struct error *err)
{
    struct digest head;
    struct run_filter runs = {.newest_first = true, .limit = LOOK_BACK_RUNS};
    struct row_filter events = row_filter_any();
    if (read_until(r, m, err))
        return -1;
    m->since_us = since_utc_s ? since_utc_s * second_us : m->until_us - night_s * second_us;
    if (journal_reader_runs(r, &runs, take_run, m, err))
        return -1;
    events.from_utc_us = m->since_us;
    for (int i = 0; i < m->count; i++) /* runs that began in the evening before */
        if (m->runs[i].run.start_utc_us < events.from_utc_us)
            events.from_utc_us = m->runs[i].run.start_utc_us;
    if (journal_reader_events(r, &events, take_event, m, err) || journal_reader_head(r, &head, err))
        return -1;
    digest_print(&head, m->head);
    return 0;
}

struct morning *morning_new(struct journal_reader *r, int64_t since_utc_s, struct error *err)
{
    struct morning *m = calloc(1, sizeof *m);
    if (!m) {
        error_set(err, "out of memory");
        return NULL;
    }
    if (read_all(r, m, since_utc_s, err)) {
        free(m);
        return NULL;
    }
    return m;
}

void morning_free(struct morning *m)
{
    free(m);
}

/* ---- telling ---- */

static enum group group_of(const struct sheet_run *s)
{
    if (!s->run.judged)
        return s->run.end_utc_us || s->run.interrupted ? GROUP_NO_RESULT : GROUP_RUNNING;
    switch (s->run.verdict.kind) {
    case VERDICT_MET:
    case VERDICT_HELD:
        return GROUP_HELD;
    case VERDICT_NOT_MET:
        return GROUP_SHUT_OFF;
    default:
        break;
    }
    /* A run past the rating has no rating to decide on; its cut-out is what it was made for. */
    return s->run.verdict.cause != CAUSE_NONE && !cause_is_outside_unit(s->run.verdict.cause) ? GROUP_SHUT_OFF
                                                                                              : GROUP_NO_RESULT;
}

static int count_of(const struct morning *m, enum group group)
{
    int count = 0;
    for (int i = 0; i < m->count; i++)
        count += group_of(&m->runs[i]) == group;
    return count;
}

static int locked_count(const struct morning *m)
{
    int count = 0;
    for (int i = 0; i < m->channel_count; i++)
        count += m->channels[i].latched != INTERLOCK_NONE;
    return count;
}

void morning_line(const struct morning *m, char *to, size_t cap)
{
    int running = count_of(m, GROUP_RUNNING), locked = locked_count(m);
    (void)text_format(to, cap, "%d held, %d shut off, %d without a result", count_of(m, GROUP_HELD),
                      count_of(m, GROUP_SHUT_OFF), count_of(m, GROUP_NO_RESULT));
    if (m->unbegun_count)
        (void)text_append(to, cap, ", %d not begun", m->unbegun_count);
    if (running)
        (void)text_append(to, cap, ", %d still running", running);
    if (locked)
        (void)text_append(to, cap, ", %d channel%s locked", locked, locked == 1 ? "" : "s");
}

/* What is to be done first: by the interlock that ended the run, else by the cause of its shutoff. */
static const char *first_of(const struct sheet_run *s)
{
    if (s->interlock != INTERLOCK_NONE)
        return first_after_interlock(s->interlock);
    enum shutoff_cause cause = s->run.judged ? s->run.verdict.cause : CAUSE_NONE;
    if (cause != CAUSE_NONE)
        return first_after_cause(cause);
    return group_of(s) == GROUP_HELD || group_of(s) == GROUP_RUNNING ? "" : "See why, put it right, run it again.";
}

static const char *reason_of(const struct sheet_run *s)
{
    if (s->run.judged)
        return s->run.verdict.reason;
    return s->run.interrupted ? "The daemon or its computer stopped while the run was under way." : "No verdict yet.";
}

static void short_utc(char *to, size_t cap, int64_t utc_us)
{
    char text[UTC_CAP];
    if (utc_us == 0) {
        (void)text_copy(to, cap, "-");
        return;
    }
    utc_print(text, sizeof text, utc_us * 1000);
    (void)text_format(to, cap, "%.10s %.5s", text, text + 11);
}

static void print_wrapped_text(FILE *to, const char *label, const char *text)
{
    enum { WIDTH = 96, INDENT = 10 };
    int column = INDENT;
    fprintf(to, "    %-6s", label);
    for (const char *at = text; *at;) {
        size_t size = strcspn(at, " ");
        if (column > INDENT && column + 1 + (int)size > WIDTH) {
            fprintf(to, "\n%*s", INDENT, "");
            column = INDENT;
        } else if (column > INDENT) {
            fputc(' ', to);
            column++;
        }
        fprintf(to, "%.*s", (int)size, at);
        column += (int)size;
        at += size;
        at += strspn(at, " ");
    }
    fputc('\n', to);
}

static void print_run(const struct sheet_run *s, FILE *to)
{
    char began[UTC_CAP], ended[UTC_CAP], point[96], shutoff[TEXT_CAP] = "";
    const struct verdict *v = &s->run.verdict;
    bool judged = s->run.judged;
    short_utc(began, sizeof began, s->run.start_utc_us);
    short_utc(ended, sizeof ended, s->run.end_utc_us);
    rating_point_print(point, sizeof point, &s->run.request.point);
    fprintf(to, "  Run %lld, unit %s on channel %s: %s, %s\n", (long long)s->run.run_no, s->run.request.serial,
            s->run.channel_name, procedure_name(s->run.request.procedure), point);
    fprintf(to, "    %s to %s", began, ended);
    if (judged)
        fprintf(to, "; %s, basis %s; %d cycles valid, %d void", verdict_kind_name(v->kind), basis_name(v->basis),
                (int)v->cycles_valid, (int)v->cycles_void);
    fputc('\n', to);
    if (s->shutoff_utc_us) {
        char at[UTC_CAP];
        short_utc(at, sizeof at, s->shutoff_utc_us);
        (void)text_format(shutoff, sizeof shutoff, "%s, cycle %d", at, (int)s->shutoff_cycle);
        if (judged && isfinite(v->shutoff_s))
            (void)text_append(shutoff, sizeof shutoff, ", after %.0f s on-load", v->shutoff_s);
        if (judged)
            (void)text_append(shutoff, sizeof shutoff, ": %s%s%s", shutoff_cause_name(v->cause),
                              v->cause_second != CAUSE_NONE ? " or " : "",
                              v->cause_second != CAUSE_NONE ? shutoff_cause_name(v->cause_second) : "");
        if (isfinite(s->reset_s))
            (void)text_append(shutoff, sizeof shutoff, "; reset after %.1f min", s->reset_s / 60);
        else
            (void)text_append(shutoff, sizeof shutoff, "; no reset seen");
        print_wrapped_text(to, "off", shutoff);
    }
    if (!s->shutoff_utc_us && judged && v->cause != CAUSE_NONE)
        print_wrapped_text(to, "cause", shutoff_cause_name(v->cause));
    print_wrapped_text(to, "why", reason_of(s));
    if (judged && v->finding[0])
        print_wrapped_text(to, "found", v->finding);
    if (first_of(s)[0])
        print_wrapped_text(to, "first", first_of(s));
}

static const char *const heads[GROUP_COUNT_] = {
    [GROUP_HELD] = "Held",
    [GROUP_SHUT_OFF] = "Shut off",
    [GROUP_NO_RESULT] = "No result: these say nothing about the unit",
    [GROUP_RUNNING] = "Still running",
};

static void print_unbegun(const struct morning *m, FILE *to)
{
    if (m->unbegun_count)
        fputs("\nNot run from the queue\n", to);
    for (int i = 0; i < m->unbegun_count; i++) {
        char at[UTC_CAP];
        const struct unbegun *u = &m->unbegun[i];
        short_utc(at, sizeof at, u->utc_us);
        fprintf(to, "  %s  %s\n", at, u->what);
        print_wrapped_text(to, "why", u->text);
    }
}

static void print_bench(const struct morning *m, FILE *to)
{
    if (locked_count(m)) {
        fputs("\nLocked, until a person resets with a reason\n", to);
        for (int i = 0; i < m->channel_count; i++)
            if (m->channels[i].latched != INTERLOCK_NONE) {
                fprintf(to, "  Channel %s: %s\n", m->channels[i].name, interlock_name(m->channels[i].latched));
                print_wrapped_text(to, "first", first_after_interlock(m->channels[i].latched));
            }
    }
    if (m->happening_count)
        fputs("\nAt the bench\n", to);
    for (int i = 0; i < m->happening_count; i++) {
        char at[UTC_CAP];
        const struct happening *h = &m->happenings[i];
        short_utc(at, sizeof at, h->utc_us);
        fprintf(to, "  %s  %s%s%s: %s\n", at, h->channel[0] ? "channel " : "bench", h->channel,
                h->kind == EVENT_INTERLOCK_RESET ? " reset" : "", h->text);
    }
    if (m->happenings_lost)
        fprintf(to, "  ... and %lld more in the record\n", (long long)m->happenings_lost);
}

void morning_print(const struct morning *m, FILE *to)
{
    char since[UTC_CAP], until[UTC_CAP], line[128];
    short_utc(since, sizeof since, m->since_us);
    short_utc(until, sizeof until, m->until_us);
    morning_line(m, line, sizeof line);
    fprintf(to, "Morning sheet, %s to %s (UTC)\n%s.\n", since, until, line);
    for (int g = 0; g < GROUP_COUNT_; g++) {
        if (count_of(m, (enum group)g))
            fprintf(to, "\n%s\n", heads[g]);
        for (int i = m->count - 1; i >= 0; i--) /* the oldest first */
            if (group_of(&m->runs[i]) == (enum group)g)
                print_run(&m->runs[i], to);
    }
    print_unbegun(m, to);
    print_bench(m, to);
    fprintf(to, "\nHead of the record: %s\n", m->head);
}

/* ---- as an object ---- */

static const char *const group_words[GROUP_COUNT_] = {"held", "shut-off", "no-result", "running"};

static json_t *run_json(const struct sheet_run *s)
{
    struct json_build b = build_begin();
    char point[96];
    const struct verdict *v = &s->run.verdict;
    rating_point_print(point, sizeof point, &s->run.request.point);
    build_integer(&b, "run", s->run.run_no);
    build_text(&b, "outcome", group_words[group_of(s)]);
    build_text(&b, "unit", s->run.request.serial);
    build_text(&b, "channel", s->run.channel_name);
    build_text(&b, "procedure", procedure_name(s->run.request.procedure));
    build_text(&b, "point", point);
    build_flag(&b, "unattended", s->run.request.unattended);
    build_utc(&b, "started", s->run.start_utc_us * 1000);
    build_utc(&b, "ended", s->run.end_utc_us * 1000);
    build_text(&b, "verdict", s->run.judged ? verdict_kind_name(v->kind) : "");
    build_text(&b, "basis", s->run.judged ? basis_name(v->basis) : "");
    build_text(&b, "cause", s->run.judged ? shutoff_cause_name(v->cause) : "");
    build_text(&b, "interlock", s->interlock != INTERLOCK_NONE ? interlock_name(s->interlock) : "");
    build_utc(&b, "shutoff", s->shutoff_utc_us * 1000);
    build_integer(&b, "shutoff_cycle", s->shutoff_utc_us ? s->shutoff_cycle : 0);
    build_figure(&b, "shutoff_s", s->run.judged ? v->shutoff_s : NAN);
    build_figure(&b, "reset_s", s->reset_s);
    build_integer(&b, "cycles_valid", v->cycles_valid);
    build_integer(&b, "cycles_void", v->cycles_void);
    build_text(&b, "reason", reason_of(s));
    build_text(&b, "finding", v->finding);
    build_text(&b, "first", first_of(s));
    return build_end(&b);
}

static json_t *happening_json(const struct happening *h)
{
    struct json_build b = build_begin();
    build_utc(&b, "utc", h->utc_us * 1000);
    build_text(&b, "kind", event_kind_name(h->kind));
    build_text(&b, "channel", h->channel);
    build_text(&b, "text", h->text);
    return build_end(&b);
}

static json_t *unbegun_json(const struct unbegun *u)
{
    struct json_build b = build_begin();
    build_utc(&b, "utc", u->utc_us * 1000);
    build_integer(&b, "run", u->run_no);
    build_text(&b, "channel", u->channel);
    build_text(&b, "result", u->what);
    build_text(&b, "text", u->text);
    return build_end(&b);
}

static json_t *locked_json(const struct held_channel *c)
{
    struct json_build b = build_begin();
    build_text(&b, "channel", c->name);
    build_text(&b, "interlock", interlock_name(c->latched));
    build_text(&b, "first", first_after_interlock(c->latched));
    return build_end(&b);
}

static void put(struct json_build *b, json_t *list, json_t *item)
{
    if (json_array_append_new(list, item) != 0)
        b->bad = true;
}

json_t *morning_to_json(const struct morning *m)
{
    struct json_build b = build_begin();
    char line[128];
    json_t *runs = json_array(), *happenings = json_array(), *locked = json_array(), *unbegun = json_array();
    for (int i = m->count - 1; i >= 0; i--)
        put(&b, runs, run_json(&m->runs[i]));
    for (int i = 0; i < m->happening_count; i++)
        put(&b, happenings, happening_json(&m->happenings[i]));
    for (int i = 0; i < m->channel_count; i++)
        if (m->channels[i].latched != INTERLOCK_NONE)
            put(&b, locked, locked_json(&m->channels[i]));
    for (int i = 0; i < m->unbegun_count; i++)
        put(&b, unbegun, unbegun_json(&m->unbegun[i]));
    morning_line(m, line, sizeof line);
    build_utc(&b, "since", m->since_us * 1000);
    build_utc(&b, "until", m->until_us * 1000);
    build_text(&b, "line", line);
    build_add(&b, "runs", runs);
    build_add(&b, "not_begun", unbegun);
    build_add(&b, "locked", locked);
    build_add(&b, "happenings", happenings);
    build_text(&b, "head", m->head);
    return build_end(&b);
}
