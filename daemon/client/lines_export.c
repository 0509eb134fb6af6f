#include "lines_export.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "line_protocol.h"

struct lines_job {
    FILE *file;
    struct line_text text;
    char bench[NAME_CAP], channel[NAME_CAP];
    bool failed;
    int64_t rows;
    export_progress_fn progress;
    void *ctx;
};

/* Writes what has been appended; a row without anything that can be sent gave nothing. */
static int flush_text(struct lines_job *job, int put_result)
{
    if (put_result < 0 ||
        (job->text.used > 0 && fwrite(job->text.text, 1, job->text.used, job->file) != job->text.used))
        job->failed = true;
    if (++job->rows % 10000 == 0 && job->progress)
        job->progress(job->ctx, job->rows);
    line_text_clear(&job->text);
    return job->failed;
}

static int one_reading(void *ctx, const struct journal_reading *m)
{
    struct lines_job *job = ctx;
    return flush_text(job, line_put_reading(&job->text, job->bench, job->channel, m));
}

static int one_event(void *ctx, const struct journal_event *e)
{
    struct lines_job *job = ctx;
    return flush_text(job, line_put_event(&job->text, job->bench, e, true));
}

static int one_verdict(void *ctx, const struct journal_verdict *v)
{
    struct lines_job *job = ctx;
    return flush_text(job, line_put_verdict(&job->text, job->bench, v, true));
}

static int find_names(struct journal_reader *reader, int64_t run_no, struct lines_job *job, struct error *err)
{
    struct journal_run *run = calloc(1, sizeof *run);
    struct bench *bench = calloc(1, sizeof *bench);
    int found = -1;
    if (!run || !bench)
        error_set(err, "memory is short");
    else if ((found = journal_reader_run(reader, run_no, run, err)) == 1)
        found = journal_reader_bench(reader, run->epoch, bench, err);
    if (found == 0)
        error_set(err, "there is no run %lld on record; soakbench run list shows them", (long long)run_no);
    if (found == 1) {
        (void)text_copy(job->bench, sizeof job->bench, bench->name);
        (void)text_copy(job->channel, sizeof job->channel, run->channel_name);
    }
    free(run);
    free(bench);
    return found == 1 ? 0 : -1;
}

static int write_rows(struct journal_reader *reader, int64_t run_no, struct lines_job *job, struct error *err)
{
    struct row_filter filter = row_filter_any();
    filter.run_no = run_no;
    if (journal_reader_readings(reader, &filter, one_reading, job, err) < 0 ||
        journal_reader_events(reader, &filter, one_event, job, err) < 0 ||
        journal_reader_verdicts(reader, &filter, one_verdict, job, err) < 0)
        return -1;
    return job->failed ? error_set(err, "the lines could not be written: %s", strerror(errno)) : 0;
}

int export_lines(struct journal_reader *reader, int64_t run_no, const char *folder, export_progress_fn progress,
                 void *ctx, struct error *err)
{
    struct lines_job job = {.progress = progress, .ctx = ctx};
    char path[PATH_CAP], part[PATH_CAP];
    if (find_names(reader, run_no, &job, err) != 0)
        return -1;
    if (text_format(path, sizeof path, "%s/run-%lld.lp", folder, (long long)run_no) != 0 ||
        text_format(part, sizeof part, "%s.part", path) != 0)
        return error_set(err, "the path %s is too long", folder);
    if (mkdir(folder, 0777) != 0 && errno != EEXIST)
        return error_set(err, "%s cannot be made: %s", folder, strerror(errno));
    job.file = fopen(part, "wb");
    if (!job.file)
        return error_set(err, "%s cannot be written: %s", part, strerror(errno));
    int result = write_rows(reader, run_no, &job, err);
    if (fclose(job.file) != 0 && result == 0)
        result = error_set(err, "%s cannot be written: %s", part, strerror(errno));
    if (result == 0 && rename(part, path) != 0)
        result = error_set(err, "%s cannot be named %s: %s", part, path, strerror(errno));
    if (result != 0)
        (void)unlink(part);
    line_text_free(&job.text);
    return result;
}
