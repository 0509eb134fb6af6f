#include "sensor.h"

#include <math.h>
#include <stddef.h>

enum { TERMS_MAX = 15, STEPS_LIMIT = 200 };

/* A piece of a reference function: emf in mV = sum of c[i] * t^i from low to high degC. */
struct piece {
    double low, high;
    int terms;
    double c[TERMS_MAX];
};

/* ITS-90 reference functions, NIST Monograph 175. */
static const struct piece type_b[] = {
    {0,
     630.615,
     7,
     {0.000000000000E+00, -0.246508183460E-03, 0.590404211710E-05, -0.132579316360E-08, 0.156682919010E-11,
      -0.169445292400E-14, 0.629903470940E-18}},
    {630.615,
     1820,
     9,
     {-0.389381686210E+01, 0.285717474700E-01, -0.848851047850E-04, 0.157852801640E-06, -0.168353448640E-09,
      0.111097940130E-12, -0.445154310330E-16, 0.989756408210E-20, -0.937913302890E-24}}};

static const struct piece type_e[] = {
    {-270,
     0,
     14,
     {0.000000000000E+00, 0.586655087080E-01, 0.454109771240E-04, -0.779980486860E-06, -0.258001608430E-07,
      -0.594525830570E-09, -0.932140586670E-11, -0.102876055340E-12, -0.803701236210E-15, -0.439794973910E-17,
      -0.164147763550E-19, -0.396736195160E-22, -0.558273287210E-25, -0.346578420130E-28}},
    {0,
     1000,
     11,
     {0.000000000000E+00, 0.586655087100E-01, 0.450322755820E-04, 0.289084072120E-07, -0.330568966520E-09,
      0.650244032700E-12, -0.191974955040E-15, -0.125366004970E-17, 0.214892175690E-20, -0.143880417820E-23,
      0.359608994810E-27}}};

static const struct piece type_j[] = {
    {-210,
     760,
     9,
     {0.000000000000E+00, 0.503811878150E-01, 0.304758369300E-04, -0.856810657200E-07, 0.132281952950E-09,
      -0.170529583370E-12, 0.209480906970E-15, -0.125383953360E-18, 0.156317256970E-22}},
    {760,
     1200,
     6,
     {0.296456256810E+03, -0.149761277860E+01, 0.317871039240E-02, -0.318476867010E-05, 0.157208190040E-08,
      -0.306913690560E-12}}};

static const struct piece type_k[] = {
    {-270,
     0,
     11,
     {0.000000000000E+00, 0.394501280250E-01, 0.236223735980E-04, -0.328589067840E-06, -0.499048287770E-08,
      -0.675090591730E-10, -0.574103274280E-12, -0.310888728940E-14, -0.104516093650E-16, -0.198892668780E-19,
      -0.163226974860E-22}},
    {0,
     1372,
     10,
     {-0.176004136860E-01, 0.389212049750E-01, 0.185587700320E-04, -0.994575928740E-07, 0.318409457190E-09,
      -0.560728448890E-12, 0.560750590590E-15, -0.320207200030E-18, 0.971511471520E-22, -0.121047212750E-25}}};

static const struct piece type_n[] = {
    {-270,
     0,
     9,
     {0.000000000000E+00, 0.261591059620E-01, 0.109574842280E-04, -0.938411115540E-07, -0.464120397590E-10,
      -0.263033577160E-11, -0.226534380030E-13, -0.760893007910E-16, -0.934196678350E-19}},
    {0,
     1300,
     11,
     {0.000000000000E+00, 0.259293946010E-01, 0.157101418800E-04, 0.438256272370E-07, -0.252611697940E-09,
      0.643118193390E-12, -0.100634715190E-14, 0.997453389920E-18, -0.608632456070E-21, 0.208492293390E-24,
      -0.306821961510E-28}}};

static const struct piece type_r[] = {
    {-50,
     1064.18,
     10,
     {0.000000000000E+00, 0.528961729765E-02, 0.139166589782E-04, -0.238855693017E-07, 0.356916001063E-10,
      -0.462347666298E-13, 0.500777441034E-16, -0.373105886191E-19, 0.157716482367E-22, -0.281038625251E-26}},
    {1064.18,
     1664.5,
     6,
     {0.295157925316E+01, -0.252061251332E-02, 0.159564501865E-04, -0.764085947576E-08, 0.205305291024E-11,
      -0.293359668173E-15}},
    {1664.5,
     1768.1,
     5,
     {0.152232118209E+03, -0.268819888545E+00, 0.171280280471E-03, -0.345895706453E-07, -0.934633971046E-14}}};

