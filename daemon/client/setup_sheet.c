#include "setup_sheet.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>

#include "error.h"

static void add(struct setup_sheet *sheet, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void add(struct setup_sheet *sheet, const char *format, ...)
{
    if (sheet->count == SETUP_LINES_MAX)
        return;
    va_list args;
    va_start(args, format);
    char *line = sheet->lines[sheet->count++];
    /* The analyzer of clang 14 does not see that va_start began args. */
    (void)vsnprintf(line, TEXT_CAP, format, args); /* NOLINT(clang-analyzer-valist.Uninitialized) */
    va_end(args);
}

static void add_supply(struct setup_sheet *sheet, const struct rating_point *p)
{
    if (p->phases == 0) {
        add(sheet,
            "Engine or battery driven: outdoors, fuel for the whole run, idle-down off, nothing else plugged into "
            "its sockets.");
        return;
    }
    if (isfinite(p->supply_v))
        add(sheet,
            "Plugged into this channel's own supply, %g V, %d phase%s. A unit for two voltages: see that it chose "
            "this one at switching on.",
            p->supply_v, p->phases, p->phases == 1 ? "" : "s");
    add(sheet, "Extension leads fully unwound and rated for the current; the plug and its socket clean and cool.");
}

static void add_mma(struct setup_sheet *sheet, double load_voltage_v)
{
    add(sheet,
        "Mode: stick (MMA). Hot start off or at its least, arc force at its least, anti-stick off if it can be.");
    if (load_voltage_v < 22.0)
        add(sheet,
            "At %.1f V the arc force and anti-stick of many units wake up: watch for a current that rises or cuts "
            "off at once.",
            load_voltage_v);
    add(sheet, "A voltage-reducing device stays fitted: the bank's resistance releases it.");
}

static void add_tig(struct setup_sheet *sheet)
{
    add(sheet, "Mode: TIG with lift or scratch start. High-frequency start OFF: it destroys meters. If it cannot be "
               "switched off, do not run; a qualified person has to disable it.");
    add(sheet, "Pulse off, up-slope and down-slope at zero, latched trigger (4-step) off unless the bench holds no "
               "trigger.");
    add(sheet, "Gas off at the cylinder or bottle, gas pre-flow and post-flow at their least.");
    add(sheet, "Torch off; its cable is not part of the load path. Work lead and torch lug to the bank.");
}

static void add_mig(struct setup_sheet *sheet)
{
    add(sheet,
        "Mode: plain MIG/MAG by voltage, manual. No pulse, no synergic programme: they do not hold on a resistor.");
    add(sheet, "Wire drive released: drive-roll tension off, or the wire taken out of the rolls. Gas off.");
    add(sheet,
        "Adaptor on the torch connector that carries the trigger pins; voltage-sense lead, if there is one, to the "
        "bank.");
    add(sheet, "Set a little high if it is a transformer or tapped unit: the output sags while it warms up.");
}

static void add_plasma(struct setup_sheet *sheet)
{
    add(sheet, "No-load voltage of hundreds of volts: bank, contactors and meters must be rated for it, and everybody "
               "clear before the unit is switched on.");
    add(sheet, "Pilot arc, air-pressure and torch-parts interlocks: only as the maker's test instructions say, by a "
               "qualified person.");
}

static void add_process(struct setup_sheet *sheet, const struct rating_point *p, double load_voltage_v)
{
    switch (p->process) {
    case PROCESS_MMA:
        add_mma(sheet, load_voltage_v);
        break;
    case PROCESS_TIG:
        add_tig(sheet);
        break;
    case PROCESS_MIG:
        add_mig(sheet);
        break;
    case PROCESS_SAW:
        add(sheet,
            "Wire drive and travel off, flux valve shut; mode by current or by voltage as the plate's line says.");
        break;
    case PROCESS_PLASMA_CUT:
    case PROCESS_PLASMA_WELD:
    case PROCESS_PLASMA_GOUGE:
        add_plasma(sheet);
        break;
    default:
        break;
    }
}

static void add_control(struct setup_sheet *sheet, const struct rating_point *p, const struct bench_channel *channel)
{
    switch (p->control) {
    case CONTROL_TRIGGER:
        if (channel->load.has_trigger)
            add(sheet,
                "Trigger lead to the bench's trigger relay, which holds it while the run is on-load. No one else "
                "touches the trigger.");
        else
            add(sheet, "This channel has no trigger relay: latch the trigger (4-step) when the run asks for it.");
        break;
    case CONTROL_ALWAYS_LIVE:
        add(sheet,
            "The output is live as soon as the unit is switched on. Switch on only after rigging is confirmed; the "
            "contactors break the current.");
        break;
    case CONTROL_REMOTE_CONTACTOR:
        add(sheet, "Remote plug to the bench: it closes the unit's own output contactor.");
        break;
    default:
        break;
    }
}

static void add_strike(struct setup_sheet *sheet, const struct bench_channel *channel)
{
    const struct bench_strike *s = &channel->load.strike;
    add(sheet,
        "The bench strikes this unit: %s%s%s, then the load of the point. Start mode lift or touch, anti-stick off. Up "
        "to "
        "%d attempts, %.0f s apart: hands off leads and torch between them too.",
        s->low.for_ns > 0 ? "a moment of low resistance" : "", s->low.for_ns > 0 && s->high.for_ns > 0 ? ", " : "",
        s->high.for_ns > 0 ? "a moment of high" : "", s->attempts, (double)s->rest_ns / 1e9);
}

void setup_sheet_make(const struct rating_point *point, const struct unit_plate *plate,
                      const struct bench_channel *channel, double load_voltage_v, bool strikes,
                      struct setup_sheet *sheet)
{
    sheet->count = 0;
    add(sheet, "The label on the unit says %s, and its leads go to channel %s and no other.", plate->serial,
        channel->name);
    add_supply(sheet, point);
    add_process(sheet, point, load_voltage_v);
    if (point->output == OUTPUT_AC)
        add(sheet,
            "AC: balance at 50 %%, frequency at the plate's or the maker's default; the current meter must be a true "
            "r.m.s. one.");
    else
        add(sheet, "DC: polarity as the bank is marked; nothing of the welding circuit on protective earth.");
    add_control(sheet, point, channel);
    if (strikes)
        add_strike(sheet, channel);
    if (point->process == PROCESS_TIG || point->process == PROCESS_MIG)
        add(sheet,
            "Water cooler: hoses looped back, or switched off as the maker says, else its flow fault ends the run.");
    if (channel->remote.fitted)
        add(sheet, "For a survey, or with --setting: the unit's remote control socket to the bench's output, the unit "
                   "switched "
                   "to remote. Else: remote control unplugged, or at its maximum if it has to stay.");
    else
        add(sheet, "Remote control unplugged, or at its maximum if it has to stay.");
    add(sheet,
        "Output set to %g A. If the point is dialled in on-load, start with --setting and turn until I2 shows it.",
        point->current_a);
    if (plate->protection != PROTECTION_FITTED)
        add(sheet, "Thermal protection is not known to be fitted: stay with the unit, and set limits on its case and "
                   "exhaust temperature.");
    add(sheet, "Vents clear, dust noted, fan seen or heard; bank exhaust clear and the room aired.");
}
