#include "journal_schema.h"

#include <string.h>

#include "journal_types.h"
#include "sql.h"

static const char *const tables[] = {
    "CREATE TABLE meta(key TEXT PRIMARY KEY, value) WITHOUT ROWID",
    "CREATE TABLE code_names(list TEXT, code INTEGER, name TEXT, PRIMARY KEY(list, code)) WITHOUT ROWID",
    "CREATE TABLE blobs(digest BLOB PRIMARY KEY, size INTEGER NOT NULL, codec INTEGER NOT NULL, bytes BLOB NOT NULL)",
    "CREATE TABLE sessions(epoch INTEGER PRIMARY KEY, boot_id TEXT, engine_version TEXT, program_version TEXT,"
    " anchor_ns INTEGER, anchor_utc_ns INTEGER, boottime_ns INTEGER, rate, virtual INTEGER,"
    " bench BLOB REFERENCES blobs(digest), ended_clean INTEGER DEFAULT 0, end_utc_us INTEGER DEFAULT 0,"
    " batch INTEGER, end_batch INTEGER DEFAULT 0)",
    "CREATE TABLE session_blobs(epoch INTEGER REFERENCES sessions(epoch), role INTEGER, name TEXT,"
    " digest BLOB REFERENCES blobs(digest), batch INTEGER, PRIMARY KEY(epoch, role, name)) WITHOUT ROWID",
    "CREATE TABLE channels(id INTEGER PRIMARY KEY, name TEXT UNIQUE)",
    "INSERT INTO channels VALUES(0, '')",
    "CREATE TABLE session_channels(epoch INTEGER REFERENCES sessions(epoch), idx INTEGER,"
    " id INTEGER REFERENCES channels(id), PRIMARY KEY(epoch, idx)) WITHOUT ROWID",
    "CREATE TABLE session_signals(epoch INTEGER REFERENCES sessions(epoch), idx INTEGER, name TEXT, kind INTEGER,"
    " channel INTEGER REFERENCES channels(id), unit TEXT, certificate TEXT, PRIMARY KEY(epoch, idx)) WITHOUT ROWID",
    "CREATE TABLE input_blocks(epoch INTEGER, first_seq INTEGER, last_seq INTEGER, count INTEGER, codec INTEGER,"
    " raw_size INTEGER, bytes BLOB, batch INTEGER, PRIMARY KEY(epoch, first_seq))",
    "CREATE TABLE event_rows(row INTEGER PRIMARY KEY, epoch INTEGER, id INTEGER, seq INTEGER, kind INTEGER,"
    " channel INTEGER, idx INTEGER, run_no INTEGER, seen_ns INTEGER, at_ns INTEGER, half_width_ns INTEGER,"
    " code INTEGER, code2 INTEGER, value_count INTEGER, value0, value1, value2, value3, value4, value5, value6,"
    " value7, text TEXT, utc_us INTEGER, seen_utc_us INTEGER, store_ms INTEGER)",
    "CREATE UNIQUE INDEX event_by_id ON event_rows(epoch, id)",
    "CREATE INDEX event_by_run ON event_rows(run_no)",
    "CREATE INDEX event_by_stamp ON event_rows(channel, store_ms)",
    "CREATE TABLE verdict_rows(row INTEGER PRIMARY KEY, epoch INTEGER, seq INTEGER, run_no INTEGER, revision INTEGER,"
    " utc_us INTEGER, store_ms INTEGER, rules_version INTEGER, channel INTEGER, idx INTEGER, procedure INTEGER,"
    " kind INTEGER, basis INTEGER, cause INTEGER, cause_second INTEGER, deviations INTEGER, cycles_valid INTEGER,"
    " cycles_void INTEGER, rated_percent_on, rated_on_s, commanded_s, conducting_s, at_rated_s, in_band_s,"
    " percent_on_demanded, percent_on_delivered, shutoff_s, shutoff_half_width_s, reset_s, own_percent_on,"
    " time_uncertainty_s, current_a, load_voltage_v, supply_v, intake_degc, drift_k_per_h, reason TEXT, finding TEXT,"
    " run_digest BLOB)",
    "CREATE UNIQUE INDEX verdict_by_run ON verdict_rows(run_no, revision)",
    "CREATE INDEX verdict_by_stamp ON verdict_rows(channel, store_ms)",
    "CREATE TABLE run_rows(run_no INTEGER PRIMARY KEY, epoch INTEGER, start_seq INTEGER, channel INTEGER, idx INTEGER,"
    " serial TEXT, plate_version INTEGER, procedure INTEGER, who TEXT, start_ns INTEGER, start_utc_us INTEGER,"
    " end_ns INTEGER DEFAULT 0, end_utc_us INTEGER DEFAULT 0, end_seq INTEGER DEFAULT 0, interrupted INTEGER DEFAULT 0,"
    " request BLOB, batch INTEGER, end_batch INTEGER DEFAULT 0)",
    "CREATE INDEX run_by_serial ON run_rows(serial)",
    "CREATE INDEX run_open ON run_rows(end_utc_us) WHERE end_utc_us = 0",
    "CREATE TABLE plate_rows(serial TEXT, version INTEGER, utc_s INTEGER, maker TEXT, model TEXT, asset TEXT,"
    " bytes BLOB, batch INTEGER, PRIMARY KEY(serial, version)) WITHOUT ROWID",
    "CREATE TABLE inspections(id INTEGER PRIMARY KEY, serial TEXT, kind TEXT, who TEXT, reference TEXT,"
    " done_utc_s INTEGER, due_utc_s INTEGER, passed INTEGER, note TEXT, batch INTEGER)",
    "CREATE INDEX inspection_by_serial ON inspections(serial, done_utc_s)",
    "CREATE TABLE dispositions(id INTEGER PRIMARY KEY, serial TEXT, destination TEXT, who TEXT, utc_s INTEGER,"
    " next_due_utc_s INTEGER, run_no INTEGER, note TEXT, batch INTEGER)",
    "CREATE INDEX disposition_by_serial ON dispositions(serial, id)",
    "CREATE TABLE baselines(id INTEGER PRIMARY KEY, serial TEXT, run_no INTEGER, who TEXT, utc_s INTEGER,"
    " batch INTEGER)",
    "CREATE INDEX baseline_by_serial ON baselines(serial, id)",
    "CREATE TABLE cursors(store TEXT, feed INTEGER, sent INTEGER, settled INTEGER, PRIMARY KEY(store, feed))"
    " WITHOUT ROWID",
    "CREATE TABLE set_aside(id INTEGER PRIMARY KEY, store TEXT, feed INTEGER, row INTEGER, utc_ms INTEGER,"
    " answer TEXT, line TEXT)",
    "CREATE TABLE notices(id INTEGER PRIMARY KEY, urgency INTEGER, channel INTEGER, run_no INTEGER,"
    " made_utc_s INTEGER, state INTEGER, attempts INTEGER, tried_utc_s INTEGER, target TEXT, text TEXT, answer TEXT)",
    "CREATE INDEX notice_pending ON notices(state)",
    "CREATE TABLE batches(batch INTEGER PRIMARY KEY, epoch INTEGER, first_event INTEGER, last_event INTEGER,"
    " first_reading INTEGER, last_reading INTEGER, first_verdict INTEGER, last_verdict INTEGER, head BLOB NOT NULL)",
    "CREATE TABLE seals(batch INTEGER, run_no INTEGER, events INTEGER, readings INTEGER, verdicts INTEGER,"
    " others INTEGER, digest BLOB NOT NULL, PRIMARY KEY(batch, run_no)) WITHOUT ROWID",
    "CREATE INDEX seal_by_run ON seals(run_no, batch)",
};