static const struct piece type_s[] = {
    {-50,
     1064.18,
     9,
     {0.000000000000E+00, 0.540313308631E-02, 0.125934289740E-04, -0.232477968689E-07, 0.322028823036E-10,
      -0.331465196389E-13, 0.255744251786E-16, -0.125068871393E-19, 0.271443176145E-23}},
    {1064.18,
     1664.5,
     5,
     {0.132900444085E+01, 0.334509311344E-02, 0.654805192818E-05, -0.164856259209E-08, 0.129989605174E-13}},
    {1664.5,
     1768.1,
     5,
     {0.146628232636E+03, -0.258430516752E+00, 0.163693574641E-03, -0.330439046987E-07, -0.943223690612E-14}}};

static const struct piece type_t[] = {
    {-270,
     0,
     15,
     {0.000000000000E+00, 0.387481063640E-01, 0.441944343470E-04, 0.118443231050E-06, 0.200329735540E-07,
      0.901380195590E-09, 0.226511565930E-10, 0.360711542050E-12, 0.384939398830E-14, 0.282135219250E-16,
      0.142515947790E-18, 0.487686622860E-21, 0.107955392700E-23, 0.139450270620E-26, 0.797951539270E-30}},
    {0,
     400,
     9,
     {0.000000000000E+00, 0.387481063640E-01, 0.332922278800E-04, 0.206182434040E-06, -0.218822568460E-08,
      0.109968809280E-10, -0.308157587720E-13, 0.454791352900E-16, -0.275129016730E-19}}};

/* Type K above 0 degC adds a0 * exp(a1 * (t - a2)^2). */
static const double k_a0 = 0.118597600000E+00, k_a1 = -0.118343200000E-03, k_a2 = 0.126968600000E+03;

struct reference {
    const struct piece *pieces;
    int count;
    const char *letter;
};

static const struct reference references[THERMOCOUPLE_COUNT_] = {
    [THERMOCOUPLE_B] = {type_b, 2, "B"}, [THERMOCOUPLE_E] = {type_e, 2, "E"}, [THERMOCOUPLE_J] = {type_j, 2, "J"},
    [THERMOCOUPLE_K] = {type_k, 2, "K"}, [THERMOCOUPLE_N] = {type_n, 2, "N"}, [THERMOCOUPLE_R] = {type_r, 3, "R"},
    [THERMOCOUPLE_S] = {type_s, 3, "S"}, [THERMOCOUPLE_T] = {type_t, 2, "T"},
};

static const struct reference *reference_of(enum thermocouple type)
{
    if ((int)type < 0 || type >= THERMOCOUPLE_COUNT_)
        return NULL;
    return &references[type];
}

int thermocouple_parse(const char *letter, enum thermocouple *type)
{
    if (letter == NULL || letter[0] == '\0' || letter[1] != '\0')
        return -1;
    for (int i = 0; i < THERMOCOUPLE_COUNT_; i++) {
        char upper = references[i].letter[0];
        if (letter[0] == upper || letter[0] == upper - 'A' + 'a') {
            *type = (enum thermocouple)i;
            return 0;
        }
    }
    return -1;
}

const char *thermocouple_letter(enum thermocouple type)
{
    const struct reference *r = reference_of(type);
    return r == NULL ? "?" : r->letter;
}

int thermocouple_range(enum thermocouple type, double *low_degc, double *high_degc, struct error *err)
{
    const struct reference *r = reference_of(type);
    if (r == NULL)
        return error_set(err, "unknown thermocouple type number %d", (int)type);
    *low_degc = r->pieces[0].low;
    *high_degc = r->pieces[r->count - 1].high;
    return 0;
}

/* emf and its slope; t must lie in the range. */
static double emf_at(enum thermocouple type, double t, double *slope)
{
    const struct reference *r = &references[type];
    const struct piece *p = &r->pieces[0];
    for (int i = 1; i < r->count && t > r->pieces[i].low; i++)
        p = &r->pieces[i];
    double emf = 0, d = 0;
    for (int i = p->terms - 1; i >= 0; i--) {
        d = d * t + emf;
        emf = emf * t + p->c[i];
    }
    if (type == THERMOCOUPLE_K && t > 0) {
        double bump = k_a0 * exp(k_a1 * (t - k_a2) * (t - k_a2));
        emf += bump;
        d += bump * 2 * k_a1 * (t - k_a2);
    }
    *slope = d;
    return emf;
}

int thermocouple_emf(enum thermocouple type, double temperature_degc, double *emf_mv, struct error *err)
{
    double low = 0, high = 0, slope = 0;
    if (thermocouple_range(type, &low, &high, err) != 0)
        return -1;
    if (!(temperature_degc >= low) || !(temperature_degc <= high))
        return error_set(err, "type %s is defined from %g to %g degC", references[type].letter, low, high);
    *emf_mv = emf_at(type, temperature_degc, &slope);
    return 0;
}

