#include "journal_watch.h"

#include <inttypes.h>

#include "command.h"

static void tell(const struct journal_stage_setup *setup, const char *text)
{
    struct error err = {0};
    struct journal_notice n = {.urgency = NOTIFY_MORNING,
                               .channel = -1,
                               .made_utc_s = bench_clock_utc_ns(setup->clock) / 1000000000,
                               .state = NOTICE_PENDING};
    text_copy(n.text, sizeof n.text, text);
    log_write(setup->log, LOG_LEVEL_WARN, "journal: %s", text);
    if (journal_begin(setup->journal, &err) || journal_put_notice(setup->journal, &n, &err) ||
        journal_commit(setup->journal, &err)) {
        journal_rollback(setup->journal);
        log_write(setup->log, LOG_LEVEL_WARN, "journal: nobody could be told: %s", err.text);
    } else if (setup->stored) {
        setup->stored(setup->ctx, true);
    }
}

void journal_watch_wal(struct journal_watch *w, const struct journal_stage_setup *setup,
                       const struct journal_stats *stats)
{
    if (stats->wal_alarm && !w->wal_told) {
        char text[TEXT_CAP];
        text_format(text, sizeof text,
                    "The journal's WAL has grown to %" PRId64
                    " MB: some program holds the journal open for reading and "
                    "does not let go. Find it (fuser names it) and end its query. Nothing is lost.",
                    stats->wal_bytes / 1000000);
        tell(setup, text);
        w->wal_told = true;
    } else if (!stats->wal_alarm && w->wal_told) {
        log_write(setup->log, LOG_LEVEL_NOTICE, "journal: its WAL is small again");
        w->wal_told = false;
    }
}

void journal_watch_size(struct journal_watch *w, const struct journal_stage_setup *setup)
{
    struct error err = {0};
    struct journal_stats stats;
    if (setup->keeping.max_bytes == 0 || journal_get_stats(setup->journal, &stats, &err))
        return;
    bool too_large = stats.used_bytes > setup->keeping.max_bytes;
    if (too_large && !w->too_large_told) {
        char text[TEXT_CAP];
        text_format(text, sizeof text,
                    "The journal holds %" PRId64 " MB, more than its max_size of %" PRId64
                    " MB, and nothing in it may go: all is of runs, too young to be sealed, or not yet settled in a "
                    "store.",
                    stats.used_bytes / 1000000, setup->keeping.max_bytes / 1000000);
        tell(setup, text);
    }
    w->too_large_told = too_large;
}

void journal_watch_check(struct journal_watch *w, const struct journal_stage_setup *setup)
{
    if (!atomic_load(&w->check_told))
        return;
    tell(setup, w->check_words);
    atomic_store(&w->check_told, false);
}
