/* The journal's stage with the real journal on disk: what is synced when, what a failing disk does, and that numbers of
 * runs are never given out twice. */
#define _GNU_SOURCE /* mkdtemp */
#include <check.h>
#include <math.h>
#include <sqlite3.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "control.h"
#include "journal_read.h"
#include "journal_stage.h"
#include "suite_run.h"

static const int64_t s_ns = INT64_C(1000000000);

struct fixture {
    char folder[64];
    char path[PATH_CAP];
    struct bench *bench;
    struct bench_clock *clock;
    struct journal *journal;
    struct journal_state state;
    struct queue *records, *orders;
    struct journal_stage *stage;
    bool disk_fails, dies; /* at the commit */
    uint64_t seq, event;
    uint64_t answered;
    int answer_code;
    int stored;
};

static void on_answer(void *ctx, uint64_t request, int code, const char *text)
{
    struct fixture *f = ctx;
    (void)text;
    f->answered = request;
    f->answer_code = code;
}

static void on_stored(void *ctx, bool notices)
{
    struct fixture *f = ctx;
    (void)notices;
    f->stored++;
}

static int on_commit(void *ctx)
{
    struct fixture *f = ctx;
    if (f->dies)
        _exit(9);
    return f->disk_fails;
}

static void open_session_keeping(struct fixture *f, const struct journal_keeping *keeping)
{
    struct error err = {""};
    f->journal = journal_open(f->path, JOURNAL_CREATE, &err);
    ck_assert_msg(f->journal != NULL, "%s", err.text);
    struct journal_session session = {.epoch = journal_next_epoch(f->journal), .anchor_ns = s_ns, .rate = 1};
    ck_assert_int_eq(journal_begin(f->journal, &err), 0);
    ck_assert_msg(journal_put_session(f->journal, &session, f->bench, &err) == 0, "%s", err.text);
    ck_assert_int_eq(journal_commit(f->journal, &err), 0);
    struct journal_stage_setup setup = {.journal = f->journal,
                                        .bench = f->bench,
                                        .clock = f->clock,
                                        .records = f->records,
                                        .orders = f->orders,
                                        .state = &f->state,
                                        .keeping = *keeping,
                                        .ctx = f,
                                        .answer = on_answer,
                                        .stored = on_stored,
                                        .before_commit = on_commit};
    f->stage = journal_stage_new(&setup, &err);
    ck_assert_ptr_nonnull(f->stage);
}

static void open_session(struct fixture *f)
{
    open_session_keeping(f, &(struct journal_keeping){0});
}

static void close_session(struct fixture *f)
{
    journal_stage_free(f->stage);
    journal_close(f->journal);
}

static struct fixture *fixture_new(void)
{
    struct fixture *f = calloc(1, sizeof *f);
    text_copy(f->folder, sizeof f->folder, "/tmp/soakbench-test-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(f->folder));
    text_format(f->path, sizeof f->path, "%s/journal.db", f->folder);
    f->bench = calloc(1, sizeof *f->bench);
    bench_limits_default(&f->bench->limits);
    text_copy(f->bench->name, NAME_CAP, "north-bay");
    f->bench->rate = 1;
    f->bench->channel_count = 1;
    text_copy(f->bench->channels[0].name, NAME_CAP, "A");
    f->bench->channels[0].circuit = -1;
    f->bench->channels[0].load.device = f->bench->channels[0].load.feedback_signal = -1;
    f->bench->signal_count = 2;
    f->bench->signals[0] = (struct bench_signal){.name = "i2", .kind = SIG_I2, .channel = 0};
    f->bench->signals[1] = (struct bench_signal){.name = "t_bank", .kind = SIG_T_BANK, .channel = -1};
    for (int k = 0; k < SIG_KIND_COUNT_; k++)
        f->bench->channels[0].signal[k] = -1;
    f->clock = bench_clock_new_virtual(0, 1);
    f->records = queue_new(4000000, -1);
    f->orders = queue_new(100000, -1);
    open_session(f);
    return f;
}

static void fixture_free(struct fixture *f)
{
    static const char *const ends[] = {"", "-wal", "-shm", ".lock"};
    char path[PATH_CAP + 8];
    close_session(f);
    for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
        text_format(path, sizeof path, "%s%s", f->path, ends[i]);
        unlink(path);
    }
    ck_assert_int_eq(rmdir(f->folder), 0); /* nothing else was left behind */
    queue_free(f->records);
    queue_free(f->orders);
    bench_clock_free(f->clock);
    free(f->bench);
    free(f);
}

