#include "fake_daemon.h"

#include <check.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "protocol.h"

static void fake_view(void *ctx, struct bench_view *view)
{
    *view = ((struct fake *)ctx)->view;
}

static int fake_submit(void *ctx, const struct input_operator *order)
{
    struct fake *f = ctx;
    if (f->busy || f->order_count == FAKE_ORDERS_MAX)
        return -1;
    f->orders[f->order_count++] = *order;
    if (f->accept_all) {
        (void)control_answer(f->control, order->request, 0, "accepted");
        (void)control_answer(f->control, order->request, 2, "done");
    }
    return 0;
}

static void fake_submit_end(void *ctx, const struct input_operator *order)
{
    struct fake *f = ctx;
    ck_assert_int_lt(f->end_count, FAKE_ORDERS_MAX);
    f->ends[f->end_count++] = *order;
}

static int fake_put_on_file(void *ctx, const struct register_order *order)
{
    struct fake *f = ctx;
    struct error err = {{0}};
    int32_t version = 0;
    if (f->busy)
        return -1;
    f->filed = *order;
    f->file_count++;
    ck_assert_msg(journal_begin(f->journal, &err) == 0, "%s", err.text);
    int result = -1;
    switch (order->kind) {
    case REGISTER_PLATE: {
        char name[NAME_CAP];
        (void)text_copy(name, sizeof name, order->unit);
        result = journal_put_plate(f->journal, &order->plate, order->utc_s, name, &version, &err);
        break;
    }
    case REGISTER_INSPECTION:
        result = journal_put_inspection(f->journal, &order->inspection, &err);
        break;
    case REGISTER_DISPOSITION:
        result = journal_put_disposition(f->journal, &order->disposition, &err);
        break;
    case REGISTER_PLATES:
        result = 0;
        for (int i = 0; result == 0 && i < order->plate_count; i++)
            result = journal_put_unit(f->journal, &order->plates[i], order->utc_s, &version, &err);
        free(order->plates);
        f->filed.plates = NULL;
        break;
    case REGISTER_BASELINE:
        result = journal_put_baseline(f->journal, &order->baseline, &err);
        break;
    case REGISTER_ADDENDUM: {
        struct journal_addendum a = order->addendum;
        result = a.kind == ADDENDUM_CORRECTION ? journal_put_correction(f->journal, &a, &order->verdict, 0, &err)
                                               : journal_put_addendum(f->journal, &a, order->bytes, order->size, &err);
        free(order->bytes);
        break;
    }
    }
    ck_assert_msg(result == 0 && journal_commit(f->journal, &err) == 0, "%s", err.text);
    (void)control_answer(f->control, order->request, 2, "stored");
    return 0;
}

static int64_t fake_next_run_no(void *ctx)
{
    struct fake *f = ctx;
    return f->run_no < 0 ? -1 : ++f->run_no;
}

static int fake_resend(void *ctx, const char *store, const int64_t from_row[FEED_COUNT_])
{
    struct fake *f = ctx;
    memcpy(f->resend, from_row, sizeof f->resend);
    return store[0] == '\0' || strcmp(store, "shop") == 0;
}

static char *fake_counters(void *ctx)
{
    (void)ctx;
    return strdup("{\"buses\":[{\"bus\":\"rack\",\"transactions\":12}]}");
}

static int64_t fake_real_ns(void *ctx)
{
    return ((struct fake *)ctx)->now_ns;
}

static int64_t fake_utc_ns(void *ctx)
{
    (void)ctx;
    return INT64_C(1772403300000000000); /* 2026-03-01 22:15 */
}

static void fake_stores(void *ctx, struct run_stores *stores)
{
    *stores = ((struct fake *)ctx)->stores;
}

static int fake_notify_test(void *ctx, uint64_t request, const char *who, struct error *err)
{
    struct fake *f = ctx;
    if (f->notify_trouble[0])
        return error_set(err, "%s", f->notify_trouble);
    f->notify_request = request;
    (void)text_copy(f->notify_who, sizeof f->notify_who, who);
    return 0;
}

