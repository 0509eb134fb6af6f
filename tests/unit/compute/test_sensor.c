/* Thermocouples, platinum resistors, current loops, shunts. */
#include <math.h>

#include "sensor.h"
#include "suite.h"

/* ITS-90: type, degC, mV as the tables of NIST Monograph 175 print it, mV from the published coefficients worked out
 * outside this program. */
static const struct {
    enum thermocouple type;
    double degc, printed_mv, mv;
} its90[] = {{THERMOCOUPLE_K, -270, -6.458, -6.457737953},    {THERMOCOUPLE_K, -200, -5.891, -5.891403592},
             {THERMOCOUPLE_K, -100, -3.554, -3.553631337},    {THERMOCOUPLE_K, -50, -1.889, -1.889383330},
             {THERMOCOUPLE_K, 0, 0.000, 0.000000000},         {THERMOCOUPLE_K, 20, 0.798, 0.798119699},
             {THERMOCOUPLE_K, 25, 1.000, 1.000242355},        {THERMOCOUPLE_K, 40, 1.612, 1.611791849},
             {THERMOCOUPLE_K, 50, 2.023, 2.023077886},        {THERMOCOUPLE_K, 100, 4.096, 4.096230219},
             {THERMOCOUPLE_K, 150, 6.138, 6.138343927},       {THERMOCOUPLE_K, 200, 8.138, 8.138473326},
             {THERMOCOUPLE_K, 250, 10.153, 10.153368758},     {THERMOCOUPLE_K, 300, 12.209, 12.208565530},
             {THERMOCOUPLE_K, 400, 16.397, 16.397141850},     {THERMOCOUPLE_K, 500, 20.644, 20.644286390},
             {THERMOCOUPLE_K, 600, 24.905, 24.905466979},     {THERMOCOUPLE_K, 800, 33.275, 33.275379809},
             {THERMOCOUPLE_K, 1000, 41.276, 41.275606456},    {THERMOCOUPLE_K, 1200, 48.838, 48.838237933},
             {THERMOCOUPLE_K, 1300, 52.410, 52.410274713},    {THERMOCOUPLE_K, 1372, 54.886, 54.886364025},
             {THERMOCOUPLE_J, -210, -8.095, -8.095379649},    {THERMOCOUPLE_J, -200, -7.890, -7.890483259},
             {THERMOCOUPLE_J, -100, -4.633, -4.632523680},    {THERMOCOUPLE_J, -50, -2.431, -2.431276241},
             {THERMOCOUPLE_J, 0, 0.000, 0.000000000},         {THERMOCOUPLE_J, 20, 1.019, 1.019149275},
             {THERMOCOUPLE_J, 25, 1.277, 1.277288384},        {THERMOCOUPLE_J, 40, 2.059, 2.058847281},
             {THERMOCOUPLE_J, 50, 2.585, 2.585315497},        {THERMOCOUPLE_J, 100, 5.269, 5.268916083},
             {THERMOCOUPLE_J, 150, 8.010, 8.009904949},       {THERMOCOUPLE_J, 200, 10.779, 10.778746053},
             {THERMOCOUPLE_J, 250, 13.555, 13.555192184},     {THERMOCOUPLE_J, 300, 16.327, 16.327205533},
             {THERMOCOUPLE_J, 400, 21.848, 21.848065024},     {THERMOCOUPLE_J, 500, 27.393, 27.392630968},
             {THERMOCOUPLE_J, 600, 33.102, 33.102410412},     {THERMOCOUPLE_J, 760, 42.919, 42.918641333},
             {THERMOCOUPLE_J, 800, 45.494, 45.494394256},     {THERMOCOUPLE_J, 1000, 57.953, 57.953410350},
             {THERMOCOUPLE_J, 1200, 69.553, 69.553179788},    {THERMOCOUPLE_T, -270, -6.258, -6.257505038},
             {THERMOCOUPLE_T, -200, -5.603, -5.602960700},    {THERMOCOUPLE_T, -100, -3.379, -3.378582056},
             {THERMOCOUPLE_T, -50, -1.819, -1.819035697},     {THERMOCOUPLE_T, 0, 0.000, 0.000000000},
             {THERMOCOUPLE_T, 20, 0.790, 0.789611637},        {THERMOCOUPLE_T, 25, 0.992, 0.991977268},
             {THERMOCOUPLE_T, 40, 1.612, 1.611792767},        {THERMOCOUPLE_T, 50, 2.036, 2.035721767},
             {THERMOCOUPLE_T, 100, 4.279, 4.278518616},       {THERMOCOUPLE_T, 150, 6.704, 6.704086548},
             {THERMOCOUPLE_T, 200, 9.288, 9.288102004},       {THERMOCOUPLE_T, 250, 12.013, 12.013410275},
             {THERMOCOUPLE_T, 300, 14.862, 14.861928012},     {THERMOCOUPLE_T, 350, 17.819, 17.818669063},
             {THERMOCOUPLE_T, 400, 20.872, 20.871970051},     {THERMOCOUPLE_N, -270, -4.345, -4.345135447},
             {THERMOCOUPLE_N, -200, -3.990, -3.990376079},    {THERMOCOUPLE_N, -100, -2.407, -2.406811193},
             {THERMOCOUPLE_N, -50, -1.269, -1.268597708},     {THERMOCOUPLE_N, 0, 0.000, 0.000000000},
             {THERMOCOUPLE_N, 20, 0.525, 0.525184131},        {THERMOCOUPLE_N, 25, 0.659, 0.658645843},
             {THERMOCOUPLE_N, 40, 1.065, 1.064532058},        {THERMOCOUPLE_N, 50, 1.340, 1.339830471},
             {THERMOCOUPLE_N, 100, 2.774, 2.774124036},       {THERMOCOUPLE_N, 200, 5.913, 5.913415411},
             {THERMOCOUPLE_N, 300, 9.341, 9.341151727},       {THERMOCOUPLE_N, 400, 12.974, 12.973685593},
             {THERMOCOUPLE_N, 500, 16.748, 16.747856854},     {THERMOCOUPLE_N, 600, 20.613, 20.613106813},
             {THERMOCOUPLE_N, 800, 28.455, 28.454519531},     {THERMOCOUPLE_N, 1000, 36.256, 36.255538357},
             {THERMOCOUPLE_N, 1200, 43.846, 43.846359993},    {THERMOCOUPLE_N, 1300, 47.513, 47.512772181},
             {THERMOCOUPLE_E, -270, -9.835, -9.834950856},    {THERMOCOUPLE_E, -200, -8.825, -8.824581052},
             {THERMOCOUPLE_E, -100, -5.237, -5.237184332},    {THERMOCOUPLE_E, -50, -2.787, -2.787214491},
             {THERMOCOUPLE_E, 0, 0.000, 0.000000000},         {THERMOCOUPLE_E, 20, 1.192, 1.191503528},
             {THERMOCOUPLE_E, 25, 1.495, 1.495111751},        {THERMOCOUPLE_E, 40, 2.420, 2.419741478},
             {THERMOCOUPLE_E, 50, 3.048, 3.047602923},        {THERMOCOUPLE_E, 100, 6.319, 6.318930323},
             {THERMOCOUPLE_E, 200, 13.421, 13.421295917},     {THERMOCOUPLE_E, 300, 21.036, 21.036237815},
             {THERMOCOUPLE_E, 400, 28.946, 28.945964166},     {THERMOCOUPLE_E, 500, 37.005, 37.005353817},
             {THERMOCOUPLE_E, 600, 45.093, 45.093357468},     {THERMOCOUPLE_E, 800, 61.017, 61.017371905},
             {THERMOCOUPLE_E, 1000, 76.373, 76.372826454},    {THERMOCOUPLE_R, -50, -0.226, -0.226465188},
             {THERMOCOUPLE_R, 0, 0.000, 0.000000000},         {THERMOCOUPLE_R, 25, 0.141, 0.140578635},
             {THERMOCOUPLE_R, 100, 0.647, 0.647396064},       {THERMOCOUPLE_R, 200, 1.469, 1.468583036},
             {THERMOCOUPLE_R, 400, 3.408, 3.407685026},       {THERMOCOUPLE_R, 600, 5.583, 5.583451006},
             {THERMOCOUPLE_R, 800, 7.950, 7.949837606},       {THERMOCOUPLE_R, 1000, 10.506, 10.505957919},
             {THERMOCOUPLE_R, 1064.18, 11.364, 11.363744767}, {THERMOCOUPLE_R, 1200, 13.228, 13.227965117},
             {THERMOCOUPLE_R, 1400, 16.040, 16.040095057},    {THERMOCOUPLE_R, 1600, 18.849, 18.848939775},
             {THERMOCOUPLE_R, 1664.5, 19.739, 19.738829104},  {THERMOCOUPLE_R, 1768.1, 21.103, 21.102702348},
             {THERMOCOUPLE_S, -50, -0.236, -0.235555071},     {THERMOCOUPLE_S, 0, 0.000, 0.000000000},
             {THERMOCOUPLE_S, 25, 0.143, 0.142598235},        {THERMOCOUPLE_S, 100, 0.646, 0.645912975},
             {THERMOCOUPLE_S, 200, 1.441, 1.440782751},       {THERMOCOUPLE_S, 400, 3.259, 3.259356788},
             {THERMOCOUPLE_S, 600, 5.239, 5.238689954},       {THERMOCOUPLE_S, 800, 7.345, 7.344981908},
             {THERMOCOUPLE_S, 1000, 9.587, 9.587097657},      {THERMOCOUPLE_S, 1064.18, 10.334, 10.334204389},
             {THERMOCOUPLE_S, 1200, 11.951, 11.950549439},    {THERMOCOUPLE_S, 1400, 14.373, 14.372597633},
             {THERMOCOUPLE_S, 1600, 16.777, 16.776843969},    {THERMOCOUPLE_S, 1664.5, 17.536, 17.535957202},
             {THERMOCOUPLE_S, 1768.1, 18.694, 18.693541327},  {THERMOCOUPLE_B, 0, 0.000, 0.000000000},
             {THERMOCOUPLE_B, 25, -0.002, -0.002492798},      {THERMOCOUPLE_B, 50, 0.002, 0.002278245},
             {THERMOCOUPLE_B, 100, 0.033, 0.033204178},       {THERMOCOUPLE_B, 250, 0.291, 0.291279541},
             {THERMOCOUPLE_B, 400, 0.787, 0.786532417},       {THERMOCOUPLE_B, 600, 1.792, 1.791868109},
             {THERMOCOUPLE_B, 630.615, 1.978, 1.978373522},   {THERMOCOUPLE_B, 800, 3.154, 3.153609688},
             {THERMOCOUPLE_B, 1000, 4.834, 4.834338699},      {THERMOCOUPLE_B, 1200, 6.786, 6.786426971},
             {THERMOCOUPLE_B, 1400, 8.956, 8.956217845},      {THERMOCOUPLE_B, 1600, 11.263, 11.263003417},
             {THERMOCOUPLE_B, 1800, 13.591, 13.591303097},    {THERMOCOUPLE_B, 1820, 13.820, 13.820279215}};

