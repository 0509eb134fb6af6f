/* The Modbus server against the example frames of the specifications, byte for byte, and its refusals. */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "suite_run.h"
#include "vb_fixture.h"
#include "vb_frame.h"

/* Contents as the examples of the application protocol V1.1b3 presume them (clauses in the table below). */
static const char *const contents =
    "scenario: registers\n"
    "buses: [{name: rack}, {name: line, kind: modbus-rtu, baud: 9600}]\n"
    "devices:\n"
    "  - name: plain\n    bus: rack\n    server: 17\n    kind: registers\n    contents:\n"
    "      - {table: coil, first: 19, values: [1,0,1,1,0,0,1,1, 1,1,0,1,0,1,1,0, 1,0,1]}\n"
    "      - {table: coil, first: 172, values: [0]}\n"
    "      - {table: discrete, first: 196, values: [0,0,1,1,0,1,0,1, 1,1,0,1,1,0,1,1, 1,0,1,0,1,1]}\n"
    "      - {table: holding, first: 1, values: [0, 0, 254, 2765, 1, 3, 13, 255]}\n"
    "      - {table: holding, first: 14, values: [0, 0, 0]}\n"
    "      - {table: holding, first: 107, values: [555, 0, 100]}\n"
    "      - {table: input, first: 8, values: [10]}\n";

static size_t from_hex(const char *hex, uint8_t *to)
{
    size_t n = 0;
    for (const char *p = hex; *p; p += 2 + (p[2] == ' '))
        to[n++] = (uint8_t)strtol((const char[3]){p[0], p[1], 0}, NULL, 16);
    return n;
}

static void expect(struct vbench *vb, int server, const char *ask, const char *want)
{
    uint8_t pdu[260], wanted[260], answer[260];
    size_t size, n = from_hex(ask, pdu), m = from_hex(want, wanted);
    int64_t took;
    ck_assert_int_eq(vbench_exchange(vb, "rack", server, pdu, n, answer, sizeof answer, &size, &took), VBENCH_OK);
    ck_assert_msg(size == m && memcmp(answer, wanted, m) == 0, "%s", ask);
    ck_assert_int_gt(took, 0);
}

/* Modbus application protocol V1.1b3, examples of clauses 6.1 to 6.6, 6.11, 6.12, 6.16, 6.17 and 7. */
START_TEST(examples_of_the_specification)
{
    static const char *const examples[][2] = {
        {"01 00 13 00 13", "01 03 CD 6B 05"},
        {"02 00 C4 00 16", "02 03 AC DB 35"},
        {"03 00 6B 00 03", "03 06 02 2B 00 00 00 64"},
        {"04 00 08 00 01", "04 02 00 0A"},
        {"05 00 AC FF 00", "05 00 AC FF 00"},
        {"06 00 01 00 03", "06 00 01 00 03"},
        {"0F 00 13 00 0A 02 CD 01", "0F 00 13 00 0A"},
        {"10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02"},
        {"01 04 A1 00 01", "81 02"},
    };
    struct vbench *vb = bench_from(contents);
    for (size_t i = 0; i < sizeof examples / sizeof examples[0]; i++)
        expect(vb, 17, examples[i][0], examples[i][1]);
    expect(vb, 17, "03 00 01 00 02", "03 04 00 0A 01 02"); /* what 6.12 wrote is there */
    expect(vb, 17, "01 00 AC 00 01", "01 01 01");
    vbench_free(vb);
    vb = bench_from(contents);
    expect(vb, 17, "17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF", "17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF");
    expect(vb, 17, "03 00 0E 00 03", "03 06 00 FF 00 FF 00 FF");
    /* Clause 6.16: 0x12 masked with F2 and 25 becomes 0x17. */
    expect(vb, 17, "06 00 04 00 12", "06 00 04 00 12");
    expect(vb, 17, "16 00 04 00 F2 00 25", "16 00 04 00 F2 00 25");
    expect(vb, 17, "03 00 04 00 01", "03 02 00 17");
    vbench_free(vb);
}
END_TEST

/* V1.1b3 clauses 6.1, 6.3, 6.11, 6.12, 6.17: limits of quantity; 6.5: coil values; clause 7: order of checks. */
START_TEST(refusals)
{
    struct vbench *vb = bench_from(contents);
    expect(vb, 17, "2B 0E 01 00", "AB 01");
    expect(vb, 17, "09", "89 01");
    expect(vb, 17, "03 00", "83 03");
    expect(vb, 17, "01 00 13 07 D1", "81 03");             /* 2001 bits */
    expect(vb, 17, "03 00 01 00 7E", "83 03");             /* 126 registers */
    expect(vb, 17, "03 00 01 00 00", "83 03");             /* none */
    expect(vb, 17, "05 00 AC 12 34", "85 03");             /* neither on nor off */
    expect(vb, 17, "10 00 01 00 02 03 00 0A 01", "90 03"); /* byte count */
    expect(vb, 17, "03 00 6C 00 03", "83 02");             /* one beyond the last */
    expect(vb, 17, "06 00 32 00 01", "86 02");             /* nothing there */
    uint8_t answer[260];
    size_t size;
    int64_t took;
    ck_assert_int_eq(
        vbench_exchange(vb, "rack", 18, (const uint8_t[]){3, 0, 1, 0, 1}, 5, answer, sizeof answer, &size, &took),
        VBENCH_NO_ANSWER);
    ck_assert_int_eq(
        vbench_exchange(vb, "rake", 17, (const uint8_t[]){3, 0, 1, 0, 1}, 5, answer, sizeof answer, &size, &took),
        VBENCH_BAD_CALL);
    vbench_free(vb);
}
END_TEST

