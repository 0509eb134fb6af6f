/* run watch: follows a run until its verdict is on record. On a terminal the progress is redrawn in place; elsewhere
 * each happening is one plain line. */
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "commands.h"
#include "event.h"
#include "json_build.h"
#include "watch_view.h"

enum { POLL_MS = 500, MISSING_MAX = 20 };

struct watch {
    struct client *client;
    int64_t run_no, last_row;
    int drawn_lines; /* of the block that is redrawn */
    int missing;     /* polls in which the record did not know the run yet */
    int unjudged;    /* ... in which it had ended without a verdict */
    bool have_limits;
    struct bench_limits limits; /* bands of this bench */
    char last_state[64];
};

/* The bands are the bench's own; without them those that hold unless configured are shown. */
static void read_limits(struct watch *w)
{
    struct error err = {{0}};
    struct bench *bench = w->client->screen.terminal ? client_bench(w->client, &err) : NULL;
    if (bench)
        w->limits = bench->limits;
    w->have_limits = bench != NULL;
    free(bench);
}

static void pause_ms(int ms)
{
    struct timespec left = {.tv_sec = ms / 1000, .tv_nsec = (long)(ms % 1000) * 1000000L};
    while (nanosleep(&left, &left) != 0 && errno == EINTR)
        ;
}

static const json_t *find_channel(const json_t *view, int64_t run_no)
{
    size_t i;
    json_t *channel;
    json_array_foreach(json_object_get(view, "channels"), i, channel)
    {
        if (get_whole(channel, "run") == run_no)
            return channel;
    }
    return NULL;
}

static void undraw(struct watch *w)
{
    const struct screen *s = &w->client->screen;
    for (; w->drawn_lines > 0; w->drawn_lines--)
        fputs("\033[1A\033[2K", s->out);
}

static void value_text(char *to, size_t cap, const json_t *channel, const char *name, int digits)
{
    const json_t *signal = json_object_get(json_object_get(channel, "signals"), name);
    print_figure(to, cap, get_figure(signal, "value"), digits, get_word(signal, "unit"));
}

/* A line that wrapped would spoil the redrawing: it is cut where the terminal ends. */
static void cut_line(const struct screen *s, int used, const char *text)
{
    size_t size = 0;
    int columns = used;
    for (; text[size]; size++) {
        columns += ((unsigned char)text[size] & 0xC0) != 0x80;
        if (s->width > 0 && columns > s->width)
            break;
    }
    fprintf(s->out, "%.*s\n", (int)size, text);
}

static void draw(struct watch *w, const json_t *channel)
{
    const struct screen *s = &w->client->screen;
    struct watch_lines lines;
    watch_view(channel, w->have_limits ? &w->limits : NULL, &lines);
    for (int i = 0; i < lines.count; i++) {
        size_t word = i == 0 ? strcspn(lines.text[i], " ") : 0;
        fprintf(s->out, "%s%.*s%s", tone_begin(s, i == 0 ? tone_of(get_word(channel, "state")) : TONE_PLAIN), (int)word,
                lines.text[i], tone_end(s, i == 0 ? tone_of(get_word(channel, "state")) : TONE_PLAIN));
        cut_line(s, (int)word, lines.text[i] + word);
    }
    w->drawn_lines = lines.count;
    fflush(s->out);
}

/* Without a terminal: a line at each change of state and cycle. */
static void plain_line(struct watch *w, const json_t *channel, const char *utc)
{
    char state[64], i2[48], u2[48];
    (void)text_format(state, sizeof state, "cycle %lld, %s", (long long)get_whole(channel, "cycle"),
                      get_word(channel, "state"));
    if (strcmp(state, w->last_state) == 0)
        return;
    (void)text_copy(w->last_state, sizeof w->last_state, state);
    value_text(i2, sizeof i2, channel, "i2", 1);
    value_text(u2, sizeof u2, channel, "u2", 2);
    fprintf(w->client->screen.out, "%.10s %.8s  %-15s  %s, I2 %s, U2 %s\n", utc, utc[0] ? utc + 11 : "", "now", state,
            i2, u2);
    fflush(w->client->screen.out);
}

