/* Tables of the bench as a whole: clock, journal, listening, stores, people to tell, printing. */
#include <math.h>
#include <string.h>

#include "choices.h"
#include "raw.h"

static const struct field clock_fields[] = {
    {"rate", FIELD_NUMBER, AT(struct raw_clock, rate), RANGE(0.1, 3600), .fallback = "1",
     .help = "How many seconds the bench's clock runs in one real second. Anything but 1 is for benches whose every "
             "device says that it is virtual and states the same rate and epoch."},
    {"epoch", FIELD_INSTANT, AT(struct raw_clock, epoch_ns), .flags = OPTIONAL,
     .help = "What the bench's clock shows when the virtual bench starts. Needed when rate is not 1; must lie so far "
             "in the past that the run ends before now."},
};

static void check_clock(void *base, const struct node *node, struct problems *problems)
{
    const struct raw_clock *c = base;
    if (c->rate != 1 && c->epoch_ns < 0)
        node_problem(problems, node, PROBLEM_ERROR, "rate is not 1, and there is no epoch",
                     "Add the epoch that the virtual bench states, such as epoch: 2026-01-05T06:00:00Z");
}

static const struct object clock_object = {
    .title = "clock",
    .intro = "The bench's clock.",
    .size = sizeof(struct raw_clock),
    FIELDS(clock_fields),
    .check = check_clock,
};

static const struct field journal_fields[] = {
    {"path", FIELD_PATH, AT(struct raw_journal, journal.path), .flags = NEEDED,
     .help = "The journal, one SQLite file; its folder must be on a local disk."},
    {"free_floor", FIELD_SIZE, AT(struct raw_journal, journal.free_floor_bytes), RANGE(1e7, INFINITY),
     .fallback = "1 GB", .help = "Runs end in good order before the disk has less free space than this."},
    {"max_size", FIELD_SIZE, AT(struct raw_journal, journal.max_bytes), .flags = ZERO,
     .help =
         "While the journal holds more than this, the oldest sealed readings and inputs that no run and no store "
         "needs are taken out, whatever their age; when there are none left, somebody is told. Without it: no limit."},
    {"plain_readings", FIELD_DURATION, AT(struct raw_journal, journal.plain_readings_ns), RANGE(60, 3.2e8),
     .fallback = "72 h", .help = "Readings and inputs older than this leave the plain rows for sealed blocks."},
    {"keep_readings", FIELD_DURATION, AT(struct raw_journal, journal.keep_readings_ns), .flags = ZERO,
     .help = "Sealed readings older than this that belong to no run are taken out, once every store has them, and the "
             "inputs of ended sessions that no run needs; their digests and the summaries of each second stay. Without "
             "it: kept for ever."},
};

static const struct object journal_object = {
    .title = "journal",
    .intro = "Where everything is kept.",
    .size = sizeof(struct raw_journal),
    FIELDS(journal_fields),
};

static const struct field listen_fields[] = {
    {"socket", FIELD_PATH, AT(struct raw_listen, listen.socket), .fallback = "/run/soakbench/control.sock",
     .help = "The control socket, which the `soakbench` command and the page speak to."},
    {"socket_group", FIELD_TEXT, AT(struct raw_listen, listen.socket_group),
     .help = "System group whose members may use the control socket. Without it: only the user of the service."},
    {"http", FIELD_TEXT, AT(struct raw_listen, listen.http),
     .help = "Numeric address and port of the page, such as 127.0.0.1:8460. Without it: no page."},
    {"token_file", FIELD_PATH, AT(struct raw_listen, listen.token_file),
     .help =
         "File with the secret that the page asks for before it changes anything. Without it: the page only shows."},
};

static const struct object listen_object = {
    .title = "listen",
    .intro = "How people and programs reach the bench.",
    .size = sizeof(struct raw_listen),
    FIELDS(listen_fields),
};

static const struct field batch_fields[] = {
    {"lines", FIELD_INT, AT(struct raw_batch, lines), RANGE(1, 50000), .fallback = "5000",
     .help = "At most so many points in a request."},
    {"bytes", FIELD_SIZE, AT(struct raw_batch, bytes), RANGE(1000, 25e6), .fallback = "500 kB",
     .help = "At most so many bytes in a request, before packing."},
    {"age", FIELD_DURATION, AT(struct raw_batch, age_ns), RANGE(0.1, 3600), .fallback = "5 s",
     .help = "A batch that is not full goes out after this time."},
};

static const struct object batch_object = {
    .title = "batch",
    .intro = "How much goes into one request to a store.",
    .size = sizeof(struct raw_batch),
    FIELDS(batch_fields),
};

