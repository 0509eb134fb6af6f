/* Every way in which a device can go wrong on its line, against what each class of signal is for, through the whole
 * chain in process: what the readings' quality was, what the events said, what the channel did. The contactors that
 * count are those of the virtual bench. What a class bears, and what follows, is docs/safety.md and docs/judgement.md;
 * limits here are 2 s safety, 10 s judgement, 20 s informative, and 10 s of the controller's watchdog. How a spoilt
 * frame looks as bytes is drivers_stream's; in process truncated frames and noise arrive as what is no frame. */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "bus_stage.h"
#include "bus_stats.h"
#include "harness.h"
#include "journal_read.h"
#include "runtime_parts.h"
#include "suite_run.h"

/* Where the fault is: on the load controller for one transaction or for long, on the meter of u1, on that of t_lead. */
enum place { ONCE, SAFETY, JUDGEMENT, INFORMATIVE, PLACES };

static const struct {
    const char *device, *bus;
    enum signal_kind signal;
    double for_s;
} places[PLACES] = {
    [ONCE] = {"bank", "rack", SIG_I2, 0.35},
    [SAFETY] = {"bank", "rack", SIG_I2, 30},
    [JUDGEMENT] = {"supply1", "supply", SIG_U1, 40},
    [INFORMATIVE] = {"scanner", "leads", SIG_T_LEAD, 40},
};

/* What the channel did. */
enum deed { WENT_ON, VOIDED, OPENED };

struct outcome {
    unsigned qualities; /* of the signal, seen while the fault lasted */
    enum deed deed;
    enum interlock interlock;  /* OPENED */
    bool link_lost, link_back; /* events of the device's link */
    bool signal_lost;          /* event of the signal itself */
    double open_within_s;      /* OPENED: the contacts, from the fault on */
};

#define Q(quality) (1u << (QUALITY_##quality))

/* Nothing is seen of it. */
#define UNNOTICED                             \
    {                                         \
        .qualities = Q(GOOD), .deed = WENT_ON \
    }

/* No answer that counts: three in a row are a loss. One is borne; a controller opens by its own watchdog, since nothing
 * reaches it (10 s from the last beat, travel, and the beat before the fault). */
#define NO_ANSWER                                                                                                \
    {                                                                                                            \
        [ONCE] = UNNOTICED, [SAFETY] = {Q(GOOD) | Q(LINK_LOST), OPENED, INTERLOCK_LINK, true, true, true, 10.7}, \
        [JUDGEMENT] = {Q(GOOD) | Q(LINK_LOST), VOIDED, INTERLOCK_NONE, true, true, true, 0},                     \
        [INFORMATIVE] = {Q(GOOD) | Q(LINK_LOST), WENT_ON, INTERLOCK_NONE, true, true, true, 0},                  \
    }

#define STANDS_STILL                                                                                  \
    {                                                                                                 \
        [ONCE] = UNNOTICED, [SAFETY] = UNNOTICED, [JUDGEMENT] = UNNOTICED, [INFORMATIVE] = UNNOTICED, \
    }

