/* Messages over real sockets: mail by SMTP (RFC 5321, RFC 5322) and web hooks, to servers on the loopback that take,
 * refuse, or accept and never say a word. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <curl/curl.h>

#include "command.h"
#include "message_sink.h"
#include "notify_stage.h"
#include "suite_run.h"

static const int64_t s_ns = INT64_C(1000000000);
static const int64_t evening_utc_s = 1767650400; /* 2026-01-05 22:00 UTC */

struct fixture {
    struct config *config;
    struct message_sink *mail, *hook, *outside;
    struct queue *orders;
    struct notify_stage *stage;
    bool well;
    int answers, code;
    char words[TEXT_CAP];
    int64_t ids;
};

static void take_answer(void *ctx, uint64_t request, int code, const char *text)
{
    struct fixture *f = ctx;
    ck_assert_uint_eq(request, 7);
    f->answers++;
    f->code = code;
    text_copy(f->words, sizeof f->words, text);
}

static bool all_well(void *ctx)
{
    return ((struct fixture *)ctx)->well;
}

static void add_target(struct fixture *f, enum notify_kind kind, const struct message_sink *sink)
{
    struct notify_config *n = &f->config->notify[f->config->notify_count++];
    n->kind = kind;
    n->timeout_ns = s_ns;
    n->interval_ns = 60 * s_ns;
    text_copy(n->name, sizeof n->name, notify_kind_name(kind));
    text_format(n->url, sizeof n->url, "%s://127.0.0.1:%d", kind == NOTIFY_SMTP ? "smtp" : "http",
                message_sink_port(sink));
    text_copy(n->from, sizeof n->from, "bench@example.org");
    text_copy(n->to, sizeof n->to, "night@example.org");
}

static struct fixture *fixture_new(void)
{
    struct error err = {""};
    struct fixture *f = calloc(1, sizeof *f);
    ck_assert_ptr_nonnull(f);
    f->config = calloc(1, sizeof *f->config);
    ck_assert_ptr_nonnull(f->config);
    text_copy(f->config->bench.name, NAME_CAP, "north-bay");
    f->mail = message_sink_new(SINK_SMTP);
    f->hook = message_sink_new(SINK_HTTP);
    f->outside = message_sink_new(SINK_HTTP);
    add_target(f, NOTIFY_SMTP, f->mail);
    add_target(f, NOTIFY_WEBHOOK, f->hook);
    add_target(f, NOTIFY_HEARTBEAT, f->outside);
    f->orders = queue_new(1000000, -1);
    f->well = true;
    struct notify_setup setup = {
        .config = f->config, .orders = f->orders, .ctx = f, .all_well = all_well, .answer = take_answer};
    f->stage = notify_stage_new(&setup, &err);
    ck_assert_msg(f->stage != NULL, "%s", err.text);
    return f;
}

static void fixture_free(struct fixture *f)
{
    notify_stage_free(f->stage);
    message_sink_free(f->mail);
    message_sink_free(f->hook);
    message_sink_free(f->outside);
    queue_free(f->orders);
    free(f->config);
    free(f);
}

static void add(struct fixture *f, int channel, const char *text)
{
    struct journal_notice n = {.id = ++f->ids, .urgency = NOTIFY_NOW, .channel = channel};
    text_copy(n.text, sizeof n.text, text);
    ck_assert_int_eq(notify_stage_add(f->stage, &n, s_ns, evening_utc_s), 0);
}

static double run_at(struct fixture *f, int64_t at_s)
{
    struct timespec a, b;
    clock_gettime(CLOCK_MONOTONIC, &a);
    notify_stage_run(f->stage, at_s * s_ns, evening_utc_s + at_s);
    clock_gettime(CLOCK_MONOTONIC, &b);
    return (double)(b.tv_sec - a.tv_sec) + (double)(b.tv_nsec - a.tv_nsec) / 1e9;
}

static void find_code(const char *text, char code[16])
{
    const char *at = strstr(text, "acknowledge ");
    ck_assert_msg(at != NULL, "%s", text);
    snprintf(code, 16, "%.6s", at + 12);
    ck_assert_uint_eq(strspn(code, "0123456789"), 6);
}