/* Nothing is judged by it and no digest covers it: made where it is missing, whatever the version. */
static const char line_table[] =
    "CREATE TABLE IF NOT EXISTS line_minutes(id INTEGER PRIMARY KEY, utc_s INTEGER, seconds REAL, bus TEXT, device "
    "TEXT,"
    " transactions INTEGER, timeouts INTEGER, bad_checksums INTEGER, bad_answers INTEGER, wrong_servers INTEGER,"
    " exceptions INTEGER, links_lost INTEGER, not_sent INTEGER, losses INTEGER, polls_missed INTEGER, p50_ms REAL,"
    " p99_ms REAL, longest_ms REAL, busy_pct REAL, line_pct REAL)";

/* Each batch looks for its own plates; a fleet has thousands of others. */
static const char plate_index[] = "CREATE INDEX IF NOT EXISTS plate_by_batch ON plate_rows(batch)";

static const char *const views[][2] = {
    {"events",
     "SELECT e.row, e.epoch, e.id, c.name AS channel, e.run_no, r.serial AS unit, k.name AS kind, e.utc_us, e.store_ms,"
     " e.half_width_ns / 1000.0 AS half_width_us, e.seen_utc_us, e.code, e.code2, n.name AS code_text, e.value0,"
     " e.value1, e.value2, e.value3, e.value4, e.value5, e.value6, e.value7, e.text FROM event_rows e"
     " LEFT JOIN channels c ON c.id = e.channel LEFT JOIN run_rows r ON r.run_no = e.run_no"
     " LEFT JOIN code_names k ON k.list = 'event' AND k.code = e.kind LEFT JOIN code_names n ON n.code = e.code"
     " AND n.list = CASE e.kind WHEN 2 THEN 'state' WHEN 3 THEN 'procedure' WHEN 4 THEN 'verdict' WHEN 9 THEN 'cause'"
     " WHEN 10 THEN 'cause' WHEN 15 THEN 'interlock' WHEN 16 THEN 'interlock' WHEN 24 THEN 'verdict' END"},
    {"runs",
     "SELECT r.run_no, r.epoch, c.name AS channel, r.serial AS unit, r.plate_version, p.name AS procedure, r.who,"
     " r.start_utc_us, r.end_utc_us, r.interrupted, k.name AS verdict, b.name AS basis, s.name AS cause, v.reason,"
     " v.finding FROM run_rows r LEFT JOIN channels c ON c.id = r.channel"
     " LEFT JOIN code_names p ON p.list = 'procedure' AND p.code = r.procedure"
     " LEFT JOIN verdict_rows v ON v.run_no = r.run_no AND v.revision ="
     " (SELECT max(revision) FROM verdict_rows x WHERE x.run_no = r.run_no)"
     " LEFT JOIN code_names k ON k.list = 'verdict' AND k.code = v.kind"
     " LEFT JOIN code_names b ON b.list = 'basis' AND b.code = v.basis"
     " LEFT JOIN code_names s ON s.list = 'cause' AND s.code = v.cause"},
    {"units", "SELECT serial, version, utc_s, maker, model, asset FROM plate_rows p WHERE version ="
              " (SELECT max(version) FROM plate_rows x WHERE x.serial = p.serial)"},
    {"verdicts",
     "SELECT v.row, v.run_no, v.revision, v.rules_version, c.name AS channel, r.serial AS unit, v.utc_us, v.store_ms,"
     " p.name AS procedure, k.name AS verdict, b.name AS basis, s.name AS cause, s2.name AS cause_second,"
     " v.deviations, v.cycles_valid, v.cycles_void, v.rated_percent_on, v.rated_on_s, v.commanded_s, v.conducting_s,"
     " v.at_rated_s, v.in_band_s, v.percent_on_demanded, v.percent_on_delivered, v.shutoff_s,"
     " v.shutoff_half_width_s, v.reset_s, v.own_percent_on, v.time_uncertainty_s, v.current_a, v.load_voltage_v,"
     " v.supply_v, v.intake_degc, v.drift_k_per_h, v.reason, v.finding, lower(hex(v.run_digest)) AS run_digest"
     " FROM verdict_rows v LEFT JOIN channels c ON c.id = v.channel LEFT JOIN run_rows r ON r.run_no = v.run_no"
     " LEFT JOIN code_names p ON p.list = 'procedure' AND p.code = v.procedure"
     " LEFT JOIN code_names k ON k.list = 'verdict' AND k.code = v.kind"
     " LEFT JOIN code_names b ON b.list = 'basis' AND b.code = v.basis"
     " LEFT JOIN code_names s ON s.list = 'cause' AND s.code = v.cause"
     " LEFT JOIN code_names s2 ON s2.list = 'cause' AND s2.code = v.cause_second"},
};