/* What the engine's stage would queue. */
static void put_input_of(struct fixture *f, struct input *in)
{
    in->seq = ++f->seq;
    in->seen_ns = bench_clock_now_ns(f->clock);
    ck_assert_int_eq(queue_put(f->records, RECORD_INPUT, bench_clock_real_ns(f->clock), in, input_used_size(in)), 0);
}

static void put_reading(struct fixture *f, double current_a)
{
    struct input in = {.kind = INPUT_READINGS};
    in.u.readings = (struct input_readings){.stamp_ns = bench_clock_now_ns(f->clock), .count = 2};
    in.u.readings.items[0] = (struct reading){.signal = 0, .quality = QUALITY_GOOD, .value = current_a};
    in.u.readings.items[1] = (struct reading){.signal = 1, .quality = QUALITY_STALE, .value = NAN};
    put_input_of(f, &in);
}

static void put_event_of(struct fixture *f, enum event_kind kind, int64_t run_no)
{
    struct event e = {.id = ++f->event, .seq = f->seq, .kind = kind, .run_no = run_no};
    e.seen_ns = e.at_ns = bench_clock_now_ns(f->clock);
    ck_assert_int_eq(queue_put(f->records, RECORD_EVENT, bench_clock_real_ns(f->clock), &e, sizeof e), 0);
}

static void pass(struct fixture *f, int64_t ns)
{
    bench_clock_advance(f->clock, bench_clock_now_ns(f->clock) + ns);
    while (journal_stage_run(f->stage))
        ;
}

static int count_reading(void *ctx, const struct journal_reading *m)
{
    int *count = ctx;
    ck_assert(m->channel == 0 || m->channel == -1);
    if (m->channel == 0)
        ck_assert(!isnan(m->values[SIG_I2]));
    else
        ck_assert_uint_ne(m->lost & UINT32_C(1) << SIG_T_BANK, 0); /* a loss is stated, not painted over */
    (*count)++;
    return 0;
}

static int count_input(void *ctx, const struct input *in)
{
    uint64_t *next = ctx;
    ck_assert_uint_eq(in->seq, ++*next);
    return 0;
}

static int readings_on_disk(struct fixture *f)
{
    int count = 0;
    struct row_filter filter = row_filter_any();
    struct journal_reader *r = journal_reader_open(f->path, NULL);
    ck_assert_ptr_nonnull(r);
    ck_assert_int_eq(journal_reader_readings(r, &filter, count_reading, &count, NULL), 0);
    journal_reader_close(r);
    return count;
}

static uint64_t inputs_on_disk(struct fixture *f)
{
    uint64_t last = 0;
    struct journal_reader *r = journal_reader_open(f->path, NULL);
    ck_assert_ptr_nonnull(r);
    ck_assert_int_eq(journal_reader_inputs(r, 1, 0, count_input, &last, NULL), 0);
    journal_reader_close(r);
    return last;
}

START_TEST(events_go_at_once_and_readings_within_a_second)
{
    struct fixture *f = fixture_new();
    int64_t oldest;
    put_reading(f, 160);
    pass(f, s_ns / 10);
    ck_assert_int_eq(readings_on_disk(f), 0);
    ck_assert(queue_oldest(f->records, &oldest)); /* still counts as not on disk */
    pass(f, s_ns * 9 / 10);
    ck_assert_int_eq(readings_on_disk(f), 2); /* one row for the channel, one for the bench */
    ck_assert(!queue_oldest(f->records, &oldest));
    ck_assert_uint_eq(atomic_load(&f->state.synced_event), 0);
    put_reading(f, 161);
    put_event_of(f, EVENT_INTENT, 0);
    pass(f, 0);
    ck_assert_uint_eq(atomic_load(&f->state.synced_event), 1);
    ck_assert_int_eq(readings_on_disk(f), 4);
    fixture_free(f);
}
END_TEST

