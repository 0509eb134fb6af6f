/* The configuration of a bench: one YAML file and the device maps that it names, read, checked and brought into the
 * plain structures of the model. Nothing here is changed after loading; any thread may read it. */
#ifndef CONFIG_H
#define CONFIG_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "bench.h"
#include "device_map.h"
#include "error.h"
#include "problems.h"

enum { STORES_MAX = 8, NOTIFY_MAX = 8, CONFIG_FILE_MAX_BYTES = 4 * 1024 * 1024 };

enum store_kind { STORE_INFLUXDB_V1, STORE_INFLUXDB_V2, STORE_VICTORIAMETRICS, STORE_KIND_COUNT_ };

/* A time-series store that the journal is streamed to. Paths are absolute or relative to the working directory (they
 * were relative to the configuration file). Empty text: not given. */
struct store_config {
    char name[NAME_CAP];
    enum store_kind kind;
    char url[PATH_CAP]; /* scheme, host, port; without credentials */
    char database[NAME_CAP];
    char retention[NAME_CAP]; /* retention policy of influxdb-v1; empty: the database's own */
    char bucket[NAME_CAP], org[NAME_CAP];
    char user[NAME_CAP];
    char password_file[PATH_CAP], token_file[PATH_CAP], ca_file[PATH_CAP];
    bool gzip;
    int batch_lines;
    int64_t batch_bytes;
    int64_t batch_age_ns; /* a batch that is not full goes out after this long */
    int64_t settle_ns;    /* acknowledged points count as safe after this long */
    int64_t timeout_ns;   /* of one request, as a whole */
};

enum notify_kind { NOTIFY_SMTP, NOTIFY_WEBHOOK, NOTIFY_HEARTBEAT, NOTIFY_KIND_COUNT_ };

/* Somebody to tell. NOTIFY_HEARTBEAT is the dead-man outside the building: it is told that all is well each interval,
 * and raises the alarm itself when it hears nothing. */
struct notify_config {
    char name[NAME_CAP];
    enum notify_kind kind;
    char url[PATH_CAP];
    char from[NAME_CAP * 2], to[NAME_CAP * 2];
    char user[NAME_CAP];
    char password_file[PATH_CAP], token_file[PATH_CAP], ca_file[PATH_CAP];
    bool urgent_only;    /* only what somebody must come for */
    int64_t interval_ns; /* heartbeat */
    int64_t timeout_ns;
};

enum paper { PAPER_A4, PAPER_LETTER, PAPER_COUNT_ };
enum trade_words { WORDS_INTERNATIONAL, WORDS_NORTH_AMERICA, WORDS_COUNT_ };

/* How records are printed. */
struct record_config {
    char site[NAME_CAP * 2];   /* name of the shop, as a record prints it */
    char check_unit[NAME_CAP]; /* serial of the unit that tells what the bench repeats; empty: none */
    char address[TEXT_CAP];
    enum paper paper;
    enum trade_words words; /* names of processes in print: "mma" or "stick (SMAW)" */
};

/* What the bench states about leaving it alone at night; the engine's own conditions come on top. */
struct unattended_config {
    bool allowed;
    bool ups;    /* load controllers and this computer have an uninterruptible supply */
    bool beacon; /* a light shows "bench live" */
};

struct journal_config {
    char path[PATH_CAP];
    int64_t free_floor_bytes;  /* runs end before the disk has less than this */
    int64_t max_bytes;         /* above this, what nothing needs is taken out; 0: no limit */
    int64_t plain_readings_ns; /* readings older than this are sealed */
    int64_t keep_readings_ns;  /* sealed readings of no run older than this are taken out; 0: kept for ever */
};

struct listen_config {
    char socket[PATH_CAP];       /* control socket */
    char socket_group[NAME_CAP]; /* system group that may use it; empty: the owner only */
    char http[PATH_CAP];         /* host:port of the page; empty: none */
    char token_file[PATH_CAP];   /* secret that the page asks for before it changes anything; empty: read only */
};

