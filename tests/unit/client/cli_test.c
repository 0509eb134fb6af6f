/* The client against a control server with a real journal behind it: what it prints, what it sends, its exit status. */
#include <check.h>
#include <math.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "fake_daemon.h"
#include "run_client.h"
#include "suite_run.h"

struct served {
    struct fake fake; /* the child's; the parent reads names of files only */
    pid_t child;
    struct outcome outcome;
};

static void put_row(int result, const struct error *err)
{
    ck_assert_msg(result == 0, "%s", err->text);
}

/* Run 1: not-met, with a cycle. Run 2: met. Run 3: undecided with a finding. Run 4 goes on. */
static void put_runs(struct fake *f)
{
    static const enum verdict_kind kinds[] = {VERDICT_NOT_MET, VERDICT_MET, VERDICT_UNDECIDED};
    struct journal *j = f->journal;
    struct error err = {{0}};
    const int64_t s = INT64_C(1000000000);
    struct unit_plate plate = fake_plate();
    int32_t version;
    struct input *in = calloc(1, sizeof *in);
    ck_assert_ptr_nonnull(in);
    put_row(journal_begin(j, &err), &err);
    put_row(journal_put_unit(j, &plate, 1772400000, &version, &err), &err);
    for (int i = 0; i < 4; i++) {
        in->seq = (uint64_t)i + 1;
        in->seen_ns = (i + 1) * 1000 * s;
        in->kind = INPUT_OPERATOR;
        in->u.operator_ = (struct input_operator){.verb = VERB_START, .channel = i % 2};
        struct run_request *q = &in->u.operator_.run;
        q->run_no = i + 1;
        (void)text_copy(q->serial, sizeof q->serial, plate.serial);
        q->plate_version = version;
        q->point = plate.ratings[0];
        q->procedure = i == 0 ? PROCEDURE_SOAK : PROCEDURE_PROOF;
        (void)text_copy(q->who, sizeof q->who, "Sam");
        q->target_resistance_ohm = q->baseline_u0_v = NAN;
        put_row(journal_put_run(j, in, in->seen_ns, &err), &err);
        struct event e = {.id = (uint64_t)i + 1,
                          .seq = in->seq,
                          .kind = EVENT_CYCLE,
                          .channel = i % 2,
                          .run_no = i + 1,
                          .seen_ns = in->seen_ns + 600 * s,
                          .at_ns = in->seen_ns + 600 * s,
                          .code = 1,
                          .code2 = 1,
                          .value_count = 8,
                          .values = {245, 244.2, 243.9, 240.1, 160.3, 16.4, 229.5, 22.1}};
        put_row(journal_put_event(j, &e, &err), &err);
        if (i == 3)
            continue;
        struct verdict v = {.run_no = i + 1,
                            .revision = 1,
                            .rules_version = 1,
                            .channel = i % 2,
                            .kind = kinds[i],
                            .basis = BASIS_EQUILIBRIUM,
                            .rated_percent_on = 40,
                            .shutoff_s = i == 0 ? 171.5 : NAN,
                            .reset_s = NAN,
                            .own_percent_on = NAN,
                            .drift_k_per_h = NAN};
        (void)text_copy(v.reason, sizeof v.reason, i == 0 ? "cut out after 171.5 s in the hot state" : "as it should");
        (void)text_copy(v.finding, sizeof v.finding, i == 2 ? "this circuit cannot carry this rating" : "");
        put_row(journal_put_verdict(j, &v, in->seq, in->seen_ns + 700 * s, &err), &err);
        put_row(journal_end_run(j, i + 1, in->seq, in->seen_ns + 700 * s, &err), &err);
    }
    put_row(journal_commit(j, &err), &err);
    free(in);
}

static volatile sig_atomic_t stop;

static void on_term(int signal_number)
{
    (void)signal_number;
    stop = 1;
}

