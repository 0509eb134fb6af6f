/* Text devices behind struct protocol: a query and its reply make one transaction. */
#include "bus_text.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "bus_internal.h"
#include "map_check.h"

enum { ERRORS_ASKED_MAX = 20 };

struct text_state *text_state_new(const struct device_map *map, struct error *err)
{
    struct text_state *state = calloc(1, sizeof *state);
    if (state == NULL) {
        (void)error_set(err, "out of memory");
        return NULL;
    }
    for (int i = 0; i < map->point_count; i++) {
        const struct map_point *p = &map->points[i];
        if (!p->reply_is_expression && template_check(p->reply, err) < 0)
            goto fail;
        if (!p->reply_is_expression || p->reply[0] == '\0')
            continue;
        state->expressions[i] = calloc(1, sizeof *state->expressions[i]);
        if (state->expressions[i] == NULL) {
            (void)error_set(err, "out of memory");
            goto fail;
        }
        if (expression_compile(p->reply, state->expressions[i], err) != 0) {
            free(state->expressions[i]);
            state->expressions[i] = NULL;
            goto fail;
        }
    }
    return state;
fail:
    (void)error_prefix(err, "map %s", map->name);
    text_state_free(state);
    return NULL;
}

void text_state_free(struct text_state *state)
{
    if (state == NULL)
        return;
    for (int i = 0; i < POINTS_MAX; i++) {
        if (state->expressions[i] != NULL) {
            regfree(state->expressions[i]);
            free(state->expressions[i]);
        }
    }
    free(state);
}

void text_receive(struct text_state *state, const char *bytes, size_t size)
{
    for (size_t i = 0; i < size; i++) {
        if (state->used == sizeof state->received) {
            state->overlong = true; /* noise: nothing of this can be a line */
            state->used = 0;
        }
        state->received[state->used++] = bytes[i];
    }
}

static bool is_end(char c)
{
    return c == '\r' || c == '\n';
}

int text_take_line(struct text_state *state, char *line, size_t cap)
{
    size_t begin = 0;
    while (begin < state->used && is_end(state->received[begin]))
        begin++;
    size_t end = begin;
    while (end < state->used && !is_end(state->received[end]))
        end++;
    if (end == state->used)
        return 0;
    size_t n = end - begin;
    int rc = state->overlong || n >= cap ? -1 : 1;
    state->overlong = false;
    for (size_t i = 0; rc == 1 && i < n; i++) {
        unsigned char c = (unsigned char)state->received[begin + i];
        if (c < ' ' && c != '\t')
            rc = -1;
        line[i] = (char)c;
    }
    if (rc == 1)
        line[n] = '\0';
    state->used -= end + 1;
    memmove(state->received, state->received + end + 1, state->used);
    return rc;
}

static void scale_number(const struct map_point *point, struct text_number *number)
{
    if (number->quality != QUALITY_GOOD)
        return;
    double value = number->value * point->scale + point->offset;
    bool outside = (point->has_min && value < point->min) || (point->has_max && value > point->max);
    number->quality = !isfinite(value) ? QUALITY_INVALID : outside ? QUALITY_OUT_OF_RANGE : QUALITY_GOOD;
    number->value = isfinite(value) ? value : NAN;
}

int text_point_read(const struct device_map *map, const struct text_state *state, int point, const char *line,
                    struct text_number *number)
{
    const struct map_point *p = &map->points[point];
    struct text_number numbers[TEMPLATE_SLOTS_MAX];
    if (state->expressions[point] != NULL) {
        if (expression_match(state->expressions[point], line, map, number) != 0)
            return -1;
    } else {
        if (template_match(p->reply, line, map, numbers) < 1)
            return -1;
        *number = numbers[0];
    }
    scale_number(p, number);
    return 0;
}

int text_list_read(const struct device_map *map, const char *line, double *values, int cap)
{
    int n = 0;
    const char *at = line;
    while (*at == ' ' || *at == '\t')
        at++;
    if (*at == '\0')
        return 0;
    for (;;) {
        struct text_number number;
        size_t used = text_word_read(at, map, &number);
        if (used == 0 || n == cap)
            return -1;
        values[n++] = number.quality == QUALITY_GOOD ? number.value : NAN;
        at += used;
        while (*at == ' ' || *at == '\t')
            at++;
        if (*at == '\0')
            return n;
        if (*at++ != ',')
            return -1;
    }
}

