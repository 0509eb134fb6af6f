/* From the file as written to the configuration as used, in stages. Each stage adds every problem that it finds and
 * goes on with what is good, so that all is reported at once. */
#ifndef ASSEMBLE_H
#define ASSEMBLE_H

#include "raw.h"

struct assembly {
    struct config *config;
    struct raw_bench *raw;
    struct problems *problems;
    const struct file_reader *files;
    const char *name; /* of the configuration file */
};

/* Buses, circuits, devices with their maps. */
void assemble_buses(struct assembly *a);
void assemble_circuits(struct assembly *a);
void assemble_devices(struct assembly *a);

/* Channels with loads and signals; after the devices. */
void assemble_channels(struct assembly *a);

/* Rules; after the channels. */
void assemble_rules(struct assembly *a);

/* Limits, stores and all else that needs no other part. */
void assemble_rest(struct assembly *a);

/* What can be foreseen to go wrong; after all others, and only when there is no error. */
void assemble_checks(struct assembly *a);

/* Puts the folder of the configuration file before a relative path. */
void assemble_path(const struct assembly *a, const char *path, char *to, size_t cap);

/* Index of value among names[count] (each at stride bytes from the last), -1 with a problem at the key's value:
 * "there is no device "bnak"", with the nearest name. An empty value gives -1 without a problem. */
int assemble_find(const struct assembly *a, const struct at *at, const char *key, const char *value, const char *what,
                  const char *names, size_t stride, int count);

/* Point of a device by name, -1 with a problem. */
int assemble_point(const struct assembly *a, const struct at *at, const char *key, int device, const char *point);

/* The same for a point that is written. */
int assemble_output(const struct assembly *a, const struct at *at, const char *key, int device, const char *point);

/* Problem at the value of a key, level error; printf-like text. */
void assemble_error(const struct assembly *a, const struct at *at, const char *key, const char *remedy,
                    const char *format, ...) __attribute__((format(printf, 5, 6)));
void assemble_warning(const struct assembly *a, const struct at *at, const char *key, const char *remedy,
                      const char *format, ...) __attribute__((format(printf, 5, 6)));

/* Complains about a name that an earlier item of the list has. */
void assemble_unique(const struct assembly *a, const struct list *list, size_t item_size, size_t name_offset,
                     const char *what);

#endif
