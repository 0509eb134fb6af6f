#include "rating.h"

#include <strings.h>

#include "error.h"

static const char *const protection_names[PROTECTION_COUNT_] = {"unknown", "fitted", "none"};

const char *protection_name(enum protection p)
{
    return (unsigned)p < PROTECTION_COUNT_ ? protection_names[p] : "?";
}

int protection_parse(const char *text, enum protection *p)
{
    for (int i = 0; i < PROTECTION_COUNT_; i++) {
        if (strcasecmp(protection_names[i], text) == 0) {
            *p = (enum protection)i;
            return 0;
        }
    }
    return -1;
}

void put_rating_point(struct writer *w, const struct rating_point *p)
{
    put_u32(w, (uint32_t)p->process);
    put_u32(w, (uint32_t)p->output);
    put_u32(w, (uint32_t)p->control);
    put_f64(w, p->supply_v);
    put_i32(w, p->phases);
    put_f64(w, p->frequency_hz);
    put_f64(w, p->percent_on);
    put_f64(w, p->current_a);
    put_f64(w, p->load_voltage_v);
    put_f64(w, p->no_load_v);
    put_f64(w, p->i1max_a);
    put_f64(w, p->i1eff_a);
    put_f64(w, p->ambient_degc);
    put_f64(w, p->cycle_s);
}

void get_rating_point(struct reader *r, struct rating_point *p)
{
    p->process = (enum process)get_below(r, PROCESS_COUNT_);
    p->output = (enum output_kind)get_below(r, OUTPUT_COUNT_);
    p->control = (enum output_control)get_below(r, CONTROL_COUNT_);
    p->supply_v = get_f64(r);
    p->phases = get_i32(r);
    p->frequency_hz = get_f64(r);
    p->percent_on = get_f64(r);
    p->current_a = get_f64(r);
    p->load_voltage_v = get_f64(r);
    p->no_load_v = get_f64(r);
    p->i1max_a = get_f64(r);
    p->i1eff_a = get_f64(r);
    p->ambient_degc = get_f64(r);
    p->cycle_s = get_f64(r);
    p->strike = false; /* what is not of the plate stands behind the points */
}

void put_unit_plate(struct writer *w, const struct unit_plate *p)
{
    put_text(w, p->serial);
    put_text(w, p->maker);
    put_text(w, p->model);
    put_text(w, p->asset);
    put_text(w, p->rated_by);
    put_i32(w, p->year);
    put_u32(w, (uint32_t)p->protection);
    put_bool(w, p->s_marked);
    put_u32(w, (uint32_t)p->rating_count);
    for (int i = 0; i < p->rating_count; i++)
        put_rating_point(w, &p->ratings[i]);
    for (int i = 0; i < p->rating_count; i++)
        put_bool(w, p->ratings[i].strike);
}

void get_unit_plate(struct reader *r, struct unit_plate *p)
{
    get_text(r, p->serial, sizeof p->serial);
    get_text(r, p->maker, sizeof p->maker);
    get_text(r, p->model, sizeof p->model);
    get_text(r, p->asset, sizeof p->asset);
    get_text(r, p->rated_by, sizeof p->rated_by);
    p->year = get_i32(r);
    p->protection = (enum protection)get_below(r, PROTECTION_COUNT_);
    p->s_marked = get_bool(r);
    p->rating_count = (int)get_below(r, RATINGS_MAX + 1);
    for (int i = 0; i < p->rating_count; i++)
        get_rating_point(r, &p->ratings[i]);
    for (int i = 0; i < p->rating_count && r->at < r->size; i++) /* older plates end here */
        p->ratings[i].strike = get_bool(r);
}

void rating_point_print(char *to, unsigned cap, const struct rating_point *p)
{
    (void)text_format(to, cap, "%s %s %g A at %g %%", process_name(p->process), output_name(p->output), p->current_a,
                      p->percent_on);
}
