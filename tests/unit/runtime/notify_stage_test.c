/* Who is told when: one message a matter, nothing lost with a dead mail server, nobody woken for what can wait. */
#include <check.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "command.h"
#include "journal_stage.h"
#include "notify_stage.h"
#include "suite_run.h"

static const int64_t s_ns = INT64_C(1000000000);

/* Monday 2026-01-05, 22:00 UTC; the tests set the time zone to UTC. */
static const int64_t evening_utc_s = 1767650400;

struct fixture {
    struct config *config;
    struct queue *orders;
    struct notify_stage *stage;
    int64_t now_ns; /* since the evening */
    bool dead;      /* the mail server */
    bool well;
    int sent, beats;
    char subjects[64][128];
    char bodies[64][2048];
    int64_t ids;
};

static int on_send(void *ctx, int target, const struct notify_message *m, struct error *err)
{
    struct fixture *f = ctx;
    (void)target;
    if (f->dead)
        return error_set(err, "connection refused");
    ck_assert_int_lt(f->sent, 64);
    text_copy(f->subjects[f->sent], 128, m->subject);
    text_copy(f->bodies[f->sent++], 2048, m->body);
    return 0;
}

static int on_beat(void *ctx, int target, struct error *err)
{
    struct fixture *f = ctx;
    (void)target;
    (void)err;
    f->beats++;
    return 0;
}

static bool on_well(void *ctx)
{
    struct fixture *f = ctx;
    return f->well;
}

static struct fixture *fixture_new(void)
{
    struct fixture *f = calloc(1, sizeof *f);
    setenv("TZ", "UTC", 1);
    tzset();
    f->config = calloc(1, sizeof *f->config);
    f->config->notify_count = 1;
    text_copy(f->config->bench.name, NAME_CAP, "north bay");
    f->config->bench.channel_count = 1;
    text_copy(f->config->bench.channels[0].name, NAME_CAP, "A");
    f->orders = queue_new(1000000, -1);
    f->well = true;
    struct notify_setup setup = {
        .config = f->config, .orders = f->orders, .ctx = f, .all_well = on_well, .send = on_send, .beat = on_beat};
    f->stage = notify_stage_new(&setup, NULL);
    ck_assert_ptr_nonnull(f->stage);
    f->now_ns = s_ns;
    return f;
}

static void fixture_free(struct fixture *f)
{
    notify_stage_free(f->stage);
    queue_free(f->orders);
    free(f->config);
    free(f);
}

static int64_t utc_s(const struct fixture *f)
{
    return evening_utc_s + f->now_ns / s_ns;
}

static void add(struct fixture *f, int urgency, const char *text)
{
    struct journal_notice n = {.id = ++f->ids, .urgency = urgency, .channel = 0, .run_no = 12};
    text_copy(n.text, sizeof n.text, text);
    ck_assert_int_eq(notify_stage_add(f->stage, &n, f->now_ns, utc_s(f)), 0);
}

static void run_for(struct fixture *f, int64_t ns)
{
    int64_t end_ns = f->now_ns + ns;
    while (f->now_ns < end_ns) {
        notify_stage_run(f->stage, f->now_ns, utc_s(f));
        f->now_ns += s_ns;
    }
}

/* State of the notice as last put on record; -1: never. */
static int state_on_record(struct fixture *f, int64_t id)
{
    struct queue_record r;
    struct journal_notice n;
    int state = -1;
    while (queue_take(f->orders, &r, &n, sizeof n)) {
        ck_assert_uint_eq(r.type, ORDER_NOTICE);
        if (n.id == id)
            state = (int)n.state;
    }
    return state;
}

START_TEST(what_somebody_must_come_for_goes_at_once)
{
    struct fixture *f = fixture_new();
    add(f, NOTIFY_NOW, "a contactor does not open");
    add(f, NOTIFY_NOW, "smoke");
    run_for(f, 3 * s_ns);
    ck_assert_int_eq(f->sent, 2); /* one message a matter */
    ck_assert_str_eq(f->subjects[0], "north bay: a contactor does not open");
    ck_assert_str_eq(f->bodies[0], "Channel A, run 12: a contactor does not open\n");
    ck_assert_int_eq(state_on_record(f, 2), NOTICE_DELIVERED);
    fixture_free(f);
}
END_TEST

START_TEST(the_same_matter_is_told_once)
{
    struct fixture *f = fixture_new();
    for (int i = 0; i < 20; i++) {
        add(f, NOTIFY_NOW, "bank hot");
        run_for(f, 60 * s_ns);
    }
    ck_assert_int_eq(f->sent, 1);
    ck_assert_int_eq(notify_stage_counts(f->stage).pending, 0);
    run_for(f, 1800 * s_ns);
    add(f, NOTIFY_NOW, "bank hot"); /* but not for ever */
    run_for(f, 2 * s_ns);
    ck_assert_int_eq(f->sent, 2);
    fixture_free(f);
}
END_TEST

START_TEST(what_can_wait_comes_in_the_morning_in_one)
{
    struct fixture *f = fixture_new();
    add(f, NOTIFY_MORNING, "unit HQ-0152 was cut out");
    add(f, NOTIFY_MORNING, "unit HQ-0147 held");
    run_for(f, 7 * 3600 * s_ns); /* five in the morning */
    ck_assert_int_eq(f->sent, 0);
    run_for(f, 3601 * s_ns);
    ck_assert_int_eq(f->sent, 1);
    ck_assert_str_eq(f->subjects[0], "north bay: 2 messages");
    ck_assert_ptr_nonnull(strstr(f->bodies[0], "HQ-0152"));
    ck_assert_ptr_nonnull(strstr(f->bodies[0], "HQ-0147"));
    fixture_free(f);
}
END_TEST

