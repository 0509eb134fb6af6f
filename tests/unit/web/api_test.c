/* docs/openapi.json (OpenAPI 3.1) held against the running server: what is documented is answered as documented, and
 * nothing else below /api answers. Only the words of JSON Schema that the document uses are looked at. */
#include <check.h>
#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "http_client.h"
#include "journal_fixture.h"
#include "suite_run.h"
#include "web_fixture.h"

/* The font library keeps what it once read of the fonts; it is not ours to free. The leak checker asks for this by its
 * own name. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
    return "leak:libfontconfig";
}

static json_t *load_document(void)
{
    json_error_t trouble;
    json_t *doc = json_load_file(SOURCE_DIR "/docs/openapi.json", JSON_REJECT_DUPLICATES, &trouble);
    ck_assert_msg(doc != NULL, "docs/openapi.json:%d: %s", trouble.line, trouble.text);
    return doc;
}

static bool type_fits(const json_t *value, const char *type)
{
    return (strcmp(type, "object") == 0 && json_is_object(value)) ||
           (strcmp(type, "array") == 0 && json_is_array(value)) ||
           (strcmp(type, "string") == 0 && json_is_string(value)) ||
           (strcmp(type, "integer") == 0 && json_is_integer(value)) ||
           (strcmp(type, "number") == 0 && json_is_number(value)) ||
           (strcmp(type, "boolean") == 0 && json_is_boolean(value)) ||
           (strcmp(type, "null") == 0 && json_is_null(value));
}

static bool any_type_fits(const json_t *value, const json_t *types)
{
    size_t i;
    json_t *type;
    if (json_is_string(types))
        return type_fits(value, json_string_value(types));
    json_array_foreach((json_t *)types, i, type) if (type_fits(value, json_string_value(type))) return true;
    return types == NULL;
}

static bool fits(const json_t *doc, const json_t *schema, const json_t *value, const char *where);

static bool object_fits(const json_t *doc, const json_t *schema, const json_t *value, const char *where)
{
    const json_t *properties = json_object_get(schema, "properties");
    const json_t *others = json_object_get(schema, "additionalProperties");
    size_t i;
    json_t *item;
    const char *key;
    json_array_foreach(json_object_get(schema, "required"), i, item)
    {
        if (json_object_get(value, json_string_value(item)) == NULL) {
            (void)printf("%s: %s is missing\n", where, json_string_value(item));
            return false;
        }
    }
    json_object_foreach((json_t *)value, key, item)
    {
        char below[300];
        (void)snprintf(below, sizeof below, "%s.%s", where, key);
        const json_t *inner = json_object_get(properties, key);
        if (inner == NULL)
            inner = others;
        if (inner != NULL && !fits(doc, inner, item, below))
            return false;
    }
    return true;
}

static bool fits(const json_t *doc, const json_t *schema, const json_t *value, const char *where)
{
    static const char prefix[] = "#/components/schemas/";
    const char *ref = json_string_value(json_object_get(schema, "$ref"));
    size_t i;
    json_t *item;
    if (ref != NULL) {
        ck_assert_int_eq(strncmp(ref, prefix, sizeof prefix - 1), 0);
        const json_t *all = json_object_get(json_object_get(doc, "components"), "schemas");
        schema = json_object_get(all, ref + sizeof prefix - 1);
        ck_assert_msg(schema != NULL, "%s is not in the document", ref);
    }
    if (json_object_get(schema, "anyOf") != NULL) {
        json_array_foreach(json_object_get(schema, "anyOf"), i, item) if (fits(doc, item, value, where)) return true;
        return false;
    }
    if (!any_type_fits(value, json_object_get(schema, "type"))) {
        (void)printf("%s: of another type than documented\n", where);
        return false;
    }
    const json_t *words = json_object_get(schema, "enum");
    bool known = words == NULL;
    json_array_foreach((json_t *)words, i, item) known = known || json_equal(item, value) == 1;
    if (!known) {
        (void)printf("%s: a word that is not documented\n", where);
        return false;
    }
    if (json_is_object(value))
        return object_fits(doc, schema, value, where);
    json_array_foreach((json_t *)value, i,
                       item) if (json_object_get(schema, "items") != NULL &&
                                 !fits(doc, json_object_get(schema, "items"), item, where)) return false;
    return true;
}

/* The path with the examples of its parameters put in. */
static void fill_in(const char *path, const json_t *operation, char *to, size_t cap)
{
    const char *brace = strchr(path, '{');
    size_t i;
    json_t *p;
    (void)snprintf(to, cap, "%s", path);
    if (brace != NULL)
        (void)snprintf(to, cap, "%.*s1%s", (int)(brace - path), path, strchr(brace, '}') + 1);
    char mark = '?';
    json_array_foreach(json_object_get(operation, "parameters"), i, p)
    {
        const json_t *example = json_object_get(p, "example");
        if (example == NULL || strcmp(json_string_value(json_object_get(p, "in")), "query") != 0)
            continue;
        char *text =
            json_is_string(example) ? strdup(json_string_value(example)) : json_dumps(example, JSON_ENCODE_ANY);
        ck_assert_ptr_nonnull(text);
        size_t used = strlen(to);
        (void)snprintf(to + used, cap - used, "%c%s=%s", mark, json_string_value(json_object_get(p, "name")), text);
        free(text);
        mark = '&';
    }
}