static void serve(struct fake *f, int ready)
{
    struct error err;
    (void)signal(SIGTERM, on_term);
    fake_begin(f);
    f->accept_all = true;
    f->run_no = 10;
    put_runs(f);
    f->view.channels[1] = (struct channel_view){.state = STATE_ON_LOAD,
                                                .run_no = 4,
                                                .cycle = 2,
                                                .on_load_s = 61,
                                                .on_load_goal_s = 245,
                                                .point = fake_plate().ratings[0]};
    (void)text_copy(f->view.channels[1].serial, NAME_CAP, "HQ-0147");
    struct bench_circuit *circuit = &f->bench->circuits[0];
    *circuit = (struct bench_circuit){.name = "c1", .voltage_v = 230, .phases = 1};
    circuit->breaker = (struct breaker){.rated_a = 32, .standard = "iec-60898-1", .curve = 'C'};
    f->bench->circuit_count = f->view.circuit_count = 1;
    f->bench->channels[0].circuit = 0;
    f->view.circuit_heat[0] = 0.42;
    if (write(ready, f, sizeof *f) != (ssize_t)sizeof *f)
        _exit(1);
    while (!stop && control_run_once(f->control, 20, &err) == 0) {
        for (; f->end_count > 0; f->end_count--)
            (void)control_answer(f->control, f->ends[f->end_count - 1].request, 2, "the load is open");
        while (control_read_once(f->control, 0))
            ;
    }
    fake_end(f);
    _exit(0);
}

static struct served *begin(void)
{
    struct served *d = calloc(1, sizeof *d);
    int ends[2];
    ck_assert(d && pipe(ends) == 0);
    d->child = fork();
    ck_assert_int_ge(d->child, 0);
    if (d->child == 0)
        serve(&d->fake, ends[1]);
    size_t used = 0;
    while (used < sizeof d->fake) {
        ssize_t n = read(ends[0], (char *)&d->fake + used, sizeof d->fake - used);
        ck_assert_int_gt(n, 0);
        used += (size_t)n;
    }
    close(ends[0]);
    close(ends[1]);
    ck_assert_int_eq(setenv("SOAKBENCH_SOCKET", d->fake.socket, 1), 0);
    return d;
}

static void end(struct served *d)
{
    int status = 0;
    ck_assert_int_eq(kill(d->child, SIGTERM), 0);
    ck_assert_int_eq(waitpid(d->child, &status, 0), d->child);
    ck_assert(WIFEXITED(status) && WEXITSTATUS(status) == 0);
    free(d);
}

static void expect(struct served *d, const char *words, int status, const char *out, const char *err)
{
    run_client(&d->outcome, words);
    ck_assert_msg(d->outcome.status == status, "%s: status %d\n%s%s", words, d->outcome.status, d->outcome.out,
                  d->outcome.err);
    ck_assert_msg(strstr(d->outcome.out, out) != NULL, "%s: \"%s\" is not in\n%s", words, out, d->outcome.out);
    ck_assert_msg(strstr(d->outcome.err, err) != NULL, "%s: \"%s\" is not in\n%s", words, err, d->outcome.err);
}

START_TEST(test_reading)
{
    struct served *d = begin();
    expect(d, "status", 0, "north-bay", "");
    expect(d, "status", 0, "2: 1 min 01 s of 4 min 05 s", "");
    expect(d, "status --figures", 0, "transactions: 12", "");
    expect(d, "unit list", 0, "HQ-0147", "");
    expect(d, "unit show HQ-0147", 0, "Safety test: not done", "");
    expect(d, "unit show HQ-9999", 1, "", "soakbench unit add");
    expect(d, "run list", 0, "not-met", "");
    expect(d, "run show 1", 0, "cut out after 171.5 s in the hot state", "");
    expect(d, "run show 1", 0, "243.9 s", "");
    expect(d, "run show 3", 0, "Finding on the installation: this circuit cannot carry this rating", "");
    expect(d, "run show 99", 1, "", "no run 99");
    json_t *object = client_json("run list --verdict met", 0);
    ck_assert_uint_eq(json_array_size(json_object_get(object, "runs")), 1);
    ck_assert_int_eq(json_integer_value(json_object_get(object, "v")), 1);
    json_decref(object);
    object = client_json("run list --open", 0);
    ck_assert_uint_eq(json_array_size(json_object_get(object, "runs")), 1);
    json_decref(object);
    object = client_json("run show 1", 0);
    ck_assert_uint_eq(json_array_size(json_object_get(object, "events")), 1);
    json_decref(object);
    end(d);
}
END_TEST