START_TEST(its90_tables)
{
    for (size_t i = 0; i < sizeof its90 / sizeof its90[0]; i++) {
        double mv = 0;
        struct error err;
        ck_assert_int_eq(thermocouple_emf(its90[i].type, its90[i].degc, &mv, &err), 0);
        ck_assert_msg(fabs(mv - its90[i].printed_mv) <= 0.0005 + 1e-9, "type %s at %g degC: %.9f mV",
                      thermocouple_letter(its90[i].type), its90[i].degc, mv);
        ck_assert_double_eq_tol(mv, its90[i].mv, 2e-9);
    }
}
END_TEST

START_TEST(inverse_answers_to_direct)
{
    for (int type = 0; type < THERMOCOUPLE_COUNT_; type++) {
        double low = 0, high = 0;
        struct error err;
        ck_assert_int_eq(thermocouple_range((enum thermocouple)type, &low, &high, &err), 0);
        if (type == THERMOCOUPLE_B)
            low = 250;
        for (int k = 0; k <= 4000; k++) {
            double t = low + (high - low) * k / 4000, mv = 0, back = 0;
            ck_assert_int_eq(thermocouple_emf((enum thermocouple)type, t, &mv, &err), 0);
            ck_assert_int_eq(thermocouple_temperature((enum thermocouple)type, mv, &back, &err), 0);
            ck_assert_msg(fabs(back - t) < 1e-6, "type %s: %.9f came back as %.9f",
                          thermocouple_letter((enum thermocouple)type), t, back);
        }
    }
}
END_TEST