static const struct {
    const char *name;
    const char *fault;    /* "%s" of the scenario: what stands before "device: ..." */
    const char *more;     /* and behind it */
    const char *words;    /* in the event of the link; NULL: not looked at */
    enum bus_error error; /* as the bus counts it; BUS_OK: none at all */
    int registers[PLACES];
    struct outcome outcomes[PLACES];
} faults[] = {
    {"silence", "do: fault, kind: silence", "", "no whole answer in time", BUS_TIMEOUT, {0}, NO_ANSWER},
    {"late reply", "do: fault, kind: late", ", delay_s: 0.6", "no whole answer in time", BUS_TIMEOUT, {0}, NO_ANSWER},
    {"byte by byte",
     "do: fault, kind: dribble",
     ", delay_s: 0.1",
     "no whole answer in time",
     BUS_TIMEOUT,
     {0},
     NO_ANSWER},
    {"wrong checksum", "do: fault, kind: wrong-crc", "", "wrong checksum", BUS_BAD_CHECKSUM, {0}, NO_ANSWER},
    {"truncated frame", "do: fault, kind: truncated", "", NULL, BUS_BAD_CHECKSUM, {0}, NO_ANSWER},
    {"noise bytes", "do: fault, kind: noise", "", NULL, BUS_BAD_CHECKSUM, {0}, NO_ANSWER},
    {"wrong server address",
     "do: fault, kind: wrong-server",
     "",
     "another server address",
     BUS_WRONG_SERVER,
     {0},
     NO_ANSWER},
    /* The device answers, that it cannot: the link stands, so that the drop goes out as a command once 2 s are over. */
    {"exception",
     "do: fault, kind: exception",
     ", code: 4",
     NULL,
     BUS_EXCEPTION,
     {0},
     {[ONCE] = {Q(GOOD) | Q(INVALID), WENT_ON, INTERLOCK_NONE, false, false, false, 0},
      [SAFETY] = {Q(GOOD) | Q(INVALID), OPENED, INTERLOCK_SIGNAL_LOST, false, false, true, 10.7},
      [JUDGEMENT] = {Q(GOOD) | Q(INVALID), VOIDED, INTERLOCK_NONE, false, false, true, 0},
      [INFORMATIVE] = {Q(GOOD) | Q(INVALID), WENT_ON, INTERLOCK_NONE, false, false, true, 0}}},
    /* A controller's line that is gone is not waited for: with it goes the means to open. Back at once, drop-all is the
     * first write. */
    {"vanished adapter",
     "do: fault, kind: gone",
     NULL,
     "connection lost",
     BUS_LINK_LOST,
     {0},
     {[ONCE] = {Q(GOOD) | Q(LINK_LOST), OPENED, INTERLOCK_LINK, true, true, false, 2},
      [SAFETY] = {Q(GOOD) | Q(LINK_LOST), OPENED, INTERLOCK_LINK, true, true, true, 10.7},
      [JUDGEMENT] = {Q(GOOD) | Q(LINK_LOST), VOIDED, INTERLOCK_NONE, true, true, true, 0},
      [INFORMATIVE] = {Q(GOOD) | Q(LINK_LOST), WENT_ON, INTERLOCK_NONE, true, true, true, 0}}},
    /* What stands still reads as good. A signal whose noise is gone is in doubt after a while (docs/judgement.md): of
     * safety it opens, judged it voids. Neither a clock that stops nor a temperature, which may stand still, is told
     * from a quiet one; see stands_still_when_the_load_opens for what the opening itself tells. */
    {"stuck register",
     "do: fault, kind: stuck",
     ", table: input",
     NULL,
     BUS_OK,
     {21, 21, 10, 20},
     {[ONCE] = UNNOTICED,
      [SAFETY] = {Q(GOOD), OPENED, INTERLOCK_SIGNAL_LOST, false, false, false, 18},
      [JUDGEMENT] = UNNOTICED,
      [INFORMATIVE] = UNNOTICED}},
    {"frozen value",
     "do: fault, kind: frozen",
     "",
     NULL,
     BUS_OK,
     {0},
     {[ONCE] = UNNOTICED,
      [SAFETY] = {Q(GOOD), OPENED, INTERLOCK_SIGNAL_LOST, false, false, false, 18},
      [JUDGEMENT] = {Q(GOOD), VOIDED, INTERLOCK_NONE, false, false, false, 0},
      [INFORMATIVE] = UNNOTICED}},
    /* A device's own clock is no evidence: stamps are ours. */
    {"jumping clock", "do: clock-jump", ", seconds: 86400", NULL, BUS_OK, {0}, STANDS_STILL},
};

enum { FAULTS = sizeof faults / sizeof faults[0] };

