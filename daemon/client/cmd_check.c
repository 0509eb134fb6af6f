/* check FILE: everything that is wrong with a configuration, and what the bench can do with it. config reference. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "bus.h"
#include "commands.h"
#include "config.h"
#include "json_build.h"
#include "load_voltage.h"
#include "map_check.h"
#include "model_json.h"
#include "problem_print.h"
#include "settable_load.h"
#include "step_choice.h"
#include "unit_file.h"

/* Points at which check says how near the steps come: common sizes of units. */
static const double sample_currents_a[] = {50, 100, 160, 200, 300};
static const enum process sample_processes[] = {PROCESS_MMA, PROCESS_TIG, PROCESS_MIG};

enum { CURRENTS = 5, PROCESSES = 3 };

/* Remarks of map_check become problems of the map's file. */
struct map_remarks {
    struct problems *problems;
    const char *file;
};

static void take_remark(void *ctx, bool severe, const char *text)
{
    struct map_remarks *m = ctx;
    struct problem p = {.level = severe ? PROBLEM_ERROR : PROBLEM_WARNING};
    (void)text_copy(p.file, sizeof p.file, m->file);
    (void)text_copy(p.text, sizeof p.text, text);
    problems_add(m->problems, &p);
}

static void check_maps(const struct config *config, struct problems *problems)
{
    for (int i = 0; i < config->map_count; i++) {
        const char *file = i + 1 < config->file_count ? config->files[i + 1].path : config->maps[i].name;
        struct map_remarks m = {problems, file};
        (void)map_check(&config->maps[i], take_remark, &m);
    }
}

/* What the timetable asks of one bus. */
static int bus_load(const struct config *config, int bus, struct line_load *load)
{
    struct bus_device *devices = calloc(DEVICES_MAX, sizeof *devices);
    struct bus_signal *signals = calloc(SIGNALS_MAX, sizeof *signals);
    struct load_lease *leases = calloc(DEVICES_MAX, sizeof *leases); /* never renewed: nothing is sent here */
    int result = -1;
    if (devices && signals && leases) {
        struct bus_setup setup = {.bus = bus,
                                  .config = &config->buses[bus],
                                  .devices = devices,
                                  .channel_count = config->bench.channel_count,
                                  .channels = config->load_points,
                                  .signal_count = config->bench.signal_count,
                                  .signals = signals,
                                  .beacon_device = config->beacon_device,
                                  .beacon_point = config->beacon_point,
                                  .time = {.rate = config->bench.rate},
                                  .ready_fd = -1};
        for (int i = 0; i < config->bench.device_count; i++) {
            const struct device_config *d = &config->devices[i];
            if (d->bus == bus)
                devices[setup.device_count++] =
                    (struct bus_device){.index = i,
                                        .config = d,
                                        .map = &config->maps[d->map],
                                        .lease = d->is_load ? &leases[i] : NULL,
                                        .beat_ns = d->is_load ? config->bench.limits.beat_ns : 0};
        }
        for (int i = 0; i < config->bench.signal_count; i++)
            signals[i] = (struct bus_signal){.device = config->signal_sources[i].device,
                                             .point = config->signal_sources[i].point,
                                             .signal = i,
                                             .gain = 1.0};
        line_load(&setup, load);
        result = 0;
    }
    free(devices);
    free(signals);
    free(leases);
    return result;
}

/* Deviation of the nearest combination of steps in percent; NAN when none does. */
static double nearest_pct(const struct bench_channel *channel, enum process process, double current_a)
{
    struct load_point point;
    struct step_choice choice;
    struct error unused;
    const struct bench_load *load = &channel->load;
    double lead_ohm = channel->u2_at_bank ? 0.0 : load->lead_resistance_ohm, setting;
    if (load_point_find(process, current_a, NAN, &point, &unused) != 0)
        return NAN;
    struct settable_wish set = {.load = load,
                                .target_conductance_s = point.conductance_s,
                                .lead_resistance_ohm = lead_ohm,
                                .current_a = point.current_a,
                                .voltage_v = point.voltage_v};
    if (load->kind != LOAD_STEPPED)
        return settable_fits(load->kind, process) && settable_choose(&set, &choice, &setting, &unused) == 0
                   ? choice.error_pct
                   : NAN;
    struct step_wish wish = {.steps = load->steps,
                             .step_count = load->step_count,
                             .usable_mask = (1u << load->step_count) - 1u,
                             .target_conductance_s = point.conductance_s,
                             .lead_resistance_ohm = lead_ohm,
                             .voltage_v = point.voltage_v,
                             .temperature_factor = 1.0,
                             .step_load_pct = 100.0,
                             .max_power_w = load->max_power_w};
    return step_choose(&wish, &choice, &unused) == 0 ? choice.error_pct : NAN;
}

