/* use: what the bench was used for. */
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "bench_use.h"
#include "commands.h"
#include "json_build.h"
#include "utc.h"

/* The runs of a period. */
struct tally {
    int64_t runs, verdicts[VERDICT_COUNT_];
    json_t *units; /* serial: number of runs with a verdict */
};

static int count_run(void *ctx, const struct journal_run *run)
{
    struct tally *t = ctx;
    t->runs++;
    if (!run->judged)
        return 0;
    t->verdicts[run->verdict.kind]++;
    json_int_t before = json_integer_value(json_object_get(t->units, run->request.serial));
    return json_object_set_new(t->units, run->request.serial, json_integer(before + 1)) != 0;
}

static int64_t units_again(const struct tally *t)
{
    int64_t again = 0;
    const char *serial;
    json_t *runs;
    json_object_foreach(t->units, serial, runs) again += json_integer_value(runs) > 1;
    return again;
}

static int64_t first_of_month_s(void)
{
    time_t now = time(NULL);
    struct tm day;
    if (!gmtime_r(&now, &day))
        return 0;
    int64_t into_day_s = day.tm_hour * INT64_C(3600) + day.tm_min * INT64_C(60) + day.tm_sec;
    return (int64_t)now - (day.tm_mday - 1) * INT64_C(86400) - into_day_s;
}

static int newest_session(void *ctx, const struct journal_session *s)
{
    uint64_t *epoch = ctx;
    if (s->epoch > *epoch)
        *epoch = s->epoch;
    return 0;
}

/* The bench as the newest session knew it. NULL without one. */
static struct bench *newest_bench(struct journal_reader *reader)
{
    uint64_t epoch = 0;
    struct bench *bench = calloc(1, sizeof *bench);
    if (bench && (journal_reader_sessions(reader, newest_session, &epoch, NULL) != 0 ||
                  journal_reader_bench(reader, epoch, bench, NULL) != 1)) {
        free(bench);
        bench = NULL;
    }
    return bench;
}

/* What the contactors have done since a day: read once for all channels that were renewed on the same one. */
struct life {
    bool known;
    int64_t since_utc_s;
    struct bench_use use;
};

static int life_since(struct life *life, struct journal_reader *reader, int64_t since_utc_s, struct error *err)
{
    if (life->known && life->since_utc_s == since_utc_s)
        return 0;
    struct row_filter filter = row_filter_any();
    filter.from_utc_us = since_utc_s * 1000000;
    bench_use_free(&life->use);
    life->since_utc_s = since_utc_s;
    life->known = bench_use_load(reader, &filter, &life->use, err) == 0;
    return life->known ? 0 : -1;
}

/* Closings left of the channel's busiest contactor. Returns 1 known, 0 its life is not stated, -1. */
static int closings_left(struct life *life, struct journal_reader *reader, const struct bench *bench,
                         const char *channel, int64_t *left, struct error *err)
{
    for (int i = 0; bench && i < bench->channel_count; i++) {
        const struct bench_load *load = &bench->channels[i].load;
        if (strcmp(bench->channels[i].name, channel) != 0 || load->contactor_life == 0)
            continue;
        if (life_since(life, reader, load->contactors_renewed_utc_s, err) != 0)
            return -1;
        *left = load->contactor_life;
        for (size_t k = 0; k < life->use.count; k++) {
            if (strcmp(life->use.channels[k].name, channel) == 0)
                *left -= channel_use_most_closings(&life->use.channels[k]);
        }
        return 1;
    }
    return 0;
}

static json_t *channel_to_json(struct life *life, struct journal_reader *reader, const struct bench *bench,
                               const struct channel_use *use, struct error *err)
{
    struct json_build b = build_begin();
    int64_t left = 0;
    build_text(&b, "channel", use->name);
    build_figure(&b, "held_s", use->held_s);
    build_figure(&b, "hands_s", use->hands_s);
    build_figure(&b, "on_load_s", use->on_load_s);
    build_figure(&b, "load_wh", use->load_j / 3600);
    build_integer(&b, "closings", channel_use_most_closings(use));
    int known = closings_left(life, reader, bench, use->name, &left, err);
    b.bad = b.bad || known < 0;
    build_add(&b, "closings_left", known > 0 ? json_integer(left) : json_null());
    return build_end(&b);
}

