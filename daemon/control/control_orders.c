/* Requests that give an order to the engine or put something on file. */
#include <stdlib.h>
#include <string.h>

#include "journal_json.h"
#include "model_json.h"
#include "run_order.h"
#include "server.h"

/* Who gives the order: as stated, else the user at the other end of the socket. */
int server_who(struct doing *d, char who[NAME_CAP])
{
    int found = field_text(d->body, "who", who, NAME_CAP, &d->err);
    if (found == 0 || (found > 0 && !who[0]))
        (void)text_format(who, NAME_CAP, "uid %ld", (long)d->uid);
    return found < 0 ? -1 : 0;
}

static int order_engine(struct doing *d, struct input_operator *order, int64_t run_no, bool wait)
{
    if (field_flag(d->body, "wait", &wait, &d->err) < 0)
        return -1;
    struct pending *p = server_begin(d);
    if (!p)
        return -1;
    p->run_no = run_no;
    p->wait_done = wait;
    order->request = p->request;
    if (order->verb == VERB_END) {
        d->c->hooks.submit_end(d->c->hooks.ctx, order);
    } else if (d->c->hooks.submit(d->c->hooks.ctx, order) != 0) {
        server_forget(d->c, p);
        return server_busy(d, "the engine");
    }
    return 0;
}

static int channel_field(struct doing *d, bool all_allowed, int32_t *channel)
{
    char name[NAME_CAP];
    int found = field_text(d->body, "channel", name, sizeof name, &d->err);
    if (found < 0)
        return -1;
    if (found == 0)
        return protocol_fail(&d->err, "channel", "soakbench status shows the channels.", "name the channel");
    *channel = bench_channel_find(d->c->hooks.bench, name);
    if (*channel >= 0 || (all_allowed && strcmp(name, "all") == 0))
        return 0;
    return protocol_fail(&d->err, "channel", "soakbench status shows the channels.", "this bench has no channel %s",
                         name);
}

struct order_row {
    enum protocol_verb verb;
    enum operator_verb order;
    const char *text_key; /* field that goes along as text; NULL none */
    bool text_needed;
};

static const struct order_row order_rows[] = {
    {DO_RUN_END, VERB_END, "reason", false},
    {DO_CHANNEL_RIG, VERB_RIG, NULL, false},
    {DO_CHANNEL_RIGGED, VERB_RIGGED, "unit", false},
    {DO_CHANNEL_RELEASE, VERB_RELEASE, NULL, false},
    {DO_CHANNEL_RESET, VERB_RESET, "reason", true},
    {DO_CHANNEL_SET, VERB_SET, NULL, false},
    {DO_CHANNEL_CONTINUE, VERB_CONTINUE, "reason", true},
    {DO_CHANNEL_NOTE, VERB_NOTE, "text", true},
};

int server_do_channel_order(struct doing *d)
{
    const struct order_row *row = order_rows;
    while (row->verb != d->verb)
        row++;
    struct input_operator *order = calloc(1, sizeof *order);
    if (!order)
        return server_busy(d, "the daemon");
    order->verb = row->order;
    order->device = -1;
    int result = channel_field(d, d->verb == DO_RUN_END || d->verb == DO_CHANNEL_NOTE, &order->channel);
    int found = 0;
    if (result == 0)
        result = server_who(d, order->who);
    if (result == 0 && row->text_key)
        found = d->unit[0] ? text_copy(order->text, sizeof order->text, d->unit)
                           : field_text(d->body, row->text_key, order->text, sizeof order->text, &d->err);
    if (found < 0)
        result = -1;
    else if (result == 0 && row->text_needed && !order->text[0])
        result = protocol_fail(&d->err, row->text_key, "It goes into the record.", "say why: the %s is missing",
                               row->text_key);
    if (result == 0 && order->verb == VERB_END)
        server_refuse_starts(d->c, false, order->channel);
    if (result == 0)
        result = order_engine(d, order, 0, true);
    free(order);
    return result;
}

/* Index of the device that the request names; -1 with err. */
static int device_field(struct doing *d, bool load)
{
    char name[NAME_CAP];
    int found = field_text(d->body, "device", name, sizeof name, &d->err);
    const struct bench *bench = d->c->hooks.bench;
    int device = 0;
    if (found < 0)
        return -1;
    while (found && device < bench->device_count && strcmp(bench->devices[device].name, name) != 0)
        device++;
    if (found && device < bench->device_count && (!load || bench->devices[device].is_load))
        return device;
    return protocol_fail(&d->err, "device",
                         load ? "soakbench status shows the load controllers."
                              : "soakbench status --figures shows the devices.",
                         load ? "name a load controller of this bench" : "name a device of this bench");
}

