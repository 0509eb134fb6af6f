/* A small plant for the engine's tests: load controller, meters and welding units in virtual time, with faults that a
 * test can switch on. Own physics, no code of the drivers: it feeds inputs and carries out commands. */
#ifndef PLANT_H
#define PLANT_H

#include "engine.h"

enum { PLANT_CHANNELS = 4 };
enum { PLANT_BANK, PLANT_METERS }; /* its devices */

#define SEC INT64_C(1000000000)

struct plant_unit {
    bool switched_on, supply_present, path_open, path_shorted, triggered_unit;
    double set_a, u0_v;
    double sag_a;  /* taken from the output, for a unit that gives less */
    double temp_k; /* rise of what the cut-out senses */
    double rise_k; /* that it would reach on-load for ever */
    double tau_s;
    double cut_k, reset_k; /* cut-out opens and closes at */
    bool cut;
    double idle_a; /* supply current with the output off */
    /* seen */
    double i2, u2, i1;
};

struct plant_channel {
    struct plant_unit unit;
    uint32_t mask, wanted; /* closed, on their way to */
    int64_t moves_ns;      /* when `wanted` is reached */
    bool trigger, supply_tripped, welded, stuck_open, fan;
    uint64_t held_steps; /* command number held for its intent */
    uint32_t held_mask;
    uint64_t held_intent;
    uint64_t held_trigger;
    /* overrides of what is read: NAN none */
    double read[SIG_KIND_COUNT_];
    bool silent[SIG_KIND_COUNT_];
};

struct plant {
    struct bench bench;
    struct engine *engine;
    struct engine_out *out;
    int64_t now_ns;
    uint64_t seq;
    int64_t utc0_ns;
    struct plant_channel channels[PLANT_CHANNELS];
    bool beat_on, beat_feeds_all, journal_stuck, hold_intents, device_down, drops_fail;
    int64_t lease_until_ns, last_beat_ns;
    bool facts_silent; /* nobody says how stores and messages stand */
    struct run_stores stores;
    int64_t stores_run;       /* the run that is told of these stores; 0: all */
    int64_t asked[QUEUE_MAX]; /* runs whose facts were asked for in the step */
    int asked_count;
    bool plans; /* the worker plans; else it is dead */
    bool plan_is_wrong;
    int planned;
    double u1, intake, bank;
    bool meters_silent, record_failed, proving;
    int64_t tick_ns;
    int tick_parts; /* INPUT_TIME inputs spread in a tick */
    /* what came out */
    uint64_t hash;
    int64_t events_seen[EVENT_KIND_COUNT_];
    struct event last_event[EVENT_KIND_COUNT_];
    int64_t commands_seen[COMMAND_KIND_COUNT_];
    struct command last_command[COMMAND_KIND_COUNT_];
    struct verdict verdict[PLANT_CHANNELS];
    bool has_verdict[PLANT_CHANNELS];
    int answer_code; /* of the latest answer with code 0 or 1 */
    char answer[TEXT_CAP];
    int done_answers;
    bool overflowed;
    /* invariants broken, in words; empty: none */
    char broken[TEXT_CAP];
    struct bench_view view;
    bool check_view;
    /* record of the inputs, for feeding them again */
    uint8_t *log;
    size_t log_used, log_cap;
    uint64_t order_seed; /* 0: bank first, meters second; else their order within a tick is drawn */
};

/* A bench of `channels` positions, and its units: TIG 160 A at 40 %, held by the trigger; nothing is cut out. */
struct plant *plant_new(int channels);
void plant_free(struct plant *p);

/* Gives the engine one input at the present time. */
void plant_input(struct plant *p, struct input *in);

/* One transaction's readings, now: of the bank (0) or the meters (1). */
void plant_poll(struct plant *p, int ch, int device);

/* Lets time go by: one step of it; so many seconds. */
void plant_tick(struct plant *p);
void plant_run(struct plant *p, double seconds);

/* Until the channel is in the state, or `seconds` are over. */
bool plant_until(struct plant *p, int ch, enum channel_state state, double seconds);
bool plant_until_event(struct plant *p, enum event_kind kind, double seconds);

/* Sends an operator's request; returns the code of the answer. */
int plant_operate(struct plant *p, enum operator_verb verb, int ch, const char *text);

/* Boots, links up, and proves the watchdog. */
void plant_begin(struct plant *p);

/* A run request that passes preflight. */
struct run_request plant_request(enum procedure procedure, double current_a, double percent_on);

/* Rigs and starts; a request without a serial of its own is for another unit on each channel. Returns the code of the
 * answer to the start. */
int plant_start(struct plant *p, int ch, const struct run_request *rq);

enum channel_state plant_state(struct plant *p, int ch);
bool plant_load_closed(const struct plant *p, int ch);

/* Brings an idle, begun plant's channel into a state. */
bool plant_bring_to(struct plant *p, int ch, enum channel_state state);

int plant_signal(const struct plant *p, int ch, enum signal_kind kind);

#endif
