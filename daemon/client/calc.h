/* The shop's calculator: soakbench calc ... Each figure is printed with its unit, or goes into one JSON object under a
 * key that carries its unit. */
#ifndef CALC_H
#define CALC_H

#include "client.h"

enum { CALC_LINES_MAX = 64 };

struct calc_line {
    const char *key;   /* NULL: a remark for people only */
    const char *label; /* NULL: for programs only */
    double value;
    int digits;
    const char *unit;
    char text[TEXT_CAP]; /* in place of a figure */
};

struct calc {
    struct client *client;
    int count;
    struct calc_line lines[CALC_LINES_MAX];
    const char *list_key; /* a list that goes with it for programs; NULL: none */
    json_t *list;         /* taken over by calc_print */
};

/* Adds a figure, a word, a remark. A figure that is not finite prints as "-" and is null. */
void calc_figure(struct calc *calc, const char *key, const char *label, double value, int digits, const char *unit);
void calc_word(struct calc *calc, const char *key, const char *label, const char *text);
void calc_remark(struct calc *calc, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* Prints it all. Returns status, or EXIT_REFUSED when printing failed. */
int calc_print(struct calc *calc, int status);

int command_calc_load(struct client *c, const struct arguments *args);
int command_calc_cycle(struct client *c, const struct arguments *args);
int command_calc_heat(struct client *c, const struct arguments *args);
int command_calc_supply(struct client *c, const struct arguments *args);
int command_calc_lead(struct client *c, const struct arguments *args);
int command_calc_sensor(struct client *c, const struct arguments *args);
int command_calc_decision(struct client *c, const struct arguments *args);

#endif