static const struct field store_fields[] = {
    {"name", FIELD_NAME, AT(struct raw_store, store.name), .flags = NEEDED,
     .help = "Name in messages and in `status`."},
    {"kind", FIELD_CHOICE, AT(struct raw_store, store.kind), .flags = NEEDED, .choices = &choice_store_kinds,
     .help = "Which interface the store has."},
    {"url", FIELD_TEXT, AT(struct raw_store, store.url), .flags = NEEDED,
     .help = "Scheme, host and port, such as \"http://127.0.0.1:8086\"; never with a user or password in it."},
    {"database", FIELD_TEXT, AT(struct raw_store, store.database), .help = "influxdb-v1: the database; needed there."},
    {"retention", FIELD_TEXT, AT(struct raw_store, store.retention),
     .help = "influxdb-v1: the retention policy. Without it: the database's own."},
    {"bucket", FIELD_TEXT, AT(struct raw_store, store.bucket), .help = "influxdb-v2: the bucket; needed there."},
    {"org", FIELD_TEXT, AT(struct raw_store, store.org), .help = "influxdb-v2: the organisation; needed there."},
    {"user", FIELD_TEXT, AT(struct raw_store, store.user), .help = "User name, for stores that ask for one."},
    {"password_file", FIELD_PATH, AT(struct raw_store, store.password_file),
     .help = "File that holds the password and nothing else."},
    {"token_file", FIELD_PATH, AT(struct raw_store, store.token_file),
     .help = "File that holds the token and nothing else; needed for influxdb-v2."},
    {"ca_file", FIELD_PATH, AT(struct raw_store, store.ca_file),
     .help = "Certificates to trust for https. Without it: those of the system."},
    {"gzip", FIELD_BOOL, AT(struct raw_store, store.gzip), .fallback = "true", .help = "Pack requests."},
    {"batch", FIELD_OBJECT, AT(struct raw_store, batch), .object = &batch_object, .help = "Size of a request."},
    {"settle", FIELD_DURATION, AT(struct raw_store, store.settle_ns), RANGE(0, 86400), .flags = OPTIONAL,
     .help = "Points count as safe this long after the store took them; until then they can be sent again. Without it: "
             "10 s, for victoriametrics 60 s, which holds points in memory before it writes them."},
    {"timeout", FIELD_DURATION, AT(struct raw_store, store.timeout_ns), RANGE(0.5, 300), .fallback = "20 s",
     .help = "Longest time for one request."},
};

static bool url_has_user(const char *url)
{
    const char *host = strstr(url, "://");
    if (host == NULL)
        return false;
    host += 3;
    return strcspn(host, "@") < strcspn(host, "/");
}

static void check_url(const struct at *at, const char *url, const char *const *schemes, const char *remedy,
                      struct problems *problems)
{
    if (url_has_user(url)) {
        at_problem(problems, at, "url", PROBLEM_ERROR, "the URL holds a user or password",
                   "Take it out: use user and password_file.");
        return;
    }
    for (int i = 0; schemes[i] != NULL; i++) {
        size_t n = strlen(schemes[i]);
        if (strncmp(url, schemes[i], n) == 0 && url[n] != '\0' && url[n] != '/' && strpbrk(url, " \t") == NULL)
            return;
    }
    at_problem(problems, at, "url", PROBLEM_ERROR, "this is no URL of the kind that is needed here", remedy);
}

static void need(const struct at *at, const char *value, const char *text, const char *remedy,
                 struct problems *problems)
{
    if (value[0] == '\0')
        node_problem(problems, at->node, PROBLEM_ERROR, text, remedy);
}

static void check_store(void *base, const struct node *node, struct problems *problems)
{
    static const char *const schemes[] = {"http://", "https://", NULL};
    struct raw_store *s = base;
    (void)node;
    check_url(&s->at, s->store.url, schemes, "Write it like this: \"http://127.0.0.1:8086\"", problems);
    if (s->store.kind == STORE_INFLUXDB_V1)
        need(&s->at, s->store.database, "influxdb-v1 needs a database", "Add database: and its name.", problems);
    if (s->store.kind == STORE_INFLUXDB_V2) {
        need(&s->at, s->store.bucket, "influxdb-v2 needs a bucket", "Add bucket: and its name.", problems);
        need(&s->at, s->store.org, "influxdb-v2 needs an organisation", "Add org: and its name.", problems);
        need(&s->at, s->store.token_file, "influxdb-v2 needs a token", "Add token_file: and a file's path.", problems);
    }
    if (s->store.password_file[0] != '\0')
        need(&s->at, s->store.user, "there is a password_file, but no user", "Add user: and the name.", problems);
    if (s->store.settle_ns < 0)
        s->store.settle_ns = INT64_C(1000000000) * (s->store.kind == STORE_VICTORIAMETRICS ? 60 : 10);
}