int text_part_query(const char *query, int first, int count, char *line, size_t cap, bool *parted)
{
    static const char first_slot[] = "{first}", count_slot[] = "{count}";
    size_t used = 0;
    *parted = false;
    for (const char *at = query; *at != '\0';) {
        char number[16];
        bool is_first = strncmp(at, first_slot, sizeof first_slot - 1) == 0;
        bool is_count = strncmp(at, count_slot, sizeof count_slot - 1) == 0;
        if (is_first || is_count) {
            *parted = true;
            (void)text_format(number, sizeof number, "%d", is_first ? first : count);
            at += is_first ? sizeof first_slot - 1 : sizeof count_slot - 1;
        } else {
            number[0] = *at++;
            number[1] = '\0';
        }
        size_t n = strlen(number);
        if (used + n + 1 > cap)
            return -1;
        memcpy(line + used, number, n + 1);
        used += n;
    }
    if (used == 0)
        line[0] = '\0';
    return 0;
}

int text_listen_match(const struct device_map *map, const char *line, int *points, struct text_number *numbers)
{
    for (int i = 0; i < map->listen_count; i++) {
        const struct map_listen *l = &map->listen[i];
        int n = template_match(l->reply, line, map, numbers);
        if (n < 1 || n > l->point_count)
            continue;
        for (int k = 0; k < n; k++) {
            points[k] = l->points[k];
            scale_number(&map->points[points[k]], &numbers[k]);
        }
        return n;
    }
    return 0;
}

/* --- one exchange ------------------------------------------------------------------------------------------------ */

static enum bus_error error_of_errno(void)
{
    return errno == ETIMEDOUT ? BUS_TIMEOUT : transport_error_is_loss(errno) ? BUS_LINK_LOST : BUS_BAD_ANSWER;
}

/* The next line that is neither an echo nor something said by the device on its own account. */
static enum bus_error read_reply(struct bus *bus, struct device *dev, const char *query, char *reply, size_t cap,
                                 int64_t deadline)
{
    struct text_state *state = dev->text;
    int points[TEMPLATE_SLOTS_MAX];
    struct text_number numbers[TEMPLATE_SLOTS_MAX];
    bool echo_due = dev->map->echo;
    for (;;) {
        int rc = text_take_line(state, reply, cap);
        if (rc < 0)
            return BUS_BAD_ANSWER;
        if (rc == 1) {
            if (echo_due && strcmp(reply, query) == 0) {
                echo_due = false;
                continue;
            }
            if (dev->map->listen_count == 0 || text_listen_match(dev->map, reply, points, numbers) == 0)
                return BUS_OK;
            continue;
        }
        char bytes[256];
        int64_t n = transport_read(bus->transport, bytes, sizeof bytes, deadline);
        if (n < 0)
            return error_of_errno();
        text_receive(state, bytes, (size_t)n);
    }
}

static enum bus_error exchange_stream(struct bus *bus, struct device *dev, const char *line, char *reply, size_t cap)
{
    int64_t deadline = transport_now_ns() + dev->answer_ns;
    char out[LINE_CAP + sizeof dev->map->line_end];
    const char *end = dev->map->line_end[0] != '\0' ? dev->map->line_end : "\r\n";
    if (text_format(out, sizeof out, "%s%s", line, end) != 0)
        return BUS_NOT_SENT;
    if (dev->map->listen_count == 0)
        dev->text->used = 0;
    if (transport_write(bus->transport, out, strlen(out), deadline) != 0)
        return error_of_errno();
    return reply == NULL ? BUS_OK : read_reply(bus, dev, line, reply, cap, deadline);
}

static enum bus_error exchange_peer(struct bus *bus, const struct device *dev, const char *line, char *reply,
                                    size_t cap, struct outcome *out)
{
    char got[LIST_CAP] = "";
    int64_t took = 0;
    if (bus->peer.talk == NULL)
        return BUS_NOT_SENT;
    int rc = bus->peer.talk(bus->peer.ctx, line, got, sizeof got, &took);
    got[sizeof got - 1] = '\0';
    if (took < 0)
        took = 0;
    if (rc == PEER_SILENT || took > dev->answer_ns) {
        out->took_ns += dev->answer_ns;
        return BUS_TIMEOUT;
    }
    out->took_ns += took;
    if (rc == PEER_GARBLED || rc == PEER_WRONG_SERVER)
        return BUS_BAD_ANSWER;
    if (rc != PEER_ANSWERED)
        return BUS_LINK_LOST;
    if (reply != NULL)
        (void)text_copy(reply, cap, got);
    return BUS_OK;
}