/* Since version 2: readings that were sealed, and their seconds. */
static const char *const block_tables[] = {
    "CREATE TABLE reading_blocks(last_row INTEGER PRIMARY KEY, first_row INTEGER, count INTEGER, epoch INTEGER,"
    " min_utc_us INTEGER, max_utc_us INTEGER, codec INTEGER, bytes BLOB)",
    "CREATE TABLE block_parts(run_no INTEGER, channel INTEGER, last_row INTEGER, count INTEGER, max_utc_us INTEGER,"
    " min_ms INTEGER, max_ms INTEGER, PRIMARY KEY(run_no, channel, last_row)) WITHOUT ROWID",
    "CREATE INDEX block_part_by_stamp ON block_parts(channel, max_ms)",
};

/* Since version 3: what was added to a run later; what retention took out, and the digests that stand for it. */
static const char *const later_tables[] = {
    "CREATE TABLE addenda(id INTEGER PRIMARY KEY, run_no INTEGER, utc_s INTEGER, kind INTEGER, who TEXT, name TEXT,"
    " note TEXT, revision INTEGER, size INTEGER, digest BLOB REFERENCES blobs(digest), batch INTEGER)",
    "CREATE INDEX addendum_by_run ON addenda(run_no)",
    "CREATE INDEX addendum_by_batch ON addenda(batch)",
    "CREATE TABLE removals(id INTEGER PRIMARY KEY, utc_s INTEGER, cause INTEGER, what INTEGER, epoch INTEGER,"
    " first INTEGER, last INTEGER, count INTEGER, min_utc_us INTEGER, max_utc_us INTEGER, first_batch INTEGER,"
    " last_batch INTEGER, parts BLOB, seconds BLOB, batch INTEGER)",
    "CREATE TABLE removed_parts(batch INTEGER, what INTEGER, removal INTEGER, count INTEGER,"
    " digest BLOB, rest_count INTEGER, rest_digest BLOB, PRIMARY KEY(batch, what, removal)) WITHOUT ROWID",
    "CREATE INDEX removal_by_batch ON removals(batch)",
    "CREATE INDEX block_part_by_block ON block_parts(last_row)",
};

