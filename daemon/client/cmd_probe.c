/* probe FILE --device NAME: what a device says, point by point, for whoever writes a map. Never writes to it. */
#include <errno.h>
#include <math.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

#include "commands.h"
#include "config.h"
#include "json_build.h"
#include "model_json.h"
#include "probe.h"
#include "sensor_convert.h"

static json_t *items_json(const struct probe_item *items, int count)
{
    json_t *list = json_array();
    for (int i = 0; list && i < count; i++) {
        struct json_build b = build_begin();
        build_text(&b, "point", items[i].name);
        build_text(&b, "raw", items[i].raw);
        build_figure(&b, "value", items[i].value);
        build_text(&b, "unit", items[i].unit);
        build_text(&b, "quality", quality_name(items[i].quality));
        build_text(&b, "note", items[i].note);
        if (json_array_append_new(list, build_end(&b)) != 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

static void print_items(const struct screen *s, const struct probe_item *items, int count)
{
    const struct column columns[] = {{"point", false, false, false},  {"raw", false, true, false},
                                     {"value", true, false, false},   {"unit", false, false, false},
                                     {"quality", false, false, true}, {"", false, true, false}};
    struct table *t = table_new(columns, 6);
    for (int i = 0; i < count; i++) {
        char value[32] = "-";
        if (isfinite(items[i].value))
            (void)text_format(value, sizeof value, "%.10g", items[i].value);
        table_cell(t, "%s", items[i].name);
        table_cell(t, "%s", items[i].raw);
        table_cell(t, "%s", value);
        table_cell(t, "%s", items[i].unit);
        table_cell(t, "%s", quality_name(items[i].quality));
        table_cell(t, "%s", items[i].note);
    }
    table_print(t, s);
    table_free(t);
}

/* Does a daemon serve this bench now? Its buses are its own then. */
static bool daemon_runs(const struct config *config)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (text_copy(address.sun_path, sizeof address.sun_path, config->listen.socket) != 0)
        return false;
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    bool runs = fd >= 0 && connect(fd, (const struct sockaddr *)&address, sizeof address) == 0;
    if (fd >= 0)
        close(fd);
    return runs;
}

static int find_device(const struct config *config, const char *name)
{
    for (int i = 0; i < config->bench.device_count; i++) {
        if (strcmp(config->devices[i].name, name) == 0)
            return i;
    }
    return -1;
}

static int probe_once(struct client *c, const struct config *config, int device, struct probe_item *items)
{
    const struct device_config *d = &config->devices[device];
    struct error err = {{0}};
    struct probe probe = {.bus = &config->buses[d->bus],
                          .device = d,
                          .map = &config->maps[d->map],
                          .ready_fd = -1,
                          .convert = sensor_convert};
    (void)signal(SIGPIPE, SIG_IGN); /* a line that breaks while we ask is an error like others */
    int count = probe_run(&probe, items, &err);
    if (count < 0)
        return client_failed(c, &err);
    if (c->json) {
        struct json_build b = build_begin();
        build_text(&b, "device", config->bench.devices[device].name);
        build_add(&b, "points", items_json(items, count));
        return client_print_json(c, build_end(&b));
    } else {
        print_items(&c->screen, items, count);
    }
    fflush(c->screen.out);
    return EXIT_DONE;
}

static int probe_device(struct client *c, const struct arguments *args, const struct config *config, int device)
{
    struct error err = {{0}};
    int repeats = (int)argument_number(args, "--repeat", 1);
    struct probe_item *items = calloc(POINTS_MAX, sizeof *items);
    int status = EXIT_DONE;
    if (!items) {
        error_set(&err, "memory is short");
        return client_failed(c, &err);
    }
    for (int i = 0; i < repeats && status == EXIT_DONE; i++) {
        struct timespec second = {.tv_sec = 1};
        if (i > 0)
            (void)nanosleep(&second, NULL);
        status = probe_once(c, config, device, items);
    }
    free(items);
    return status;
}

int command_probe(struct client *c, const struct arguments *args)
{
    const char *name = argument_text(args, "--device", NULL);
    struct error err = {{0}};
    if (!name)
        return client_wrong_use(c, "probe needs --device NAME");
    c->config_option = args->operands[0];
    const struct config *config = client_config(c);
    if (!config)
        return EXIT_REFUSED;
    int device = find_device(config, name);
    if (device < 0) {
        error_set(&err, "%s has no device %s", args->operands[0], name);
        return client_failed(c, &err);
    }
    if (daemon_runs(config)) {
        error_set(&err, "the daemon holds the buses of this bench. Stop it first, or read the device's figures with "
                        "soakbench status --figures");
        return client_failed(c, &err);
    }
    return probe_device(c, args, config, device);
}
