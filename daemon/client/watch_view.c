#include "watch_view.h"

#include <math.h>
#include <string.h>

#include "client.h"
#include "load_voltage.h"
#include "process.h"

enum { STRIP_WIDTH = 40 };

void watch_strip(char *to, size_t cap, int width, double elapsed_s, double on_load_goal_s, double cycle_s)
{
    (void)text_copy(to, cap, "");
    if (!(cycle_s > 0))
        return;
    double part = cycle_s / width;
    int now = elapsed_s >= cycle_s ? width - 1 : elapsed_s > 0 ? (int)(elapsed_s / part) : 0;
    int on = on_load_goal_s > 0 ? (int)(on_load_goal_s / part + 0.5) : 0;
    for (int i = 0; i < width; i++) {
        char c = i == now ? '>' : i < now ? (i < on ? '#' : '-') : (i < on ? '=' : '.');
        (void)text_append(to, cap, "%c", c);
    }
}

static void add_line(struct watch_lines *l, const char *text)
{
    if (l->count < WATCH_LINES_MAX)
        (void)text_copy(l->text[l->count++], WATCH_LINE_CAP, text);
}

static double signal_value(const json_t *channel, const char *name)
{
    return get_figure(json_object_get(json_object_get(channel, "signals"), name), "value");
}

struct band {
    double low, high; /* NAN: none */
    bool judged;      /* only while the load is meant to be closed */
};

/* "I2    160.9 A   in band   (156.8 A to 176.0 A)"; `judged_v` is held against the band. */
static void add_figure(struct watch_lines *l, const char *label, const char *unit, double v, double judged_v,
                       const char *quality, const struct band *b)
{
    char line[WATCH_LINE_CAP], value[48];
    print_figure(value, sizeof value, v, 1, unit);
    (void)text_format(line, sizeof line, "%-4s %10s", label, value);
    if (quality[0] && strcmp(quality, "good") != 0)
        (void)text_append(line, sizeof line, "   %s", quality);
    else if (!isnan(judged_v) && !isnan(b->low) && b->judged)
        (void)text_append(line, sizeof line, "   %-7s",
                          judged_v < b->low    ? "LOW"
                          : judged_v > b->high ? "HIGH"
                                               : "in band");
    else if (!isnan(b->low))
        (void)text_append(line, sizeof line, "          ");
    if (!isnan(b->low))
        (void)text_append(line, sizeof line, "   band %.1f to %.1f %s", b->low, b->high, unit);
    add_line(l, line);
}

static void add_value(struct watch_lines *l, const json_t *channel, const char *label, const char *name,
                      const char *unit, struct band band)
{
    double v = signal_value(channel, name);
    const char *quality = get_word(json_object_get(json_object_get(channel, "signals"), name), "quality");
    add_figure(l, label, unit, v, v, quality, &band);
}

/* The supply in the rating point's volts: of three phases the mean between lines; the phase farthest off is judged. */
static void add_supply(struct watch_lines *l, const json_t *channel, struct band band)
{
    double mean = get_figure(channel, "supply_v"), worst = get_figure(channel, "supply_worst_v");
    int before = l->count;
    add_figure(l, "U1", "V", mean, worst, "", &band);
    if (l->count > before && !isnan(mean) && (worst < band.low || worst > band.high) &&
        (worst < mean * 0.999 || worst > mean * 1.001))
        (void)text_append(l->text[before], WATCH_LINE_CAP, "   one phase at %.1f V", worst);
}

static void add_air(struct watch_lines *l, const json_t *channel)
{
    static const char *const names[][2] = {
        {"t_intake", "intake"}, {"t_exhaust", "exhaust"}, {"t_case", "case"}, {"t_lead", "lead"}, {"t_bank", "bank"}};
    char line[WATCH_LINE_CAP] = "";
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        double v = signal_value(channel, names[i][0]);
        if (!isnan(v))
            (void)text_append(line, sizeof line, "%s%s %.1f degC", line[0] ? "   " : "", names[i][1], v);
    }
    if (line[0])
        add_line(l, line);
}

static double rated_voltage(const json_t *point)
{
    enum process process;
    struct load_point load;
    if (process_parse(get_word(point, "process"), &process) != 0 ||
        load_point_find(process, get_figure(point, "current_a"), get_figure(point, "load_voltage_v"), &load, NULL) != 0)
        return NAN;
    return load.voltage_v;
}

/* The cycle and how far it is. */
static void add_progress(struct watch_lines *l, const json_t *channel, double cycle_s)
{
    char line[WATCH_LINE_CAP], strip[STRIP_WIDTH + 1], at[48], length[48], on[48], goal[48];
    double elapsed = get_figure(channel, "cycle_elapsed_s"), wanted = get_figure(channel, "on_load_goal_s");
    watch_strip(strip, sizeof strip, STRIP_WIDTH, elapsed, wanted, cycle_s);
    print_duration(at, sizeof at, elapsed);
    print_duration(length, sizeof length, cycle_s);
    print_duration(on, sizeof on, get_figure(channel, "on_load_s"));
    print_duration(goal, sizeof goal, wanted);
    (void)text_format(line, sizeof line, "cycle %lld  [%s]  %s of %s", (long long)get_whole(channel, "cycle"), strip,
                      at, length);
    add_line(l, line);
    (void)text_format(line, sizeof line, "on-load %s of %s", on, goal);
    add_line(l, line);
}

