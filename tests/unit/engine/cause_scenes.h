/* Scenes for the attribution of shutoffs through the whole chain: what a unit of some habit does, what happens to it,
 * and what it is to be called. Each is drawn with noise, drift and one missing signal from a seed. */
#ifndef CAUSE_SCENES_H
#define CAUSE_SCENES_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"
#include "rating.h"
#include "verdict.h"

/* The way of the unit: its rating point and its part of the scenario. */
enum scene_unit { SCENE_TIG, SCENE_MMA, SCENE_MIG, SCENE_AC, SCENE_ENGINE, SCENE_THREE_PHASE };

enum scene_act { ACT_NOTHING, ACT_EVENT, ACT_OPERATOR, ACT_BUS_SILENT };

struct scene {
    const char *name;
    enum shutoff_cause truth; /* CAUSE_NONE: no shutoff, an event instead */
    const char *tells;        /* words of the event where there is no shutoff */
    enum scene_unit unit;
    bool cuts_out;           /* its cut-out acts within the on-load part */
    const char *habits;      /* keys of the unit in the scenario, one a line */
    const char *cutout_more; /* further keys of its cut-out */
    enum scene_act act;
    const char *events[3]; /* one after the other, 12 s apart */
    double back_after_s;   /* time between events; 0: 12 */
    const char *lead_more; /* further keys of the lead */
    bool meter_fed_by_circuit;
    bool no_phase_volts; /* of three phases, only the amperes are read one by one */
    bool fast;           /* a meter with a buffer of fast samples is there */
    bool lamp;           /* the lamp is read in place of the case's temperature */
};

extern const struct scene scenes[];
extern const int scene_count;

/* One drawing of a scene. */
struct draw {
    const struct scene *scene;
    uint64_t state;
    double after_s;  /* on-load until something happens */
    int missing;     /* signal kind that the bench lacks here; -1 none */
    int64_t poll_ns; /* of the load controller */
    char scenario[8192];
};

/* Draws by seed: fills scenario, after_s, missing, poll_ns. */
void draw_scene(struct draw *d, const struct scene *scene, uint64_t seed);

double draw_uniform(struct draw *d, double low, double high);

/* Takes the drawing into a loaded two-units configuration: polls, limits, wiring, the missing signal. */
void draw_edit(struct config *config, void *draw);

/* The rating point of the scene's unit. */
void draw_point(const struct draw *d, struct rating_point *point);

#endif
