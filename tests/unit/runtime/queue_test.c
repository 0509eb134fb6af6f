/* The queue between threads: order, what happens when it is full, looking ahead, and many putters at once. */
#include <check.h>
#include <poll.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include "queue.h"
#include "suite_run.h"

/* Sizes that wrap around the end of the buffer in every possible way. */
START_TEST(records_come_out_as_they_went_in)
{
    struct queue *q = queue_new(1009, -1);
    uint8_t in[200], out[200];
    uint32_t put = 0, taken = 0;
    unsigned random = 1;
    for (int round = 0; round < 20000; round++) {
        random = random * 1103515245u + 12345u;
        size_t size = (random >> 16) % 120;
        memset(in, (int)(put & 0xff), size);
        if ((random >> 8) % 3 && queue_put(q, put, (int64_t)put * 10, in, size) == 0)
            put++;
        struct queue_record r;
        if ((random >> 4) % 2 && queue_take(q, &r, out, sizeof out)) {
            ck_assert_uint_eq(r.type, taken);
            ck_assert_int_eq(r.stamp, (int64_t)taken * 10);
            for (uint32_t i = 0; i < r.size; i++)
                ck_assert_uint_eq(out[i], taken & 0xff);
            taken++;
        }
    }
    ck_assert_uint_gt(taken, 5000);
    struct queue_counts c = queue_counts(q);
    ck_assert_uint_eq(c.put, put);
    ck_assert_uint_eq(c.taken, taken);
    ck_assert_uint_gt(c.refused, 0);
    ck_assert_uint_le(c.high_water, 1009);
    queue_free(q);
}
END_TEST

START_TEST(full_is_an_answer)
{
    struct queue *q = queue_new(100, -1);
    char bytes[40] = "first";
    struct queue_record r;
    ck_assert_int_eq(queue_put(q, 1, 0, bytes, 40), 0);
    ck_assert(!queue_has_room(q, 40));
    ck_assert_int_eq(queue_put(q, 2, 0, bytes, 40), -1);
    ck_assert_uint_eq(queue_counts(q).refused, 1);
    ck_assert_int_eq(queue_take(q, &r, bytes, sizeof bytes), 1);
    ck_assert_uint_eq(r.type, 1);
    ck_assert_str_eq(bytes, "first"); /* what was queued was not overwritten */
    ck_assert(queue_has_room(q, 40));
    ck_assert_int_eq(queue_put(q, 3, 0, bytes, 0), 0);
    ck_assert_int_eq(queue_take(q, &r, bytes, sizeof bytes), 1);
    ck_assert_uint_eq(r.type, 3);
    ck_assert_int_eq(queue_take(q, &r, bytes, sizeof bytes), 0);
    queue_free(q);
}
END_TEST

START_TEST(looking_ahead_keeps_records_until_released)
{
    struct queue *q = queue_new(1000, -1);
    int value;
    int64_t stamp;
    struct queue_record r;
    ck_assert(!queue_oldest(q, &stamp));
    for (int i = 0; i < 5; i++)
        ck_assert_int_eq(queue_put(q, 0, 100 + i, &i, sizeof i), 0);
    struct queue_cursor c = queue_first(q);
    for (int i = 0; i < 3; i++) {
        ck_assert_int_eq(queue_look(q, &c, &r, &value, sizeof value), 1);
        ck_assert_int_eq(value, i);
    }
    ck_assert(queue_oldest(q, &stamp));
    ck_assert_int_eq(stamp, 100);
    struct queue_cursor again = queue_first(q); /* a batch that failed begins again at the same record */
    ck_assert_int_eq(queue_look(q, &again, &r, &value, sizeof value), 1);
    ck_assert_int_eq(value, 0);
    queue_release(q, &c);
    ck_assert(queue_oldest(q, &stamp));
    ck_assert_int_eq(stamp, 103);
    ck_assert_uint_eq(queue_counts(q).taken, 3);
    queue_free(q);
}
END_TEST