START_TEST(a_mail_and_a_hook_arrive)
{
    char text[8192];
    struct fixture *f = fixture_new();
    add(f, 0, "Channel A locked: smoke or heat detector");
    run_at(f, 1);
    ck_assert(message_sink_wait(f->mail, 1, 5));
    ck_assert(message_sink_wait(f->hook, 1, 5));
    message_sink_text(f->mail, 0, text, sizeof text);
    /* RFC 5322, 3.6: Date and From have to be there; each field once. */
    ck_assert_msg(strstr(text, "Date: Mon, 5 Jan 2026 22:00:01 +0000\n") != NULL, "%s", text);
    ck_assert_ptr_nonnull(strstr(text, "From: bench@example.org\n"));
    ck_assert_ptr_nonnull(strstr(text, "To: night@example.org\n"));
    ck_assert_ptr_nonnull(strstr(text, "Importance: high\n"));
    ck_assert_ptr_nonnull(strstr(text, "smoke or heat detector"));
    message_sink_text(f->hook, 0, text, sizeof text);
    ck_assert_ptr_nonnull(strstr(text, "\"urgent\":true"));
    ck_assert_ptr_nonnull(strstr(text, "smoke or heat detector"));
    ck_assert(message_sink_wait(f->outside, 1, 5)); /* the sign of life */
    fixture_free(f);
}
END_TEST

/* Smoke locks four channels in one step: one message. */
START_TEST(four_channels_are_one_matter)
{
    char text[8192];
    struct fixture *f = fixture_new();
    for (int i = 0; i < 4; i++) {
        char words[64];
        text_format(words, sizeof words, "Channel %c locked: smoke or heat detector", 'A' + i);
        add(f, i, words);
    }
    add(f, 1, "Channel B locked: steps stay closed after the command to open");
    run_at(f, 1);
    ck_assert(message_sink_wait(f->mail, 1, 5));
    ck_assert_int_eq(message_sink_count(f->mail), 1);
    message_sink_text(f->mail, 0, text, sizeof text);
    ck_assert_ptr_nonnull(strstr(text, "4 messages"));
    ck_assert_ptr_null(strstr(text, "steps stay closed"));
    run_at(f, 2);
    ck_assert(message_sink_wait(f->mail, 2, 5)); /* another matter, another message */
    fixture_free(f);
}
END_TEST

START_TEST(a_server_that_never_answers_costs_its_timeout_only)
{
    struct fixture *f = fixture_new();
    message_sink_set(f->mail, SINK_HANGS);
    add(f, 0, "Channel A locked: smoke or heat detector");
    double took_s = run_at(f, 1);
    ck_assert_double_lt(took_s, 5);              /* timeout: 1 s */
    ck_assert(message_sink_wait(f->hook, 1, 5)); /* the other target has it all the same */
    ck_assert_int_eq(message_sink_count(f->mail), 0);
    ck_assert_int_eq(notify_stage_counts(f->stage).pending, 1);
    /* Alive again: it gets what it missed. */
    message_sink_set(f->mail, SINK_TAKES);
    run_at(f, 30);
    ck_assert(message_sink_wait(f->mail, 1, 5));
    ck_assert_int_eq(notify_stage_counts(f->stage).pending, 0);
    fixture_free(f);
}
END_TEST

START_TEST(a_refusal_is_tried_again_and_less_and_less_often)
{
    struct fixture *f = fixture_new();
    message_sink_set(f->mail, SINK_REFUSES);
    message_sink_set(f->hook, SINK_REFUSES);
    add(f, 0, "Channel A locked: smoke or heat detector");
    for (int64_t at_s = 1; at_s < 600; at_s++)
        run_at(f, at_s);
    int calls = message_sink_calls(f->mail);
    /* 0, 5, 15, 35, 75, 155, 315 s: waits of 5 s that double */
    ck_assert_msg(calls >= 6 && calls <= 9, "%d calls in ten minutes", calls);
    ck_assert_int_eq(message_sink_count(f->mail), 0);
    message_sink_set(f->mail, SINK_TAKES);
    message_sink_set(f->hook, SINK_TAKES);
    for (int64_t at_s = 600; at_s < 1300; at_s += 10)
        run_at(f, at_s);
    ck_assert_int_eq(message_sink_count(f->mail), 1);
    ck_assert_int_eq(message_sink_count(f->hook), 1);
    fixture_free(f);
}
END_TEST