/* The verdict is told at the end, steps and states show in the progress, and preflight is worth a line where it warns.
 */
static bool worth_a_line(const json_t *event)
{
    static const char *const quiet[] = {"intent", "steps", "state", "trim", "verdict", "run-end", "cycle-begin"};
    const char *kind = get_word(event, "kind");
    for (size_t i = 0; i < sizeof quiet / sizeof quiet[0]; i++) {
        if (strcmp(kind, quiet[i]) == 0)
            return false;
    }
    return strcmp(kind, "preflight") != 0 || get_whole(event, "code") != 0;
}

static double event_value(const json_t *event, int index)
{
    const json_t *value = json_array_get(json_object_get(event, "values"), (size_t)index);
    return json_is_number(value) ? json_number_value(value) : NAN;
}

static void print_event(const struct screen *s, const json_t *event)
{
    char text[TEXT_CAP * 2], at_rated[48], current[48], intake[48];
    (void)text_copy(text, sizeof text, get_word(event, "text"));
    if (strcmp(get_word(event, "kind"), "cycle") == 0) {
        print_duration(at_rated, sizeof at_rated, event_value(event, CYCLE_AT_RATED_S));
        print_figure(current, sizeof current, event_value(event, CYCLE_CURRENT_A), 1, "A");
        print_figure(intake, sizeof intake, event_value(event, CYCLE_INTAKE_DEGC), 1, "degC");
        (void)text_format(text, sizeof text, "%lld %s: %s at rated current, I2 %s, intake air %s%s%s",
                          (long long)get_whole(event, "code"), get_whole(event, "code2") ? "counts" : "is void",
                          at_rated, current, intake, get_word(event, "text")[0] ? ". " : "", get_word(event, "text"));
    }
    const char *cause = get_word(event, "cause");
    if (cause[0])
        (void)text_format(text, sizeof text, "%s: %s", cause, get_word(event, "text"));
    if (strcmp(get_word(event, "kind"), "unit-live") == 0 && !text[0])
        (void)text_format(text, sizeof text, "output present, %.1f V", event_value(event, 0));
    if (strcmp(get_word(event, "kind"), "reset-seen") == 0 && !text[0]) {
        print_duration(at_rated, sizeof at_rated, event_value(event, 0));
        (void)text_format(text, sizeof text, "the unit came back %s after the shutoff", at_rated);
    }
    fprintf(s->out, "%.10s %.8s  %-15s  ", get_word(event, "utc"),
            get_word(event, "utc") + (get_word(event, "utc")[0] ? 11 : 0), get_word(event, "kind"));
    struct screen narrower = *s;
    if (narrower.width > 80)
        narrower.width -= 38;
    print_wrapped(&narrower, 38, text);
}

static int print_new_events(struct watch *w)
{
    bool more = true;
    while (more) {
        struct json_build b = {.object = protocol_request(DO_RUN_EVENTS, 0)};
        b.bad = !b.object;
        build_integer(&b, "run", w->run_no);
        build_integer(&b, "after", w->last_row);
        json_t *page = NULL;
        int status = client_result(w->client, build_end(&b), false, &page);
        if (status != EXIT_DONE)
            return status;
        size_t i;
        json_t *event;
        json_array_foreach(json_object_get(page, "events"), i, event)
        {
            if (worth_a_line(event))
                print_event(&w->client->screen, event);
        }
        w->last_row = get_whole(page, "last_row");
        more = get_flag(page, "more");
        json_decref(page);
    }
    fflush(w->client->screen.out);
    return EXIT_DONE;
}