static int fake_notify_acknowledge(void *ctx, const char *code, const char *who, struct error *err)
{
    struct fake *f = ctx;
    if (strcmp(code, f->notify_code) != 0)
        return error_set(err, "this is not the code of the last test message");
    (void)text_copy(f->notify_who, sizeof f->notify_who, who);
    return 0;
}

struct unit_plate fake_plate(void)
{
    struct unit_plate p = {.protection = PROTECTION_FITTED, .rating_count = 2};
    (void)text_copy(p.serial, sizeof p.serial, "HQ-0147");
    for (int i = 0; i < 2; i++) {
        p.ratings[i] = (struct rating_point){.process = PROCESS_TIG,
                                             .supply_v = 230,
                                             .phases = 1,
                                             .frequency_hz = 50,
                                             .percent_on = i == 0 ? 40 : 100,
                                             .current_a = i == 0 ? 160 : 110,
                                             .load_voltage_v = NAN,
                                             .no_load_v = NAN,
                                             .i1max_a = NAN,
                                             .i1eff_a = NAN,
                                             .ambient_degc = 40,
                                             .cycle_s = 600};
    }
    return p;
}

static void make_bench(struct bench *b)
{
    (void)text_copy(b->name, sizeof b->name, "north-bay");
    b->rate = 1;
    bench_limits_default(&b->limits);
    b->bus_count = 1;
    (void)text_copy(b->bus_names[0], NAME_CAP, "rack");
    b->device_count = 1;
    (void)text_copy(b->devices[0].name, NAME_CAP, "bank");
    b->devices[0].is_load = true;
    b->devices[0].powered_from = -1;
    b->channel_count = 2;
    for (int i = 0; i < 2; i++) {
        struct bench_channel *c = &b->channels[i];
        (void)text_copy(c->name, NAME_CAP, i == 0 ? "A" : "B");
        c->circuit = -1;
        c->load.feedback_signal = -1;
        for (int k = 0; k < SIG_KIND_COUNT_; k++)
            c->signal[k] = -1;
    }
}

void fake_begin(struct fake *f)
{
    fake_begin_as(f, false);
}

