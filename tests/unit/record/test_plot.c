/* Pictures of curves: written whole or not at all, no peak lost by thinning, gaps kept. */
#include <check.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "plot.h"
#include "suite_run.h"

enum { POINTS = 36000 };

struct sample {
    double t[POINTS];
    double v[POINTS];
};

/* An hour of pulses at 160 A, with one narrow peak and one gap. */
static struct sample *sample_new(void)
{
    struct sample *s = malloc(sizeof *s);
    ck_assert_ptr_nonnull(s);
    for (int i = 0; i < POINTS; i++) {
        s->t[i] = i * 0.1;
        s->v[i] = fmod(s->t[i], 600) < 240 ? 160 : 0;
        if (i == 1000)
            s->v[i] = 320;
        if (i > 20000 && i < 21000)
            s->v[i] = NAN;
    }
    return s;
}

static struct plot plot_of(const struct sample *s)
{
    struct plot p = {.title = "HQ-0147", .subtitle = "tig dc 160 A at 40 %", .t_to_s = 3600, .panel_count = 1};
    p.panels[0] = (struct plot_panel){.title = "I2 / A", .series_count = 1, .from_zero = true};
    p.panels[0].series[0] = (struct plot_series){"welding current", s->t, s->v, POINTS};
    return p;
}

/* Darkest value in a column range of the drawn picture, below a given row: is ink there? */
static bool ink(cairo_surface_t *surface, int x0, int x1, int y0, int y1)
{
    const unsigned char *data = cairo_image_surface_get_data(surface);
    int stride = cairo_image_surface_get_stride(surface);
    for (int y = y0; y < y1; y++) {
        for (int x = x0; x < x1; x++) {
            uint32_t pixel;
            memcpy(&pixel, data + y * stride + 4 * x, 4);
            if ((pixel & 0xff) < 0x90 && (pixel >> 16 & 0xff) < 0x70)
                return true;
        }
    }
    return false;
}

START_TEST(thinning_keeps_the_peak)
{
    struct sample *s = sample_new();
    struct plot p = plot_of(s);
    p.title = NULL;
    p.subtitle = NULL;
    cairo_surface_t *surface = cairo_image_surface_create(CAIRO_FORMAT_RGB24, 600, 300);
    cairo_t *cr = cairo_create(surface);
    cairo_set_source_rgb(cr, 1, 1, 1);
    cairo_paint(cr);
    plot_draw(cr, &p, 0, 0, 600, 300);
    cairo_destroy(cr);
    cairo_surface_flush(surface);
    /* The data area begins at x 46 and is 542 wide; the one reading of 320 A at 100 s is alone in the upper part. */
    int peak_x = 46 + (int)(542 * 100.0 / 3600);
    ck_assert(ink(surface, peak_x - 2, peak_x + 3, 40, 120));
    ck_assert(!ink(surface, 200, 500, 45, 110));
    cairo_surface_destroy(surface);
    free(s);
}
END_TEST

static const struct {
    enum plot_format format;
    const char *begins;
} formats[] = {{PLOT_PNG, "\x89PNG"}, {PLOT_SVG, "<?xml"}, {PLOT_PDF, "%PDF"}};

START_TEST(written_whole)
{
    struct sample *s = sample_new();
    struct plot p = plot_of(s);
    char path[] = "/tmp/plotXXXXXX";
    int fd = mkstemp(path);
    ck_assert_int_ge(fd, 0);
    close(fd);
    struct error err = {{0}};
    ck_assert_msg(plot_write(&p, formats[_i].format, path, 595, 400, &err) == 0, "%s", err.text);
    char head[8] = {0};
    FILE *f = fopen(path, "rb");
    ck_assert_ptr_nonnull(f);
    ck_assert_uint_ge(fread(head, 1, 5, f), 5);
    (void)fclose(f);
    ck_assert_int_eq(strncmp(head, formats[_i].begins, strlen(formats[_i].begins)), 0);
    (void)unlink(path);
    free(s);
}
END_TEST

START_TEST(bad_folder_is_an_error)
{
    struct sample *s = sample_new();
    struct plot p = plot_of(s);
    struct error err = {{0}};
    ck_assert_int_eq(plot_write(&p, formats[_i].format, "/nonexistent/plot", 595, 400, &err), -1);
    ck_assert_ptr_nonnull(strstr(err.text, "/nonexistent/plot"));
    free(s);
}
END_TEST

START_TEST(empty_plot_draws)
{
    struct plot p = {.title = "nothing", .panel_count = 1};
    p.panels[0].title = "I2 / A";
    char path[] = "/tmp/plotXXXXXX";
    int fd = mkstemp(path);
    ck_assert_int_ge(fd, 0);
    close(fd);
    ck_assert_int_eq(plot_write(&p, PLOT_PNG, path, 400, 300, NULL), 0);
    (void)unlink(path);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("plot");
    TCase *t = tcase_create("all");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, thinning_keeps_the_peak);
    tcase_add_loop_test(t, written_whole, 0, 3);
    tcase_add_loop_test(t, bad_folder_is_an_error, 0, 3);
    tcase_add_test(t, empty_plot_draws);
    suite_add_tcase(s, t);
    return suite_run(s);
}