int server_do_watchdog_prove(struct doing *d)
{
    int device = device_field(d, true);
    if (device < 0)
        return -1;
    struct input_operator *order = calloc(1, sizeof *order);
    if (!order)
        return server_busy(d, "the daemon");
    order->verb = VERB_PROVE_WATCHDOG;
    order->channel = -1;
    order->device = device;
    int result = server_who(d, order->who);
    if (result == 0)
        result = order_engine(d, order, 0, true);
    free(order);
    return result;
}

int server_do_device_probe(struct doing *d)
{
    struct error err = {{0}};
    int device = device_field(d, false);
    if (device < 0)
        return -1;
    if (!d->c->hooks.probe)
        return protocol_fail(&d->err, "device-probe", "", "this daemon probes nothing");
    struct pending *p = server_begin(d);
    if (!p)
        return -1;
    if (d->c->hooks.probe(d->c->hooks.ctx, p->request, device, &err) == 0)
        return 0;
    server_forget(d->c, p);
    return protocol_fail(&d->err, "device", "Try again in a moment.", "%.300s", err.text);
}

static const int64_t night_us = 12 * INT64_C(3600000000);

/* When the unit was last on-load and how often it shut off this night, on whatever channel. */
static int unit_heat(struct doing *d, struct run_request *run)
{
    struct error err = {{0}};
    int64_t utc_us = 0, cutouts = 0, now_us = d->c->hooks.utc_ns(d->c->hooks.ctx) / 1000;
    int found = journal_reader_last_load(d->c->reader, run->serial, &utc_us, &err);
    if (found < 0 || journal_reader_shutoffs(d->c->reader, run->serial, now_us - night_us, &cutouts, &err) < 0)
        return server_journal_failed(d, &err);
    run->unit_cutouts = cutouts < 1000 ? (int32_t)cutouts : 1000;
    run->unit_last_load_utc_ns = found ? utc_us * 1000 : 0;
    return 0;
}

/* Plate and safety test of the unit from the register. */
static int unit_on_file(struct doing *d, const char *serial, struct journal_unit *unit,
                        struct journal_inspection *latest)
{
    struct journal_reader *r = server_reader(d);
    struct error err = {{0}};
    if (!r)
        return -1;
    int found = journal_reader_unit(r, serial, 0, unit, &err);
    if (found < 0)
        return server_journal_failed(d, &err);
    if (found == 0)
        return server_no_unit(d, serial);
    return last_inspection(r, serial, latest, &err) < 0 ? server_journal_failed(d, &err) : 0;
}

int server_read_run_start(struct doing *d)
{
    char serial[NAME_CAP];
    struct input_operator *order = d->order = calloc(1, sizeof *order);
    struct journal_unit *unit = calloc(1, sizeof *unit);
    struct journal_inspection latest = {0};
    int result = -1;
    if (!order || !unit) {
        result = server_busy(d, "the daemon");
        goto out;
    }
    order->verb = d->verb == DO_RUN_QUEUE ? VERB_QUEUE : VERB_START;
    order->device = -1;
    if (channel_field(d, false, &order->channel) != 0 || server_unit(d, serial) < 0 || server_who(d, order->who) != 0 ||
        unit_on_file(d, serial, unit, &latest) != 0 ||
        run_order_from_json(d->body, &unit->plate, &order->run, &d->err) != 0 ||
        text_copy(order->run.serial, sizeof order->run.serial, unit->name) != 0 || unit_heat(d, &order->run) != 0)
        goto out;
    if (d->verb == DO_RUN_QUEUE) /* nobody stands there when its turn comes */
        order->run.unattended = true;
    (void)text_copy(order->run.who, sizeof order->run.who, order->who);
    order->run.plate_version = unit->version;
    order->run.safety_test_utc_s = latest.passed ? latest.done_utc_s : 0;
    order->run.safety_test_due_utc_s = latest.passed ? latest.due_utc_s : 0;
    order->run.safety_test_failed = latest.done_utc_s > 0 && !latest.passed;
    result = 0;
out:
    free(unit);
    return result;
}

