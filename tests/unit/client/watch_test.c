/* run watch on a terminal: a block that is redrawn in place, never wider than the terminal, without colours when asked
 * for none; elsewhere plain lines. A pty stands for the terminal. */
#include <check.h>
#include <math.h>
#include <pty.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "client.h"
#include "fake_daemon.h"
#include "suite_run.h"
#include "watch_view.h"

enum { OUTPUT_CAP = 1 << 18, COLUMNS = 80 };

static const int64_t s_ns = INT64_C(1000000000);

static void ok(int result, const struct error *err)
{
    ck_assert_msg(result == 0, "%s", err->text);
}

/* Run 1 on channel A, on-load; over after the given number of turns of the server. */
static void begin_run(struct fake *f)
{
    struct error err = {{0}};
    struct unit_plate plate = fake_plate();
    struct input *in = calloc(1, sizeof *in);
    int32_t version = 0;
    ck_assert_ptr_nonnull(in);
    in->kind = INPUT_OPERATOR;
    in->seq = 1;
    in->seen_ns = 1000 * s_ns;
    in->u.operator_ = (struct input_operator){.verb = VERB_START};
    struct run_request *q = &in->u.operator_.run;
    *q = (struct run_request){.run_no = 1,
                              .plate_version = 1,
                              .procedure = PROCEDURE_PROOF,
                              .target_resistance_ohm = NAN,
                              .baseline_u0_v = NAN,
                              .point = plate.ratings[0]};
    (void)text_copy(q->serial, NAME_CAP, plate.serial);
    ok(journal_begin(f->journal, &err), &err);
    ck_assert_int_ge(journal_put_unit(f->journal, &plate, 1772400000, &version, &err), 0);
    ok(journal_put_run(f->journal, in, in->seen_ns, &err), &err);
    ok(journal_commit(f->journal, &err), &err);
    struct channel_view *v = &f->view.channels[0];
    for (int k = 0; k < SIG_KIND_COUNT_; k++)
        v->values[k] = NAN;
    v->state = STATE_ON_LOAD;
    v->run_no = 1;
    v->point = plate.ratings[0];
    (void)text_copy(v->serial, NAME_CAP, plate.serial);
    (void)text_copy(
        v->doing, TEXT_CAP,
        "on-load: the unit is watched, with a sentence that is far too long for a terminal of eighty columns");
    v->procedure = PROCEDURE_PROOF;
    v->cycle = 1;
    v->on_load_goal_s = 240;
    v->run_expected_s = 600;
    f->bench->channels[0].signal[SIG_I2] = 0;
    f->bench->channels[0].signal[SIG_U2] = 0;
    f->bench->signal_count = 1;
    v->values[SIG_I2] = 150; /* below 160 A less 2 % */
    v->values[SIG_U2] = 16.5;
    v->qualities[SIG_I2] = v->qualities[SIG_U2] = QUALITY_GOOD;
    free(in);
}

static void end_run(struct fake *f)
{
    struct error err = {{0}};
    struct verdict v = {.run_no = 1,
                        .revision = 1,
                        .rules_version = 1,
                        .kind = VERDICT_HELD,
                        .shutoff_s = NAN,
                        .reset_s = NAN,
                        .own_percent_on = NAN,
                        .drift_k_per_h = NAN};
    (void)text_copy(v.reason, sizeof v.reason, "held one cycle");
    ok(journal_begin(f->journal, &err), &err);
    ok(journal_put_verdict(f->journal, &v, 1, 1600 * s_ns, &err), &err);
    ok(journal_end_run(f->journal, 1, 1, 1600 * s_ns, &err), &err);
    ok(journal_commit(f->journal, &err), &err);
}

/* Serves until the run has been looked at more than once, then ends it, and serves on until it is killed. */
static void serve(struct fake *f)
{
    struct error err = {{0}};
    struct timespec now, begin;
    bool over = false;
    clock_gettime(CLOCK_MONOTONIC, &begin);
    for (;;) {
        clock_gettime(CLOCK_MONOTONIC, &now);
        double s = (double)(now.tv_sec - begin.tv_sec) + (double)(now.tv_nsec - begin.tv_nsec) / 1e9;
        f->view.channels[0].cycle_elapsed_s = f->view.channels[0].on_load_s = f->view.channels[0].run_elapsed_s =
            60 * s;
        if (s > 1.2 && !over) {
            end_run(f);
            over = true;
        }
        if (control_run_once(f->control, 20, &err) != 0)
            _exit(1);
        while (control_read_once(f->control, 0))
            ;
    }
}

/* What the client wrote. terminal: on a pty of 80 columns. */
static char *watch(bool terminal, const char *no_color)
{
    struct fake f;
    fake_begin(&f);
    begin_run(&f);
    pid_t server = fork();
    ck_assert_int_ge(server, 0);
    if (server == 0)
        serve(&f);
    struct winsize size = {.ws_col = COLUMNS, .ws_row = 24};
    int fd[2] = {-1, -1};
    pid_t client = -1;
    if (terminal) {
        client = forkpty(&fd[0], NULL, NULL, &size);
    } else {
        ck_assert_int_eq(pipe(fd), 0);
        client = fork();
    }
    ck_assert_int_ge(client, 0);
    if (client == 0) {
        if (!terminal)
            (void)dup2(fd[1], STDOUT_FILENO);
        setenv("TERM", "xterm", 1);
        unsetenv("COLUMNS");
        setenv("NO_COLOR", no_color, 1);
        execl(SOAKBENCH_BINARY, "soakbench", "--socket", f.socket, "run", "watch", "1", (char *)NULL);
        _exit(127);
    }
    if (!terminal)
        close(fd[1]);
    char *text = calloc(1, OUTPUT_CAP);
    ck_assert_ptr_nonnull(text);
    size_t used = 0;
    ssize_t n;
    while (used < OUTPUT_CAP - 1 && (n = read(fd[0], text + used, OUTPUT_CAP - 1 - used)) > 0)
        used += (size_t)n;
    int status = 0;
    ck_assert_int_eq(waitpid(client, &status, 0), client);
    ck_assert_int_eq(WEXITSTATUS(status), 0); /* held */
    close(fd[0]);
    kill(server, SIGKILL);
    ck_assert_int_eq(waitpid(server, &status, 0), server);
    fake_end(&f);
    return text;
}