static const struct open_time *open_time_of(const struct config *config, int channel)
{
    int device = config->bench.channels[channel].load.device;
    return device >= 0 && device < config->bench.device_count ? &config->open_times[device] : NULL;
}

static void print_channels(const struct screen *s, const struct config *config)
{
    const struct bench *bench = &config->bench;
    const struct column columns[] = {
        {"channel", false, false, false}, {"opens within", true, false, false}, {"link dead", true, false, false},
        {"50 A", true, false, false},     {"100 A", true, false, false},        {"160 A", true, false, false},
        {"200 A", true, false, false},    {"300 A", true, false, false},        {"process", false, false, false}};
    fputs("\nWorst case from a drop to open contacts, with the link up and with the link dead (watchdog), and how near "
          "the steps come to the load at common currents:\n",
          s->out);
    if (bench->rate > 1.0)
        fprintf(s->out, "(times of the bench's own clock, which runs at %g times)\n", bench->rate);
    struct table *t = table_new(columns, 9);
    for (int i = 0; i < bench->channel_count; i++) {
        const struct open_time *o = open_time_of(config, i);
        for (int p = 0; p < PROCESSES; p++) {
            table_cell(t, "%s", p == 0 ? bench->channels[i].name : "");
            if (p == 0 && o) {
                table_cell(t, "%.2f s", (double)o->by_bus_ns / 1e9);
                if (o->by_watchdog_ns > 0)
                    table_cell(t, "%.2f s", (double)o->by_watchdog_ns / 1e9);
                else
                    table_cell(t, "never");
            } else {
                table_cell(t, "%s", "");
                table_cell(t, "%s", "");
            }
            for (int k = 0; k < CURRENTS; k++) {
                double error = nearest_pct(&bench->channels[i], sample_processes[p], sample_currents_a[k]);
                if (isfinite(error))
                    table_cell(t, "%+.1f %%", error);
                else
                    table_cell(t, "no");
            }
            table_cell(t, "%s", process_name(sample_processes[p]));
        }
    }
    table_print(t, s);
    table_free(t);
}

static void print_buses(const struct screen *s, const struct config *config)
{
    const struct column columns[] = {{"bus", false, false, false},     {"kind", false, false, false},
                                     {"requests", true, false, false}, {"round", true, false, false},
                                     {"longest", true, false, false},  {"line in use", true, false, false},
                                     {"", false, true, false}};
    fputs("\nTimetable:\n", s->out);
    struct table *t = table_new(columns, 7);
    for (int i = 0; i < config->bench.bus_count; i++) {
        struct line_load load;
        if (bus_load(config, i, &load) != 0)
            continue;
        table_cell(t, "%s", config->buses[i].name);
        table_cell(t, "%s", bus_kind_name(config->buses[i].kind));
        table_cell(t, "%d", load.blocks);
        table_cell(t, "%.0f ms", (double)load.cycle_ns / 1e6);
        table_cell(t, "%.0f ms", (double)load.longest_ns / 1e6);
        table_cell(t, "%.0f %%", 100.0 * load.utilisation);
        table_cell(t, "%s", load.utilisation > 1.0 ? "cannot keep up: poll less often, or use a faster line" : "");
    }
    table_print(t, s);
    table_free(t);
}

