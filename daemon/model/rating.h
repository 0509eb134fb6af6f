/* The rating plate of a unit: who made it and the rating points that it claims. */
#ifndef RATING_H
#define RATING_H

#include <stdbool.h>
#include <stdint.h>

#include "capacity.h"
#include "codec.h"
#include "process.h"

/* One rating point of a plate. A figure that the plate does not give is NAN. */
struct rating_point {
    enum process process;
    enum output_kind output;
    enum output_control control;
    double supply_v; /* rated supply voltage U1, r.m.s. */
    int phases;      /* 1 or 3; 0 when engine or battery driven */
    double frequency_hz;
    double percent_on;     /* rated duty cycle X in % of the cycle */
    double current_a;      /* rated welding current I2 */
    double load_voltage_v; /* U2 as printed on the plate; NAN: by the process's formula */
    double no_load_v;      /* U0 as printed */
    double i1max_a;
    double i1eff_a;
    double ambient_degc; /* ambient the rating is for, usually 40 */
    double cycle_s;      /* length of the rated cycle, usually 600 */
    bool strike;         /* not of the plate: starts only by a strike (lift start, some voltage-reducing devices) */
};

enum protection { PROTECTION_UNKNOWN, PROTECTION_FITTED, PROTECTION_NONE, PROTECTION_COUNT_ };

struct unit_plate {
    char serial[NAME_CAP];
    char maker[NAME_CAP];
    char model[NAME_CAP];
    char asset[NAME_CAP];
    char rated_by[NAME_CAP];    /* the standard printed on the plate, with its year */
    int year;                   /* 0: not known */
    enum protection protection; /* thermal protection fitted? */
    bool s_marked;              /* marked for work with increased hazard of electric shock */
    int rating_count;
    struct rating_point ratings[RATINGS_MAX];
};

const char *protection_name(enum protection p);
int protection_parse(const char *text, enum protection *p);

void put_rating_point(struct writer *w, const struct rating_point *p);
void get_rating_point(struct reader *r, struct rating_point *p);
void put_unit_plate(struct writer *w, const struct unit_plate *p);
void get_unit_plate(struct reader *r, struct unit_plate *p);

/* A rating point in words: "tig dc 160 A at 40 %". */
void rating_point_print(char *to, unsigned cap, const struct rating_point *p);

#endif
