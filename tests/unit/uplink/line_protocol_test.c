#include <check.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "journal_fixture.h"
#include "line_protocol.h"
#include "suite_run.h"

/* Escapes as the line protocol reference of the store's maker (v1 and v2) states them. */
START_TEST(test_escapes)
{
    static const struct {
        const char *in, *out;
        void (*put)(struct line_text *b, const char *text);
    } cases[] = {
        {"a b", "a\\ b", line_put_measurement},
        {"a,b", "a\\,b", line_put_measurement},
        {"a=b", "a=b", line_put_measurement},
        {"a b", "a\\ b", line_put_key},
        {"a,b=c", "a\\,b\\=c", line_put_key},
        {"k=1", "k\\=1", line_put_key},
        {"f,1", "f\\,1", line_put_key},
        {"say \"hi\"", "\"say \\\"hi\\\"\"", line_put_string},
        {"\\", "\"\\\\\"", line_put_string},
        {"a, b=c", "\"a, b=c\"", line_put_string},
        {"two\nlines\t", "\"two lines \"", line_put_string}, /* a newline cannot be carried */
        {"end\\", "end/", line_put_key},                     /* ours: a backslash would escape what follows */
        {"a\\,b", "a/\\,b", line_put_key},
    };
    struct line_text b = {0};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        line_text_clear(&b);
        cases[i].put(&b, cases[i].in);
        ck_assert_str_eq(b.text, cases[i].out);
    }
    line_text_free(&b);
}
END_TEST

static void check_double(double value)
{
    char text[32];
    int n = double_print(text, value);
    ck_assert_int_eq(n, (int)strlen(text));
    ck_assert_int_lt(n, 32);
    double back = strtod(text, NULL);
    ck_assert_msg(back == value, "%.17g became %s", value, text);
    int significant = 0;
    for (const char *p = text; *p != '\0' && *p != 'e'; p++)
        if (*p >= '0' && *p <= '9' && (significant > 0 || *p != '0'))
            significant++;
    if (significant > 1) { /* shortest: one digit less is another number */
        char shorter[40];
        (void)snprintf(shorter, sizeof shorter, "%.*e", significant - 2, value);
        const char *dot = strrchr(text, '.');
        bool whole_zeros = dot == NULL && strchr(text, 'e') == NULL && text[n - 1] == '0';
        ck_assert_msg(whole_zeros || strtod(shorter, NULL) != value, "%s is not the shortest", text);
    }
}

/* Any double comes back to the bit, in the fewest digits. */
START_TEST(test_doubles)
{
    static const struct {
        double value;
        const char *text;
    } cases[] = {{0.0, "0"},
                 {-0.0, "0"},
                 {1.0, "1"},
                 {160.4, "160.4"},
                 {-16.25, "-16.25"},
                 {0.1, "0.1"},
                 {0.3, "0.3"},
                 {1e300, "1e+300"},
                 {5e-324, "5e-324"},
                 {100000.0, "100000"},
                 {1e9, "1e+09"},
                 {0.001, "0.001"},
                 {123456789.125, "123456789.125"}};
    char text[32];
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        (void)double_print(text, cases[i].value);
        ck_assert_str_eq(text, cases[i].text);
    }
    uint64_t random = 88172645463325252u;
    for (int i = 0; i < 20000; i++) {
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        double value;
        memcpy(&value, &random, sizeof value);
        if (isfinite(value) && value != 0.0)
            check_double(value);
        check_double((double)(random % 4000000) / 10.0 + 0.1);
        check_double((double)(int64_t)(random >> 30) / 1000.0);
    }
}
END_TEST

static const char *const sound[] = {
    "reading i2=1 0",
    "reading,bench=north-bay,channel=A run_no=1,i2=160.4,u2=16.4 1767323045123",
    "a\\ b\\,c,k\\=1=v\\ 1 f\\,1=-1.234456e+78 1",
    "event,bench=b text=\"a, b=c \\\"hi\\\" \\\\\",code=1 9223372036854",
};

