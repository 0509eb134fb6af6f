#include "run_record.h"

#include <cairo-pdf.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "paper_parts.h"
#include "run_plot.h"

void run_record_number(char *to, size_t cap, const struct run_data *d)
{
    (void)text_format(to, cap, "%s-%lld-%d", d->bench->name, (long long)d->run.run_no,
                      d->run.judged ? d->run.verdict.revision : 0);
}

/* Long runs are cut into pages of at most four hours. */
static int put_curves(struct record *r)
{
    const double page_s = 4 * 3600;
    double length = r->data->length_s > 1 ? r->data->length_s : 1;
    int pages = (int)ceil(length / page_s);
    for (int i = 0; i < pages; i++) {
        double to = fmin(length, (i + 1) * page_s);
        struct run_plot plot;
        int rc = run_plot_init(&plot, r->data, i * page_s, to);
        if (rc == 0) {
            sheet_new_page(&r->sheet);
            plot_draw(r->sheet.cr, &plot.plot, r->sheet.margin - 20, r->sheet.y,
                      r->sheet.width - 2 * r->sheet.margin + 26, sheet_room(&r->sheet));
        }
        run_plot_fini(&plot);
        if (rc != 0)
            return -1;
    }
    return 0;
}

static int draw_document(struct record *r, cairo_t *cr, int page_count)
{
    char number[CELL_CAP];
    run_record_number(number, sizeof number, r->data);
    (void)text_format(r->sheet.head, sizeof r->sheet.head, "record %s", number);
    (void)text_format(r->sheet.foot, sizeof r->sheet.foot, "%s  unit %s  relates only to the item tested",
                      r->options->site != NULL ? r->options->site : r->data->bench->name, r->data->run.request.serial);
    sheet_begin(&r->sheet, cr, r->options->paper, page_count);
    char title[CELL_CAP];
    (void)text_format(title, sizeof title, "Duty cycle check: record %s", number);
    sheet_title(&r->sheet, title);
    paper_verdict(r);
    paper_revisions(r);
    paper_unit(r);
    paper_test(r);
    paper_conditions(r);
    paper_survey(r);
    if (r->data->run.request.procedure != PROCEDURE_SURVEY)
        paper_result(r);
    paper_pair(r);
    paper_cycles(r);
    paper_meters(r);
    paper_addenda(r);
    paper_claims(r);
    if (put_curves(r) != 0)
        return -1;
    sheet_end(&r->sheet);
    return 0;
}

/* Draws the whole document on a surface; returns the number of pages or -1. */
static int draw_on(cairo_surface_t *surface, const struct run_data *data, const struct record_options *options,
                   int page_count)
{
    struct record r = {.data = data, .options = options};
    cairo_t *cr = cairo_create(surface);
    int rc = draw_document(&r, cr, page_count);
    cairo_status_t status = cairo_status(cr);
    cairo_destroy(cr);
    cairo_surface_finish(surface);
    if (status == CAIRO_STATUS_SUCCESS)
        status = cairo_surface_status(surface);
    return rc == 0 && status == CAIRO_STATUS_SUCCESS ? r.sheet.page : -1;
}

static cairo_status_t discard(void *closure, const unsigned char *data, unsigned int length)
{
    (void)closure;
    (void)data;
    (void)length;
    return CAIRO_STATUS_SUCCESS;
}

int run_record_write(const struct run_data *data, const struct record_options *options, const char *path,
                     struct error *err)
{
    double width, height;
    paper_size(options->paper, &width, &height);
    char temporary[4096];
    if (text_format(temporary, sizeof temporary, "%s.part", path) != 0)
        return error_set(err, "%s: the file name is too long", path);
    cairo_surface_t *counter = cairo_pdf_surface_create_for_stream(discard, NULL, width, height);
    int pages = draw_on(counter, data, options, 0);
    cairo_surface_destroy(counter);
    if (pages < 0)
        return error_set(err, "the record of run %lld could not be laid out: memory is short",
                         (long long)data->run.run_no);
    cairo_surface_t *surface = cairo_pdf_surface_create(temporary, width, height);
    if (cairo_surface_status(surface) == CAIRO_STATUS_SUCCESS) {
        cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_TITLE, "Duty cycle check");
        cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_CREATOR, "soakbench");
    }
    int drawn = draw_on(surface, data, options, pages);
    cairo_surface_destroy(surface);
    if (drawn != pages) {
        (void)remove(temporary);
        return error_set(err, "%s: the record could not be written; is the folder there and writable?", path);
    }
    if (rename(temporary, path) != 0) {
        int why = errno;
        (void)remove(temporary);
        return error_set(err, "%s: the record could not be put in place (error %d)", path, why);
    }
    return 0;
}