/* A unit with a judged run, readings and events in the journal. */
static void fill_journal(struct journal *j)
{
    struct error err = {{0}};
    int32_t version;
    struct unit_plate plate = fake_plate();
    struct input start = fixture_start(1, 1, 0);
    (void)snprintf(start.u.operator_.run.serial, NAME_CAP, "%s", plate.serial);
    struct verdict verdict = fixture_verdict(1, 1);
    struct journal_inspection test = {
        .serial = "HQ-0147", .kind = "safety test", .who = "J", .done_utc_s = 1, .passed = true};
    struct journal_disposition place = {.serial = "HQ-0147", .to = "hire", .who = "J", .utc_s = 1, .run_no = 1};
    struct journal_baseline base = {.serial = "HQ-0147", .run_no = 1, .who = "J", .utc_s = 1};
    ck_assert(journal_begin(j, &err) == 0 && journal_put_unit(j, &plate, 1, &version, &err) == 0 &&
              journal_put_inspection(j, &test, &err) == 0 && journal_put_run(j, &start, 0, &err) == 0);
    for (uint64_t n = 2; n < 60; n++) {
        struct journal_reading m = fixture_reading(n, 0, 1);
        struct event e = fixture_event(n, 0, 1);
        ck_assert(journal_put_reading(j, &m, &err) == 0 && journal_put_event(j, &e, &err) == 0);
    }
    ck_assert_msg(journal_put_verdict(j, &verdict, 60, 6000000000, &err) == 0 &&
                      journal_end_run(j, 1, 60, 6000000000, &err) == 0 &&
                      journal_put_disposition(j, &place, &err) == 0 && journal_put_baseline(j, &base, &err) == 0 &&
                      journal_commit(j, &err) == 0,
                  "%s", err.text);
}

static void try_get(int port, const json_t *doc, const char *path, const json_t *operation)
{
    char where[300], type[100];
    fill_in(path, operation, where, sizeof where);
    struct http_answer a = http_ask(port, "GET", where, NULL, NULL);
    ck_assert_msg(a.status == 200, "%s answers %d: %.200s", where, a.status, a.body != NULL ? a.body : "");
    const json_t *contents =
        json_object_get(json_object_get(json_object_get(operation, "responses"), "200"), "content");
    ck_assert_ptr_nonnull(http_header(&a, "Content-Type", type, sizeof type));
    type[strcspn(type, ";")] = '\0';
    const json_t *content = json_object_get(contents, type);
    ck_assert_msg(content != NULL, "%s is of type %s, which is not documented", where, type);
    const json_t *schema = json_object_get(content, "schema");
    if (schema != NULL) {
        json_t *value = http_json(&a);
        ck_assert_msg(fits(doc, schema, value, where), "%s does not answer as documented", where);
        json_decref(value);
    }
    http_free(&a);
}

START_TEST(documented_paths_answer_as_documented)
{
    struct web_fixture f;
    json_t *doc = load_document();
    const char *path;
    json_t *operations;
    int tried = 0;
    web_fixture_begin(&f, FIXTURE_TOKEN);
    fill_journal(f.daemon.journal);
    json_object_foreach(json_object_get(doc, "paths"), path, operations)
    {
        const json_t *get = json_object_get(operations, "get");
        if (get == NULL)
            continue;
        try_get(f.port, doc, path, get);
        tried++;
    }
    ck_assert_int_ge(tried, 12);
    json_decref(doc);
    web_fixture_end(&f);
}
END_TEST

/* Customer, job, dates and the pair come as arguments, and what is no date, no run or another unit's is refused by
 * name. */