const struct object store_object = {
    .title = "stores",
    .intro = "A time-series store that the record is streamed to. Secrets stand in files of their own.",
    .size = sizeof(struct raw_store),
    FIELDS(store_fields),
    .check = check_store,
};

static const struct field notify_fields[] = {
    {"name", FIELD_NAME, AT(struct raw_notify, notify.name),
     .help = "Name in messages and in `status`. Without it: the kind."},
    {"kind", FIELD_CHOICE, AT(struct raw_notify, notify.kind), .flags = NEEDED, .choices = &choice_notify_kinds,
     .help = "smtp sends mail, webhook posts JSON, heartbeat calls an outside service that raises the alarm when the "
             "calls stop: a dead computer sends no mail."},
    {"url", FIELD_TEXT, AT(struct raw_notify, notify.url), .flags = NEEDED,
     .help = "Such as \"smtp://127.0.0.1:25\" or \"http://127.0.0.1:9000/bench\"."},
    {"from", FIELD_TEXT, AT(struct raw_notify, notify.from), .help = "smtp: sender. Without it: the same as to."},
    {"to", FIELD_TEXT, AT(struct raw_notify, notify.to), .help = "smtp: who gets the mail; needed there."},
    {"user", FIELD_TEXT, AT(struct raw_notify, notify.user), .help = "User name, where one is asked for."},
    {"password_file", FIELD_PATH, AT(struct raw_notify, notify.password_file),
     .help = "File that holds the password and nothing else."},
    {"token_file", FIELD_PATH, AT(struct raw_notify, notify.token_file),
     .help = "File that holds the token and nothing else, for webhook and heartbeat."},
    {"ca_file", FIELD_PATH, AT(struct raw_notify, notify.ca_file),
     .help = "Certificates to trust. Without it: those of the system."},
    {"about", FIELD_CHOICE, AT(struct raw_notify, about), .choices = &choice_urgencies, .fallback = "all",
     .help = "urgent: only what somebody must come for; all: the morning sheet and notes too."},
    {"interval", FIELD_DURATION, AT(struct raw_notify, notify.interval_ns), RANGE(10, 86400), .fallback = "5 min",
     .help = "heartbeat: time between calls."},
    {"timeout", FIELD_DURATION, AT(struct raw_notify, notify.timeout_ns), RANGE(0.5, 300), .fallback = "20 s",
     .help = "Longest time for one message."},
};

static void check_notify(void *base, const struct node *node, struct problems *problems)
{
    static const char *const mail[] = {"smtp://", "smtps://", NULL};
    static const char *const web[] = {"http://", "https://", NULL};
    struct raw_notify *n = base;
    (void)node;
    if (n->notify.kind == NOTIFY_SMTP) {
        check_url(&n->at, n->notify.url, mail, "Write it like this: \"smtp://127.0.0.1:25\"", problems);
        need(&n->at, n->notify.to, "there is nobody to send the mail to", "Add to: and an address.", problems);
        if (n->notify.to[0] != '\0' && strchr(n->notify.to, '@') == NULL)
            at_problem(problems, &n->at, "to", PROBLEM_ERROR, "this is no mail address", "Write name@host.");
        if (n->notify.from[0] == '\0')
            memcpy(n->notify.from, n->notify.to, sizeof n->notify.from);
    } else {
        check_url(&n->at, n->notify.url, web, "Write it like this: \"http://127.0.0.1:9000/bench\"", problems);
    }
    if (n->notify.name[0] == '\0')
        (void)text_copy(n->notify.name, sizeof n->notify.name, notify_kind_name(n->notify.kind));
    n->notify.urgent_only = n->about == 1;
}

const struct object notify_object = {
    .title = "notify",
    .intro = "Who is told. A message leaves only after what it says is on record.",
    .size = sizeof(struct raw_notify),
    FIELDS(notify_fields),
    .check = check_notify,
};

static const struct field record_fields[] = {
    {"site", FIELD_TEXT, AT(struct raw_record, record.site), .help = "Name of the shop, as records print it."},
    {"address", FIELD_TEXT, AT(struct raw_record, record.address), .help = "Its address, as records print it."},
    {"paper", FIELD_CHOICE, AT(struct raw_record, record.paper), .choices = &choice_papers, .fallback = "a4",
     .help = "Paper of records."},
    {"check_unit", FIELD_TEXT, AT(struct raw_record, record.check_unit),
     .help = "Serial number of the unit that is run now and then (each month, say) to see what the bench itself does. "
             "From six comparable runs on it says what counts as a change of other units, instead of limits: "
             "{repeatability: ...}."},
    {"words", FIELD_CHOICE, AT(struct raw_record, record.words), .choices = &choice_trade_words,
     .fallback = "international",
     .help = "Names of processes in print: international (mma, mig/mag, tig) or north-america (SMAW, GMAW, GTAW)."},
};