/* A file that was read, kept to the byte for the digests. */
struct config_file {
    char path[PATH_CAP];
    char *text;
    size_t size;
};

/* How long opening takes at worst, in time of the bench's clock (the bus's deadlines are real time, so a scaled clock
 * stretches them; contactors and watchdog live on the bench's clock), for `check`, preflight and the record.
 * by_bus: a transaction may be in flight when the drop comes, and runs to its deadline at worst; then the silence that
 * the bus and the device need, the write itself with its answer, and the travel of the slowest contactor:
 *     (longest deadline on the bus + turnaround + frame time + deadline of the device) * rate + travel
 * by_watchdog: the link is dead, and the controller opens by itself after its own limit, counted from the last beat:
 *     watchdog limit + travel; 0 when the controller has no watchdog. */
struct open_time {
    int64_t by_bus_ns;
    int64_t by_watchdog_ns;
};

struct config_source; /* the file as it was written, with every default filled in */

struct config {
    struct bench bench; /* bench.devices[i] and devices[i], bench.bus_names[i] and buses[i] belong together */
    bool has_epoch;
    int64_t epoch_utc_ns; /* bench clock = epoch + (monotonic - start) * bench.rate */
    struct journal_config journal;
    struct listen_config listen;
    struct bus_config buses[BUSES_MAX];               /* bench.bus_count */
    struct device_config devices[DEVICES_MAX];        /* bench.device_count */
    struct open_time open_times[DEVICES_MAX];         /* of load devices */
    struct load_points load_points[CHANNELS_MAX];     /* bench.channel_count */
    struct signal_source signal_sources[SIGNALS_MAX]; /* bench.signal_count */
    int beacon_device, beacon_point;                  /* the "bench live" light; -1: none */
    double channel_isolation_v[CHANNELS_MAX];         /* between channels and earth, as stated; NAN: not stated */
    double device_isolation_v[DEVICES_MAX];           /* of a scanner's or meter's inputs; NAN: not stated */
    int map_count;
    struct device_map *maps; /* each file once */
    int store_count;
    struct store_config stores[STORES_MAX];
    int notify_count;
    struct notify_config notify[NOTIFY_MAX];
    struct record_config record;
    struct unattended_config unattended;
    int file_count;
    struct config_file *files; /* [0] the configuration, then the maps in the order of maps[] */
    struct config_source *source;
};

/* Where files come from; for tests and for reading an old configuration back from a journal. read gives a malloc'ed
 * text with its size, or -1 with err. */
struct file_reader {
    int (*read)(void *ctx, const char *path, char **text, size_t *size, struct error *err);
    void *ctx;
};

/* Reads and checks a configuration and its maps. Returns 0 and a configuration that the caller frees, or -1 and no
 * configuration when there is any error. problems (begun by the caller) gets errors, warnings and hints, sorted. */
int config_load(const char *path, struct config **out, struct problems *problems);

/* The same from memory; name stands for the file's path, and map paths are relative to its folder. files NULL: maps
 * are read from disk. */
int config_load_text(const char *name, const char *text, size_t size, const struct file_reader *files,
                     struct config **out, struct problems *problems);

void config_free(struct config *config);

/* The effective configuration as YAML: every key with the value in force, defaults included; loads again to the same
 * text. Caller frees; NULL out of memory. */
char *config_print(const struct config *config);

/* The reference of all keys of configuration, map and unit files in Markdown, made from the tables that parse them.
 * Caller frees; NULL out of memory. */
char *config_reference_print(void);

/* Reads a whole file of at most CONFIG_FILE_MAX_BYTES. Returns 0 with a malloc'ed text (one zero byte behind it), or -1
 * with err. */
int config_file_read(const char *path, char **text, size_t *size, struct error *err);

const char *store_kind_name(enum store_kind kind);
const char *notify_kind_name(enum notify_kind kind);
const char *bus_kind_name(enum bus_kind kind);

#endif