static void own_limits(struct config *config)
{
    static const int64_t stale_ns[CLASS_COUNT_] = {
        [CLASS_SAFETY] = 2 * H_SECOND, [CLASS_JUDGEMENT] = 10 * H_SECOND, [CLASS_INFORMATIVE] = 20 * H_SECOND};
    struct bench *bench = &config->bench;
    bench->limits.beat_ns = H_SECOND / 2;
    bench->limits.lease_ns = 2 * H_SECOND;
    bench->limits.frozen_doubt_ns = 8 * H_SECOND;
    bench->limits.frozen_open_ns = 15 * H_SECOND;
    for (int i = 0; i < CLASS_COUNT_; i++)
        bench->limits.stale_ns[i] = stale_ns[i];
    for (int i = 0; i < bench->signal_count; i++)
        bench->signals[i].stale_after_ns = stale_ns[bench->signals[i].cls];
}

static struct harness *on_load(void)
{
    return harness_soaking(&(struct harness_setup){.bench = "tests/faults/fault-bench", .edit = own_limits}, H_MINUTE);
}

static void begin_fault(struct harness *h, int fault, enum place place, double for_s)
{
    char event[256];
    const char *more = faults[fault].more != NULL ? faults[fault].more : "";
    text_format(event, sizeof event, "{%s, %s: %s%s", faults[fault].fault,
                faults[fault].more != NULL ? "device" : "bus",
                faults[fault].more != NULL ? places[place].device : places[place].bus, more);
    if (faults[fault].registers[place] != 0)
        text_append(event, sizeof event, ", register: %d", faults[fault].registers[place]);
    if (strstr(faults[fault].fault, "do: fault") != NULL)
        text_append(event, sizeof event, ", for_s: %g", for_s);
    text_append(event, sizeof event, "}");
    harness_happen(h, event);
}

static struct bus_stats stats_of(struct harness *h, enum place place)
{
    static struct bus_stats stats;
    for (int i = 0; i < h->config->bench.bus_count; i++)
        if (strcmp(h->config->bench.bus_names[i], places[place].bus) == 0)
            bus_stats(bus_stage_bus(h->rt->buses[i]), &stats);
    return stats;
}

/* Short faults must meet one poll, and one only: they begin three fifths of the way from one to the next. */
static void wait_between_polls(struct harness *h)
{
    double value = harness_channel(h, "A")->values[SIG_I2]; /* noisy: each reading differs from the last */
    int tries = 0;
    while (harness_channel(h, "A")->values[SIG_I2] == value && tries++ < 500)
        harness_run_for(h, H_SECOND / 100);
    ck_assert_int_lt(tries, 500);
    harness_run_for(h, 3 * H_SECOND / 10);
}

static void check_errors(struct harness *h, enum bus_error error, enum place place)
{
    struct bus_stats stats = stats_of(h, place);
    for (int e = BUS_OK + 1; e < BUS_ERROR_COUNT_; e++)
        ck_assert_msg((stats.errors[e] > 0) == (e == (int)error), "%d times %s", (int)stats.errors[e],
                      bus_error_name((enum bus_error)e));
}

static unsigned closed_mask(struct harness *h)
{
    struct vbench_channel_state state;
    vbench_advance(h->vb, bench_clock_now_ns(h->clock));
    ck_assert(vbench_channel(h->vb, 0, &state));
    return state.closed_mask;
}

/* Goes through the fault. Returns the qualities that the signal had; opened_s is when the contacts opened. */
static unsigned live_through(struct harness *h, enum signal_kind signal, double for_s, double *opened_s)
{
    unsigned seen = 0;
    int64_t begin_ns = bench_clock_now_ns(h->clock);
    *opened_s = -1;
    while (bench_clock_now_ns(h->clock) - begin_ns < (int64_t)(for_s * 1e9) + H_SECOND) {
        harness_run_for(h, H_SECOND / 10);
        seen |= 1u << harness_channel(h, "A")->qualities[signal];
        if (*opened_s < 0 && closed_mask(h) == 0)
            *opened_s = (double)(bench_clock_now_ns(h->clock) - begin_ns) / 1e9;
    }
    return seen;
}