/* The terminal's own picture: lines by cursor-up and erase, as a terminal would show them in the end. */
static int widest_line(const char *text)
{
    int width = 0, widest = 0;
    for (const char *p = text; *p; p++) {
        if (*p == '\033') {
            p += strcspn(p, "mAK");
        } else if (*p == '\n' || *p == '\r') {
            width = 0;
        } else {
            width++;
            widest = width > widest ? width : widest;
        }
    }
    return widest;
}

START_TEST(a_terminal_is_redrawn_in_place)
{
    char *text = watch(true, "");
    ck_assert_ptr_nonnull(strstr(text, "\033[1A\033[2K"));
    ck_assert_ptr_nonnull(strstr(text, "cycle 1  ["));
    ck_assert_ptr_nonnull(strstr(text, "LOW"));
    ck_assert_ptr_nonnull(strstr(text, "band 156.8 to 176.0 A"));
    ck_assert_ptr_nonnull(strstr(text, "do:  keep clear"));
    ck_assert_int_le(widest_line(text), COLUMNS);
    /* After the last erase only the verdict is left: the block does not stay behind. */
    const char *rest = strstr(text, "Verdict: ");
    ck_assert_ptr_nonnull(rest);
    ck_assert_ptr_null(strstr(rest, "cycle 1  ["));
    free(text);
}
END_TEST

/* The no-color convention: no colours when NO_COLOR is set and not empty. Redrawing is no colour. */
START_TEST(no_colours_when_asked_for_none)
{
    char *plain = watch(true, "1"), *coloured = watch(true, "");
    ck_assert_ptr_null(strstr(plain, "\033[1m"));
    ck_assert_ptr_null(strstr(plain, "\033[3"));
    ck_assert_ptr_nonnull(strstr(coloured, "\033[1m"));
    free(plain);
    free(coloured);
}
END_TEST

START_TEST(no_terminal_gets_plain_lines)
{
    char *text = watch(false, "");
    ck_assert_ptr_null(strchr(text, '\033'));
    ck_assert_ptr_nonnull(strstr(text, "cycle 1, on-load, I2 150.0 A"));
    ck_assert_ptr_nonnull(strstr(text, "Verdict: held"));
    free(text);
}
END_TEST

START_TEST(the_strip_is_the_cycle)
{
    char strip[41];
    watch_strip(strip, sizeof strip, 40, 0, 240, 600);
    ck_assert_str_eq(strip, ">===============........................");
    watch_strip(strip, sizeof strip, 40, 120, 240, 600);
    ck_assert_str_eq(strip, "########>=======........................");
    watch_strip(strip, sizeof strip, 40, 450, 240, 600);
    ck_assert_str_eq(strip, "################--------------"
                            ">"
                            ".........");
    watch_strip(strip, sizeof strip, 40, 700, 240, 600);
    ck_assert_str_eq(strip, "################-----------------------"
                            ">");
    watch_strip(strip, sizeof strip, 40, NAN, NAN, 600);
    ck_assert_str_eq(strip, ">.......................................");
}
END_TEST

/* The line of the supply in the view of a run at 400 V. */
static void supply_line(double mean_v, double worst_v, char line[WATCH_LINE_CAP])
{
    json_t *channel = json_pack("{s:s, s:{s:s, s:f, s:f}, s:f, s:f}", "state", "on-load", "point", "process", "mma",
                                "current_a", 250.0, "supply_v", 400.0, "supply_v", mean_v, "supply_worst_v", worst_v);
    struct watch_lines lines;
    ck_assert_ptr_nonnull(channel);
    watch_view(channel, NULL, &lines);
    line[0] = '\0';
    for (int i = 0; i < lines.count; i++)
        if (strncmp(lines.text[i], "U1 ", 3) == 0)
            (void)text_copy(line, WATCH_LINE_CAP, lines.text[i]);
    json_decref(channel);
}

START_TEST(the_phase_farthest_off_is_judged)
{
    char line[WATCH_LINE_CAP];
    supply_line(398.2, 396, line);
    ck_assert_str_eq(line, "U1      398.2 V   in band   band 380.0 to 420.0 V");
    supply_line(389.3, 368, line);
    ck_assert_str_eq(line, "U1      389.3 V   LOW       band 380.0 to 420.0 V   one phase at 368.0 V");
    supply_line(371, 371, line);
    ck_assert_str_eq(line, "U1      371.0 V   LOW       band 380.0 to 420.0 V");
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("watch");
    TCase *t = tcase_create("watch");
    tcase_set_timeout(t, 30);
    tcase_add_test(t, a_terminal_is_redrawn_in_place);
    tcase_add_test(t, no_colours_when_asked_for_none);
    tcase_add_test(t, no_terminal_gets_plain_lines);
    tcase_add_test(t, the_strip_is_the_cycle);
    tcase_add_test(t, the_phase_farthest_off_is_judged);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