START_TEST(a_dead_mail_server_loses_nothing)
{
    struct fixture *f = fixture_new();
    f->dead = true;
    add(f, NOTIFY_NOW, "smoke");
    run_for(f, 3600 * s_ns);
    ck_assert_int_eq(f->sent, 0);
    uint64_t failures = notify_stage_counts(f->stage).failures;
    ck_assert_uint_ge(failures, 6);
    ck_assert_uint_le(failures, 20); /* backs off: 5 s doubling to ten minutes */
    ck_assert_int_eq(state_on_record(f, 1), NOTICE_PENDING);
    f->dead = false;
    run_for(f, 601 * s_ns);
    ck_assert_int_eq(f->sent, 1);
    ck_assert_int_eq(state_on_record(f, 1), NOTICE_DELIVERED);
    fixture_free(f);
}
END_TEST

START_TEST(a_flood_is_gathered)
{
    struct fixture *f = fixture_new();
    char text[64];
    for (int i = 0; i < 60; i++) {
        text_format(text, sizeof text, "matter %d", i);
        add(f, NOTIFY_NOW, text);
    }
    run_for(f, 3000 * s_ns);
    ck_assert_int_eq(f->sent, 12);
    run_for(f, 700 * s_ns);
    ck_assert_int_eq(f->sent, 13);
    ck_assert_ptr_nonnull(strstr(f->bodies[12], "matter 59"));
    ck_assert_int_eq(notify_stage_counts(f->stage).pending, 0);
    fixture_free(f);
}
END_TEST

START_TEST(nobody_takes_it_for_two_days)
{
    struct fixture *f = fixture_new();
    f->dead = true;
    add(f, NOTIFY_NOW, "smoke");
    run_for(f, 49 * 3600 * s_ns);
    ck_assert_int_eq(notify_stage_counts(f->stage).pending, 0);
    ck_assert_int_eq(state_on_record(f, 1), NOTICE_FAILED);
    fixture_free(f);
}
END_TEST

START_TEST(the_dead_man_hears_nothing_when_all_is_not_well)
{
    struct fixture *f = fixture_new();
    f->config->notify[0] = (struct notify_config){.kind = NOTIFY_HEARTBEAT, .interval_ns = 60 * s_ns};
    run_for(f, 600 * s_ns);
    ck_assert_int_eq(f->beats, 10);
    f->well = false;
    run_for(f, 600 * s_ns);
    ck_assert_int_eq(f->beats, 10);
    fixture_free(f);
}
END_TEST

START_TEST(urgent_only_targets_are_spared_the_rest)
{
    struct fixture *f = fixture_new();
    f->config->notify[0].urgent_only = true;
    add(f, NOTIFY_MORNING, "unit HQ-0147 held");
    run_for(f, 12 * 3600 * s_ns);
    ck_assert_int_eq(f->sent, 0);
    ck_assert_int_eq(notify_stage_counts(f->stage).pending, 0);
    fixture_free(f);
}
END_TEST

/* RFC 5322: CR LF line ends, an empty line between head and body, nothing can smuggle in a header. */
START_TEST(a_mail_is_well_formed)
{
    struct notify_config target = {.from = "bench@example.org", .to = "night@example.org"};
    char body[] = "first line\nsecond";
    struct notify_message m = {.bench = "north bay", .body = body, .utc_s = evening_utc_s, .number = 3, .urgent = true};
    text_copy(m.subject, sizeof m.subject, "north bay: x\r\nBcc: all@example.org");
    char *text = notify_mail_text(&target, &m);
    ck_assert_ptr_nonnull(text);
    ck_assert_ptr_nonnull(strstr(text, "Date: Mon, 5 Jan 2026 22:00:00 +0000\r\n"));
    ck_assert_ptr_nonnull(strstr(text, "To: night@example.org\r\n"));
    ck_assert_ptr_nonnull(strstr(text, "Subject: north bay: x  Bcc: all@example.org\r\n"));
    ck_assert_ptr_nonnull(strstr(text, "\r\n\r\nfirst line\r\nsecond\r\n"));
    for (const char *c = text; *c; c++)
        ck_assert((*c == '\n') == (c > text && c[-1] == '\r'));
    free(text);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("notify stage");
    TCase *t = tcase_create("notify stage");
    tcase_set_timeout(t, 30);
    tcase_add_test(t, what_somebody_must_come_for_goes_at_once);
    tcase_add_test(t, the_same_matter_is_told_once);
    tcase_add_test(t, what_can_wait_comes_in_the_morning_in_one);
    tcase_add_test(t, a_dead_mail_server_loses_nothing);
    tcase_add_test(t, a_flood_is_gathered);
    tcase_add_test(t, nobody_takes_it_for_two_days);
    tcase_add_test(t, the_dead_man_hears_nothing_when_all_is_not_well);
    tcase_add_test(t, urgent_only_targets_are_spared_the_rest);
    tcase_add_test(t, a_mail_is_well_formed);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
