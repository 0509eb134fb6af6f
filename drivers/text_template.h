/* Lines of text devices: templates of literals and slots, restricted expressions, and numbers as IEEE 488.2 and SCPI
 * write them. A template's slots are {number} and {text} (anything up to the next literal, skipped); a blank in it
 * stands for any run of blanks or none. Matching takes time in proportion to the line, whatever the line is. */
#ifndef TEXT_TEMPLATE_H
#define TEXT_TEMPLATE_H

#include <regex.h>
#include <stdbool.h>
#include <stddef.h>

#include "device_map.h"
#include "error.h"
#include "signals.h"

enum { TEMPLATE_SLOTS_MAX = 16 };

struct text_number {
    double value; /* NAN unless good */
    enum quality quality;
};

/* Can this be a template? Known slots only, no two without a literal between them. Returns the number of {number}
 * slots, or -1 with err. */
int template_check(const char *template, struct error *err);

/* Does the whole line fit? map's out_of_range words may stand for any number. Returns the number of {number} slots
 * filled (at most TEMPLATE_SLOTS_MAX), or -1. */
int template_match(const char *template, const char *line, const struct device_map *map, struct text_number *numbers);

/* Puts a number into the {number} slots of a write template. Returns 0, or -1 when it does not fit. */
int template_fill(const char *template, double number, char *line, size_t cap);

/* Reads one number at the beginning of text: NR1, NR2 or NR3 (IEEE 488.2), with blanks before it; 9.9E37 and -9.9E37
 * stand for infinity (out of range), 9.91E37 for not a number (invalid), as SCPI has it. Returns the length read, 0
 * when there is no number. */
size_t text_number_read(const char *text, struct text_number *number);

/* The same, or one of the map's words that mean out of range. */
size_t text_word_read(const char *text, const struct device_map *map, struct text_number *number);

/* Compiles an expression that matches in reasonable time: POSIX extended, no back-references, no counts above 32, none
 * nested. Returns 0 and a compiled expression (regfree it), or -1 with err. */
int expression_compile(const char *expression, regex_t *compiled, struct error *err);

/* The number in the first group. Returns 0, or -1 when the line does not fit. */
int expression_match(const regex_t *compiled, const char *line, const struct device_map *map,
                     struct text_number *number);

#endif