static const struct {
    const char *line, *says;
} wrong[] = {
    {"", "0 bytes"},
    {"# a comment", "comment"},
    {"_internal f=1 1", "reserved"},
    {"reading 1767323045123", "a tag or field"},
    {"reading,bench= f=1 1", "empty"},
    {"reading,bench f=1 1", "backslash"},
    {"reading,b=1,a=2 f=1 1", "rising"},
    {"reading,a=1,a=2 f=1 1", "rising"},
    {"reading f=1,f=2 1", "twice"},
    {"reading f= 1", "number"},
    {"reading f=NaN 1", "number"},
    {"reading f=inf 1", "number"},
    {"reading f=1i 1", "stamp"},
    {"reading f=1u 1", "stamp"},
    {"reading f=t 1", "number"},
    {"reading f=0x10 1", "stamp"},
    {"reading f=1. 1", "point"},
    {"reading f=.5 1", "number"},
    {"reading f=1e 1", "exponent"},
    {"reading f=\"open 1", "end"},
    {"reading f=1", "stamp"},
    {"reading f=1 ", "milliseconds"},
    {"reading f=1 1.5", "behind"},
    {"reading f=1 -5", "milliseconds"},
    {"reading f=1 007", "milliseconds"},
    {"reading f=1 1767323045123000000", "milliseconds"},
    {"reading f=1 9223372036855", "2262"},
    {"reading f=1 1 2", "behind"},
    {"reading f=1, 1", "empty"},
    {"reading  f=1 1", "backslash"},
    {"reading f\n=1 1", "line end"},
    {"reading f=1 1\\", "behind"},
    {"reading,k=\\", "backslash"},
};

START_TEST(test_checker)
{
    struct error err = {""};
    for (size_t i = 0; i < sizeof sound / sizeof sound[0]; i++)
        ck_assert_msg(line_check(sound[i], strlen(sound[i]), &err) == 0, "%s: %s", sound[i], err.text);
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
        ck_assert_msg(line_check(wrong[i].line, strlen(wrong[i].line), &err) != 0, "accepted: %s", wrong[i].line);
}
END_TEST

static void assert_line(struct line_text *b, const char *want)
{
    struct error err = {""};
    ck_assert_str_eq(b->text, want);
    ck_assert_msg(line_check(b->text, b->used - 1, &err) == 0, "%s", err.text);
    line_text_clear(b);
}

static struct journal_reading sample_reading(void)
{
    struct journal_reading m = fixture_reading(0, 0, 12);
    m.values[SIG_I2] = 160.4;
    m.values[SIG_U2] = 16.42;
    m.values[SIG_FEEDBACK] = (double)NAN;
    m.store_ms = 1767323045123;
    m.lost = 1u << SIG_T_CASE;
    m.back = 1u << SIG_I2;
    return m;
}

static struct journal_event sample_event(void)
{
    struct journal_event e = {.store_ms = 1767323285350, .channel = "A", .serial = "HQ-0147"};
    e.event = (struct event){.kind = EVENT_SHUTOFF,
                             .run_no = 12,
                             .code = CAUSE_THERMAL_CUTOUT,
                             .code2 = CAUSE_NONE,
                             .half_width_ns = 150000000,
                             .value_count = 2,
                             .values = {240.25, 0.9},
                             .text = "current fell to zero, supply stayed"};
    return e;
}

static struct journal_verdict sample_verdict(void)
{
    struct journal_verdict v = {.store_ms = 1767323645000, .channel = "A", .serial = "HQ-0147"};
    v.verdict = fixture_verdict(12, 1);
    (void)digest_of("abc", 3, &v.run_digest);
    return v;
}