/* Say a line; reply (cap bytes) NULL when none is expected. */
static enum bus_error exchange_long(struct bus *bus, struct device *dev, const char *line, char *reply, size_t cap,
                                    struct outcome *out)
{
    enum bus_error error =
        bus->in_process ? exchange_peer(bus, dev, line, reply, cap, out) : exchange_stream(bus, dev, line, reply, cap);
    out->sent_bytes += (int)strlen(line) + 2;
    if (error == BUS_OK && reply != NULL)
        out->got_bytes += (int)strlen(reply) + 2;
    if (error == BUS_TIMEOUT || error == BUS_BAD_ANSWER)
        dev->text->errors_to_ask = ERRORS_ASKED_MAX;
    return error;
}

static enum bus_error exchange(struct bus *bus, struct device *dev, const char *line, char *reply, struct outcome *out)
{
    return exchange_long(bus, dev, line, reply, LINE_CAP, out);
}

/* Takes one entry off the device's error queue. Returns BUS_OK with *none when it is empty. */
static enum bus_error ask_error(struct bus *bus, struct device *dev, bool *none, struct outcome *out)
{
    char reply[LINE_CAP];
    struct text_number numbers[TEMPLATE_SLOTS_MAX];
    *none = false;
    enum bus_error error = exchange(bus, dev, dev->map->error_query, reply, out);
    if (error != BUS_OK)
        return error;
    *none = template_match(dev->map->error_none, reply, dev->map, numbers) >= 0;
    if (!*none)
        bus_log(bus, "device %s reports %s", dev->setup.config->name, reply);
    return BUS_OK;
}

/* --- the protocol ------------------------------------------------------------------------------------------------ */

static int text_plan(const struct device *dev, const bool *wanted, struct block *blocks)
{
    return blocks_of_queries(dev->map, wanted, blocks);
}

static void add_sample(struct outcome *out, int point, const struct text_number *number)
{
    struct sample *s = &out->samples[out->sample_count++];
    s->point = (int16_t)point;
    s->quality = number->quality;
    s->value = number->value;
}

static void text_read_block(struct bus *bus, struct device *dev, const struct block *block, struct outcome *out)
{
    char reply[LINE_CAP];
    const struct device_map *map = dev->map;
    if (dev->text->errors_to_ask > 0 && map->error_query[0] != '\0') {
        /* After something went wrong the queue is emptied first, an entry each time round. */
        bool none;
        dev->text->errors_to_ask--;
        int left = dev->text->errors_to_ask;
        out->error = ask_error(bus, dev, &none, out);
        dev->text->errors_to_ask = none || out->error != BUS_OK ? 0 : left;
        return;
    }
    out->error = exchange(bus, dev, map->points[block->points[0]].query, reply, out);
    if (out->error == BUS_OK && out->raw != NULL)
        (void)text_copy(out->raw, TEXT_CAP, reply);
    int fitted = 0;
    for (int i = 0; out->error == BUS_OK && i < block->point_count; i++) {
        struct text_number number = {NAN, QUALITY_INVALID};
        fitted += text_point_read(map, dev->text, block->points[i], reply, &number) == 0;
        add_sample(out, block->points[i], &number);
    }
    if (out->error == BUS_OK && fitted == 0) {
        out->error = BUS_BAD_ANSWER;
        out->sample_count = 0;
        dev->text->errors_to_ask = ERRORS_ASKED_MAX;
    }
}

/* A write is confirmed by its reply, or by an error queue that is empty after it. A device with neither cannot
 * confirm; what was sent counts then. */
static void text_write_point(struct bus *bus, struct device *dev, int point, double value, struct outcome *out)
{
    const struct device_map *map = dev->map;
    const struct map_point *p = &map->points[point];
    char line[LINE_CAP], reply[LINE_CAP];
    struct text_number numbers[TEMPLATE_SLOTS_MAX];
    bool outside = (p->has_min && value < p->min) || (p->has_max && value > p->max);
    if (p->write[0] == '\0' || outside || !isfinite(value) ||
        template_fill(p->write, (value - p->offset) / p->scale, line, sizeof line) != 0) {
        out->error = BUS_NOT_SENT;
        return;
    }
    bool answered = p->write_reply[0] != '\0';
    out->error = exchange(bus, dev, line, answered ? reply : NULL, out);
    if (out->error != BUS_OK)
        return;
    if (answered) {
        if (template_match(p->write_reply, reply, map, numbers) < 0)
            out->error = BUS_BAD_ANSWER;
    } else if (map->error_query[0] != '\0') {
        bool none;
        out->error = ask_error(bus, dev, &none, out);
        if (out->error == BUS_OK && !none) {
            out->error = BUS_EXCEPTION;
            dev->text->errors_to_ask = ERRORS_ASKED_MAX;
        }
    }
}

