#include "unit_name.h"

#include <ctype.h>
#include <string.h>

#include "codec.h"
#include "sql.h"

enum { ALIKE_MAX = 32 }; /* units of one serial number that are told apart */

struct alike {
    int count;
    struct {
        char name[NAME_CAP], maker[NAME_CAP];
    } units[ALIKE_MAX];
};

static size_t trimmed(const char **text)
{
    *text += strspn(*text, " ");
    size_t size = strlen(*text);
    while (size > 0 && (*text)[size - 1] == ' ')
        size--;
    return size;
}

static bool same_maker(const char *a, const char *b)
{
    size_t n = trimmed(&a);
    if (trimmed(&b) != n)
        return false;
    for (size_t i = 0; i < n; i++)
        if (tolower((unsigned char)a[i]) != tolower((unsigned char)b[i]))
            return false;
    return true;
}

static void keep(sqlite3_stmt *st, const char *serial, struct alike *found)
{
    struct unit_plate plate;
    const void *bytes = sqlite3_column_blob(st, 1);
    struct reader r = reader_over(bytes, (size_t)sqlite3_column_bytes(st, 1));
    get_unit_plate(&r, &plate);
    /* A serial number may hold a slash of its own. */
    if (r.bad || strcmp(plate.serial, serial) != 0 || found->count == ALIKE_MAX)
        return;
    sql_text(st, 0, found->units[found->count].name, NAME_CAP);
    (void)text_copy(found->units[found->count].maker, NAME_CAP, plate.maker);
    found->count++;
}

/* All units of a serial number, by their latest plates. Names that hold a maker stand right behind the serial number in
 * the order of the key: '0' is the character after '/'. */
const char unit_alike_text[] =
    "SELECT p.serial, p.bytes FROM plate_rows p WHERE (p.serial = ?1 OR (p.serial >= ?1 || '/' AND p.serial < ?1 || "
    "'0'))"
    " AND p.version = (SELECT max(version) FROM plate_rows x WHERE x.serial = p.serial) ORDER BY p.serial";
const char unit_named_text[] = "SELECT 1 FROM plate_rows WHERE serial = ?1 LIMIT 1";

static int find_alike(const struct unit_queries *q, const char *serial, struct alike *found, struct error *err)
{
    int rc;
    found->count = 0;
    sql_bind_text(q->alike, 1, serial);
    while ((rc = sql_next(q->alike, "journal: units of a serial number", err)) == 1)
        keep(q->alike, serial, found);
    return rc < 0 ? -1 : 0;
}

static int is_named(const struct unit_queries *q, const char *name, struct error *err)
{
    sql_bind_text(q->named, 1, name);
    int rc = sql_next(q->named, "journal: name of a unit", err);
    if (rc == 1)
        sql_done(q->named);
    return rc;
}

static void list_calls(const struct alike *found, const char *serial, char *text, size_t cap)
{
    text[0] = '\0';
    for (int i = 0; i < found->count; i++) {
        const char *maker = found->units[i].maker;
        size_t size = trimmed(&maker);
        (void)text_append(text, cap, "%s%s/%.*s", i == 0 ? "" : " or ", serial, (int)size, maker);
    }
}

static int several(const struct alike *found, const char *serial, struct error *err)
{
    char calls[256];
    list_calls(found, serial, calls, sizeof calls);
    (void)error_set(err, "%d units have the serial number %s, of different makers: name one as %s", found->count,
                    serial, calls);
    return 2;
}

/* Index of the unit of this maker, -1 when there is none. A plate that leaves the maker out is of any. */
static int of_maker(const struct alike *found, const char *maker)
{
    for (int i = 0; i < found->count; i++)
        if (same_maker(found->units[i].maker, maker))
            return i;
    for (int i = 0; i < found->count; i++)
        if (trimmed(&(const char *){found->units[i].maker}) == 0)
            return i;
    return -1;
}

static int new_name(const struct unit_queries *q, const struct unit_plate *plate, bool alone, char name[NAME_CAP],
                    struct error *err)
{
    const char *maker = plate->maker;
    size_t size = trimmed(&maker);
    if (alone)
        return text_copy(name, NAME_CAP, plate->serial);
    if (text_format(name, NAME_CAP, "%s/%.*s", plate->serial, (int)size, maker) != 0)
        return error_set(err,
                         "the serial number %s is another maker's too, and with the maker it is longer than %d "
                         "characters: shorten the maker's name",
                         plate->serial, NAME_CAP - 1);
    int there = is_named(q, name, err);
    return there <= 0 ? there
                      : error_set(err,
                                  "a unit is on file under the name %s already, which would be this one's too: "
                                  "write maker or serial number in another way",
                                  name);
}

int unit_name_for(const struct unit_queries *q, const struct unit_plate *plate, char name[NAME_CAP], struct error *err)
{
    struct alike found;
    const char *maker = plate->maker;
    if (find_alike(q, plate->serial, &found, err) != 0)
        return -1;
    bool unknown = trimmed(&maker) == 0;
    if (unknown && found.count > 1) {
        (void)several(&found, plate->serial, err);
        return error_prefix(err, "the plate does not say its maker");
    }
    int i = unknown && found.count == 1 ? 0 : of_maker(&found, plate->maker);
    if (i >= 0)
        return text_copy(name, NAME_CAP, found.units[i].name);
    int there = found.count == 0 ? is_named(q, plate->serial, err) : 0;
    return there < 0 ? -1 : new_name(q, plate, found.count == 0 && there == 0, name, err);
}

/* "12345/Maker", at whichever slash makes sense of it. */
static int find_by_both(const struct unit_queries *q, const char *called, char name[NAME_CAP], struct error *err)
{
    for (const char *slash = strchr(called, '/'); slash != NULL; slash = strchr(slash + 1, '/')) {
        char serial[NAME_CAP];
        struct alike found;
        if (text_format(serial, sizeof serial, "%.*s", (int)(slash - called), called) != 0)
            return 0;
        if (find_alike(q, serial, &found, err) != 0)
            return -1;
        for (int i = 0; i < found.count; i++)
            if (same_maker(found.units[i].maker, slash + 1))
                return text_copy(name, NAME_CAP, found.units[i].name) == 0 ? 1 : -1;
    }
    return 0;
}

int unit_name_find(const struct unit_queries *q, const char *called, char name[NAME_CAP], struct error *err)
{
    struct alike found;
    if (find_alike(q, called, &found, err) != 0)
        return -1;
    if (found.count > 1)
        return several(&found, called, err);
    if (found.count == 1)
        return text_copy(name, NAME_CAP, found.units[0].name) == 0 ? 1 : -1;
    int rc = is_named(q, called, err);
    if (rc == 1)
        return text_copy(name, NAME_CAP, called) == 0 ? 1 : 0;
    return rc < 0 ? -1 : find_by_both(q, called, name, err);
}