START_TEST(scale_is_its90_not_ipts68)
{
    /* K at 1000 degC: 41.276 mV on ITS-90, 41.269 mV on the scale of 1968 that old tables still carry */
    double mv = 0;
    struct error err;
    ck_assert_int_eq(thermocouple_emf(THERMOCOUPLE_K, 1000, &mv, &err), 0);
    ck_assert_double_gt(fabs(mv - 41.269), 0.005);
}
END_TEST

START_TEST(cold_junction_is_added_in_mv)
{
    /* K, hot 500 degC, cold 25 degC: 20.644286390 - 1.000242355 = 19.644044035 mV */
    double t = 0;
    struct error err;
    ck_assert_int_eq(thermocouple_compensated(THERMOCOUPLE_K, 19.644044035, 25, &t, &err), 0);
    ck_assert_double_eq_tol(t, 500, 1e-6);
    /* adding degrees instead would be off by kelvins */
    ck_assert_int_eq(thermocouple_temperature(THERMOCOUPLE_K, 19.644044035, &t, &err), 0);
    ck_assert_double_gt(fabs(t + 25 - 500), 1);
    ck_assert_int_eq(thermocouple_compensated(THERMOCOUPLE_K, 19.6, NAN, &t, &err), -1);
}
END_TEST

START_TEST(thermocouples_refuse_what_lies_outside)
{
    double v = 0;
    struct error err;
    ck_assert_int_eq(thermocouple_emf(THERMOCOUPLE_K, 1372.1, &v, &err), -1);
    ck_assert_int_eq(thermocouple_emf(THERMOCOUPLE_K, -270.1, &v, &err), -1);
    ck_assert_int_eq(thermocouple_emf(THERMOCOUPLE_K, NAN, &v, &err), -1);
    ck_assert_int_eq(thermocouple_temperature(THERMOCOUPLE_K, 54.9, &v, &err), -1);
    ck_assert_int_eq(thermocouple_temperature(THERMOCOUPLE_K, NAN, &v, &err), -1);
    ck_assert_int_eq(thermocouple_temperature(THERMOCOUPLE_B, 0.1, &v, &err), -1); /* two temperatures below 250 degC */
    ck_assert_int_eq(thermocouple_emf(THERMOCOUPLE_COUNT_, 20, &v, &err), -1);
    enum thermocouple type;
    ck_assert_int_eq(thermocouple_parse("k", &type), 0);
    ck_assert_int_eq(type, THERMOCOUPLE_K);
    ck_assert_int_eq(thermocouple_parse("X", &type), -1);
    ck_assert_int_eq(thermocouple_parse("KK", &type), -1);
    ck_assert_int_eq(thermocouple_parse("", &type), -1);
}
END_TEST