int server_do_run_start(struct doing *d)
{
    struct input_operator *order = d->order;
    if (d->c->hooks.night)
        d->c->hooks.night(d->c->hooks.ctx, &order->run.night);
    if (d->c->hooks.stores)
        d->c->hooks.stores(d->c->hooks.ctx, &order->run.stores);
    order->run.run_no = d->c->hooks.next_run_no(d->c->hooks.ctx);
    if (order->run.run_no <= 0)
        return protocol_fail(&d->err, "journal", "See soakbench status and the daemon's log.",
                             "the journal gives no run number: no run starts without a record");
    return order_engine(d, order, order->run.run_no, false);
}

int server_do_run_unqueue(struct doing *d)
{
    struct input_operator *order = calloc(1, sizeof *order);
    if (!order)
        return server_busy(d, "the daemon");
    *order = (struct input_operator){.verb = VERB_UNQUEUE, .channel = -1, .device = -1};
    int named = field_integer(d->body, "run", 1, INT64_MAX, &order->run.run_no, &d->err);
    int result = named < 0 ? -1 : named > 0 ? 0 : channel_field(d, true, &order->channel);
    if (result == 0)
        result = server_who(d, order->who);
    if (result == 0 && field_text(d->body, "reason", order->text, sizeof order->text, &d->err) < 0)
        result = -1;
    if (result == 0 && named == 0)
        server_refuse_starts(d->c, true, order->channel);
    if (result == 0)
        result = order_engine(d, order, 0, true);
    free(order);
    return result;
}

/* ---- the test message ---- */

int server_do_notify_test(struct doing *d)
{
    char who[NAME_CAP];
    struct error err = {""};
    if (server_who(d, who) != 0)
        return -1;
    struct pending *p = server_begin(d);
    if (!p)
        return -1;
    p->wait_done = true;
    if (d->c->hooks.notify_test && d->c->hooks.notify_test(d->c->hooks.ctx, p->request, who, &err) == 0) {
        (void)control_answer(d->c, p->request, 0, "sending");
        return 0;
    }
    server_forget(d->c, p);
    return protocol_fail(&d->err, "notify", "Add notify: to the configuration, and start the daemon again.", "%.250s",
                         err.text[0] ? err.text : "this daemon tells nobody");
}

int server_do_notify_acknowledge(struct doing *d)
{
    char who[NAME_CAP], code[NAME_CAP] = "";
    struct error err = {""};
    if (server_who(d, who) != 0 || field_text(d->body, "code", code, sizeof code, &d->err) < 0)
        return -1;
    if (d->c->hooks.notify_acknowledge && d->c->hooks.notify_acknowledge(d->c->hooks.ctx, code, who, &err) == 0)
        return server_done_text(d, "acknowledged: messages from this bench reach somebody");
    return protocol_fail(&d->err, "code", "Send a new one with: soakbench notify test", "%.250s",
                         err.text[0] ? err.text : "this daemon tells nobody");
}

/* ---- the register ---- */

int server_put_on_file(struct doing *d, struct register_order *order)
{
    struct pending *p = server_begin(d);
    if (!p)
        return -1;
    p->wait_done = true;
    order->request = p->request;
    order->utc_s = d->c->hooks.utc_ns(d->c->hooks.ctx) / INT64_C(1000000000);
    order->disposition.utc_s = order->baseline.utc_s = order->addendum.utc_s = order->utc_s;
    if (d->c->hooks.put_on_file(d->c->hooks.ctx, order) != 0) {
        server_forget(d->c, p);
        return server_busy(d, "the journal");
    }
    return 0;
}

int server_do_unit_add(struct doing *d)
{
    struct register_order *order = calloc(1, sizeof *order);
    if (!order)
        return server_busy(d, "the daemon");
    order->kind = REGISTER_PLATE;
    (void)text_copy(order->unit, sizeof order->unit, d->unit);
    int result = server_who(d, order->who);
    if (result == 0)
        result = plate_from_json(json_object_get(d->body, "plate"), &order->plate, &d->err);
    if (result == 0)
        result = server_put_on_file(d, order);
    free(order);
    return result;
}

