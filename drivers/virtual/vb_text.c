/* Devices that speak text: a multimeter by SCPI, a thermometer that prints by itself, a load by plain words. */
#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "vb_world.h"

/* One SCPI header against a pattern such as "MEASure:VOLTage:DC?": each mnemonic in its short form (the capitals) or
 * its whole, in any case. */
static bool header_is(const char *text, const char *pattern)
{
    while (*pattern) {
        size_t whole = strcspn(pattern, ":?"), brief = 0, got = strcspn(text, ":?");
        while (brief < whole && !islower((unsigned char)pattern[brief]))
            brief++;
        if ((got != brief && got != whole) || strncasecmp(text, pattern, got) != 0)
            return false;
        text += got;
        pattern += whole;
        if (*text != *pattern)
            return false;
        if (*pattern) {
            text++;
            pattern++;
        }
    }
    return *text == '\0';
}

static double input_value(const struct vbench *vb, const struct vb_device *d, int input)
{
    return input < d->input_count && d->inputs[input] >= 0 ? vb_meter_value(vb, d->inputs[input]) : NAN;
}

static void nr3(char *reply, size_t cap, double value)
{
    snprintf(reply, cap, "%+.8E", isnan(value) ? 9.9e37 : value); /* SCPI-99: infinity and "not a number" */
}

static bool multimeter(struct vbench *vb, struct vb_device *d, const char *line, char *reply, size_t cap)
{
    char *error = vb->bus[d->bus].queued_error;
    reply[0] = '\0';
    if (header_is(line, "*IDN?"))
        snprintf(reply, cap, "SOAKBENCH,VIRTUAL MULTIMETER,0,1");
    else if (header_is(line, "MEASure:VOLTage:DC?") || header_is(line, "READ?"))
        nr3(reply, cap, input_value(vb, d, 0));
    else if (header_is(line, "MEASure:CURRent:DC?"))
        nr3(reply, cap, input_value(vb, d, 1));
    else if (header_is(line, "MEASure:TEMPerature?"))
        nr3(reply, cap, input_value(vb, d, 2));
    else if (header_is(line, "SYSTem:VIRTual?") || header_is(line, "*OPC?"))
        snprintf(reply, cap, "1");
    else if (header_is(line, "SYSTem:RATE?"))
        snprintf(reply, cap, "%.17g", vb->rate);
    else if (header_is(line, "SYSTem:EPOCh?"))
        snprintf(reply, cap, "%lld", (long long)vb->epoch_s);
    else if (header_is(line, "SYSTem:ERRor?") || header_is(line, "SYSTem:ERRor:NEXT?")) {
        snprintf(reply, cap, "%s", *error ? error : "0,\"No error\"");
        *error = '\0';
    } else if (header_is(line, "*CLS"))
        *error = '\0';
    else if (!header_is(line, "*RST"))
        snprintf(error, sizeof vb->bus[0].queued_error, "-113,\"Undefined header\"");
    return reply[0] != '\0';
}

/* What a recorder knows beyond a multimeter. False: nothing of the sort; an empty reply: done, nothing to say. */
static bool recorder(struct vbench *vb, struct vb_device *d, const char *line, char *reply, size_t cap)
{
    static const struct {
        const char *header;
        enum vb_source source;
        bool acts;
    } words[] = {{"INITiate", VB_BUFFER_ARM, true},
                 {"ABORt", VB_BUFFER_TRIGGER, true},
                 {"TRACe:STATe?", VB_BUFFER_STATE, false},
                 {"TRACe:NUMBer?", VB_BUFFER_NUMBER, false},
                 {"TRACe:INTerval?", VB_BUFFER_INTERVAL, false},
                 {"TRACe:POINts?", VB_BUFFER_COUNT, false},
                 {"TRACe:AGE?", VB_BUFFER_AGE, false},
                 {"PEAK?", VB_PEAK_HELD, false},
                 {"PEAK:CLEar", VB_PEAK_RESET, true}};
    char header[64], word[8];
    int first, count;
    reply[0] = '\0';
    if (header_is(line, "*IDN?"))
        return snprintf(reply, cap, "SOAKBENCH,VIRTUAL RECORDER,0,1") > 0;
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        const struct vb_cell cell = {.source = words[i].source, .index = d->recorder, .scale = 1};
        if (!header_is(line, words[i].header))
            continue;
        if (words[i].acts)
            vb_recorder_write(vb, &cell, 1);
        else
            snprintf(reply, cap, "%.9E", vb_recorder_value(vb, &cell));
        return true;
    }
    if (sscanf(line, "%63[^ ] %7[A-Z],%d,%d", header, word, &first, &count) != 4 || !header_is(header, "TRACe:DATA?") ||
        first < 0 || count < 1)
        return false;
    return vb_recorder_list(vb, d, strcmp(word, "CURR") == 0, first, count, reply, cap);
}

struct word {
    const char *name;
    enum vb_source source;
    enum vb_type type;
    bool writes;
};

static const struct word load_words[] = {
    {"STEPS", VB_STEPS, VB_U16, true},   {"CLOSED", VB_FEEDBACK, VB_U16, false},  {"TRIG", VB_TRIGGER, VB_U16, true},
    {"TRIP", VB_TRIP, VB_U16, true},     {"OPEN", VB_SUPPLY_OPEN, VB_U16, false}, {"ISOL", VB_ISOLATED, VB_U16, false},
    {"LAMP", VB_LAMP, VB_U16, false},    {"AUX", VB_AUX, VB_U16, false},          {"BEAT", VB_BEAT, VB_U16, true},
    {"WDOG", VB_WATCHDOG, VB_U16, true}, {"DROP", VB_DROP, VB_U16, true},         {"PUP", VB_POWER_UP, VB_U16, true},
    {"FAN", VB_FAN, VB_U16, true},       {"AIR", VB_FAN_PROOF, VB_U16, false},    {"ESTOP", VB_ESTOP, VB_U16, false},
    {"SMOKE", VB_SMOKE, VB_U16, false},  {"KEY", VB_KEY, VB_U16, false},          {"RATE", VB_RATE, VB_F64, false},
    {"EPOCH", VB_EPOCH, VB_F64, false},
};