/* Looks whether the run is over. *detail is its record then, the caller's to release; else NULL. */
static int look_for_end(struct watch *w, json_t **detail)
{
    struct client *c = w->client;
    struct error err = {{0}};
    struct json_build b = {.object = protocol_request(DO_RUN_SHOW, 0)};
    b.bad = !b.object;
    build_integer(&b, "run", w->run_no);
    json_t *answer = NULL;
    *detail = NULL;
    if (client_ask(c, build_end(&b), false, &answer, &err) != 0)
        return client_failed(c, &err);
    int status = EXIT_DONE;
    const json_t *result = json_object_get(answer, "result");
    const json_t *run = json_object_get(result, "run");
    if (!result) { /* a run that has just begun may not be on record yet */
        if (++w->missing > MISSING_MAX)
            status = client_refused(c, answer);
    } else if (!json_is_null(json_object_get(run, "ended")) || get_flag(run, "interrupted")) {
        /* The end of a run may be on disk a moment before its verdict. */
        bool judged = json_is_object(json_object_get(run, "judgement"));
        if (judged || ++w->unjudged > MISSING_MAX)
            *detail = json_incref((json_t *)result);
    }
    json_decref(answer);
    return status;
}

static int finish(struct client *c, const json_t *detail)
{
    const json_t *run = json_object_get(detail, "run");
    const json_t *judgement = json_object_get(run, "judgement");
    if (c->json)
        (void)client_print_json(c, json_incref((json_t *)detail));
    else if (json_is_object(judgement))
        print_judgement(&c->screen, judgement);
    else
        fputs("Verdict: undecided. The run was cut off before it could be judged; what was seen is kept.\n",
              c->screen.out);
    return json_is_object(judgement) ? verdict_status(get_word(judgement, "verdict")) : EXIT_UNDECIDED;
}

int watch_run(struct client *c, int64_t run_no)
{
    struct watch w = {.client = c, .run_no = run_no};
    if (!c->json)
        read_limits(&w);
    for (;;) {
        json_t *view = NULL, *detail = NULL;
        int status = look_for_end(&w, &detail);
        if (status == EXIT_DONE)
            status = client_result(c, protocol_request(DO_STATUS, 0), false, &view);
        if (c->screen.terminal)
            undraw(&w);
        if (status == EXIT_DONE && !c->json)
            status = print_new_events(&w);
        const json_t *channel = find_channel(view, run_no);
        if (status == EXIT_DONE && !detail && channel && !c->json) {
            if (c->screen.terminal)
                draw(&w, channel);
            else
                plain_line(&w, channel, get_word(view, "utc"));
        }
        json_decref(view);
        if (status == EXIT_DONE && detail)
            status = finish(c, detail);
        bool over = detail != NULL || status != EXIT_DONE;
        json_decref(detail);
        if (over)
            return status;
        pause_ms(POLL_MS);
    }
}

/* The run by its number, or the one that is on a channel. */
static int pick_run(struct client *c, const char *word, int64_t *run_no)
{
    double number = NAN;
    if (number_parse(word, &number) == 0) {
        if (number < 1 || floor(number) != number)
            return client_wrong_use(c, "run watch: \"%s\" is no run number", word);
        *run_no = (int64_t)number;
        return EXIT_DONE;
    }
    json_t *view = NULL;
    int status = client_result(c, protocol_request(DO_STATUS, 0), false, &view);
    *run_no = 0;
    size_t i;
    json_t *channel;
    json_array_foreach(json_object_get(view, "channels"), i, channel)
    {
        if (strcmp(get_word(channel, "channel"), word) == 0)
            *run_no = get_whole(channel, "run");
    }
    json_decref(view);
    if (status == EXIT_DONE && *run_no == 0) {
        struct error err;
        error_set(&err, "no run is on channel %s; soakbench run list shows the runs on record", word);
        status = client_failed(c, &err);
    }
    return status;
}

int command_run_watch(struct client *c, const struct arguments *args)
{
    int64_t run_no = 0;
    int status = pick_run(c, args->operands[0], &run_no);
    return status == EXIT_DONE ? watch_run(c, run_no) : status;
}