START_TEST(a_failing_disk_loses_nothing_and_claims_nothing)
{
    struct fixture *f = fixture_new();
    int64_t oldest, began = bench_clock_real_ns(f->clock);
    f->disk_fails = true;
    for (int i = 0; i < 100; i++) {
        put_reading(f, i);
        put_event_of(f, EVENT_STATE, 0);
        pass(f, s_ns / 10);
    }
    ck_assert(atomic_load(&f->state.failed));
    ck_assert_uint_eq(atomic_load(&f->state.synced_event), 0);
    ck_assert_int_eq(journal_stage_next_run_no(f->stage), -1);
    ck_assert(queue_oldest(f->records, &oldest));
    ck_assert_int_eq(oldest, began); /* the age goes on growing */
    f->disk_fails = false;
    pass(f, s_ns / 2);
    ck_assert(!atomic_load(&f->state.failed));
    ck_assert_uint_eq(atomic_load(&f->state.synced_event), 100);
    ck_assert_uint_eq(inputs_on_disk(f), 100); /* each once, in order */
    ck_assert_int_eq(readings_on_disk(f), 200);
    fixture_free(f);
}
END_TEST

static void put_start(struct fixture *f, int64_t run_no)
{
    struct input in = {.kind = INPUT_OPERATOR};
    in.u.operator_ = (struct input_operator){.verb = VERB_START, .device = -1};
    in.u.operator_.run.run_no = run_no;
    text_copy(in.u.operator_.run.serial, NAME_CAP, "HQ-0147");
    put_input_of(f, &in);
    put_event_of(f, EVENT_RUN_START, run_no);
}

START_TEST(a_run_has_its_begin_and_end)
{
    struct fixture *f = fixture_new();
    struct journal_run *run = calloc(1, sizeof *run);
    int64_t run_no = journal_stage_next_run_no(f->stage);
    put_start(f, run_no);
    put_reading(f, 160);
    pass(f, s_ns);
    put_event_of(f, EVENT_RUN_END, run_no);
    pass(f, s_ns);
    struct journal_reader *r = journal_reader_open(f->path, NULL);
    ck_assert_int_eq(journal_reader_run(r, run_no, run, NULL), 1);
    ck_assert_str_eq(run->request.serial, "HQ-0147");
    ck_assert_uint_eq(run->start_seq, 1);
    ck_assert_uint_eq(run->end_seq, 2);
    ck_assert_int_gt(run->end_ns, run->start_ns);
    journal_reader_close(r);
    free(run);
    fixture_free(f);
}
END_TEST

START_TEST(run_numbers_are_never_given_twice)
{
    struct fixture *f = fixture_new();
    int64_t last = 0;
    for (int session = 0; session < 3; session++) {
        for (int i = 0; i < 4; i++) {
            int64_t n = journal_stage_next_run_no(f->stage);
            ck_assert_int_eq(n, last + 1);
            put_start(f, n);
            pass(f, 0);
            put_event_of(f, EVENT_RUN_END, n);
            last = n;
        }
        pass(f, s_ns);
        close_session(f); /* as a crash leaves it */
        f->seq = f->event = 0;
        open_session(f);
    }
    fixture_free(f);
}
END_TEST

START_TEST(orders_are_answered_by_what_became_of_them)
{
    struct fixture *f = fixture_new();
    struct register_order *order = calloc(1, sizeof *order);
    order->kind = REGISTER_PLATE;
    order->request = 7;
    order->utc_s = 1;
    text_copy(order->plate.serial, NAME_CAP, "HQ-0147");
    queue_put(f->orders, ORDER_REGISTER, 0, order, sizeof *order);
    pass(f, 0);
    ck_assert_uint_eq(f->answered, 7);
    ck_assert_int_eq(f->answer_code, 2);
    f->disk_fails = true;
    order->request = 8;
    queue_put(f->orders, ORDER_REGISTER, 0, order, sizeof *order);
    pass(f, 0);
    ck_assert_uint_eq(f->answered, 8);
    ck_assert_int_eq(f->answer_code, 1);
    free(order);
    fixture_free(f);
}
END_TEST