static const char *const load_meters[] = {"I", "U", "UP", "UB", "T"};

static bool load_write(struct vbench *vb, struct vb_device *d, const struct word *w, const char *value, char *reply,
                       size_t cap)
{
    char *end = NULL;
    long n = strtol(value, &end, 10);
    if (!w->writes || end == value || *end || n < 0 || n > 65535) {
        snprintf(reply, cap, "ERR 3");
        return true;
    }
    const uint8_t bytes[2] = {(uint8_t)(n >> 8), (uint8_t)n};
    struct vb_cell cell = {.source = w->source, .type = VB_U16, .scale = 1, .index = d->channels[0]};
    int code = vb_cell_write(vb, d, &cell, bytes);
    if (code)
        snprintf(reply, cap, "ERR %d", code);
    else
        snprintf(reply, cap, "OK");
    return true;
}

static bool text_load(struct vbench *vb, struct vb_device *d, const char *line, char *reply, size_t cap)
{
    if (d->ctl.feed == VB_FED_BY_ANY)
        vb_bank_fed(vb, d);
    size_t n = strcspn(line, "? ");
    bool asks = line[n] == '?';
    if (asks && n == 2 && strncmp(line, "ID", 2) == 0) {
        snprintf(reply, cap, "ID TEXT-LOAD 1");
        return true;
    }
    if (asks && n == 4 && strncmp(line, "VIRT", 4) == 0) {
        snprintf(reply, cap, "VIRT 1");
        return true;
    }
    for (size_t i = 0; i < sizeof load_words / sizeof load_words[0]; i++) {
        const struct word *w = &load_words[i];
        if (strlen(w->name) != n || strncmp(line, w->name, n) != 0)
            continue;
        if (!asks)
            return load_write(vb, d, w, line[n] ? line + n + 1 : "", reply, cap);
        const struct vb_cell cell = {.source = w->source, .scale = 1, .index = d->channels[0]};
        snprintf(reply, cap, "%s %.17g", w->name, vb_cell_value(vb, d, &cell));
        return true;
    }
    for (int i = 0; i < d->input_count && asks && i < 5; i++) {
        if (strlen(load_meters[i]) != n || strncmp(line, load_meters[i], n) != 0)
            continue;
        double value = input_value(vb, d, i);
        if (isnan(value))
            snprintf(reply, cap, "%s ---", load_meters[i]);
        else
            snprintf(reply, cap, "%s %.2f", load_meters[i], value);
        return true;
    }
    snprintf(reply, cap, "ERR 1");
    return true;
}

bool vb_text_answer(struct vbench *vb, struct vb_device *d, const char *line, char *reply, size_t cap)
{
    if (d->kind == VB_SCPI_RECORDER && recorder(vb, d, line, reply, cap))
        return true;
    if (d->kind == VB_MULTIMETER || d->kind == VB_SCPI_RECORDER)
        return multimeter(vb, d, line, reply, cap);
    if (d->kind == VB_TEXT_LOAD && d->channel_count > 0)
        return text_load(vb, d, line, reply, cap);
    return false; /* the thermometer talks, and does not listen */
}

static void queue_line(struct vbench *vb, struct vb_bus *b, const char *text)
{
    if (b->line_count == VB_LINES) {
        b->line_first = (b->line_first + 1) % VB_LINES;
        b->line_count--;
    }
    struct vb_line *l = &b->line[(b->line_first + b->line_count++) % VB_LINES];
    l->sent_ns = vb->tick_ns;
    snprintf(l->text, sizeof l->text, "%s", text);
}

static void print_temperatures(struct vbench *vb, struct vb_device *d)
{
    char text[120] = "";
    size_t n = 0;
    for (int i = 0; i < d->input_count && n < sizeof text - 16; i++) {
        double t = input_value(vb, d, i);
        const char *between = i ? ";" : "";
        int wrote = isnan(t) ? snprintf(text + n, sizeof text - n, "%sT%d=OL", between, i + 1)
                             : snprintf(text + n, sizeof text - n, "%sT%d=%.1f", between, i + 1, t);
        n += (size_t)wrote;
    }
    queue_line(vb, &vb->bus[d->bus], text);
}

/* Every tenth line says who it is. */
void vb_text_talk(struct vbench *vb)
{
    for (int i = 0; i < vb->device_count; i++) {
        struct vb_device *d = &vb->device[i];
        if (d->kind != VB_THERMOMETER)
            continue;
        if (vb->tick_ns >= d->next_line_ns) {
            d->next_line_ns = vb->tick_ns + d->interval_ns;
            const struct vb_fault *f = vb_fault_now(vb, d->bus, i);
            if (vb_device_dead(vb, d) || (f && (f->kind == VB_SILENCE || f->kind == VB_GONE)))
                continue;
            char who[120];
            snprintf(who, sizeof who, "VB=1;RATE=%.17g;EPOCH=%lld", vb->rate, (long long)vb->epoch_s);
            if (d->lines++ % 10 == 0)
                queue_line(vb, &vb->bus[d->bus], who);
            print_temperatures(vb, d);
        }
        vb_schedule(vb, d->next_line_ns);
    }
}
