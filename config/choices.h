/* The words that keys of the files take, as sets for the schema tables. */
#ifndef CHOICES_H
#define CHOICES_H

#include "schema.h"

extern const struct choice_set choice_bus_kinds, choice_parities, choice_load_kinds, choice_signal_classes,
    choice_means, choice_uncertainty_kinds, choice_rule_actions, choice_channel_states, choice_store_kinds,
    choice_notify_kinds, choice_papers, choice_trade_words, choice_sense_places, choice_breaker_standards,
    choice_processes, choice_outputs, choice_controls, choice_protections, choice_protocols, choice_tables,
    choice_value_types, choice_word_orders, choice_accesses, choice_latches, choice_beat_kinds, choice_power_up_kinds,
    choice_line_ends, choice_urgencies, choice_strike_changes;

/* For FIELD_CHOICE line_end: what is sent. */
const char *choice_line_end_bytes(int choice);

#endif