/* Since version 4: the input log, sealed. */
static const char *const input_tables[] = {
    "CREATE TABLE sealed_inputs(epoch INTEGER, last_seq INTEGER, first_seq INTEGER, count INTEGER, first_batch INTEGER,"
    " last_batch INTEGER, min_utc_us INTEGER, max_utc_us INTEGER, codec INTEGER, bytes BLOB,"
    " PRIMARY KEY(epoch, last_seq))",
};

void journal_schema_reading_columns(char *to, size_t cap, const char *prefix)
{
    to[0] = '\0';
    for (int k = 0; k < SIG_OTHER; k++)
        (void)text_append(to, cap, "%s%s%s", k == 0 ? "" : ", ", prefix, signal_kind_name((enum signal_kind)k));
}

static int make_all(sqlite3 *db, const char *const *texts, size_t count, struct error *err)
{
    for (size_t i = 0; i < count; i++)
        if (sql_exec(db, texts[i], err) != 0)
            return -1;
    return 0;
}

static int make_reading_table(sqlite3 *db, struct error *err)
{
    char columns[1024];
    journal_schema_reading_columns(columns, sizeof columns, "");
    char text[2048];
    /* The columns take REAL affinity from "REAL" behind each name; whole numbers then cost a byte or two. */
    (void)text_format(text, sizeof text,
                      "CREATE TABLE reading_rows(row INTEGER PRIMARY KEY, epoch INTEGER, channel INTEGER, idx INTEGER,"
                      " run_no INTEGER, seq INTEGER, utc_us INTEGER, store_ms INTEGER, half_width_us INTEGER,"
                      " lost INTEGER, back INTEGER");
    for (int k = 0; k < SIG_OTHER; k++)
        (void)text_append(text, sizeof text, ", %s REAL", signal_kind_name((enum signal_kind)k));
    (void)text_append(text, sizeof text, ")");
    if (sql_exec(db, text, err) != 0)
        return -1;
    return sql_exec(db,
                    "CREATE INDEX reading_by_run ON reading_rows(run_no) WHERE run_no <> 0;"
                    "CREATE INDEX reading_by_stamp ON reading_rows(channel, store_ms)",
                    err);
}

static int make_block_tables(sqlite3 *db, struct error *err)
{
    if (make_all(db, block_tables, sizeof block_tables / sizeof block_tables[0], err) != 0)
        return -1;
    char text[8192];
    (void)text_format(text, sizeof text,
                      "CREATE TABLE second_rows(channel INTEGER, run_no INTEGER, second INTEGER, rows INTEGER");
    for (int k = 0; k < SIG_OTHER; k++) {
        const char *name = signal_kind_name((enum signal_kind)k);
        (void)text_append(text, sizeof text, ", %s_min REAL, %s_mean REAL, %s_max REAL", name, name, name);
    }
    if (text_append(text, sizeof text, ", PRIMARY KEY(channel, run_no, second)) WITHOUT ROWID") != 0)
        return error_set(err, "journal: too many signal kinds for the table of seconds");
    return sql_exec(db, text, err);
}

