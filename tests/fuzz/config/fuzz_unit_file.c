/* libFuzzer harness for unit files: any bytes. What loads must print and load again to the same plate. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "unit_file.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(int condition)
{
    if (!condition)
        abort();
}

static void prints_back(const struct unit_plate *plate)
{
    struct problems list = {0};
    struct unit_plate again;
    uint8_t a[16384];
    uint8_t b[16384];
    char *text = unit_file_print(plate);
    must(text != NULL);
    must(unit_file_load_text("u.yaml", text, strlen(text), &again, &list) == 0);
    struct writer wa = writer_over(a, sizeof a);
    struct writer wb = writer_over(b, sizeof b);
    put_unit_plate(&wa, plate);
    put_unit_plate(&wb, &again);
    must(!wa.bad && wa.used == wb.used && memcmp(a, b, wa.used) == 0);
    free(text);
    problems_free(&list);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct problems list = {0};
    struct unit_plate plate;
    int rc = unit_file_load_text("u.yaml", (const char *)data, size, &plate, &list);
    must((rc == 0) == (list.errors == 0));
    if (rc == 0)
        prints_back(&plate);
    problems_free(&list);
    return 0;
}
