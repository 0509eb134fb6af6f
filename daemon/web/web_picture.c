/* The record as PDF and the curves as a picture, drawn as on paper. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "run_plot.h"
#include "run_record.h"
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

static int write_picture(const struct run_data *data, const char *what, const char *version, const char *path,
                         struct error *err)
{
    if (strcmp(what, "record.pdf") == 0) {
        struct record_options options = {.issued_utc_s = (int64_t)time(NULL), .version = version};
        return run_record_write(data, &options, path, err);
    }
    struct run_plot plot;
    int rc = run_plot_init(&plot, data, 0, data->length_s > 1 ? data->length_s : 1);
    if (rc == 0)
        rc = plot_write(&plot.plot, PLOT_SVG, path, 760, 640, err);
    else
        (void)error_set(err, "memory is short");
    run_plot_fini(&plot);
    return rc;
}

void web_picture(const struct web_context *c, struct journal_reader *r, int64_t run_no, const char *what,
                 struct web_reply *reply)
{
    struct error err = {{0}};
    char path[] = "/tmp/soakbench-web-XXXXXX";
    int fd = mkstemp(path);
    if (fd < 0) {
        web_reply_error(reply, 500, "no temporary file could be made");
        return;
    }
    (void)close(fd);
    struct run_data *data = run_data_load(r, run_no, &err);
    if (data == NULL)
        web_reply_error(reply, 404, err.text);
    else if (write_picture(data, what, c->version, path, &err) != 0)
        web_reply_error(reply, 500, err.text);
    else
        reply_file(reply, path, strcmp(what, "record.pdf") == 0 ? "application/pdf" : "image/svg+xml");
    run_data_free(data);
    (void)unlink(path);
}