START_TEST(the_code_of_the_test_message_is_proof)
{
    char text[8192], code[16];
    struct error err = {""};
    struct fixture *f = fixture_new();
    struct notify_proof *proof = notify_stage_proof(f->stage);
    ck_assert_int_eq(notify_proof_acknowledge(proof, "000000", s_ns, 100, &err), -1); /* none is out */
    ck_assert_int_eq(notify_proof_ask(proof, 7, "Ines", &err), 0);
    ck_assert_int_eq(notify_proof_ask(proof, 8, "Ines", &err), -1);
    run_at(f, 1);
    ck_assert_int_eq(f->answers, 1);
    ck_assert_msg(f->code == 2, "%s", f->words);
    ck_assert(message_sink_wait(f->mail, 1, 5));
    message_sink_text(f->mail, 0, text, sizeof text);
    find_code(text, code);
    ck_assert_int_eq(notify_proof_acknowledge(proof, "12345x", 2 * s_ns, 100, &err), -1);
    ck_assert_int_eq(notify_proof_acknowledged_utc_s(proof), 0);
    ck_assert_msg(notify_proof_acknowledge(proof, code, 3 * s_ns, 12345, &err) == 0, "%s", err.text);
    ck_assert_int_eq(notify_proof_acknowledged_utc_s(proof), 12345);
    ck_assert_int_eq(notify_proof_acknowledge(proof, code, 4 * s_ns, 100, &err), -1); /* once */
    fixture_free(f);
}
END_TEST

START_TEST(a_code_is_good_for_half_an_hour_and_five_tries)
{
    char text[8192], code[16];
    struct error err = {""};
    struct fixture *f = fixture_new();
    struct notify_proof *proof = notify_stage_proof(f->stage);
    for (int round = 0; round < 2; round++) {
        ck_assert_int_eq(notify_proof_ask(proof, 7, "Ines", &err), 0);
        run_at(f, 1 + round);
        ck_assert(message_sink_wait(f->mail, 1 + round, 5));
        message_sink_text(f->mail, round, text, sizeof text);
        find_code(text, code);
        for (int i = 0; i < 5 * round; i++)
            ck_assert_int_eq(notify_proof_acknowledge(proof, "no", 2 * s_ns, 100, &err), -1);
        ck_assert_int_eq(notify_proof_acknowledge(proof, code, (round ? 3 : 1900) * s_ns, 100, &err), -1);
    }
    ck_assert_int_eq(notify_proof_acknowledged_utc_s(proof), 0);
    fixture_free(f);
}
END_TEST

START_TEST(a_test_message_that_nobody_takes_says_so)
{
    struct error err = {""};
    struct fixture *f = fixture_new();
    message_sink_set(f->mail, SINK_REFUSES);
    message_sink_set(f->hook, SINK_REFUSES);
    ck_assert_int_eq(notify_proof_ask(notify_stage_proof(f->stage), 7, "Ines", &err), 0);
    run_at(f, 1);
    ck_assert_int_eq(f->code, 1);
    ck_assert_msg(strstr(f->words, "0 of 2") && strstr(f->words, "503"), "%s", f->words);
    fixture_free(f);
}
END_TEST

START_TEST(silence_is_the_alarm_of_the_dead_man)
{
    struct fixture *f = fixture_new();
    run_at(f, 1);
    ck_assert(message_sink_wait(f->outside, 1, 5));
    f->well = false; /* a thread hangs, or the record is not healthy */
    for (int64_t at_s = 2; at_s < 300; at_s += 10)
        run_at(f, at_s);
    ck_assert_int_eq(message_sink_count(f->outside), 1);
    f->well = true;
    run_at(f, 400);
    ck_assert(message_sink_wait(f->outside, 2, 5));
    fixture_free(f);
}
END_TEST

int main(void)
{
    curl_global_init(CURL_GLOBAL_DEFAULT);
    Suite *suite = suite_create("night messages");
    TCase *t = tcase_create("night messages");
    tcase_set_timeout(t, 30);
    tcase_add_test(t, a_mail_and_a_hook_arrive);
    tcase_add_test(t, four_channels_are_one_matter);
    tcase_add_test(t, a_server_that_never_answers_costs_its_timeout_only);
    tcase_add_test(t, a_refusal_is_tried_again_and_less_and_less_often);
    tcase_add_test(t, the_code_of_the_test_message_is_proof);
    tcase_add_test(t, a_code_is_good_for_half_an_hour_and_five_tries);
    tcase_add_test(t, a_test_message_that_nobody_takes_says_so);
    tcase_add_test(t, silence_is_the_alarm_of_the_dead_man);
    suite_add_tcase(suite, t);
    int status = suite_run(suite);
    curl_global_cleanup();
    return status;
}