static int inspection_fields(struct doing *d, struct journal_inspection *t)
{
    int passed = 0;
    if (server_unit(d, t->serial) < 0 || server_who(d, t->who) != 0 ||
        field_text(d->body, "kind", t->kind, sizeof t->kind, &d->err) < 0 ||
        field_text(d->body, "reference", t->reference, sizeof t->reference, &d->err) < 0 ||
        field_text(d->body, "note", t->note, sizeof t->note, &d->err) < 0 ||
        server_date(d, "done", &t->done_utc_s) < 0 || server_date(d, "due", &t->due_utc_s) < 0 ||
        (passed = field_flag(d->body, "passed", &t->passed, &d->err)) < 0)
        return -1;
    if (passed == 0)
        return protocol_fail(&d->err, "passed", "\"passed\":true or \"passed\":false.",
                             "say whether the unit passed its safety test");
    if (t->done_utc_s == 0)
        t->done_utc_s = d->c->hooks.utc_ns(d->c->hooks.ctx) / INT64_C(1000000000);
    if (!t->kind[0])
        (void)text_copy(t->kind, sizeof t->kind, "safety test");
    return 0;
}

int server_do_register(struct doing *d)
{
    return server_put_on_file(d, d->file);
}

int server_read_unit_inspect(struct doing *d)
{
    struct register_order *order = d->file = calloc(1, sizeof *order);
    struct journal_unit *unit = calloc(1, sizeof *unit);
    struct journal_inspection latest;
    int result = -1;
    if (!order || !unit)
        result = server_busy(d, "the daemon");
    else if (inspection_fields(d, &order->inspection) == 0 &&
             unit_on_file(d, order->inspection.serial, unit, &latest) == 0) {
        order->kind = REGISTER_INSPECTION;
        (void)text_copy(order->who, sizeof order->who, order->inspection.who);
        result = 0;
    }
    free(unit);
    return result;
}

/* A unit that is on file, and its run that was named: 0 when none was. */
static int unit_and_run(struct doing *d, char serial[NAME_CAP], int64_t *run_no)
{
    struct journal_inspection latest;
    int result = -1;
    struct error err = {{0}};
    struct journal_unit *unit = calloc(1, sizeof *unit);
    struct journal_run *run = calloc(1, sizeof *run);
    if (!unit || !run)
        (void)server_busy(d, "the daemon");
    else if (server_unit(d, serial) >= 0 && unit_on_file(d, serial, unit, &latest) == 0 &&
             field_integer(d->body, "run", 1, INT64_MAX, run_no, &d->err) >= 0)
        result = 0;
    if (result == 0 && run && *run_no != 0) {
        int found = journal_reader_run(d->c->reader, *run_no, run, &err);
        if (found < 0)
            result = server_journal_failed(d, &err);
        else if (found == 0 || strcmp(run->request.serial, serial) != 0)
            result = protocol_fail(&d->err, "run", "soakbench run list --unit SERIAL shows them.",
                                   "run %lld is no run of unit %s", (long long)*run_no, serial);
    }
    free(unit);
    free(run);
    return result;
}

static int disposition_fields(struct doing *d, struct journal_disposition *p)
{
    static const char *const places[] = {"hire", "service", "quarantine"};
    if (unit_and_run(d, p->serial, &p->run_no) != 0 || server_who(d, p->who) != 0 ||
        field_text(d->body, "to", p->to, sizeof p->to, &d->err) < 0 ||
        field_text(d->body, "note", p->note, sizeof p->note, &d->err) < 0 ||
        server_date(d, "due", &p->next_due_utc_s) < 0)
        return -1;
    for (size_t i = 0; i < sizeof places / sizeof places[0]; i++) {
        if (strcmp(places[i], p->to) == 0)
            return 0;
    }
    return protocol_fail(&d->err, "to", "One of hire, service, quarantine.", "say where the unit goes");
}

int server_read_unit_release(struct doing *d)
{
    struct register_order *order = d->file = calloc(1, sizeof *order);
    if (!order)
        return server_busy(d, "the daemon");
    order->kind = REGISTER_DISPOSITION;
    int result = disposition_fields(d, &order->disposition);
    if (result == 0)
        (void)text_copy(order->who, sizeof order->who, order->disposition.who);
    return result;
}

int server_read_unit_baseline(struct doing *d)
{
    struct register_order *order = d->file = calloc(1, sizeof *order);
    if (!order)
        return server_busy(d, "the daemon");
    struct journal_baseline *b = &order->baseline;
    order->kind = REGISTER_BASELINE;
    int result = unit_and_run(d, b->serial, &b->run_no);
    if (result == 0 && b->run_no == 0)
        result = protocol_fail(&d->err, "run", "soakbench run list --unit SERIAL shows them.", "name the run");
    if (result == 0)
        result = server_who(d, b->who);
    if (result == 0)
        (void)text_copy(order->who, sizeof order->who, b->who);
    return result;
}