static int make_reading_views(sqlite3 *db, struct error *err)
{
    char text[16384];
    char columns[1024];
    journal_schema_reading_columns(columns, sizeof columns, "m.");
    (void)text_format(text, sizeof text,
                      "DROP VIEW IF EXISTS readings; CREATE VIEW readings AS SELECT m.row, m.epoch, c.name AS channel,"
                      " m.run_no, m.utc_us AS stamp_us, m.store_ms, m.half_width_us, m.lost, m.back, %s"
                      " FROM reading_rows m LEFT JOIN channels c ON c.id = m.channel",
                      columns);
    if (sql_exec(db, text, err) != 0)
        return -1;
    (void)text_format(text, sizeof text,
                      "DROP VIEW IF EXISTS readings_1s; CREATE VIEW readings_1s AS SELECT c.name AS channel, m.run_no,"
                      " m.second, m.rows");
    for (int k = 0; k < SIG_OTHER; k++) {
        const char *name = signal_kind_name((enum signal_kind)k);
        (void)text_append(text, sizeof text, ", m.%s_min, m.%s_mean, m.%s_max", name, name, name);
    }
    (void)text_append(text, sizeof text,
                      " FROM second_rows m LEFT JOIN channels c ON c.id = m.channel UNION ALL SELECT c.name, m.run_no,"
                      " m.utc_us / 1000000, count(*)");
    for (int k = 0; k < SIG_OTHER; k++) {
        const char *name = signal_kind_name((enum signal_kind)k);
        (void)text_append(text, sizeof text, ", min(m.%s), avg(m.%s), max(m.%s)", name, name, name);
    }
    if (text_append(text, sizeof text,
                    " FROM reading_rows m LEFT JOIN channels c ON c.id = m.channel"
                    " GROUP BY m.channel, m.run_no, m.utc_us / 1000000") != 0)
        return error_set(err, "journal: too many signal kinds for the view readings_1s");
    return sql_exec(db, text, err);
}

static int make_views(sqlite3 *db, struct error *err)
{
    for (size_t i = 0; i < sizeof views / sizeof views[0]; i++) {
        char text[4096];
        if (text_format(text, sizeof text, "DROP VIEW IF EXISTS %s; CREATE VIEW %s AS %s", views[i][0], views[i][0],
                        views[i][1]) != 0)
            return error_set(err, "journal: the text of view %s is too long", views[i][0]);
        if (sql_exec(db, text, err) != 0)
            return -1;
    }
    return make_reading_views(db, err);
}

static int make_tables(sqlite3 *db, struct error *err)
{
    return make_all(db, tables, sizeof tables / sizeof tables[0], err) != 0 ? -1 : make_reading_table(db, err);
}

static int set_version(sqlite3 *db, struct error *err)
{
    char text[128];
    (void)text_format(text, sizeof text, "PRAGMA application_id = %d; PRAGMA user_version = %d", JOURNAL_APPLICATION_ID,
                      JOURNAL_SCHEMA_VERSION);
    return sql_exec(db, text, err);
}

/* A newer program may know signal kinds that the file has no column for. Returns how many it added, or -1. */
static int add_columns(sqlite3 *db, struct error *err)
{
    int added = 0;
    for (int k = 0; k < SIG_OTHER; k++) {
        const char *name = signal_kind_name((enum signal_kind)k);
        char text[256];
        int64_t there = 0;
        (void)text_format(text, sizeof text, "SELECT count(*) FROM pragma_table_info('reading_rows') WHERE name = '%s'",
                          name);
        if (sql_get_int(db, text, &there, err) != 0)
            return -1;
        if (there != 0)
            continue;
        (void)text_format(text, sizeof text,
                          "ALTER TABLE reading_rows ADD COLUMN %s REAL; ALTER TABLE second_rows ADD COLUMN %s_min REAL;"
                          "ALTER TABLE second_rows ADD COLUMN %s_mean REAL; ALTER TABLE second_rows ADD COLUMN %s_max"
                          " REAL",
                          name, name, name, name);
        if (sql_exec(db, text, err) != 0)
            return -1;
        added++;
    }
    return added;
}

static const char *procedure_text(int code)
{
    return procedure_name((enum procedure)code);
}

static const char *state_text(int code)
{
    return channel_state_name((enum channel_state)code);
}

static const char *cause_text(int code)
{
    return shutoff_cause_name((enum shutoff_cause)code);
}

static const char *interlock_text(int code)
{
    return interlock_name((enum interlock)code);
}