void fake_begin_as(struct fake *f, bool tells_nobody)
{
    struct error err = {{0}};
    memset(f, 0, sizeof *f);
    (void)text_copy(f->folder, sizeof f->folder, "/tmp/control-test-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(f->folder));
    (void)text_format(f->socket, sizeof f->socket, "%s/control.sock", f->folder);
    (void)text_format(f->path, sizeof f->path, "%s/journal.db", f->folder);
    f->bench = calloc(1, sizeof *f->bench);
    ck_assert_ptr_nonnull(f->bench);
    make_bench(f->bench);
    f->view.channel_count = 2;
    f->view.device_count = 1;
    f->view.journal_healthy = true;
    f->view.utc_ns = fake_utc_ns(NULL);
    f->now_ns = INT64_C(1000000000);
    f->journal = journal_open(f->path, JOURNAL_CREATE, &err);
    ck_assert_msg(f->journal != NULL, "%s", err.text);
    struct journal_session s = {.epoch = journal_next_epoch(f->journal), .rate = 1, .anchor_utc_ns = f->view.utc_ns};
    ck_assert_msg(journal_begin(f->journal, &err) == 0 && journal_put_session(f->journal, &s, f->bench, &err) == 0 &&
                      journal_commit(f->journal, &err) == 0,
                  "%s", err.text);
    struct control_hooks hooks = {.ctx = f,
                                  .bench = f->bench,
                                  .view = fake_view,
                                  .submit = fake_submit,
                                  .submit_end = fake_submit_end,
                                  .put_on_file = fake_put_on_file,
                                  .next_run_no = fake_next_run_no,
                                  .counters = fake_counters,
                                  .resend = fake_resend,
                                  .stores = fake_stores,
                                  .notify_test = tells_nobody ? NULL : fake_notify_test,
                                  .notify_acknowledge = tells_nobody ? NULL : fake_notify_acknowledge,
                                  .real_ns = fake_real_ns,
                                  .utc_ns = fake_utc_ns};
    (void)text_copy(hooks.version, sizeof hooks.version, "test");
    (void)text_copy(hooks.journal_path, sizeof hooks.journal_path, f->path);
    f->control = control_new(f->socket, &hooks, &err);
    ck_assert_msg(f->control != NULL, "%s", err.text);
}

void fake_end(struct fake *f)
{
    char command[160];
    control_free(f->control);
    journal_close(f->journal);
    free(f->bench);
    ck_assert_int_ne(access(f->socket, F_OK), 0);
    (void)text_format(command, sizeof command, "rm -rf %s", f->folder);
    ck_assert_int_eq(system(command), 0);
}

struct fake *fake_new(bool tells_nobody)
{
    struct fake *f = calloc(1, sizeof *f);
    ck_assert_ptr_nonnull(f);
    fake_begin_as(f, tells_nobody);
    return f;
}

void fake_free(struct fake *f)
{
    fake_end(f);
    free(f);
}

void fake_turn(struct fake *f)
{
    struct error err = {{0}};
    for (int i = 0; i < 6; i++) {
        ck_assert_msg(control_run_once(f->control, 0, &err) == 0, "%s", err.text);
        while (!f->disk_hangs && control_read_once(f->control, 0))
            ;
    }
}

int fake_connect(const struct fake *f)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    (void)text_copy(address.sun_path, sizeof address.sun_path, f->socket);
    int fd = socket(AF_UNIX, SOCK_STREAM, 0);
    ck_assert_int_ge(fd, 0);
    ck_assert_int_eq(connect(fd, (const struct sockaddr *)&address, sizeof address), 0);
    return fd;
}

json_t *fake_next(struct fake *f, int fd)
{
    char *line = malloc(PROTOCOL_ANSWER_MAX);
    size_t used = 0;
    int idle = 0;
    ck_assert_ptr_nonnull(line);
    while (idle < 4 && used < PROTOCOL_ANSWER_MAX && (used == 0 || line[used - 1] != '\n')) {
        ssize_t n = recv(fd, line + used, 1, MSG_DONTWAIT);
        if (n == 1) {
            used++;
            idle = 0;
        } else if (n < 0 && errno == EAGAIN) {
            fake_turn(f);
            idle++;
        } else {
            break;
        }
    }
    json_t *answer = used ? json_loadb(line, used, 0, NULL) : NULL;
    free(line);
    return answer;
}

json_t *fake_ask(struct fake *f, int fd, const char *line)
{
    size_t size = strlen(line);
    ck_assert_int_eq(send(fd, line, size, MSG_NOSIGNAL), (ssize_t)size);
    return fake_next(f, fd);
}

const char *fake_word(const json_t *answer, const char *a, const char *b)
{
    const json_t *value = json_object_get(answer, a);
    const char *text = json_string_value(b ? json_object_get(value, b) : value);
    return text ? text : "";
}

void fake_expect(json_t *answer, int64_t id, const char *stage)
{
    ck_assert_msg(answer != NULL, "no answer");
    char *text = json_dumps(answer, 0);
    ck_assert_msg(strcmp(fake_word(answer, "stage", NULL), stage) == 0, "%s", text);
    ck_assert_msg(json_integer_value(json_object_get(answer, "id")) == id, "%s", text);
    ck_assert_int_eq(json_integer_value(json_object_get(answer, "v")), 1);
    free(text);
}

void fake_refused(json_t *answer, int64_t id, const char *part)
{
    fake_expect(answer, id, "refused");
    ck_assert_msg(strstr(fake_word(answer, "error", "what"), part) != NULL, "\"%s\" is not in \"%s\"", part,
                  fake_word(answer, "error", "what"));
    json_decref(answer);
}
