/* What a text device keeps between transactions. Inside of a bus only. */
#ifndef BUS_TEXT_H
#define BUS_TEXT_H

#include "text_template.h"

enum { LINE_CAP = 512, LIST_CAP = 8192 };

struct text_state {
    size_t used; /* bytes received that are no whole line yet, or not yet looked at */
    char received[LIST_CAP];
    bool overlong;                    /* the line under way is longer than any that could be meant */
    int errors_to_ask;                /* entries of the error queue that may still be waiting */
    regex_t *expressions[POINTS_MAX]; /* compiled, NULL where the point has none */
};

/* NULL with err when a template or expression cannot be used. */
struct text_state *text_state_new(const struct device_map *map, struct error *err);
void text_state_free(struct text_state *state);

/* Puts received bytes behind those that wait. */
void text_receive(struct text_state *state, const char *bytes, size_t size);

/* Takes the next whole line (ended by CR, LF or both) without its end; empty lines are passed over. Returns 1; 0 when
 * there is none; -1 for a line that is too long or holds bytes that no text has. */
int text_take_line(struct text_state *state, char *line, size_t cap);

/* A point's value from a line by its template or expression, scaled and held against its limits. Returns 0, or -1 when
 * the line does not fit. */
int text_point_read(const struct device_map *map, const struct text_state *state, int point, const char *line,
                    struct text_number *number);

/* Numbers with commas between them, nothing else. Returns how many there are, values as sent (NAN for those that stand
 * for no value); -1 when something else is in it or there are more than cap. */
int text_list_read(const struct device_map *map, const char *line, double *values, int cap);

/* Puts numbers into {first} and {count} of a block's query. Returns 0, or -1 when the line is too long. parted says
 * whether it had them. */
int text_part_query(const char *query, int first, int count, char *line, size_t cap, bool *parted);

/* What of a line fits one of the map's listen templates: the values of its points. Returns their number, 0 when none
 * fits. */
int text_listen_match(const struct device_map *map, const char *line, int *points, struct text_number *numbers);

#endif