static const char *verdict_text(int code)
{
    return verdict_kind_name((enum verdict_kind)code);
}

static const char *basis_text(int code)
{
    return basis_name((enum basis)code);
}

static const char *event_text(int code)
{
    return event_kind_name((enum event_kind)code);
}

static const char *signal_text(int code)
{
    return signal_kind_name((enum signal_kind)code);
}

static const char *role_text(int code)
{
    return blob_role_name((enum blob_role)code);
}

static const struct {
    const char *list;
    int first, end;
    const char *(*name)(int code);
} code_lists[] = {
    {"procedure", 0, PROCEDURE_COUNT_, procedure_text},
    {"state", 0, STATE_COUNT_, state_text},
    {"cause", 0, CAUSE_COUNT_, cause_text},
    {"interlock", 0, INTERLOCK_COUNT_, interlock_text},
    {"verdict", 0, VERDICT_COUNT_, verdict_text},
    {"basis", 0, BASIS_COUNT_, basis_text},
    {"event", 1, EVENT_KIND_COUNT_, event_text},
    {"signal", 0, SIG_KIND_COUNT_, signal_text},
    {"blob", 0, BLOB_ROLE_COUNT_, role_text},
};

static int fill_code_names(sqlite3 *db, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(db,
                                   "INSERT INTO code_names(list, code, name) SELECT ?1, ?2, ?3 WHERE NOT EXISTS"
                                   " (SELECT 1 FROM code_names WHERE list = ?1 AND code = ?2)",
                                   err);
    if (st == NULL)
        return -1;
    int rc = 0;
    for (size_t i = 0; rc == 0 && i < sizeof code_lists / sizeof code_lists[0]; i++) {
        for (int code = code_lists[i].first; rc == 0 && code < code_lists[i].end; code++) {
            sql_bind_text(st, 1, code_lists[i].list);
            sql_bind_int(st, 2, code);
            sql_bind_text(st, 3, code_lists[i].name(code));
            rc = sql_run(st, "journal: names of codes", err);
        }
    }
    sqlite3_finalize(st);
    return rc;
}

int journal_schema_version(sqlite3 *db, const char *path, struct error *err)
{
    int64_t application = 0, version = 0, things = 0;
    if (sql_get_int(db, "PRAGMA application_id", &application, err) != 0 ||
        sql_get_int(db, "PRAGMA user_version", &version, err) != 0 ||
        sql_get_int(db, "SELECT count(*) FROM sqlite_schema", &things, err) != 0)
        return error_prefix(err, "%s is no readable journal", path);
    if (application == 0 && version == 0 && things == 0)
        return 0;
    if (application != JOURNAL_APPLICATION_ID || version < 1 || version > 100000)
        return error_set(err, "%s is a database, but not a journal of this program; name another file", path);
    return (int)version;
}

int journal_schema_prepare(sqlite3 *db, const char *path, struct error *err)
{
    int version = journal_schema_version(db, path, err);
    if (version < 0)
        return -1;
    if (version > JOURNAL_SCHEMA_VERSION)
        return error_set(err,
                         "%s was written by a newer version of this program (tables of version %d, this one knows %d): "
                         "install the newer version to go on recording; reading it (run list, record, export) works",
                         path, version, JOURNAL_SCHEMA_VERSION);
    if (sql_exec(db, "BEGIN IMMEDIATE", err) != 0)
        return -1;
    bool older = version < JOURNAL_SCHEMA_VERSION;
    int rc = version == 0 ? make_tables(db, err) : 0;
    if (rc == 0 && version < 2)
        rc = make_block_tables(db, err);
    if (rc == 0 && version < 3)
        rc = make_all(db, later_tables, sizeof later_tables / sizeof later_tables[0], err);
    if (rc == 0 && version < 4)
        rc = make_all(db, input_tables, sizeof input_tables / sizeof input_tables[0], err);
    if (rc == 0 && older)
        rc = set_version(db, err);
    if (rc == 0)
        rc = sql_exec(db, line_table, err);
    if (rc == 0)
        rc = sql_exec(db, plate_index, err);
    int added = rc == 0 ? add_columns(db, err) : -1;
    if (added < 0 || ((older || added > 0) && make_views(db, err) != 0) || fill_code_names(db, err) != 0)
        rc = -1;
    if (rc == 0)
        rc = sql_exec(db, "COMMIT", err);
    if (rc != 0)
        (void)sqlite3_exec(db, "ROLLBACK", NULL, NULL, NULL);
    return rc;
}