START_TEST(a_record_is_made_out_to_somebody)
{
    static const struct {
        const char *arguments;
        int status;
        const char *words;
    } rows[] = {{"?customer=Farrow%20Steel&job=HQ-J-88&received=2026-01-05&remark=found%20dirty", 200, "%PDF-"},
                {"?received=yesterday", 400, "write a date"},
                {"?as_found=1&as_left=1", 400, "either as_found or as_left"},
                {"?as_found=1", 200, "%PDF-"},
                {"?as_left=999", 400, "999"}};
    struct web_fixture f;
    web_fixture_begin(&f, FIXTURE_TOKEN);
    fill_journal(f.daemon.journal);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char path[200];
        (void)snprintf(path, sizeof path, "/api/runs/1/record.pdf%s", rows[i].arguments);
        struct http_answer a = http_ask(f.port, "GET", path, NULL, NULL);
        ck_assert_msg(a.status == rows[i].status, "%s answers %d: %.200s", rows[i].arguments, a.status, a.body);
        ck_assert_msg(strstr(a.body, rows[i].words) != NULL, "%s answers %.200s", rows[i].arguments, a.body);
        http_free(&a);
    }
    web_fixture_end(&f);
}
END_TEST

START_TEST(nothing_else_answers)
{
    static const char *const others[] = {"/api",
                                         "/api/",
                                         "/api/orders",
                                         "/api/counters",
                                         "/api/snapshot",
                                         "/api/journal",
                                         "/api/health",
                                         "/api/metrics",
                                         "/api/token",
                                         "/api/config",
                                         "/api/runs/",
                                         "/api/runs/0",
                                         "/api/runs/1/",
                                         "/api/runs/1/inputs",
                                         "/api/runs/-1",
                                         "/api/runs/1x",
                                         "/api/runs/01/events",
                                         "/api/units/",
                                         "/api/units/HQ-0147",
                                         "/api/unit/HQ-0147",
                                         "/api/events/1",
                                         "/api/openapi",
                                         "/assets/../web_main.c",
                                         "/assets/",
                                         "/.git/config",
                                         "/api/runs/99999999999999999999"};
    struct web_fixture f;
    web_fixture_begin(&f, FIXTURE_TOKEN);
    fill_journal(f.daemon.journal);
    for (size_t i = 0; i < sizeof others / sizeof others[0]; i++) {
        struct http_answer a = http_ask(f.port, "GET", others[i], NULL, NULL);
        ck_assert_msg(a.status == 404, "%s answers %d", others[i], a.status);
        http_free(&a);
    }
    web_fixture_end(&f);
}
END_TEST

/* Does the document have a path that begins like this use of it in the page? */
static bool documented(const json_t *paths, const char *use, size_t n)
{
    const char *path;
    json_t *operations;
    json_object_foreach((json_t *)paths, path, operations)
    {
        const char *brace = strchr(path, '{');
        size_t stem = brace != NULL ? (size_t)(brace - path) : strlen(path);
        if (strncmp(path, use, n < stem ? n : stem) == 0 && n >= stem)
            return true;
    }
    return false;
}

START_TEST(the_page_uses_only_what_is_documented)
{
    json_t *doc = load_document();
    DIR *dir = opendir(SOURCE_DIR "/daemon/web/assets");
    int uses = 0;
    ck_assert_ptr_nonnull(dir);
    for (struct dirent *e; (e = readdir(dir)) != NULL;) {
        char name[400], line[4000];
        (void)snprintf(name, sizeof name, SOURCE_DIR "/daemon/web/assets/%s", e->d_name);
        FILE *in = strstr(e->d_name, ".js") != NULL ? fopen(name, "r") : NULL;
        while (in != NULL && fgets(line, sizeof line, in) != NULL) {
            for (const char *at = line; (at = strstr(at, "/api/")) != NULL; at += 5) {
                size_t n = strcspn(at, "$?\"`'");
                ck_assert_msg(documented(json_object_get(doc, "paths"), at, n), "%s: %.*s", e->d_name, (int)n, at);
                uses++;
            }
        }
        if (in != NULL)
            (void)fclose(in);
    }
    (void)closedir(dir);
    json_decref(doc);
    ck_assert_int_ge(uses, 8);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("web api");
    TCase *tc = tcase_create("document");
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, documented_paths_answer_as_documented);
    tcase_add_test(tc, a_record_is_made_out_to_somebody);
    tcase_add_test(tc, nothing_else_answers);
    tcase_add_test(tc, the_page_uses_only_what_is_documented);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