/* Verdicts decide the exit status: 0 met, 3 not-met, 4 undecided. */
START_TEST(test_watch)
{
    struct served *d = begin();
    expect(d, "run watch 2", 0, "Verdict: met", "");
    expect(d, "run watch 1", 3, "Verdict: not-met (basis: equilibrium). cut out after 171.5 s", "");
    expect(d, "run watch 3", 4, "Finding", "");
    ck_assert_ptr_null(strchr(d->outcome.out, '\033')); /* no terminal, no escape sequences */
    json_t *object = client_json("run watch 1", 3);
    json_decref(object);
    expect(d, "run watch A", 1, "", "no run is on channel A");
    end(d);
}
END_TEST

START_TEST(test_plan_counts_the_breakers_heat)
{
    struct served *d = begin();
    expect(d, "run plan A --unit HQ-0147 --point 1 --procedure proof", 0, "breaker still 42 % warm from earlier runs",
           "");
    json_t *plan = client_json("run plan A --unit HQ-0147 --point 1 --procedure proof", 0);
    ck_assert_double_eq(json_real_value(json_object_get(json_object_get(plan, "supply"), "breaker_heat")), 0.42);
    json_decref(plan);
    end(d);
}
END_TEST

START_TEST(test_orders)
{
    struct served *d = begin();
    expect(d, "rig A", 0, "soakbench rigged A", "");
    expect(d, "rigged A --who Sam", 0, "run plan A", "");
    expect(d, "reset A", 2, "", "--reason");
    expect(d, "reset A --reason 'fan mended'", 0, "done", "");
    expect(d, "run end all", 0, "the load is open", "");
    expect(d, "watchdog prove bank", 0, "done", "");
    expect(d, "rig Z", 1, "", "no channel Z");
    expect(d, "unit inspect HQ-0147 --passed --who Sam --due 2027-03-01", 0, "stored", "");
    expect(d, "unit show HQ-0147", 0, "passed", "");
    expect(d, "unit inspect HQ-0147 --who Sam", 2, "", "--passed");
    expect(d, "unit release HQ-0147 --to quarantine --who Sam --run 1", 0, "QUARANTINE: DO NOT USE", "");
    expect(d, "unit show HQ-0147", 0, "Sent to quarantine", "");
    expect(d, "unit set-baseline HQ-0147 --run 2 --who Sam", 0, "stored", "");
    expect(d, "run start A --unit HQ-0147 --point 1 --procedure proof --who Sam", 1, "", "set-up sheet");
    expect(d, "run start A --unit HQ-0147 --point 1 --procedure proof --confirm-setup", 2, "", "--who");
    expect(d, "run queue A --unit HQ-0147 --point 1 --procedure proof --who Sam", 1, "", "set-up sheet");
    expect(d, "run queue A --unit HQ-0147 --procedure proof --confirm-setup", 2, "", "--who");
    expect(d, "run queued", 0, "No run waits", "");
    expect(d, "run start A --unit HQ-0147 --point 1 --procedure proof --who Sam --confirm-setup", 0,
           "soakbench run watch 11", "");
    expect(d, "run start A --unit HQ-0147 --procedure proof --who Sam --confirm-setup", 1, "", "Points on the plate");
    json_t *object = client_json("rig Z", 1);
    ck_assert_ptr_nonnull(json_object_get(json_object_get(object, "error"), "remedy"));
    json_decref(object);
    end(d);
}
END_TEST

static void write_text(const char *path, const char *text);

