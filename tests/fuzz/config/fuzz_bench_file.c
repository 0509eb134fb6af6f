/* libFuzzer harness for bench files: any bytes. What loads must print, load again, print the same, and be the same
 * bench to the byte. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "config_sample.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(int condition)
{
    if (!condition)
        abort();
}

static void same(const struct bench *a, const struct bench *b)
{
    size_t size = bench_encode(a, NULL, 0);
    uint8_t *bytes_a = malloc(size);
    uint8_t *bytes_b = malloc(size);
    must(bytes_a != NULL && bytes_b != NULL && bench_encode(b, NULL, 0) == size);
    must(bench_encode(a, bytes_a, size) == size && bench_encode(b, bytes_b, size) == size);
    must(memcmp(bytes_a, bytes_b, size) == 0);
    free(bytes_a);
    free(bytes_b);
}

static void prints_back(const struct config *c)
{
    struct problems list = {0};
    struct config *again = NULL;
    char *text = config_print(c);
    must(text != NULL);
    must(config_load_text("/bench/b.yaml", text, strlen(text), &sample_files, &again, &list) == 0);
    char *second = config_print(again);
    must(second != NULL && strcmp(text, second) == 0);
    same(&c->bench, &again->bench);
    config_free(again);
    problems_free(&list);
    free(text);
    free(second);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct problems list = {0};
    struct config *c = NULL;
    int rc = config_load_text("/bench/b.yaml", (const char *)data, size, &sample_files, &c, &list);
    must((rc == 0) == (list.errors == 0));
    if (rc == 0)
        prints_back(c);
    config_free(c);
    problems_free(&list);
    return 0;
}
