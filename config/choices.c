#include "choices.h"

#include "bench.h"
#include "config.h"
#include "device_map.h"
#include "process.h"
#include "rating.h"
#include "verdict.h"

#define COUNT(array) ((int)(sizeof(array) / sizeof(array)[0]))

/* A set whose words stand in an array in the order of the enumeration. */
#define WORD_SET(set, words)                                              \
    static const char *set##_name(int value)                              \
    {                                                                     \
        return value >= 0 && value < COUNT(words) ? (words)[value] : "?"; \
    }                                                                     \
    const struct choice_set set = {COUNT(words), set##_name, NULL};

/* A set whose words the model knows. */
#define MODEL_SET(set, type, limit, print)   \
    static const char *set##_name(int value) \
    {                                        \
        return print((type)value);           \
    }                                        \
    const struct choice_set set = {(limit), set##_name, NULL};

/* The same with the other words that the model takes. */
#define PARSED_SET(set, type, limit, print, read)        \
    static const char *set##_name(int value)             \
    {                                                    \
        return print((type)value);                       \
    }                                                    \
    static int set##_parse(const char *text, int *value) \
    {                                                    \
        type v;                                          \
        if (read(text, &v) != 0)                         \
            return -1;                                   \
        *value = (int)v;                                 \
        return 0;                                        \
    }                                                    \
    const struct choice_set set = {(limit), set##_name, set##_parse};

static const char *const bus_words[] = {"modbus-tcp", "modbus-rtu", "text-serial", "text-tcp", "in-process"};
static const char *const parity_words[] = {"none", "even", "odd"};
static const char *const mean_words[] = {"mean", "rms"};
static const char *const uncertainty_words[] = {"limit", "expanded"};
static const char *const store_words[] = {"influxdb-v1", "influxdb-v2", "victoriametrics"};
static const char *const notify_words[] = {"smtp", "webhook", "heartbeat"};
static const char *const paper_words[] = {"a4", "letter"};
static const char *const trade_word_words[] = {"international", "north-america"};
static const char *const place_words[] = {"unit", "bank"};
static const char *const standard_words[] = {"iec-60898-1", "iec-60947-2", "ul-489"};
static const char *const protocol_words[] = {"modbus", "text"};
static const char *const table_words[] = {"input", "holding", "coil", "discrete"};
static const char *const type_words[] = {"bit", "i16", "u16", "i32", "u32", "i64", "u64", "f32", "f64"};
static const char *const order_words[] = {"abcd", "cdab", "badc", "dcba"};
static const char *const access_words[] = {"read", "write", "block"};
static const char *const latch_words[] = {"none", "write", "read"};
static const char *const beat_words[] = {"counter", "toggle"};
static const char *const power_up_words[] = {"count", "uptime"};
static const char *const line_end_words[] = {"crlf", "lf", "cr"};
static const char *const strike_change_words[] = {"live", "released"};
static const char *const urgency_words[] = {"all", "urgent"};

_Static_assert(COUNT(bus_words) == BUS_KIND_COUNT_, "a word for every kind of bus");
_Static_assert(COUNT(store_words) == STORE_KIND_COUNT_, "a word for every kind of store");
_Static_assert(COUNT(notify_words) == NOTIFY_KIND_COUNT_, "a word for every kind of notification");
_Static_assert(COUNT(type_words) == TYPE_COUNT_, "a word for every type");
_Static_assert(COUNT(table_words) == TABLE_COUNT_, "a word for every table");
_Static_assert(COUNT(order_words) == ORDER_COUNT_, "a word for every order");
_Static_assert(COUNT(latch_words) == LATCH_KIND_COUNT_, "a word for every latch");
_Static_assert(COUNT(mean_words) == MEAN_KIND_COUNT_, "a word for every mean");
_Static_assert(COUNT(uncertainty_words) == UNC_KIND_COUNT_, "a word for every kind of uncertainty");

WORD_SET(choice_bus_kinds, bus_words)
WORD_SET(choice_parities, parity_words)
WORD_SET(choice_means, mean_words)
WORD_SET(choice_uncertainty_kinds, uncertainty_words)
WORD_SET(choice_store_kinds, store_words)
WORD_SET(choice_notify_kinds, notify_words)
WORD_SET(choice_papers, paper_words)
WORD_SET(choice_trade_words, trade_word_words)
WORD_SET(choice_sense_places, place_words)
WORD_SET(choice_breaker_standards, standard_words)
WORD_SET(choice_protocols, protocol_words)
WORD_SET(choice_tables, table_words)
WORD_SET(choice_value_types, type_words)
WORD_SET(choice_word_orders, order_words)
WORD_SET(choice_accesses, access_words)
WORD_SET(choice_latches, latch_words)
WORD_SET(choice_beat_kinds, beat_words)
WORD_SET(choice_power_up_kinds, power_up_words)
WORD_SET(choice_line_ends, line_end_words)
WORD_SET(choice_urgencies, urgency_words)
WORD_SET(choice_strike_changes, strike_change_words)
MODEL_SET(choice_load_kinds, enum load_kind, LOAD_OBSERVED, load_kind_name)
MODEL_SET(choice_signal_classes, enum signal_class, CLASS_COUNT_, signal_class_name)
MODEL_SET(choice_rule_actions, enum rule_action, RULE_ACTION_COUNT_, rule_action_name)
MODEL_SET(choice_channel_states, enum channel_state, STATE_COUNT_, channel_state_name)
PARSED_SET(choice_processes, enum process, PROCESS_COUNT_, process_name, process_parse)
PARSED_SET(choice_outputs, enum output_kind, OUTPUT_COUNT_, output_name, output_parse)
PARSED_SET(choice_controls, enum output_control, CONTROL_COUNT_, control_name, control_parse)
PARSED_SET(choice_protections, enum protection, PROTECTION_COUNT_, protection_name, protection_parse)

const char *choice_line_end_bytes(int choice)
{
    static const char *const bytes[] = {"\r\n", "\n", "\r"};
    return choice >= 0 && choice < COUNT(bytes) ? bytes[choice] : "\r\n";
}

const char *store_kind_name(enum store_kind kind)
{
    return choice_store_kinds_name((int)kind);
}

const char *notify_kind_name(enum notify_kind kind)
{
    return choice_notify_kinds_name((int)kind);
}

const char *bus_kind_name(enum bus_kind kind)
{
    return choice_bus_kinds_name((int)kind);
}
