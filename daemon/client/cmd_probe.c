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

/* The list, or the table of the same; takes the list. */
static int show(struct client *c, const struct probe_item *items, int count, json_t *list)
{
    if (c->json) {
        char *text = list ? json_dumps(list, JSON_INDENT(2) | JSON_REAL_PRECISION(17) | JSON_SORT_KEYS) : NULL;
        json_decref(list);
        if (!text)
            return EXIT_REFUSED;
        json_shorten(text);
        fprintf(c->screen.out, "%s\n", text);
        free(text);
    } else {
        json_decref(list);
        print_items(&c->screen, items, count);
    }
    fflush(c->screen.out);
    return EXIT_DONE;
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
    return show(c, items, count, probe_items_to_json(items, count));
}

static enum quality quality_of(const char *name)
{
    int q = QUALITY_GOOD;
    while (q < QUALITY_LINK_LOST && strcmp(quality_name((enum quality)q), name) != 0)
        q++;
    return (enum quality)q;
}

/* The daemon holds the buses: it reads the device between its polls. */
static int probe_through_daemon(struct client *c, const char *device, struct probe_item *items)
{
    struct json_build b = {.object = protocol_request(DO_DEVICE_PROBE, 0)};
    json_t *list = NULL, *of;
    size_t i;
    int count = 0;
    build_text(&b, "device", device);
    int status = client_result(c, build_end(&b), false, &list);
    if (status != EXIT_DONE)
        return status;
    json_array_foreach(list, i, of)
    {
        if (count == POINTS_MAX)
            break;
        struct probe_item *item = &items[count++];
        (void)text_copy(item->name, sizeof item->name, get_word(of, "point"));
        (void)text_copy(item->raw, sizeof item->raw, get_word(of, "raw"));
        (void)text_copy(item->unit, sizeof item->unit, get_word(of, "unit"));
        (void)text_copy(item->note, sizeof item->note, get_word(of, "note"));
        item->value = get_figure(of, "value");
        item->quality = quality_of(get_word(of, "quality"));
    }
    return show(c, items, count, list);
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
        status = daemon_runs(config) ? probe_through_daemon(c, config->bench.devices[device].name, items)
                                     : probe_once(c, config, device, items);
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
    return probe_device(c, args, config, device);
}