static const struct object record_object = {
    .title = "record",
    .intro = "How records are printed.",
    .size = sizeof(struct raw_record),
    FIELDS(record_fields),
};

static const struct field unattended_fields[] = {
    {"allowed", FIELD_BOOL, AT(struct raw_unattended, unattended.allowed), .fallback = "false",
     .help = "Runs may be started with `--unattended`, once everything that this needs is proved: watchdog, second "
             "means, over-temperature and smoke inputs, a message delivered today."},
    {"ups", FIELD_BOOL, AT(struct raw_unattended, unattended.ups), .fallback = "false",
     .help = "Load controllers and this computer are fed by an uninterruptible supply."},
    {"beacon", FIELD_BOOL, AT(struct raw_unattended, unattended.beacon), .fallback = "false",
     .help = "A light that cleaners and guards can see shows that the bench is live."},
};

static const struct object unattended_object = {
    .title = "unattended",
    .intro = "What the bench states about being left alone. Emergency stop, bank over-temperature and airflow must be "
             "hard-wired whatever stands here; local rules on lone work and fire, and the insurer's, come first.",
    .size = sizeof(struct raw_unattended),
    FIELDS(unattended_fields),
};

static const struct field bench_fields[] = {
    {"bench", FIELD_NAME, AT(struct raw_bench, bench), .flags = NEEDED,
     .help = "Name of the bench; a tag of every point in the stores."},
    {"clock", FIELD_OBJECT, AT(struct raw_bench, clock), .object = &clock_object, .help = "The bench's clock."},
    {"journal", FIELD_OBJECT, AT(struct raw_bench, journal), .flags = NEEDED, .object = &journal_object,
     .help = "Where everything is kept."},
    {"listen", FIELD_OBJECT, AT(struct raw_bench, listen), .object = &listen_object,
     .help = "Control socket and page."},
    {"buses", FIELD_LIST, AT(struct raw_bench, buses), .flags = NEEDED, .object = &bus_object, .max_items = BUSES_MAX,
     .help = "Serial lines and network connections."},
    {"devices", FIELD_LIST, AT(struct raw_bench, devices), .flags = NEEDED, .object = &device_object,
     .max_items = DEVICES_MAX, .help = "Load controllers and meters."},
    {"circuits", FIELD_LIST, AT(struct raw_bench, circuits), .object = &circuit_object, .max_items = CIRCUITS_MAX,
     .help = "Supply circuits that units are plugged into."},
    {"channels", FIELD_LIST, AT(struct raw_bench, channels), .object = &channel_object, .max_items = CHANNELS_MAX,
     .help = "Load positions."},
    {"signals", FIELD_DICT, AT(struct raw_bench, signals), .object = &signal_object, .max_items = 128,
     .help = "Signals of the bench as a whole, such as estop, smoke, fan_proof, t_bank, t_intake, key_switch. A "
             "channel that has no signal of that name of its own uses the bench's."},
    {"rules", FIELD_LIST, AT(struct raw_bench, rules), .object = &rule_object, .max_items = RULES_MAX,
     .help = "Limits of the shop's own."},
    {"beacon", FIELD_OBJECT, AT(struct raw_bench, beacon), .flags = HIDDEN, .object = &output_object,
     .help = "Output of the light that shows that the bench is live."},
    {"limits", FIELD_OBJECT, AT(struct raw_bench, limits), .object = &limits_object,
     .help = "Limits of interlocks and judgement."},
    {"stores", FIELD_LIST, AT(struct raw_bench, stores), .object = &store_object, .max_items = STORES_MAX,
     .help = "Time-series stores."},
    {"notify", FIELD_LIST, AT(struct raw_bench, notify), .object = &notify_object, .max_items = NOTIFY_MAX,
     .help = "Who is told."},
    {"record", FIELD_OBJECT, AT(struct raw_bench, record), .object = &record_object,
     .help = "How records are printed."},
    {"unattended", FIELD_OBJECT, AT(struct raw_bench, unattended), .object = &unattended_object,
     .help = "Leaving the bench alone."},
};

const struct object bench_object = {
    .title = "the configuration file",
    .intro = "One file a bench, read once when the service starts.",
    .size = sizeof(struct raw_bench),
    FIELDS(bench_fields),
};