/* IEC 60751: degC, ohm as tabulated, ohm by the equation. */
static const double pt100[][3] = {
    {-200, 18.52, 18.52008},    {-150, 39.72, 39.723184375}, {-100, 60.26, 60.25584},  {-50, 80.31, 80.306281875},
    {-30, 88.22, 88.221656767}, {-10, 96.09, 96.085878987},  {0, 100.00, 100},         {10, 103.90, 103.902525},
    {20, 107.79, 107.7935},     {25, 109.73, 109.73465625},  {30, 111.67, 111.672925}, {40, 115.54, 115.5408},
    {50, 119.40, 119.397125},   {60, 123.24, 123.2419},      {70, 127.08, 127.075125}, {80, 130.90, 130.8968},
    {90, 134.71, 134.706925},   {100, 138.51, 138.5055},     {120, 146.07, 146.068},   {150, 157.33, 157.325125},
    {200, 175.86, 175.856},     {250, 194.10, 194.098125},   {300, 212.05, 212.0515},  {350, 229.72, 229.716125},
    {400, 247.09, 247.092},     {450, 264.18, 264.179125},   {500, 280.98, 280.9775},  {550, 297.49, 297.487125},
    {600, 313.71, 313.708},     {650, 329.64, 329.640125},   {700, 345.28, 345.2835},  {750, 360.64, 360.638125},
    {800, 375.70, 375.704},     {850, 390.48, 390.481125}};