static void put_fleet(struct fixture *f, uint64_t request)
{
    struct register_order *order = calloc(1, sizeof *order);
    ck_assert_ptr_nonnull(order);
    order->kind = REGISTER_PLATES;
    order->request = request;
    order->utc_s = 1;
    order->plate_count = 40;
    order->plates = calloc((size_t)order->plate_count, sizeof *order->plates);
    ck_assert_ptr_nonnull(order->plates);
    for (int i = 0; i < order->plate_count; i++)
        text_format(order->plates[i].serial, NAME_CAP, "HQ-%04d", i);
    queue_put(f->orders, ORDER_REGISTER, 0, order, sizeof *order);
    free(order);
}

static int units_on_disk(struct fixture *f)
{
    struct error err = {""};
    struct journal_unit unit;
    int count = 0;
    struct journal_reader *r = journal_reader_open(f->path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    for (int i = 0; i < 40; i++) {
        char serial[NAME_CAP];
        text_format(serial, sizeof serial, "HQ-%04d", i);
        int found = journal_reader_unit(r, serial, 0, &unit, &err);
        ck_assert_int_ge(found, 0);
        count += found;
    }
    journal_reader_close(r);
    return count;
}

/* All of a fleet or nothing: when one plate cannot be stored, when the disk does not take them, and when the daemon
 * dies between the last plate and the commit. */
START_TEST(a_fleet_is_on_file_whole_or_not_at_all)
{
    struct fixture *f = fixture_new();
    put_fleet(f, 7);
    f->disk_fails = true;
    pass(f, 0);
    ck_assert_int_eq(f->answer_code, 1);
    ck_assert_int_eq(units_on_disk(f), 0);
    f->disk_fails = false;
    struct register_order *order = calloc(1, sizeof *order);
    ck_assert_ptr_nonnull(order);
    order->kind = REGISTER_PLATES;
    order->request = 8;
    order->plate_count = 2;
    order->plates = calloc(2, sizeof *order->plates);
    ck_assert_ptr_nonnull(order->plates);
    text_copy(order->plates[0].serial, NAME_CAP, "HQ-0000"); /* the second has no serial number */
    queue_put(f->orders, ORDER_REGISTER, 0, order, sizeof *order);
    free(order);
    pass(f, 0);
    ck_assert_uint_eq(f->answered, 8);
    ck_assert_int_eq(f->answer_code, 1);
    ck_assert_int_eq(units_on_disk(f), 0);
    put_fleet(f, 9);
    pid_t child = fork();
    ck_assert_int_ge(child, 0);
    if (child == 0) {
        f->dies = true;
        pass(f, 0);
        _exit(0);
    }
    int how;
    ck_assert_int_eq(waitpid(child, &how, 0), child);
    ck_assert(WIFEXITED(how) && WEXITSTATUS(how) == 9);
    ck_assert_int_eq(units_on_disk(f), 0);
    pass(f, 0);
    ck_assert_int_eq(f->answer_code, 2);
    ck_assert_int_eq(units_on_disk(f), 40);
    fixture_free(f);
}
END_TEST

START_TEST(a_session_ends_cleanly_with_all_that_was_queued)
{
    struct fixture *f = fixture_new();
    struct error err = {""};
    for (int i = 0; i < 20000; i++)
        put_reading(f, i);
    ck_assert_msg(journal_stage_finish(f->stage, bench_clock_now_ns(f->clock), &err) == 0, "%s", err.text);
    ck_assert_uint_eq(inputs_on_disk(f), 20000);
    close_session(f);
    f->journal = journal_open(f->path, 0, &err);
    ck_assert(journal_last_ended_clean(f->journal));
    journal_close(f->journal);
    f->seq = 0;
    open_session(f);
    fixture_free(f);
}
END_TEST

static int take_notice(void *ctx, const struct journal_notice *n)
{
    ck_assert_msg(strstr(n->text, "max_size") != NULL || strstr(n->text, "WAL has grown") != NULL ||
                      strstr(n->text, "page 7") != NULL,
                  "%s", n->text);
    (*(int *)ctx)++;
    return 0;
}

static int notices_on_disk(struct fixture *f)
{
    int count = 0;
    struct journal_reader *r = journal_reader_open(f->path, NULL);
    ck_assert_int_eq(journal_reader_notices(r, false, take_notice, &count, NULL), 0);
    journal_reader_close(r);
    return count;
}

/* Sealed after its time, taken out after its time; the size that cannot be kept is told once. */
START_TEST(readings_are_sealed_and_removed_when_their_time_has_come)
{
    struct fixture *f = fixture_new();
    struct error err = {""};
    for (int i = 0; i < 3000; i++)
        put_reading(f, i);
    ck_assert_int_eq(journal_stage_finish(f->stage, bench_clock_now_ns(f->clock), &err), 0);
    close_session(f);
    f->seq = 0;
    open_session_keeping(f, &(struct journal_keeping){.plain_ns = 100 * s_ns, .keep_ns = 1000 * s_ns, .max_bytes = 1});
    for (int i = 0; i < 20; i++)
        pass(f, 2 * s_ns);
    ck_assert_int_eq(readings_on_disk(f), 6000);
    ck_assert_int_eq(notices_on_disk(f), 1); /* too young to be sealed: nothing may go */
    close_session(f);
    open_session_keeping(f, &(struct journal_keeping){.plain_ns = 100 * s_ns, .keep_ns = 1000 * s_ns});
    for (int i = 0; i < 60; i++)
        pass(f, 10 * s_ns);
    ck_assert_int_eq(readings_on_disk(f), 6000);
    struct journal_reader *r = journal_reader_open(f->path, NULL);
    struct journal_check_result res;
    for (int i = 0; i < 60; i++)
        pass(f, 10 * s_ns);
    ck_assert_int_eq(readings_on_disk(f), 0);
    ck_assert_int_eq(journal_verify(r, NULL, NULL, NULL, &res, &err), 0);
    journal_reader_close(r);
    ck_assert_int_eq(res.problems, 0);
    ck_assert_int_eq(res.removed_readings, 6000);
    fixture_free(f);
}
END_TEST

/* A reader that stays open makes the WAL grow: a person hears of it once, and not again until it was small. The same
 * way what another thread found out about the file. */
START_TEST(a_reader_that_stays_open_is_told)
{
    struct fixture *f = fixture_new();
    sqlite3 *db;
    ck_assert_int_eq(sqlite3_open_v2(f->path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
    ck_assert_int_eq(sqlite3_exec(db, "BEGIN; SELECT count(*) FROM event_rows", NULL, NULL, NULL), SQLITE_OK);
    struct error err = {""};
    const size_t size = 8 * 1024 * 1024;
    uint8_t *bytes = calloc(1, size);
    ck_assert_ptr_nonnull(bytes);
    for (int i = 0; i < 9; i++) { /* files that come with runs: the shortest way to a long WAL */
        bytes[0] = (uint8_t)i;
        ck_assert_int_eq(journal_begin(f->journal, &err), 0);
        ck_assert_int_eq(journal_put_blob(f->journal, BLOB_UNIT_FILE, i % 2 ? "a" : "b", bytes, size, NULL, &err), 0);
        ck_assert_int_eq(journal_commit(f->journal, &err), 0);
    }
    free(bytes);
    pass(f, 6 * s_ns);
    ck_assert_int_gt(journal_stage_counts(f->stage).wal_bytes, JOURNAL_WAL_ALARM_BYTES);
    pass(f, 6 * s_ns);
    pass(f, 6 * s_ns);
    ck_assert_int_eq(notices_on_disk(f), 1);
    ck_assert_int_eq(sqlite3_exec(db, "COMMIT", NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(db);
    journal_stage_tell(f->stage, "page 7 is never used");
    pass(f, 6 * s_ns);
    pass(f, 6 * s_ns);
    ck_assert_int_eq(notices_on_disk(f), 2);
    fixture_free(f);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("journal stage");
    TCase *t = tcase_create("journal stage");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, events_go_at_once_and_readings_within_a_second);
    tcase_add_test(t, a_failing_disk_loses_nothing_and_claims_nothing);
    tcase_add_test(t, a_run_has_its_begin_and_end);
    tcase_add_test(t, run_numbers_are_never_given_twice);
    tcase_add_test(t, orders_are_answered_by_what_became_of_them);
    tcase_add_test(t, a_fleet_is_on_file_whole_or_not_at_all);
    tcase_add_test(t, a_session_ends_cleanly_with_all_that_was_queued);
    tcase_add_test(t, readings_are_sealed_and_removed_when_their_time_has_come);
    tcase_add_test(t, a_reader_that_stays_open_is_told);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