/* A file longer than one request goes over in pieces and comes back whole; names that could point elsewhere do not. */
START_TEST(test_attach)
{
    struct served *d = begin();
    char path[200], words[400];
    (void)snprintf(path, sizeof path, "%s/display.jpg", d->fake.folder);
    FILE *f = fopen(path, "w");
    ck_assert_ptr_nonnull(f);
    for (int i = 0; i < 100000; i++)
        fprintf(f, "%d,", i);
    fclose(f);
    (void)snprintf(words, sizeof words, "attach 1 %s --note 'display E03' --who Sam", path);
    expect(d, words, 0, "588890 bytes", "");
    expect(d, "run show 1", 0, "display.jpg", "");
    expect(d, "run show 1", 0, "display E03", "");
    (void)snprintf(words, sizeof words, "export 1 --to %s/out --as line-protocol", d->fake.folder);
    expect(d, words, 0, "", "");
    expect(d, "attach 1 --note 'fan louder than usual' --who Sam", 0, "remark is on record", "");
    expect(d, "run show 1", 0, "fan louder than usual", "");
    expect(d, "attach 1 --who Sam", 2, "", "FILE, or --note");
    expect(d, "attach 1 --note x", 2, "", "--who");
    expect(d, "attach 99 --note x --who Sam", 1, "", "no such run");
    expect(d, "attach 1 /nowhere/x.jpg --who Sam", 1, "", "cannot be read");
    (void)snprintf(words, sizeof words, "cp %s %s/.hidden", path, d->fake.folder);
    ck_assert_int_eq(system(words), 0);
    (void)snprintf(words, sizeof words, "attach 1 %s/.hidden --who Sam", d->fake.folder);
    expect(d, words, 1, "", "is no name for a file");
    json_t *object = client_json("run show 1", 0);
    ck_assert_uint_eq(json_array_size(json_object_get(object, "addenda")), 2);
    const json_t *first = json_array_get(json_object_get(object, "addenda"), 0);
    ck_assert_int_eq(json_integer_value(json_object_get(first, "size")), 588890);
    /* sha256sum of coreutils over the same file */
    (void)snprintf(words, sizeof words, "test \"$(sha256sum < %s | cut -c1-64)\" = %s", path,
                   json_string_value(json_object_get(first, "digest")));
    ck_assert_int_eq(system(words), 0);
    json_decref(object);
    (void)snprintf(words, sizeof words, "rm %s %s/.hidden", path, d->fake.folder);
    ck_assert_int_eq(system(words), 0);
    end(d);
}
END_TEST

static void write_text(const char *path, const char *text)
{
    FILE *f = fopen(path, "w");
    ck_assert_ptr_nonnull(f);
    fputs(text, f);
    fclose(f);
}

START_TEST(test_import)
{
    struct served *d = begin();
    char path[200], words[400];
    (void)snprintf(path, sizeof path, "%s/fleet.csv", d->fake.folder);
    write_text(path, "serial,maker,process,output_control,supply_v,percent_on,current_a\n"
                     "HQ-0201,Harrow,mma,always-live,230,35,140\n"
                     "HQ-0201,Harrow,tig,trigger,230,40,160 A\n"
                     "HQ-0202,Harrow,mig,trigger,400 V,60,250\n");
    (void)snprintf(words, sizeof words, "unit import %s --check-only", path);
    expect(d, words, 0, "2 units, no problem", "");
    (void)snprintf(words, sizeof words, "unit import %s", path);
    expect(d, words, 0, "2 units", "");
    expect(d, "unit show HQ-0201", 0, "always-live", "");
    /* One number, two makers: two units. A line without its maker goes on with the unit before it. */
    write_text(path, "serial,maker,process,output_control,supply_v,percent_on,current_a\n"
                     "HQ-0207,Harrow,mma,always-live,230,35,140\n"
                     "HQ-0207,Quay,mma,always-live,230,35,120\n"
                     "HQ-0207,,tig,trigger,230,40,160\n");
    expect(d, words, 0, "2 units", "");
    expect(d, "unit show HQ-0207", 1, "", "HQ-0207/Harrow or HQ-0207/Quay");
    expect(d, "unit show HQ-0207/Harrow", 0, "140 A", "");
    ck_assert_ptr_null(strstr(d->outcome.out, "160 A"));
    expect(d, "unit show HQ-0207/Quay", 0, "160 A", "");
    char offline[400];
    (void)snprintf(offline, sizeof offline, "unit show HQ-0207 --journal %s", d->fake.path);
    expect(d, offline, 1, "", "HQ-0207/Harrow or HQ-0207/Quay");
    (void)snprintf(offline, sizeof offline, "run list --unit HQ-0207 --journal %s", d->fake.path);
    expect(d, offline, 1, "", "HQ-0207/Harrow or HQ-0207/Quay");
    expect(d, "unit history HQ-0207", 1, "", "HQ-0207/Harrow or HQ-0207/Quay");
    write_text(path, "Serial no,maker,model,process,output_control,percent_on,current_a\n"
                     "HQ-0301,Harrow,T1,mma,always-live,35,140\n"
                     "HQ-0302,Harrow,T1,arc,always-live,35,140\n"
                     ",Harrow,T1,mma,always-live,35,140\n"
                     "HQ-0301,Harrow,T2,mma,always-live,135,140\n");
    (void)snprintf(words, sizeof words, "unit import %s", path);
    expect(d, words, 1, "", "no column serial");
    (void)snprintf(words, sizeof words, "unit import %s --columns 'serial=Serial no'", path);
    expect(d, words, 1, "", "fleet.csv:3: process");
    ck_assert_ptr_nonnull(strstr(d->outcome.err, "fleet.csv:4: serial is empty"));
    ck_assert_ptr_nonnull(strstr(d->outcome.err, "fleet.csv:5: model differs"));
    ck_assert_ptr_nonnull(strstr(d->outcome.err, "fleet.csv:5: percent_on"));
    ck_assert_ptr_nonnull(strstr(d->outcome.err, "nothing was entered"));
    expect(d, "unit show HQ-0301", 1, "", "not in the register");
    end(d);
}
END_TEST