static json_t *channels_json(const struct config *config)
{
    json_t *list = json_array();
    for (int i = 0; list && i < config->bench.channel_count; i++) {
        const struct open_time *o = open_time_of(config, i);
        struct json_build b = build_begin();
        build_text(&b, "channel", config->bench.channels[i].name);
        build_figure(&b, "worst_open_s", o ? (double)o->by_bus_ns / 1e9 : NAN);
        build_figure(&b, "watchdog_open_s", o && o->by_watchdog_ns > 0 ? (double)o->by_watchdog_ns / 1e9 : NAN);
        json_t *points = json_array();
        for (int p = 0; p < PROCESSES; p++) {
            for (int k = 0; points && k < CURRENTS; k++) {
                struct json_build one = build_begin();
                build_text(&one, "process", process_name(sample_processes[p]));
                build_figure(&one, "current_a", sample_currents_a[k]);
                build_figure(&one, "error_pct",
                             nearest_pct(&config->bench.channels[i], sample_processes[p], sample_currents_a[k]));
                if (json_array_append_new(points, build_end(&one)) != 0)
                    b.bad = true;
            }
        }
        build_add(&b, "load_points", points);
        if (json_array_append_new(list, build_end(&b)) != 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

static json_t *buses_json(const struct config *config)
{
    json_t *list = json_array();
    for (int i = 0; list && i < config->bench.bus_count; i++) {
        struct line_load load;
        if (bus_load(config, i, &load) != 0)
            continue;
        struct json_build b = build_begin();
        build_text(&b, "bus", config->buses[i].name);
        build_integer(&b, "requests", load.blocks);
        build_figure(&b, "round_s", (double)load.cycle_ns / 1e9);
        build_figure(&b, "longest_s", (double)load.longest_ns / 1e9);
        build_figure(&b, "utilisation", load.utilisation);
        (void)json_array_append_new(list, build_end(&b));
    }
    return list;
}

static int report(struct client *c, const struct problems *problems, const struct config *config, const char *file)
{
    int status = problems->errors > 0 ? EXIT_REFUSED : EXIT_DONE;
    if (c->json) {
        struct json_build b = build_begin();
        build_text(&b, "file", file);
        build_integer(&b, "errors", problems->errors);
        build_integer(&b, "warnings", problems->warnings);
        build_add(&b, "problems", problems_to_json(problems));
        if (config) {
            build_text(&b, "bench", config->bench.name);
            build_add(&b, "channels", channels_json(config));
            build_add(&b, "buses", buses_json(config));
        }
        return client_print_json(c, build_end(&b)) == EXIT_DONE ? status : EXIT_REFUSED;
    }
    problems_show(&c->screen, problems);
    if (status != EXIT_DONE)
        fprintf(c->screen.out, "%s: %d error%s, %d warning%s. Correct the errors; the file is refused.\n", file,
                problems->errors, problems->errors == 1 ? "" : "s", problems->warnings,
                problems->warnings == 1 ? "" : "s");
    else
        fprintf(c->screen.out, "%s: no errors, %d warning%s.\n", file, problems->warnings,
                problems->warnings == 1 ? "" : "s");
    return status;
}

static int check_unit(struct client *c, const char *file)
{
    struct problems problems = {0};
    struct unit_plate *plate = calloc(1, sizeof *plate);
    int status = EXIT_REFUSED;
    if (plate) {
        (void)unit_file_load(file, plate, &problems);
        status = report(c, &problems, NULL, file);
    }
    if (status == EXIT_DONE && !c->json) {
        for (int i = 0; i < plate->rating_count; i++) {
            char words[TEXT_CAP];
            rating_point_print(words, sizeof words, &plate->ratings[i]);
            fprintf(c->screen.out, "  point %d: %s%s\n", i + 1, words,
                    plate->ratings[i].percent_on >= 100.0
                        ? " (cannot be proved in one cycle: it is held to equilibrium, at least 60 min)"
                        : "");
        }
    }
    problems_free(&problems);
    free(plate);
    return status;
}

/* Does the file give a serial number at its top level, and no bench? */
static bool is_unit_file(const char *file)
{
    char *text = NULL;
    size_t size;
    bool serial = false, bench = false;
    if (config_file_read(file, &text, &size, NULL) != 0)
        return false;
    for (const char *line = text; line && *line; line = strchr(line, '\n')) {
        line += *line == '\n';
        serial = serial || strncmp(line, "serial:", 7) == 0;
        bench = bench || strncmp(line, "bench:", 6) == 0;
    }
    free(text);
    return serial && !bench;
}

int command_check(struct client *c, const struct arguments *args)
{
    const char *file = args->operands[0];
    if (argument_flag(args, "--unit") || is_unit_file(file))
        return check_unit(c, file);
    struct problems problems = {0};
    struct config *config = NULL;
    if (config_load(file, &config, &problems) == 0)
        check_maps(config, &problems);
    else
        config = NULL;
    int status = report(c, &problems, config, file);
    if (config && !c->json) {
        print_channels(&c->screen, config);
        print_buses(&c->screen, config);
    }
    if (config && status == EXIT_DONE && argument_flag(args, "--print") && !c->json) {
        char *text = config_print(config);
        fprintf(c->screen.out, "\n%s", text ? text : "");
        free(text);
    }
    problems_free(&problems);
    config_free(config);
    return status;
}

int command_config_reference(struct client *c, const struct arguments *args)
{
    (void)args;
    char *text = config_reference_print();
    if (!text) {
        struct error err;
        error_set(&err, "memory is short");
        return client_failed(c, &err);
    }
    fputs(text, c->screen.out);
    free(text);
    return EXIT_DONE;
}