struct seen {
    bool link_lost, link_back, signal_lost, words;
    int interlocks, doubts;
    enum interlock interlock;
    int32_t device, signal;
    const char *wanted;
    int64_t from_ns;
};

static int see(void *ctx, const struct journal_event *e)
{
    struct seen *s = ctx;
    const struct event *v = &e->event;
    if (v->seen_ns < s->from_ns)
        return 0;
    if (v->kind == EVENT_LINK && v->code2 == s->device) {
        s->link_lost |= v->code == 0;
        s->link_back |= v->code == 1;
        s->words |= v->code == 0 && s->wanted != NULL && strstr(v->text, s->wanted) != NULL;
    }
    s->signal_lost |= v->kind == EVENT_SIGNAL && v->code == 0 && v->code2 == s->signal;
    s->doubts += v->kind == EVENT_METER_DOUBT;
    if (v->kind == EVENT_INTERLOCK) {
        s->interlocks++;
        s->interlock = (enum interlock)v->code;
    }
    return 0;
}

static int device_of(const struct harness *h, const char *name)
{
    for (int i = 0; i < h->config->bench.device_count; i++)
        if (strcmp(h->config->bench.devices[i].name, name) == 0)
            return i;
    ck_abort_msg("no device %s", name);
}

static int signal_of(const struct harness *h, enum signal_kind kind)
{
    for (int i = 0; i < h->config->bench.signal_count; i++)
        if (h->config->bench.signals[i].kind == kind)
            return i;
    ck_abort_msg("no signal %s", signal_kind_name(kind));
}