/* Characters that a sample takes in a reply, and the time that a piece may hold up a serial line. */
enum { SAMPLE_CHARACTERS = 15, PIECE_MOST = 64 };
static const int64_t piece_ns = INT64_C(100000000);

static int piece_of(const struct bus *bus, int count)
{
    int most = count < PIECE_MOST ? count : PIECE_MOST;
    while (bus->serial && most > 4 && rtu_exchange_ns(&bus->config, 32, most * SAMPLE_CHARACTERS) > piece_ns)
        most--;
    return most;
}

static void text_samples(struct bus *bus, struct device *dev, int point, int first, int count, struct sample_row *row,
                         struct outcome *out)
{
    const struct map_point *p = &dev->map->points[point];
    char line[LINE_CAP], reply[LIST_CAP];
    bool parted;
    int n = piece_of(bus, count < row->cap ? count : row->cap);
    row->got = 0;
    if (text_part_query(p->query, first, n, line, sizeof line, &parted) != 0) {
        out->error = BUS_NOT_SENT;
        return;
    }
    out->error = exchange_long(bus, dev, line, reply, sizeof reply, out);
    if (out->error != BUS_OK)
        return;
    int got = text_list_read(dev->map, reply, row->values, row->cap);
    if (got < 0) {
        out->error = BUS_BAD_ANSWER;
        dev->text->errors_to_ask = ERRORS_ASKED_MAX;
        return;
    }
    row->got = parted || got == count ? got : 0; /* whole, or not at all */
    for (int i = 0; i < row->got; i++)
        row->values[i] = row->values[i] * p->scale + p->offset;
}

static void text_identify(struct bus *bus, struct device *dev, struct outcome *out)
{
    char reply[LINE_CAP];
    struct text_number numbers[TEMPLATE_SLOTS_MAX];
    out->error = exchange(bus, dev, dev->map->identify_query, reply, out);
    if (out->error == BUS_OK && template_match(dev->map->identify_reply, reply, dev->map, numbers) < 0) {
        bus_log(bus, "device %s names itself %s, which is not what was expected", dev->setup.config->name, reply);
        out->error = BUS_BAD_ANSWER;
    }
}

/* Everything that has been said by now, up to the first line that fits. */
static void text_listen(struct bus *bus, struct device *dev, struct outcome *out)
{
    char line[LINE_CAP];
    int points[TEMPLATE_SLOTS_MAX];
    struct text_number numbers[TEMPLATE_SLOTS_MAX];
    int n = 0;
    for (int tries = 0; n == 0 && tries < 64; tries++) {
        int rc;
        if (bus->in_process) {
            rc = bus->peer.listen != NULL ? bus->peer.listen(bus->peer.ctx, line, sizeof line, &out->said_ns) : 0;
            if (rc < PEER_WRONG_SERVER)
                out->error = BUS_LINK_LOST;
        } else {
            char bytes[256];
            int64_t got = transport_read(bus->transport, bytes, sizeof bytes, 0);
            if (got > 0)
                text_receive(dev->text, bytes, (size_t)got);
            else if (errno != ETIMEDOUT)
                out->error = error_of_errno();
            rc = text_take_line(dev->text, line, sizeof line);
        }
        if (out->error != BUS_OK || rc == 0)
            return;
        if (rc == 1)
            n = text_listen_match(dev->map, line, points, numbers);
    }
    if (n > 0 && out->raw != NULL)
        (void)text_copy(out->raw, TEXT_CAP, line);
    if (n > 0)
        out->got_bytes = (int)strlen(line) + 2;
    for (int i = 0; i < n; i++)
        add_sample(out, points[i], &numbers[i]);
}

const struct protocol text_protocol = {
    .plan = text_plan,
    .read = text_read_block,
    .write = text_write_point,
    .samples = text_samples,
    .identify = text_identify,
    .listen = text_listen,
};
