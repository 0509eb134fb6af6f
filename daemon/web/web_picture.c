/* The record as PDF and the curves as a picture, drawn as on paper. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "run_plot.h"
#include "run_record.h"
#include "utc.h"
#include "web_request.h"

/* A file that one of the drawing functions writes by name, read back into the reply. */
static void reply_file(struct web_reply *reply, const char *path, const char *type)
{
    FILE *f = fopen(path, "rb");
    long size = -1;
    char *bytes = NULL;
    if (f != NULL && fseek(f, 0, SEEK_END) == 0 && (size = ftell(f)) > 0 && fseek(f, 0, SEEK_SET) == 0)
        bytes = malloc((size_t)size);
    if (bytes != NULL && fread(bytes, 1, (size_t)size, f) == (size_t)size) {
        *reply = (struct web_reply){.status = 200, .type = type, .bytes = bytes, .size = (size_t)size, .owned = true};
        bytes = NULL;
    } else {
        web_reply_error(reply, 500, "the picture could not be read back");
    }
    free(bytes);
    if (f != NULL)
        (void)fclose(f);
}

/* The other run of an as-found and as-left pair, when one is named. 1: none is. */
static int load_pair(const struct web_request *q, struct journal_reader *r, const struct run_data *data,
                     struct record_options *options, struct run_data **pair, struct error *err)
{
    double found = web_number(q, "as_found", 1, 9e15, 0), left = web_number(q, "as_left", 1, 9e15, 0);
    if (found > 0 && left > 0)
        return error_set(err, "name either as_found or as_left, the other run of the pair");
    if (!(found > 0) && !(left > 0))
        return 0;
    *pair = run_data_load(r, (int64_t)(found > 0 ? found : left), err);
    if (*pair == NULL)
        return -1;
    if (strcmp((*pair)->run.request.serial, data->run.request.serial) != 0)
        return error_set(err, "run %lld is of unit %s: a pair is two runs of one unit", (long long)(*pair)->run.run_no,
                         (*pair)->run.request.serial);
    options->pair = *pair;
    options->pair_role = found > 0 ? "as left" : "as found";
    return 0;
}

static const char *wish(const struct web_request *q, const char *name)
{
    const char *text = web_argument(q, name);
    return text != NULL && text[0] != '\0' ? text : NULL;
}

/* Returns the status to answer: 200, or another with err. */
static unsigned write_record(const struct web_context *c, const struct web_request *q, struct journal_reader *r,
                             const struct run_data *data, const char *path, struct error *err)
{
    struct record_options options = {.paper = c->letter ? PAPER_LETTER : PAPER_A4,
                                     .site = c->site[0] != '\0' ? c->site : NULL,
                                     .customer = wish(q, "customer"),
                                     .job = wish(q, "job"),
                                     .approver = wish(q, "approver"),
                                     .remark = wish(q, "remark"),
                                     .issued_utc_s = (int64_t)time(NULL),
                                     .version = c->version};
    struct run_data *pair = NULL;
    unsigned status = 200;
    if ((wish(q, "received") != NULL && utc_parse(wish(q, "received"), &options.received_utc_s) != 0)) {
        (void)error_set(err, "received: write a date as 2026-03-31");
        status = 400;
    } else if (load_pair(q, r, data, &options, &pair, err) != 0) {
        status = 400;
    } else if (run_record_write(data, &options, path, err) != 0) {
        status = 500;
    }
    run_data_free(pair);
    return status;
}

static unsigned write_curves(const struct run_data *data, const char *path, struct error *err)
{
    struct run_plot plot;
    int rc = run_plot_init(&plot, data, 0, data->length_s > 1 ? data->length_s : 1);
    if (rc == 0)
        rc = plot_write(&plot.plot, PLOT_SVG, path, 760, 640, err);
    else
        (void)error_set(err, "memory is short");
    run_plot_fini(&plot);
    return rc == 0 ? 200 : 500;
}

void web_picture(const struct web_context *c, const struct web_request *q, struct journal_reader *r, int64_t run_no,
                 const char *what, struct web_reply *reply)
{
    struct error err = {{0}};
    bool record = strcmp(what, "record.pdf") == 0;
    unsigned status = 404;
    char path[] = "/tmp/soakbench-web-XXXXXX";
    int fd = mkstemp(path);
    if (fd < 0) {
        web_reply_error(reply, 500, "no temporary file could be made");
        return;
    }
    (void)close(fd);
    struct run_data *data = run_data_load(r, run_no, &err);
    if (data != NULL)
        status = record ? write_record(c, q, r, data, path, &err) : write_curves(data, path, &err);
    if (status == 200)
        reply_file(reply, path, record ? "application/pdf" : "image/svg+xml");
    else
        web_reply_error(reply, status, err.text);
    run_data_free(data);
    (void)unlink(path);
}
