/* record and export: a run on paper, as a picture, as files. */
#include <math.h>
#include <string.h>
#include <time.h>

#include "commands.h"
#include "json_build.h"
#include "lines_export.h"
#include "run_export.h"
#include "run_plot.h"
#include "run_record.h"

static const double picture_width_pt = 800.0, picture_height_pt = 560.0;

/* The other run of the pair must be of the same unit: a record that pairs two machines would lie. */
static struct run_data *load_pair(struct journal_reader *reader, const struct run_data *data, double run_no,
                                  struct error *err)
{
    struct run_data *pair = run_data_load(reader, (int64_t)run_no, err);
    if (pair && strcmp(pair->run.request.serial, data->run.request.serial) != 0) {
        error_set(err, "run %lld is of unit %s, run %lld of %s: a pair is two runs of one unit",
                  (long long)pair->run.run_no, pair->run.request.serial, (long long)data->run.run_no,
                  data->run.request.serial);
        run_data_free(pair);
        pair = NULL;
    }
    return pair;
}

static int write_pdf(struct client *c, const struct arguments *args, struct journal_reader *reader,
                     const struct run_data *data, const char *path, struct error *err)
{
    struct print_wishes wishes;
    double found = argument_number(args, "--as-found", 0), left = argument_number(args, "--as-left", 0);
    struct run_data *pair = NULL;
    if (found > 0 || left > 0) {
        pair = load_pair(reader, data, found > 0 ? found : left, err);
        if (!pair)
            return -1;
    }
    client_print_wishes(c, &wishes);
    struct record_options options = {.paper = wishes.letter ? PAPER_LETTER : PAPER_A4,
                                     .site = wishes.site[0] ? wishes.site : NULL,
                                     .customer = argument_text(args, "--customer", NULL),
                                     .job = argument_text(args, "--job", NULL),
                                     .approver = argument_text(args, "--approver", NULL),
                                     .remark = argument_text(args, "--remark", NULL),
                                     .received_utc_s = (int64_t)argument_number(args, "--received", 0),
                                     .issued_utc_s = (int64_t)time(NULL),
                                     .version = SOAKBENCH_VERSION,
                                     .pair = pair,
                                     .pair_role = found > 0  ? "as left"
                                                  : left > 0 ? "as found"
                                                             : NULL};
    int result = run_record_write(data, &options, path, err);
    run_data_free(pair);
    return result;
}

static int write_picture(const struct run_data *data, enum plot_format format, const char *path, struct error *err)
{
    struct run_plot plot;
    if (run_plot_init(&plot, data, 0.0, data->length_s) != 0)
        return error_set(err, "memory is short");
    int result = plot_write(&plot.plot, format, path, picture_width_pt, picture_height_pt, err);
    run_plot_fini(&plot);
    return result;
}

static int tell_files(struct client *c, const char *const *paths, int count)
{
    if (!c->json) {
        for (int i = 0; i < count; i++)
            fprintf(c->screen.out, "Written: %s\n", paths[i]);
        return EXIT_DONE;
    }
    struct json_build b = build_begin();
    json_t *list = json_array();
    for (int i = 0; list && i < count; i++) {
        if (json_array_append_new(list, json_string(paths[i])) != 0)
            b.bad = true;
    }
    build_add(&b, "files", list);
    return client_print_json(c, build_end(&b));
}

static int write_record(struct client *c, const struct arguments *args, struct journal_reader *reader,
                        const struct run_data *data)
{
    const char *paths[3];
    int count = 0, result = 0;
    struct error err = {{0}};
    const char *pdf = argument_text(args, "--pdf", NULL), *svg = argument_text(args, "--svg", NULL),
               *png = argument_text(args, "--png", NULL);
    if (pdf) {
        result = write_pdf(c, args, reader, data, pdf, &err);
        paths[count++] = pdf;
    }
    if (svg && result == 0) {
        result = write_picture(data, PLOT_SVG, svg, &err);
        paths[count++] = svg;
    }
    if (png && result == 0) {
        result = write_picture(data, PLOT_PNG, png, &err);
        paths[count++] = png;
    }
    return result == 0 ? tell_files(c, paths, count) : client_failed(c, &err);
}

int command_record(struct client *c, const struct arguments *args)
{
    int64_t run_no = 0;
    struct error err = {{0}};
    int status = client_run_operand(c, args, &run_no);
    if (status != EXIT_DONE)
        return status;
    if (!argument(args, "--pdf")->given && !argument(args, "--svg")->given && !argument(args, "--png")->given)
        return client_wrong_use(c, "record needs --pdf FILE, --svg FILE or --png FILE");
    if (argument(args, "--as-found")->given && argument(args, "--as-left")->given)
        return client_wrong_use(c, "record: name either --as-found or --as-left, the other run of the pair");
    struct journal_reader *reader = client_journal(c, &err);
    struct run_data *data = reader ? run_data_load(reader, run_no, &err) : NULL;
    status = data ? write_record(c, args, reader, data) : client_failed(c, &err);
    run_data_free(data);
    journal_reader_close(reader);
    return status;
}

static void show_progress(void *ctx, int64_t rows)
{
    struct client *c = ctx;
    if (c->errors.terminal)
        fprintf(c->errors.out, "\r%lld rows ", (long long)rows);
}

int command_export(struct client *c, const struct arguments *args)
{
    int64_t run_no = 0;
    struct error err = {{0}};
    int status = client_run_operand(c, args, &run_no);
    const char *folder = argument_text(args, "--to", NULL);
    if (status != EXIT_DONE)
        return status;
    if (!folder)
        return client_wrong_use(c, "export needs --to FOLDER");
    struct journal_reader *reader = client_journal(c, &err);
    bool lines = argument(args, "--as")->given && argument(args, "--as")->word == 1;
    if (reader && lines)
        status = export_lines(reader, run_no, folder, show_progress, c, &err) == 0 ? tell_files(c, &folder, 1)
                                                                                   : client_failed(c, &err);
    else if (!reader || run_export_csv(reader, run_no, folder, SOAKBENCH_VERSION, show_progress, c, &err) != 0)
        status = client_failed(c, &err);
    else
        status = tell_files(c, &folder, 1);
    journal_reader_close(reader);
    return status;
}