START_TEST(iec60751_table)
{
    for (size_t i = 0; i < sizeof pt100 / sizeof pt100[0]; i++) {
        double r = 0, t = 0;
        struct error err;
        ck_assert_int_eq(platinum_resistance(100, pt100[i][0], &r, &err), 0);
        ck_assert_double_eq_tol(r, pt100[i][1], 0.005 + 1e-9);
        ck_assert_double_eq_tol(r, pt100[i][2], 1e-8);
        ck_assert_int_eq(platinum_temperature(100, r, &t, &err), 0);
        ck_assert_double_eq_tol(t, pt100[i][0], 1e-8);
        ck_assert_int_eq(platinum_temperature(1000, 10 * r, &t, &err), 0);
        ck_assert_double_eq_tol(t, pt100[i][0], 1e-8);
    }
    /* the coefficients from before 1995 would give 138.50 at 100 degC */
    double r = 0;
    struct error err;
    ck_assert_int_eq(platinum_resistance(100, 100, &r, &err), 0);
    ck_assert_double_gt(fabs(r - 138.50), 0.005);
}
END_TEST

START_TEST(platinum_both_ways)
{
    struct error err;
    for (int k = 0; k <= 10500; k++) {
        double t = -200 + 0.1 * k, r = 0, back = 0;
        ck_assert_int_eq(platinum_resistance(100, t, &r, &err), 0);
        ck_assert_int_eq(platinum_temperature(100, r, &back, &err), 0);
        ck_assert_double_eq_tol(back, t, 1e-7);
    }
    double v = 0;
    ck_assert_int_eq(platinum_resistance(100, 850.1, &v, &err), -1);
    ck_assert_int_eq(platinum_resistance(0, 20, &v, &err), -1);
    ck_assert_int_eq(platinum_temperature(100, 10, &v, &err), -1);
    ck_assert_int_eq(platinum_temperature(100, 400, &v, &err), -1);
    ck_assert_int_eq(platinum_temperature(100, NAN, &v, &err), -1);
}
END_TEST

START_TEST(loops_and_shunts)
{
    double v = 0;
    struct error err;
    ck_assert_int_eq(current_loop_value(12, 0, 400, &v, &err), 0);
    ck_assert_double_eq_tol(v, 200, 1e-12);
    ck_assert_int_eq(current_loop_value(3.5, 0, 400, &v, &err), -1);
    ck_assert_int_eq(current_loop_value(21.5, 0, 400, &v, &err), -1);
    ck_assert_int_eq(current_loop_value(NAN, 0, 400, &v, &err), -1);
    ck_assert_int_eq(current_loop_value(12, 5, 5, &v, &err), -1);
    /* a shunt of 60 mV at 400 A */
    ck_assert_int_eq(shunt_current(24, 0.00015, &v, &err), 0);
    ck_assert_double_eq_tol(v, 160, 1e-9);
    ck_assert_int_eq(shunt_current(24, 0, &v, &err), -1);
    ck_assert_int_eq(shunt_current(NAN, 0.00015, &v, &err), -1);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("sensor");
    tcase_add_test(t, its90_tables);
    tcase_add_test(t, inverse_answers_to_direct);
    tcase_add_test(t, scale_is_its90_not_ipts68);
    tcase_add_test(t, cold_junction_is_added_in_mv);
    tcase_add_test(t, thermocouples_refuse_what_lies_outside);
    tcase_add_test(t, iec60751_table);
    tcase_add_test(t, platinum_both_ways);
    tcase_add_test(t, loops_and_shunts);
    return suite_main(t);
}