static struct seen events_since(struct harness *h, int64_t from_ns, enum place place, const char *wanted)
{
    struct error err = {""};
    struct row_filter filter = row_filter_any();
    struct seen s = {.device = device_of(h, places[place].device),
                     .signal = signal_of(h, places[place].signal),
                     .wanted = wanted,
                     .from_ns = from_ns};
    harness_run_for(h, 2 * H_SECOND); /* what has happened is on disk */
    struct journal_reader *r = journal_reader_open(h->journal_path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    ck_assert_msg(journal_reader_events(r, &filter, see, &s, &err) == 0, "%s", err.text);
    journal_reader_close(r);
    return s;
}

/* A load that opened stays locked, whatever comes back, and the run says nothing of the unit. */
static void check_opened(struct harness *h, const struct outcome *o, double opened_s)
{
    struct verdict v;
    ck_assert_msg(opened_s >= 0 && opened_s <= o->open_within_s, "open after %.1f s", opened_s);
    harness_run_for(h, H_MINUTE);
    ck_assert(harness_in_state(h, "A", STATE_LOCKED));
    ck_assert_int_eq(harness_channel(h, "A")->latched, o->interlock);
    ck_assert_uint_eq(closed_mask(h), 0);
    ck_assert(harness_verdict(h, 1, &v));
    ck_assert_int_eq(v.kind, VERDICT_UNDECIDED);
}

/* On load all the time, and to the end of the cycle, which counts or does not. */
static void check_went_on(struct harness *h, enum deed deed, const char *why, double opened_s)
{
    struct event cycle;
    ck_assert_msg(opened_s < 0, "opened after %.1f s", opened_s);
    ck_assert(harness_in_state(h, "A", STATE_ON_LOAD));
    harness_run_for(h, 4 * H_MINUTE);
    ck_assert(harness_find_event(h, EVENT_CYCLE, "A", &cycle));
    ck_assert_int_eq(cycle.code, 1);
    ck_assert_msg(cycle.code2 == (deed == WENT_ON), "valid: %d: %s", cycle.code2, cycle.text);
    ck_assert_msg(deed == WENT_ON || strstr(cycle.text, why) != NULL, "%s", cycle.text);
}

START_TEST(what_a_fault_does)
{
    int fault = _i / PLACES;
    enum place place = (enum place)(_i % PLACES);
    const struct outcome *o = &faults[fault].outcomes[place];
    /* What stands still and matters is a meter in doubt. */
    bool doubted = faults[fault].error == BUS_OK && o->deed != WENT_ON;
    struct harness *h = on_load();
    double opened_s = -1;
    wait_between_polls(h);
    int64_t from_ns = bench_clock_now_ns(h->clock);
    begin_fault(h, fault, place, places[place].for_s);
    unsigned qualities = live_through(h, places[place].signal, places[place].for_s, &opened_s);
    ck_assert_msg(qualities == o->qualities, "%s, place %d: qualities %x", faults[fault].name, (int)place, qualities);
    if (o->deed == OPENED)
        check_opened(h, o, opened_s);
    else
        check_went_on(h, o->deed, doubted ? "u1 stood still" : "u1 was lost", opened_s);
    struct seen s = events_since(h, from_ns, place, faults[fault].words);
    ck_assert_int_eq(s.link_lost, o->link_lost);
    ck_assert_int_eq(s.link_back, o->link_back);
    ck_assert_int_eq(s.signal_lost, o->signal_lost);
    ck_assert_int_eq(s.doubts > 0, doubted);
    ck_assert(!o->link_lost || faults[fault].words == NULL || s.words);
    ck_assert_int_eq(s.interlocks, o->deed == OPENED);
    ck_assert(o->deed != OPENED || s.interlock == o->interlock);
    check_errors(h, faults[fault].error, place);
    /* It reads well again afterwards, and by itself. */
    ck_assert_int_eq(harness_channel(h, "A")->qualities[places[place].signal], QUALITY_GOOD);
    harness_free(h);
}
END_TEST

/* A current, or a feedback, that stands still tells when the load opens and it does not follow: taken for a load that
 * did not open, up to the trip of the unit's supply. A meter that lies towards "open" is the other way round: see
 * meter-doubt (tests/unit/engine). */
static const struct {
    const char *event;
} still[] = {
    {"{do: fault, kind: stuck, device: bank, table: input, register: 21, for_s: 600}"}, /* i2, upper word and lower */
    {"{do: fault, kind: stuck, device: bank, table: input, register: 20, for_s: 600}"}, /* a_closed */
    {"{do: fault, kind: frozen, device: bank, for_s: 600}"},
};

static void patient_with_numbers(struct config *config)
{
    own_limits(config);
    config->bench.limits.frozen_doubt_ns = config->bench.limits.frozen_open_ns = H_HOUR;
}

START_TEST(stands_still_when_the_load_opens)
{
    struct harness *h = harness_soaking(
        &(struct harness_setup){.bench = "tests/faults/fault-bench", .edit = patient_with_numbers}, H_MINUTE);
    harness_happen(h, still[_i].event);
    harness_run_for(h, 4 * H_MINUTE);
    ck_assert_uint_eq(closed_mask(h), 0);
    ck_assert(harness_in_state(h, "A", STATE_LOCKED));
    ck_assert_int_eq(harness_channel(h, "A")->latched, INTERLOCK_NOT_OPENED);
    ck_assert_int_eq(harness_count_events(h, EVENT_INTERLOCK, "A", INTERLOCK_NOT_OPENED), 1);
    ck_assert_int_eq(harness_count_events(h, EVENT_SUPPLY_TRIP, "A", -1), 1);
    harness_free(h);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("fault table");
    TCase *t = tcase_create("fault table");
    tcase_set_timeout(t, 60);
    tcase_add_loop_test(t, what_a_fault_does, 0, FAULTS * PLACES);
    tcase_add_loop_test(t, stands_still_when_the_load_opens, 0, (int)(sizeof still / sizeof still[0]));
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
