/* The engine: what the bench does and what it concludes, as one deterministic state machine.
 *
 * engine_step is a pure function of the bench, the engine's state and one input: no I/O, no clock, no allocation, no
 * libm. The same bench and the same inputs give the same commands, events and verdicts to the bit, so a run can be
 * judged again from the input log alone.
 *
 * Order: a step first fires every timer that is due at or before in->seen_ns, in order of time (channels by index
 * where times are equal), then takes the input, then tests the interlocks of every channel, then renews the leases.
 * Inputs must come with seen_ns that never goes back; one that does is taken at the last time.
 *
 * What the runtime owes the engine:
 * - INPUT_BOOT first. Until it was taken every other input only moves time.
 * - INPUT_TIME no later than engine_next_timer_ns (later is safe, but then timers fire late).
 * - A COMMAND with intent_event set is held back until that event is durable; one for the same channel that opens
 *   (OPEN, DROP, TRIGGER off) overtakes it and takes it out of the queue. The engine counts contactor travel from the
 *   INPUT_ACK of the command, so INPUT_ACK must be given for STEPS, OPEN, TRIGGER, DROP, SUPPLY, BEAT_STOP, BEAT_START.
 * - ACK_DONE of COMMAND_BEAT_STOP carries in stamp_ns the time of the last beat that went out (the watchdog's time
 *   counts from there). ACK_LEASE_EXPIRED: the device was dropped because its lease ran out.
 * - INPUT_JOURNAL while anything is unsynced, at least twice in a second of real time: its age is real time and grows
 *   here until the next one tells better.
 * - out->overflow: drop every load device at once; the engine could not say all it had to say.
 *
 * Operator's course: VERB_RIG (free or done -> rigging), VERB_RIGGED (confirmed at the bench), VERB_START (from
 * rigging, or from done while the rigging still stands), VERB_SET (leaves `setting`), VERB_END, VERB_RELEASE (rigging
 * or done -> free), VERB_RESET with a reason (locked -> free), VERB_CONTINUE (releases a channel that was on load
 * when the last session broke off), VERB_NOTE, VERB_PROVE_WATCHDOG. Every operator input gets a COMMAND_ANSWER in the
 * same step (code 0 accepted or 1 refused, text says why) and, for START, END, RESET and PROVE_WATCHDOG, a second one
 * with code 2 when the thing is done (feedback seen); text of the second one says how it came out. */
#ifndef ENGINE_H
#define ENGINE_H

#include "bench.h"
#include "command.h"
#include "event.h"
#include "input.h"
#include "stagger_job.h"
#include "verdict.h"
#include "view.h"

/* Version of the code that decides; the same version gives the same bits. Changes with every change of behaviour. */
#define ENGINE_VERSION "soakbench-engine 2"

enum {
    RULES_VERSION = 2, /* of the rules of judgement, docs/judgement.md */
    ENGINE_COMMANDS_MAX = 1024,
    ENGINE_EVENTS_MAX = 1536,
    ENGINE_VERDICTS_MAX = CHANNELS_MAX
};

/* What one step asked for and had to say, in order. About a megabyte: the caller keeps one on the heap and reuses it.
 */
struct engine_out {
    int32_t command_count, event_count, verdict_count;
    bool overflow;                  /* something did not fit: drop all loads, the record has a gap */
    struct stagger_job stagger_job; /* what a COMMAND_WORKER of JOB_STAGGER in this step asks; else stale */
    struct command commands[ENGINE_COMMANDS_MAX];
    struct event events[ENGINE_EVENTS_MAX];
    struct verdict verdicts[ENGINE_VERDICTS_MAX];
};

struct engine;

/* A new engine for a bench (copied). NULL when memory is short. The caller frees it with engine_free. */
struct engine *engine_new(const struct bench *bench);
void engine_free(struct engine *engine);

/* Takes one input. out is emptied first. Never fails: an input that makes no sense is answered by an event or ignored.
 */
void engine_step(struct engine *engine, const struct input *in, struct engine_out *out);

/* The time at which the engine wants the next input at the latest; INT64_MAX: no wish. */
int64_t engine_next_timer_ns(const struct engine *engine);

/* The version and rules by which this engine decides: ENGINE_VERSION. */
const char *engine_version(void);

/* What the bench looks like after the last step. Fills all of view but `sequence` and leaves that alone: now_ns and
 * utc_ns (boot's UTC plus elapsed), per channel everything in struct channel_view (values are the latest good ones with
 * their quality, NAN when the channel has no such signal or never got a value), devices, journal_healthy, live. */
void engine_view(const struct engine *engine, struct bench_view *view);

/* What the next epoch has to know: the carry part of its INPUT_BOOT (channel_count, channels, device_count, devices,
 * circuit_count, circuits). Leaves version, epoch, utc_ns and after_interruption alone. Ask for it after any step that
 * gave an event of urgency, and keep it in the journal: what is on disk when the power fails is what counts. */
void engine_carry(const struct engine *engine, struct input_boot *boot);

#endif
