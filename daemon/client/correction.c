#include "correction.h"

#include <stdlib.h>
#include <string.h>

#include "quantity.h"

static const char form[] = "a correction is a signal, a sign, and a percentage or an amount: \"i2 +1.2 %\" or "
                           "\"u2 -0.3 V\"; several with a comma between";

/* "u2 -0.3 V" */
static int parse_one(const char *text, struct corrections *c, struct error *err)
{
    char name[NAME_CAP];
    size_t size = strcspn(text, " +-");
    if (c->count == CORRECTIONS_MAX)
        return error_set(err, "at most %d corrections at once", CORRECTIONS_MAX);
    if (size == 0 || size >= sizeof name)
        return error_set(err, "\"%s\": %s", text, form);
    memcpy(name, text, size);
    name[size] = '\0';
    enum signal_kind kind = signal_kind_parse(name);
    if (kind == SIG_OTHER)
        return error_set(err, "\"%s\" is no signal that a run is judged by; %s", name, form);
    const char *amount = text + size + strspn(text + size, " ");
    if (amount[0] != '+' && amount[0] != '-')
        return error_set(err, "\"%s\": %s", text, form);
    double sign = amount[0] == '-' ? -1 : 1, value = 0;
    amount += 1 + strspn(amount + 1, " ");
    if (amount[0] == '+' || amount[0] == '-')
        return error_set(err, "\"%s\": %s", text, form);
    bool percent = quantity_parse(amount, DIM_PERCENT, &value, NULL) == 0;
    enum dimension dim = signal_kind_dimension(kind);
    if (!percent && quantity_parse(amount, dim == DIM_TEMPERATURE ? DIM_TEMP_DIFF : dim, &value, err) != 0)
        return error_prefix(err, "%s", text);
    if (percent && value >= 50)
        return error_set(err, "\"%s\": a meter that is wrong by half measures nothing", text);
    c->rows[c->count].kind = kind;
    c->rows[c->count].factor = percent ? 1 + sign * value / 100 : 1;
    c->rows[c->count++].offset = percent ? 0 : sign * value;
    return 0;
}

int corrections_parse(const char *text, struct corrections *c, struct error *err)
{
    *c = (struct corrections){0};
    while (text[0] != '\0') {
        char one[128];
        text += strspn(text, " ");
        size_t size = strcspn(text, ",");
        size_t used = size;
        while (used > 0 && text[used - 1] == ' ')
            used--;
        if (used >= sizeof one)
            return error_set(err, "%s", form);
        memcpy(one, text, used);
        one[used] = '\0';
        if (parse_one(one, c, err) != 0)
            return -1;
        text += size;
        if (text[0] != ',')
            break;
        text++;
        if (text[strspn(text, " ")] == '\0')
            return error_set(err, "nothing stands behind the last comma; %s", form);
    }
    return c->count > 0 ? 0 : error_set(err, "%s", form);
}

int corrections_fit(const struct corrections *c, const struct bench *bench, int channel, struct error *err)
{
    for (int i = 0; i < c->count; i++) {
        if (bench->channels[channel].signal[c->rows[i].kind] < 0)
            return error_set(err, "channel %s of this run had no signal %s", bench->channels[channel].name,
                             signal_kind_name(c->rows[i].kind));
    }
    return 0;
}

void corrections_apply(const struct corrections *c, const struct bench *bench, int channel, struct input *in)
{
    if (in->kind != INPUT_READINGS)
        return;
    for (int i = 0; i < in->u.readings.count; i++) {
        for (int k = 0; k < c->count; k++) {
            if (bench->channels[channel].signal[c->rows[k].kind] == in->u.readings.items[i].signal)
                in->u.readings.items[i].value = in->u.readings.items[i].value * c->rows[k].factor + c->rows[k].offset;
        }
    }
}
