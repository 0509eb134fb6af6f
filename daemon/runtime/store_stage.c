#include "store_stage.h"

#include <pthread.h>
#include <stdlib.h>

#include "journal_stage.h"

struct store_stage {
    struct queue *orders;
    struct uplink *uplink;
    pthread_mutex_t mutex;
    struct uplink_status status; /* guarded by mutex, as are these: */
    bool resend;
    int64_t from_row[FEED_COUNT_];
};

static int put_cursor(void *ctx, const struct journal_cursor *cursor)
{
    struct store_stage *s = ctx;
    return queue_put(s->orders, ORDER_CURSOR, 0, cursor, sizeof *cursor);
}

static int put_set_aside(void *ctx, const struct journal_set_aside *line)
{
    struct store_stage *s = ctx;
    return queue_put(s->orders, ORDER_SET_ASIDE, 0, line, sizeof *line);
}

static enum uplink_kind uplink_kind_of(enum store_kind kind)
{
    switch (kind) {
    case STORE_INFLUXDB_V2:
        return UPLINK_INFLUXDB_V2;
    case STORE_VICTORIAMETRICS:
        return UPLINK_VICTORIAMETRICS;
    case STORE_INFLUXDB_V1:
    case STORE_KIND_COUNT_:
        break;
    }
    return UPLINK_INFLUXDB_V1;
}

static void fill_setup(struct uplink_setup *setup, const struct config *config, const struct store_config *store)
{
    setup->kind = uplink_kind_of(store->kind);
    text_copy(setup->name, sizeof setup->name, store->name);
    text_copy(setup->url, sizeof setup->url, store->url);
    text_copy(setup->database, sizeof setup->database, store->database);
    text_copy(setup->bucket, sizeof setup->bucket, store->bucket);
    text_copy(setup->organisation, sizeof setup->organisation, store->org);
    text_copy(setup->user, sizeof setup->user, store->user);
    text_copy(setup->password_file, sizeof setup->password_file, store->password_file);
    text_copy(setup->token_file, sizeof setup->token_file, store->token_file);
    text_copy(setup->ca_file, sizeof setup->ca_file, store->ca_file);
    text_copy(setup->bench, sizeof setup->bench, config->bench.name);
    text_copy(setup->journal_path, sizeof setup->journal_path, config->journal.path);
    setup->gzip = store->gzip;
    setup->batch_lines = store->batch_lines;
    setup->batch_bytes = (int)store->batch_bytes;
    setup->batch_age_ns = store->batch_age_ns;
    setup->settle_ns = store->settle_ns;
    setup->timeout_ms = store->timeout_ns / 1000000;
}

struct store_stage *store_stage_new(const struct config *config, int store, struct queue *orders, struct error *err)
{
    struct store_stage *s = calloc(1, sizeof *s);
    if (!s || pthread_mutex_init(&s->mutex, NULL)) {
        free(s);
        error_set(err, "out of memory");
        return NULL;
    }
    s->orders = orders;
    struct uplink_setup setup = {.seed = (uint64_t)store + 1,
                                 .sink = {.put_cursor = put_cursor, .put_set_aside = put_set_aside, .ctx = s}};
    fill_setup(&setup, config, &config->stores[store]);
    s->uplink = uplink_new(&setup, err);
    if (!s->uplink) {
        store_stage_free(s);
        return NULL;
    }
    uplink_get_status(s->uplink, &s->status);
    return s;
}

void store_stage_free(struct store_stage *stage)
{
    if (!stage)
        return;
    uplink_free(stage->uplink);
    pthread_mutex_destroy(&stage->mutex);
    free(stage);
}

int64_t store_stage_run(struct store_stage *stage, int64_t real_ns)
{
    struct uplink_status status;
    int64_t sleep_ns = uplink_run_once(stage->uplink, real_ns);
    pthread_mutex_lock(&stage->mutex);
    /* Behind a round, since the first one reads where the store stands. */
    if (stage->resend) {
        uplink_resend(stage->uplink, stage->from_row);
        stage->resend = false;
        sleep_ns = 0;
    }
    uplink_get_status(stage->uplink, &status);
    stage->status = status;
    pthread_mutex_unlock(&stage->mutex);
    return sleep_ns;
}

void store_stage_resend(struct store_stage *stage, const int64_t from_row[FEED_COUNT_])
{
    pthread_mutex_lock(&stage->mutex);
    for (int f = 0; f < FEED_COUNT_; f++) {
        int64_t before = stage->resend ? stage->from_row[f] : -1;
        bool earlier = before < 0 || (from_row[f] >= 0 && from_row[f] < before);
        stage->from_row[f] = earlier ? from_row[f] : before;
    }
    stage->resend = true;
    pthread_mutex_unlock(&stage->mutex);
}

void store_stage_status(struct store_stage *stage, struct uplink_status *status)
{
    pthread_mutex_lock(&stage->mutex);
    *status = stage->status;
    pthread_mutex_unlock(&stage->mutex);
}

enum store_stand store_stand_of(const struct uplink_status *status)
{
    if (status->self_test == SELF_TEST_FAILED)
        return STORE_STAND_SELF_TEST_FAILED;
    switch (status->state) {
    case UPLINK_REFUSED:
        return STORE_STAND_REFUSED;
    case UPLINK_WAITING:
        return STORE_STAND_UNREACHABLE;
    case UPLINK_STARTING:
    case UPLINK_IDLE:
    case UPLINK_SENDING:
    case UPLINK_STATE_COUNT_:
        break;
    }
    if (status->lines_set_aside > 0)
        return STORE_STAND_SET_ASIDE;
    return status->self_test == SELF_TEST_OPEN ? STORE_STAND_STARTING : STORE_STAND_GOOD;
}