int thermocouple_temperature(enum thermocouple type, double emf_mv, double *temperature_degc, struct error *err)
{
    double low = 0, high = 0, slope = 0;
    if (thermocouple_range(type, &low, &high, err) != 0)
        return -1;
    if (type == THERMOCOUPLE_B)
        low = 250; /* below, one emf belongs to two temperatures or hardly changes */
    double emf_low = emf_at(type, low, &slope), emf_high = emf_at(type, high, &slope);
    const double slack = 1e-9; /* rounding at the very ends */
    if (!(emf_mv >= emf_low - slack) || !(emf_mv <= emf_high + slack))
        return error_set(err, "%g mV lies outside type %s: %.3f to %.3f mV for %g to %g degC", emf_mv,
                         references[type].letter, emf_low, emf_high, low, high);
    /* Newton, kept inside a bracket that shrinks: the functions rise all the way */
    double t = low + (high - low) * (emf_mv - emf_low) / (emf_high - emf_low);
    for (int i = 0; i < STEPS_LIMIT && high - low > 1e-10; i++) {
        double off = emf_at(type, t, &slope) - emf_mv;
        if (off > 0)
            high = t;
        else
            low = t;
        double next = t - off / slope;
        if (!(next >= low) || !(next <= high))
            next = (low + high) / 2;
        if (fabs(next - t) < 1e-11)
            break;
        t = next;
    }
    *temperature_degc = t;
    return 0;
}

int thermocouple_compensated(enum thermocouple type, double measured_mv, double cold_junction_degc,
                             double *temperature_degc, struct error *err)
{
    double cold_mv = 0;
    if (thermocouple_emf(type, cold_junction_degc, &cold_mv, err) != 0)
        return error_prefix(err, "cold junction: ");
    return thermocouple_temperature(type, measured_mv + cold_mv, temperature_degc, err);
}

/* IEC 60751:2008. The pre-1995 set (3.90802e-3, -5.802e-7, -4.2735e-12) still circulates and is not this. */
static const double pt_a = 3.9083e-3, pt_b = -5.775e-7, pt_c = -4.183e-12, pt_low = -200, pt_high = 850;

static double pt_ratio(double t)
{
    double ratio = 1 + t * (pt_a + t * pt_b);
    return t < 0 ? ratio + pt_c * (t - 100) * t * t * t : ratio;
}

static int check_r0(double r0_ohm, struct error *err)
{
    if (!(r0_ohm > 0) || !isfinite(r0_ohm))
        return error_set(err, "the resistance at 0 degC must be a number above 0 ohm");
    return 0;
}

int platinum_resistance(double r0_ohm, double temperature_degc, double *resistance_ohm, struct error *err)
{
    if (check_r0(r0_ohm, err) != 0)
        return -1;
    if (!(temperature_degc >= pt_low) || !(temperature_degc <= pt_high))
        return error_set(err, "platinum resistors are defined from %g to %g degC", pt_low, pt_high);
    *resistance_ohm = r0_ohm * pt_ratio(temperature_degc);
    return 0;
}

int platinum_temperature(double r0_ohm, double resistance_ohm, double *temperature_degc, struct error *err)
{
    if (check_r0(r0_ohm, err) != 0)
        return -1;
    double ratio = resistance_ohm / r0_ohm, slack = 1e-12;
    if (!(ratio >= pt_ratio(pt_low) - slack) || !(ratio <= pt_ratio(pt_high) + slack))
        return error_set(err, "%g ohm lies outside %g to %g ohm, which is %g to %g degC", resistance_ohm,
                         r0_ohm * pt_ratio(pt_low), r0_ohm * pt_ratio(pt_high), pt_low, pt_high);
    /* the quadratic is exact above 0 degC and a good start below */
    double t = (-pt_a + sqrt(pt_a * pt_a - 4 * pt_b * (1 - ratio))) / (2 * pt_b);
    for (int i = 0; i < 20 && ratio < 1; i++) {
        double slope = pt_a + 2 * pt_b * t + (t < 0 ? pt_c * t * t * (4 * t - 300) : 0);
        double step = (pt_ratio(t) - ratio) / slope;
        t -= step;
        if (fabs(step) < 1e-11)
            break;
    }
    *temperature_degc = t;
    return 0;
}

int current_loop_value(double current_ma, double low_value, double high_value, double *value, struct error *err)
{
    if (!isfinite(low_value) || !isfinite(high_value) || !(fabs(high_value - low_value) > 0))
        return error_set(err, "a current loop needs two different values, at 4 and at 20 mA");
    if (!(current_ma >= 3.6) || !(current_ma <= 21))
        return error_set(err, "%g mA: the transmitter is at fault or the loop is open (3.6 to 21 mA are good)",
                         current_ma);
    *value = low_value + (high_value - low_value) * (current_ma - 4) / 16;
    return 0;
}

int shunt_current(double measured_mv, double resistance_ohm, double *current_a, struct error *err)
{
    if (!isfinite(measured_mv))
        return error_set(err, "the shunt's voltage must be a number");
    if (!(resistance_ohm > 0) || !isfinite(resistance_ohm))
        return error_set(err, "the shunt's resistance must be a number above 0 ohm");
    *current_a = measured_mv / 1000 / resistance_ohm;
    return 0;
}