static void add_time(struct watch_lines *l, const json_t *channel)
{
    char line[WATCH_LINE_CAP], elapsed[48], expected[48];
    print_duration(elapsed, sizeof elapsed, get_figure(channel, "run_elapsed_s"));
    print_duration(expected, sizeof expected, get_figure(channel, "run_expected_s"));
    if (isnan(get_figure(channel, "run_expected_s")))
        (void)text_format(line, sizeof line, "run time %s, open end", elapsed);
    else
        (void)text_format(line, sizeof line, "run time %s of about %s", elapsed, expected);
    add_line(l, line);
}

/* What the heating foretells. */
static void add_estimate(struct watch_lines *l, const json_t *estimate)
{
    char line[WATCH_LINE_CAP];
    if (!json_is_object(estimate))
        return;
    const char *least = get_flag(estimate, "at_least") ? "at least " : "";
    if (strcmp(get_word(estimate, "status"), "holds") != 0) {
        (void)text_format(line, sizeof line, "estimated: nothing yet (%s)", get_word(estimate, "status"));
        add_line(l, line);
        return;
    }
    (void)text_format(line, sizeof line, "estimated: equilibrium at %.0f +/- %.0f degC",
                      get_figure(estimate, "equilibrium_degc"), get_figure(estimate, "equilibrium_u_k"));
    add_line(l, line);
    (void)text_format(line, sizeof line, "estimated: holds %s%.0f %% (%.0f to %.0f) at %.0f degC", least,
                      get_figure(estimate, "percent_on"), get_figure(estimate, "low_pct"),
                      get_figure(estimate, "high_pct"), get_figure(estimate, "intake_degc"));
    (void)text_append(line, sizeof line, ", %s%.0f %% (%.0f to %.0f) at 40 degC", least,
                      get_figure(estimate, "percent_on_40"), get_figure(estimate, "low_40_pct"),
                      get_figure(estimate, "high_40_pct"));
    add_line(l, line);
}

/* What goes on, and what a person has to do. */
static void add_advice(struct watch_lines *l, const json_t *channel)
{
    char line[WATCH_LINE_CAP];
    const char *name = get_word(channel, "channel"), *state = get_word(channel, "state");
    const char *lock = get_word(channel, "interlock");
    (void)text_format(line, sizeof line, "now: %s", get_word(channel, "doing"));
    add_line(l, line);
    if (lock[0] && strcmp(lock, "none") != 0)
        (void)text_format(line, sizeof line,
                          "do:  mend the cause of %s, then soakbench reset %s --reason TEXT --who NAME", lock, name);
    else if (strcmp(state, "setting") == 0)
        (void)text_format(line, sizeof line, "do:  dial the unit in to the bands, then soakbench run set %s --who NAME",
                          name);
    else
        (void)text_format(line, sizeof line, "do:  keep clear of leads and bank. Stop early: soakbench run end %s",
                          name);
    add_line(l, line);
}

void watch_view(const json_t *channel, const struct bench_limits *limits, struct watch_lines *lines)
{
    struct bench_limits usual;
    const json_t *point = json_object_get(channel, "point");
    char line[WATCH_LINE_CAP];
    bench_limits_default(&usual);
    const struct bench_limits *b = limits ? limits : &usual;
    double low = 1 - b->band_low_pct / 100, high = 1 + b->band_high_pct / 100, sag = b->u1_void_pct / 100;
    double i2 = get_figure(point, "current_a"), u2 = rated_voltage(point), u1 = get_figure(point, "supply_v");
    bool on = strcmp(get_word(channel, "state"), "on-load") == 0 || strcmp(get_word(channel, "state"), "setting") == 0;
    lines->count = 0;
    (void)text_format(line, sizeof line, "%s  run %lld, channel %s, %s, %s, %s", get_word(channel, "state"),
                      (long long)get_whole(channel, "run"), get_word(channel, "channel"), get_word(channel, "unit"),
                      get_word(point, "words"), get_word(channel, "procedure"));
    add_line(lines, line);
    add_progress(lines, channel, get_figure(point, "cycle_s"));
    add_value(lines, channel, "I2", "i2", "A", (struct band){i2 * low, i2 * high, on});
    add_value(lines, channel, "U2", "u2", "V", (struct band){u2 * low, u2 * high, on});
    add_supply(lines, channel, (struct band){u1 * (1 - sag), u1 * (1 + sag), true});
    add_air(lines, channel);
    add_time(lines, channel);
    add_estimate(lines, json_object_get(channel, "estimate"));
    add_advice(lines, channel);
}
