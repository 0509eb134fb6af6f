#include "bus_stats.h"

const char *bus_error_name(enum bus_error error)
{
    static const char *const names[BUS_ERROR_COUNT_] = {"ok",           "timeout",   "bad-checksum", "bad-answer",
                                                        "wrong-server", "exception", "link-lost",    "not-sent"};
    return error < BUS_ERROR_COUNT_ ? names[error] : "unknown";
}

/* Buckets: eight equal parts of each octave above 1 us (1024 ns); all below is in the first. */
static int bucket_of(int64_t ns)
{
    if (ns < 1024)
        return 0;
    int octave = 0;
    while (octave < 26 && ns >> (octave + 11) != 0)
        octave++;
    if (octave >= 26)
        return TIME_BUCKETS - 1;
    int64_t part = ns >> (octave + 7) & 7;
    return octave * 8 + (int)part;
}

static int64_t bucket_top(int bucket)
{
    int octave = bucket / 8;
    int part = bucket % 8;
    return ((INT64_C(8) + part + 1) << (octave + 7)) - 1;
}

void time_histogram_add(struct time_histogram *h, int64_t ns)
{
    if (ns < 0)
        ns = 0;
    h->buckets[bucket_of(ns)]++;
    h->count++;
    if (ns > h->longest_ns)
        h->longest_ns = ns;
}

int64_t time_histogram_quantile(const struct time_histogram *h, double share)
{
    if (h->count == 0)
        return 0;
    double wanted = share * (double)h->count;
    uint64_t seen = 0;
    for (int i = 0; i < TIME_BUCKETS - 1; i++) {
        seen += h->buckets[i];
        if ((double)seen >= wanted && seen > 0)
            return bucket_top(i) < h->longest_ns ? bucket_top(i) : h->longest_ns;
    }
    return h->longest_ns;
}