START_TEST(test_lines)
{
    struct line_text b = {0};
    struct journal_reading m = sample_reading();
    ck_assert_int_eq(line_put_reading(&b, "north-bay", "A", &m), 1);
    assert_line(&b, "reading,bench=north-bay,channel=A run_no=12,i2=160.4,i2_valid=1,u2=16.42,t_case_valid=0"
                    " 1767323045123\n");
    /* The bench's own signals have no channel: an empty tag would be refused. */
    m.lost = m.back = 0;
    ck_assert_int_eq(line_put_reading(&b, "north bay, east", "", &m), 1);
    assert_line(&b, "reading,bench=north\\ bay\\,\\ east run_no=12,i2=160.4,u2=16.42 1767323045123\n");
    for (int k = 0; k < SIG_KIND_COUNT_; k++)
        m.values[k] = (double)NAN;
    ck_assert_int_eq(line_put_reading(&b, "north-bay", "A", &m), 0);
    ck_assert_uint_eq(b.used, 0);
    struct journal_event e = sample_event();
    ck_assert_int_eq(line_put_event(&b, "north-bay", &e, false), 1);
    assert_line(&b, "event,bench=north-bay,channel=A,kind=shutoff,unit=HQ-0147 run_no=12,kind_code=9,code=1,code2=0,"
                    "half_width_s=0.15,value0=240.25,value1=0.9 1767323285350\n");
    e.event.value_count = 8;
    for (int i = 0; i < 8; i++)
        e.event.values[i] = i % 2 == 0 ? (double)NAN : (double)INFINITY;
    (void)text_copy(e.serial, sizeof e.serial, "HQ 01,47=b\\");
    ck_assert_int_eq(line_put_event(&b, "north-bay", &e, true), 1);
    assert_line(&b, "event,bench=north-bay,channel=A,kind=shutoff,unit=HQ\\ 01\\,47\\=b/ run_no=12,kind_code=9,code=1,"
                    "code2=0,half_width_s=0.15,text=\"current fell to zero, supply stayed\" 1767323285350\n");
    line_text_free(&b);
}
END_TEST

/* The same row gives the same bytes, whenever it is rendered. */
START_TEST(test_same_bytes)
{
    struct line_text a = {0}, b = {0};
    for (uint64_t n = 1; n < 500; n++) {
        struct journal_reading m = fixture_reading(n, 0, 1);
        m.store_ms = 1767323045000 + (int64_t)n;
        ck_assert_int_eq(line_put_reading(&a, "b", "A", &m), 1);
    }
    for (uint64_t n = 1; n < 500; n++) {
        struct journal_reading m = fixture_reading(n, 0, 1);
        m.store_ms = 1767323045000 + (int64_t)n;
        ck_assert_int_eq(line_put_reading(&b, "b", "A", &m), 1);
    }
    ck_assert_str_eq(a.text, b.text);
    line_text_free(&a);
    line_text_free(&b);
}
END_TEST

/* docs/store-schema.md shows these very lines: a change of the schema must be made there as well, with its version. */
START_TEST(test_documented)
{
    FILE *file = fopen(SOURCE_DIR "/docs/store-schema.md", "r");
    ck_assert_ptr_nonnull(file);
    char *doc = calloc(1, 65536);
    ck_assert_uint_gt(fread(doc, 1, 65535, file), 0);
    (void)fclose(file);
    struct line_text b = {0};
    struct journal_reading m = sample_reading();
    struct journal_event e = sample_event();
    struct journal_verdict v = sample_verdict();
    ck_assert_int_eq(line_put_reading(&b, "north-bay", "A", &m), 1);
    ck_assert_msg(strstr(doc, b.text) != NULL, "missing: %s", b.text);
    line_text_clear(&b);
    ck_assert_int_eq(line_put_event(&b, "north-bay", &e, true), 1);
    ck_assert_msg(strstr(doc, b.text) != NULL, "missing: %s", b.text);
    line_text_clear(&b);
    ck_assert_int_eq(line_put_verdict(&b, "north-bay", &v, true), 1);
    ck_assert_msg(strstr(doc, b.text) != NULL, "missing: %s", b.text);
    char version[64];
    (void)snprintf(version, sizeof version, "Schema version %d", LINE_SCHEMA_VERSION);
    ck_assert_ptr_nonnull(strstr(doc, version));
    for (int k = 0; k < SIG_OTHER; k++) {
        char name[64];
        (void)snprintf(name, sizeof name, "`%s`", signal_kind_name((enum signal_kind)k));
        ck_assert_msg(strstr(doc, name) != NULL, "undocumented field %s", name);
    }
    line_text_free(&b);
    free(doc);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("line protocol");
    TCase *t = tcase_create("lines");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, test_escapes);
    tcase_add_test(t, test_doubles);
    tcase_add_test(t, test_checker);
    tcase_add_test(t, test_lines);
    tcase_add_test(t, test_same_bytes);
    tcase_add_test(t, test_documented);
    suite_add_tcase(s, t);
    return suite_run(s);
}