/* Serial line V1.02 6.2.2: bytes 02 07 have the CRC 0x1241, sent 41 12. TCP guide V1.0b: request table. */
START_TEST(frames)
{
    uint8_t frame[VB_FRAME_MAX + 16], wanted[260];
    ck_assert_uint_eq(vb_frame_crc((const uint8_t[]){2, 7}, 2), 0x1241);
    size_t m = from_hex("11 03 06 02 2B 00 00 00 64 C8 BA", wanted);
    size_t n = vb_frame_rtu(frame, 17, wanted + 1, m - 3);
    ck_assert(n == m && memcmp(frame, wanted, m) == 0);
    m = from_hex("15 01 00 00 00 06 FF 03 00 04 00 01", wanted);
    n = vb_frame_tcp(frame, wanted, 0xff, wanted + 7, 5);
    ck_assert(n == m && memcmp(frame, wanted, m) == 0);
    ck_assert_int_eq(vb_frame_tcp_size(wanted, m), 12);
    ck_assert_int_eq(vb_frame_tcp_size(wanted, 5), 0);
    wanted[2] = 1;
    ck_assert_int_eq(vb_frame_tcp_size(wanted, m), -1);
    m = from_hex("11 10 00 01 00 02 04 00 0A 01 02 C6 F0", wanted);
    ck_assert_int_eq(vb_frame_rtu_size(wanted, m), (int)m);
    ck_assert_uint_eq(vb_frame_crc(wanted, m), 0);
}
END_TEST

/* 9600 bit/s: 8 bytes out and 7 back in 11-bit characters, and two silences of 3.5: at least 22 characters. */
START_TEST(serial_line_takes_its_time)
{
    struct vbench *vb = bench_from("scenario: line\nbuses: [{name: line, kind: modbus-rtu, baud: 9600}]\n"
                                   "devices: [{name: plain, bus: line, server: 1, kind: registers, answer_s: 0,\n"
                                   "  contents: [{table: holding, first: 0, values: [1]}]}]\n");
    uint8_t answer[260];
    size_t size;
    int64_t took;
    ck_assert_int_eq(
        vbench_exchange(vb, "line", 1, (const uint8_t[]){3, 0, 0, 0, 1}, 5, answer, sizeof answer, &size, &took),
        VBENCH_OK);
    ck_assert_double_ge((double)took, 22 * 11 / 9600.0 * 1e9);
    ck_assert_double_le((double)took, 32 * 11 / 9600.0 * 1e9);
    vbench_free(vb);
}
END_TEST

/* Whatever arrives, the server answers within the standard's size or refuses, and never reads past the request. */
START_TEST(random_requests_do_no_harm)
{
    struct vbench *vb = vbench_new(SOURCE_DIR "/config/examples/harrow-quay-scenario.yaml", NULL);
    ck_assert_ptr_nonnull(vb);
    vbench_start(vb, 0);
    uint32_t r = 12345;
    for (int i = 0; i < 20000; i++) {
        uint8_t *pdu = malloc(253), answer[253];
        size_t size, n;
        int64_t took;
        ck_assert_ptr_nonnull(pdu);
        for (int b = 0; b < 253; b++)
            pdu[b] = (uint8_t)((r = r * 1664525 + 1013904223) >> 24);
        pdu[0] %= 24;
        pdu[1] %= 2;
        pdu[3] = 0;
        n = 1 + (r >> 8) % 20;
        if (i % 3 == 0) { /* well formed at least in its size */
            n = 6 + pdu[5] % 24;
            pdu[4] = pdu[5] = (uint8_t)(n - 6);
        }
        uint8_t *exact = realloc(pdu, n);
        ck_assert_ptr_nonnull(exact);
        int result = vbench_exchange(vb, "rack", 1, exact, n, answer, sizeof answer, &size, &took);
        ck_assert_int_eq(result, VBENCH_OK);
        ck_assert(size >= 2 && size <= 253 && (answer[0] & 0x7f) == (exact[0] & 0x7f));
        free(exact);
        vbench_advance(vb, i * (SECOND / 10));
    }
    vbench_free(vb);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("virtual bench: Modbus");
    TCase *t = tcase_create("modbus");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, examples_of_the_specification);
    tcase_add_test(t, refusals);
    tcase_add_test(t, frames);
    tcase_add_test(t, serial_line_takes_its_time);
    tcase_add_test(t, random_requests_do_no_harm);
    suite_add_tcase(s, t);
    return suite_run(s);
}