static json_t *use_of(struct journal_reader *reader, int64_t since_s, int64_t until_s, struct error *err)
{
    struct row_filter events = row_filter_any();
    struct run_filter runs = {.since_utc_us = since_s * 1000000, .until_utc_us = until_s * 1000000};
    struct tally tally = {.units = json_object()};
    struct bench_use use = {.count = 0};
    struct life life = {.known = false};
    struct bench *bench = newest_bench(reader);
    struct json_build b = build_begin();
    json_t *verdicts = json_object(), *channels = json_array();
    events.from_utc_us = since_s * 1000000;
    events.to_utc_us = until_s * 1000000;
    b.bad = b.bad || !tally.units || bench_use_load(reader, &events, &use, err) != 0 ||
            journal_reader_runs(reader, &runs, count_run, &tally, err) != 0;
    for (int i = 1; i < VERDICT_COUNT_; i++) {
        if (json_object_set_new(verdicts, verdict_kind_name((enum verdict_kind)i), json_integer(tally.verdicts[i])) !=
            0)
            b.bad = true;
    }
    for (size_t i = 0; i < use.count; i++) {
        if (use.channels[i].name[0] &&
            json_array_append_new(channels, channel_to_json(&life, reader, bench, &use.channels[i], err)) != 0)
            b.bad = true;
    }
    build_utc(&b, "since", since_s * 1000000000);
    build_utc(&b, "until", until_s * 1000000000);
    build_integer(&b, "runs", tally.runs);
    build_add(&b, "verdicts", verdicts);
    build_integer(&b, "units", (int64_t)json_object_size(tally.units));
    build_integer(&b, "units_again", units_again(&tally));
    build_add(&b, "channels", channels);
    json_decref(tally.units);
    bench_use_free(&life.use);
    bench_use_free(&use);
    free(bench);
    return build_end(&b);
}

static void print_channels(const struct screen *s, const json_t *channels)
{
    const struct column columns[] = {{"channel", false, false, false},      {"held", true, false, false},
                                     {"hands at it", true, false, false},   {"on load", true, false, false},
                                     {"into the load", true, false, false}, {"closings", true, false, false},
                                     {"left", true, false, false}};
    struct table *t = table_new(columns, (int)(sizeof columns / sizeof columns[0]));
    size_t i;
    json_t *use;
    json_array_foreach((json_t *)channels, i, use)
    {
        const json_t *left = json_object_get(use, "closings_left");
        table_cell(t, "%s", get_word(use, "channel"));
        table_cell(t, "%.1f h", get_figure(use, "held_s") / 3600);
        table_cell(t, "%.0f min", get_figure(use, "hands_s") / 60);
        table_cell(t, "%.2f h", get_figure(use, "on_load_s") / 3600);
        table_cell(t, "%.2f kWh", get_figure(use, "load_wh") / 1000);
        table_cell(t, "%lld", (long long)get_whole(use, "closings"));
        if (json_is_integer(left))
            table_cell(t, "%lld", (long long)json_integer_value(left));
        else
            table_cell(t, "-");
    }
    if (json_array_size(channels) > 0)
        table_print(t, s);
    table_free(t);
}

static void print_use(const struct screen *s, const json_t *use)
{
    const char *verdict;
    json_t *count;
    double held_s = 0, load_wh = 0;
    size_t i;
    json_t *channel;
    int64_t runs = get_whole(use, "runs"), units = get_whole(use, "units");
    fprintf(s->out, "From %.16s to %.16s (UTC)\n", get_word(use, "since"), get_word(use, "until"));
    print_channels(s, json_object_get(use, "channels"));
    fprintf(s->out, "%lld runs", (long long)runs);
    json_object_foreach(json_object_get(use, "verdicts"), verdict, count) if (json_integer_value(count) > 0)
        fprintf(s->out, ", %lld %s", (long long)json_integer_value(count), verdict);
    fputc('\n', s->out);
    if (units > 0)
        fprintf(s->out, "%lld units judged, %lld of them more than once (%.0f %%)\n", (long long)units,
                (long long)get_whole(use, "units_again"),
                100.0 * (double)get_whole(use, "units_again") / (double)units);
    json_array_foreach(json_object_get(use, "channels"), i, channel)
    {
        held_s += get_figure(channel, "held_s");
        load_wh += get_figure(channel, "load_wh");
    }
    if (runs > 0)
        fprintf(s->out, "A run took %.0f min of a channel and %.2f kWh into the load, mean\n",
                held_s / 60 / (double)runs, load_wh / 1000 / (double)runs);
}

int command_use(struct client *c, const struct arguments *args)
{
    struct error err = {{0}};
    int64_t since_s = (int64_t)argument_number(args, "--since", (double)first_of_month_s());
    int64_t until_s = (int64_t)argument_number(args, "--until", (double)time(NULL));
    struct journal_reader *reader = client_journal(c, &err);
    json_t *use = reader ? use_of(reader, since_s, until_s, &err) : NULL;
    int status = EXIT_DONE;
    if (!use)
        status = client_failed(c, &err);
    else if (c->json)
        status = client_print_json(c, json_incref(use));
    else
        print_use(&c->screen, use);
    json_decref(use);
    journal_reader_close(reader);
    return status;
}