/* The record can be read without the daemon, and checked. */
START_TEST(test_offline)
{
    struct served *d = begin();
    char words[400];
    (void)snprintf(words, sizeof words, "run list --journal %s --unit HQ-0147 --limit 2", d->fake.path);
    expect(d, words, 0, "HQ-0147", "");
    (void)snprintf(words, sizeof words, "unit show HQ-0147 --journal %s", d->fake.path);
    expect(d, words, 0, "HQ-0147", "");
    (void)snprintf(words, sizeof words, "journal check --journal %s", d->fake.path);
    expect(d, words, 0, "sound", "");
    (void)snprintf(words, sizeof words,
                   "journal check --journal %s --head "
                   "00112233445566778899aabbccddeeff00112233445566778899aabbccddeeff",
                   d->fake.path);
    expect(d, words, 1, "cut off", "");
    expect(d, "replay 99", 1, "", "no run 99");
    (void)snprintf(words, sizeof words, "journal backup %s/copy.db --journal %s", d->fake.folder, d->fake.path);
    expect(d, words, 0, "copy.db", "");
    expect(d, words, 1, "", ""); /* never overwrites */
    (void)snprintf(words, sizeof words, "run show 1 --brief --journal %s/copy.db", d->fake.folder);
    expect(d, words, 0, "Verdict: not-met", "");
    ck_assert_ptr_null(strstr(d->outcome.out, "Digest"));
    (void)snprintf(words, sizeof words, "export 1 --to %s/out --as line-protocol", d->fake.folder);
    expect(d, words, 0, "out", "");
    (void)snprintf(words, sizeof words, "%s/out/run-1.lp", d->fake.folder);
    FILE *f = fopen(words, "r");
    ck_assert_ptr_nonnull(f);
    ck_assert_ptr_nonnull(fgets(words, sizeof words, f));
    ck_assert_msg(strncmp(words, "event,bench=north-bay,channel=A", 31) == 0, "%s", words);
    fclose(f);
    expect(d, "journal check --head 12", 2, "", "hexadecimal");
    expect(d, "run list --journal /nowhere.db", 1, "", "/nowhere.db");
    end(d);
}
END_TEST

START_TEST(test_without_daemon)
{
    struct outcome *o = calloc(1, sizeof *o);
    ck_assert_ptr_nonnull(o);
    run_client(o, "--socket /tmp/no-daemon.sock status");
    ck_assert_int_eq(o->status, 1);
    ck_assert_ptr_nonnull(strstr(o->err, "soakbenchd --config"));
    run_client(o, "");
    ck_assert_int_eq(o->status, 2);
    run_client(o, "--version");
    ck_assert_int_eq(o->status, 0);
    run_client(o, "run start --help");
    ck_assert_int_eq(o->status, 0);
    ck_assert_ptr_nonnull(strstr(o->out, "--confirm-setup"));
    run_client(o, "calc load --process tig --current '200 A' >/dev/full 2>&1; exit $? #");
    ck_assert_int_eq(o->status, 1);
    free(o);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("client");
    TCase *t = tcase_create("client");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, test_reading);
    tcase_add_test(t, test_watch);
    tcase_add_test(t, test_plan_counts_the_breakers_heat);
    tcase_add_test(t, test_orders);
    tcase_add_test(t, test_attach);
    tcase_add_test(t, test_import);
    tcase_add_test(t, test_offline);
    tcase_add_test(t, test_without_daemon);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