enum { PUTTERS = 4, EACH = 20000 };

struct putter {
    struct queue *q;
    uint32_t number;
};

static void *put_many(void *arg)
{
    struct putter *p = arg;
    for (uint32_t i = 0; i < EACH; i++)
        while (queue_put(p->q, p->number, i, &i, sizeof i))
            ;
    return NULL;
}

START_TEST(what_is_held_is_seen_together)
{
    int wake = eventfd(0, EFD_NONBLOCK);
    struct queue *q = queue_new(256, wake);
    ck_assert(q && wake >= 0);
    struct queue_record r;
    uint64_t times = 0;
    int64_t stamp = 0;
    char to[64];
    queue_hold(q);
    ck_assert_int_eq(queue_put(q, 1, 10, "one", 3), 0);
    ck_assert_int_eq(queue_put(q, 2, 20, "two", 3), 0);
    struct queue_cursor c = queue_first(q);
    ck_assert(!queue_oldest(q, &stamp) && !queue_look(q, &c, &r, to, sizeof to) && !queue_take(q, &r, to, sizeof to));
    ck_assert_int_eq(read(wake, &times, sizeof times), -1);
    queue_show(q);
    ck_assert_int_eq(read(wake, &times, sizeof times), sizeof times);
    ck_assert(queue_oldest(q, &stamp) && stamp == 10);
    ck_assert(queue_take(q, &r, to, sizeof to) && r.type == 1);
    ck_assert(queue_take(q, &r, to, sizeof to) && r.type == 2);
    /* its room is taken all the same, and a refusal is counted */
    queue_hold(q);
    char large[200] = {0};
    ck_assert_int_eq(queue_put(q, 3, 30, large, sizeof large), 0);
    ck_assert_int_eq(queue_put(q, 4, 40, large, sizeof large), -1);
    queue_show(q);
    ck_assert_uint_eq(queue_counts(q).refused, 1);
    ck_assert_int_eq(queue_put(q, 5, 50, "now", 3), 0);
    ck_assert_int_eq(queue_take(q, &r, large, sizeof large), 1);
    ck_assert(queue_take(q, &r, to, sizeof to) && r.type == 5);
    queue_free(q);
    close(wake);
}
END_TEST

START_TEST(many_put_one_takes)
{
    int fd = eventfd(0, EFD_NONBLOCK);
    struct queue *q = queue_new(4096, fd);
    struct putter putters[PUTTERS];
    pthread_t threads[PUTTERS];
    uint32_t next[PUTTERS] = {0};
    for (uint32_t i = 0; i < PUTTERS; i++) {
        putters[i] = (struct putter){q, i};
        ck_assert_int_eq(pthread_create(&threads[i], NULL, put_many, &putters[i]), 0);
    }
    for (int left = PUTTERS * EACH; left;) {
        uint32_t value;
        uint64_t woken;
        struct queue_record r;
        if (!queue_take(q, &r, &value, sizeof value)) {
            struct pollfd p = {.fd = fd, .events = POLLIN};
            ck_assert_int_eq(poll(&p, 1, 5000), 1); /* a put always wakes */
            ck_assert_int_eq(read(fd, &woken, sizeof woken), sizeof woken);
            continue;
        }
        ck_assert_uint_eq(value, next[r.type]++); /* each putter's records keep their order */
        left--;
    }
    for (int i = 0; i < PUTTERS; i++)
        pthread_join(threads[i], NULL);
    queue_free(q);
    close(fd);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("queue");
    TCase *t = tcase_create("queue");
    tcase_set_timeout(t, 30);
    tcase_add_test(t, records_come_out_as_they_went_in);
    tcase_add_test(t, full_is_an_answer);
    tcase_add_test(t, looking_ahead_keeps_records_until_released);
    tcase_add_test(t, what_is_held_is_seen_together);
    tcase_add_test(t, many_put_one_takes);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
