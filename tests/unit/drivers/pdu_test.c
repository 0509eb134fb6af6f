/* Frames of the standard, byte for byte. Sources: Modbus application protocol V1.1b3 (clause beside each frame) and
 * Modbus over serial line V1.02. The RTU wrappings (server 0x11) are computed with the checksum whose worked example
 * is checked first. */
#include <check.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "map_check.h"
#include "modbus_link.h"
#include "pdu.h"
#include "suite_run.h"

struct frame {
    const char *clause;
    struct modbus_request request;
    const char *asked, *answered;         /* PDUs in hexadecimal */
    const char *rtu_asked, *rtu_answered; /* with server 0x11 and checksum */
    int count;
    uint16_t values[22];
    int exception;
};

static const struct frame frames[] = {
    {"V1.1b3 6.1: read coils 20-38",
     {MODBUS_READ_COILS, 0x13, 0x13, {0}},
     "01 00 13 00 13",
     "01 03 CD 6B 05",
     "11 01 00 13 00 13 8E 92",
     "11 01 03 CD 6B 05 40 12",
     19,
     {1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1},
     0},
    {"V1.1b3 6.2: read discrete inputs 197-218",
     {MODBUS_READ_DISCRETE, 0xC4, 0x16, {0}},
     "02 00 C4 00 16",
     "02 03 AC DB 35",
     "11 02 00 C4 00 16 BA A9",
     "11 02 03 AC DB 35 20 18",
     22,
     {0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1},
     0},
    {"V1.1b3 6.3: read holding registers 108-110",
     {MODBUS_READ_HOLDING, 0x6B, 3, {0}},
     "03 00 6B 00 03",
     "03 06 02 2B 00 00 00 64",
     "11 03 00 6B 00 03 76 87",
     "11 03 06 02 2B 00 00 00 64 C8 BA",
     3,
     {555, 0, 100},
     0},
    {"V1.1b3 6.4: read input register 9",
     {MODBUS_READ_INPUT, 8, 1, {0}},
     "04 00 08 00 01",
     "04 02 00 0A",
     "11 04 00 08 00 01 B2 98",
     "11 04 02 00 0A F8 F4",
     1,
     {10},
     0},
    {"V1.1b3 6.5: write coil 173 on",
     {MODBUS_WRITE_COIL, 0xAC, 1, {1}},
     "05 00 AC FF 00",
     "05 00 AC FF 00",
     "11 05 00 AC FF 00 4E 8B",
     "11 05 00 AC FF 00 4E 8B",
     0,
     {0},
     0},
    {"V1.1b3 6.6: write register 2 to 3",
     {MODBUS_WRITE_REGISTER, 1, 1, {3}},
     "06 00 01 00 03",
     "06 00 01 00 03",
     "11 06 00 01 00 03 9A 9B",
     "11 06 00 01 00 03 9A 9B",
     0,
     {0},
     0},
    {"V1.1b3 6.11: write ten coils from 20",
     {MODBUS_WRITE_COILS, 0x13, 10, {1, 0, 1, 1, 0, 0, 1, 1, 1, 0}},
     "0F 00 13 00 0A 02 CD 01",
     "0F 00 13 00 0A",
     "11 0F 00 13 00 0A 02 CD 01 BF 0B",
     "11 0F 00 13 00 0A 26 99",
     0,
     {0},
     0},
    {"V1.1b3 6.12: write registers 2-3",
     {MODBUS_WRITE_REGISTERS, 1, 2, {0x0A, 0x0102}},
     "10 00 01 00 02 04 00 0A 01 02",
     "10 00 01 00 02",
     "11 10 00 01 00 02 04 00 0A 01 02 C6 F0",
     "11 10 00 01 00 02 12 98",
     0,
     {0},
     0},
    {"V1.1b3 6.16: mask write register 5",
     {MODBUS_MASK_WRITE, 4, 1, {0xF2, 0x25}},
     "16 00 04 00 F2 00 25",
     "16 00 04 00 F2 00 25",
     "11 16 00 04 00 F2 00 25 66 E2",
     "11 16 00 04 00 F2 00 25 66 E2",
     0,
     {0},
     0},
    {"V1.1b3 7: read coil 1186, illegal data address",
     {MODBUS_READ_COILS, 0x04A1, 1, {0}},
     "01 04 A1 00 01",
     "81 02",
     "11 01 04 A1 00 01 AF 88",
     "11 81 02 C0 54",
     0,
     {0},
     2},
};

enum { FRAMES = sizeof frames / sizeof frames[0] };

static size_t hex(const char *text, uint8_t *to)
{
    size_t n = 0;
    for (char *end = NULL; *text != '\0'; text = end) {
        to[n++] = (uint8_t)strtoul(text, &end, 16);
        while (*end == ' ')
            end++;
    }
    return n;
}

static void check_values(const struct frame *f, const struct modbus_answer *a)
{
    for (int i = 0; i < f->count; i++)
        ck_assert_msg(a->values[i] == f->values[i], "%s: value %d is %d", f->clause, i, a->values[i]);
}

START_TEST(codec_makes_and_reads_the_frames_of_the_standard)
{
    const struct frame *f = &frames[_i];
    uint8_t want[PDU_CAP], got[PDU_CAP];
    struct modbus_answer answer;
    size_t n = hex(f->asked, want);
    ck_assert_uint_eq(pdu_encode(&f->request, got, sizeof got), n);
    ck_assert_mem_eq(got, want, n);
    n = hex(f->answered, want);
    enum bus_error error = pdu_decode(&f->request, want, n, &answer);
    ck_assert_int_eq(error, f->exception != 0 ? BUS_EXCEPTION : BUS_OK);
    ck_assert_int_eq(answer.exception, f->exception);
    check_values(f, &answer);
}
END_TEST

/* V1.02 6.2.2: the guide's worked example: 02 07 gives 0x1241, sent 41 12. */
START_TEST(checksum_of_the_worked_example)
{
    ck_assert_uint_eq(rtu_crc((const uint8_t[]){0x02, 0x07}, 2), 0x1241);
}
END_TEST

/* The answer is put into the socket before the question is asked: what the library sends is then read back and
 * compared, what it receives is the standard's answer. */
static enum bus_error exchange(enum bus_kind kind, int server, const struct frame *f, const uint8_t *answer_frame,
                               size_t answer_size, uint8_t *sent, ssize_t *sent_size, struct modbus_answer *answer)
{
    struct bus_config config = {.kind = kind};
    struct modbus_link *link = modbus_link_new(&config, NULL);
    int pair[2];
    ck_assert_ptr_nonnull(link);
    ck_assert_int_eq(socketpair(AF_UNIX, SOCK_STREAM, 0, pair), 0);
    ck_assert_int_eq(modbus_link_attach(link, pair[0]), 0);
    ck_assert_int_eq(write(pair[1], answer_frame, answer_size), (ssize_t)answer_size);
    enum bus_error error = modbus_link_exchange(link, server, &f->request, 500000000, answer);
    *sent_size = read(pair[1], sent, 300);
    close(pair[0]);
    close(pair[1]);
    modbus_link_free(link);
    return error;
}

START_TEST(rtu_framing_over_a_socketpair)
{
    const struct frame *f = &frames[_i];
    uint8_t want[300], frame[300], sent[300];
    ssize_t sent_size;
    struct modbus_answer answer;
    size_t n = hex(f->rtu_answered, frame);
    enum bus_error error = exchange(BUS_MODBUS_RTU, 0x11, f, frame, n, sent, &sent_size, &answer);
    ck_assert_int_eq(error, f->exception != 0 ? BUS_EXCEPTION : BUS_OK);
    ck_assert_int_eq(answer.exception, f->exception);
    check_values(f, &answer);
    n = hex(f->rtu_asked, want);
    ck_assert_int_eq(sent_size, (ssize_t)n);
    ck_assert_mem_eq(sent, want, n);
}
END_TEST

/* TCP header: transaction number, protocol 0, length, unit 0xFF. Modbus messaging on TCP/IP guide V1.0b, 3.1.3. */
START_TEST(tcp_framing_over_a_socketpair)
{
    const struct frame *f = &frames[_i];
    uint8_t want[300], frame[300] = {0, 1, 0, 0, 0, 0, 0xFF}, sent[300];
    ssize_t sent_size;
    struct modbus_answer answer;
    size_t n = hex(f->answered, frame + 7);
    frame[5] = (uint8_t)(n + 1);
    enum bus_error error = exchange(BUS_MODBUS_TCP, 255, f, frame, n + 7, sent, &sent_size, &answer);
    ck_assert_int_eq(error, f->exception != 0 ? BUS_EXCEPTION : BUS_OK);
    ck_assert_int_eq(answer.exception, f->exception);
    check_values(f, &answer);
    n = hex(f->asked, want);
    ck_assert_int_eq(sent_size, (ssize_t)n + 7);
    ck_assert_mem_eq(sent + 7, want, n);
    ck_assert_mem_eq(sent + 2, ((const uint8_t[]){0, 0, 0, (uint8_t)(n + 1), 0xFF}), 5);
}
END_TEST

/* A wrong checksum, another server, another function, an echo of another register: none is taken for the answer. */
START_TEST(rtu_refuses_what_is_not_the_answer)
{
    const struct frame *write = &frames[5];
    uint8_t frame[16], sent[300];
    ssize_t sent_size;
    struct modbus_answer answer;
    size_t n = hex(write->rtu_answered, frame);
    frame[n - 1] ^= 1;
    ck_assert_int_eq(exchange(BUS_MODBUS_RTU, 0x11, write, frame, n, sent, &sent_size, &answer), BUS_BAD_CHECKSUM);
    n = hex(write->rtu_answered, frame);
    frame[0] = 0x12;
    uint16_t crc = rtu_crc(frame, n - 2);
    frame[n - 2] = (uint8_t)crc;
    frame[n - 1] = (uint8_t)(crc >> 8);
    ck_assert_int_eq(exchange(BUS_MODBUS_RTU, 0x11, write, frame, n, sent, &sent_size, &answer), BUS_WRONG_SERVER);
    n = hex(write->rtu_answered, frame);
    frame[3] = 7; /* echo of register 7, not 1: the library itself would take it */
    crc = rtu_crc(frame, n - 2);
    frame[n - 2] = (uint8_t)crc;
    frame[n - 1] = (uint8_t)(crc >> 8);
    ck_assert_int_eq(exchange(BUS_MODBUS_RTU, 0x11, write, frame, n, sent, &sent_size, &answer), BUS_BAD_ANSWER);
}
END_TEST

/* V1.1b3 6.1 to 6.12: 2000 bits, 125 registers, 123 registers written; addresses end at 65535. */
START_TEST(limits_of_the_standard)
{
    uint8_t pdu[PDU_CAP];
    struct modbus_request r = {.function = MODBUS_READ_HOLDING, .count = 125};
    ck_assert_uint_eq(pdu_encode(&r, pdu, sizeof pdu), 5);
    r.count = 126;
    ck_assert_uint_eq(pdu_encode(&r, pdu, sizeof pdu), 0);
    r.count = 0;
    ck_assert_uint_eq(pdu_encode(&r, pdu, sizeof pdu), 0);
    r = (struct modbus_request){.function = MODBUS_READ_COILS, .count = 2000};
    ck_assert_uint_eq(pdu_encode(&r, pdu, sizeof pdu), 5);
    ck_assert_uint_eq(pdu_answer_size(&r), 252);
    r.count = 2001;
    ck_assert_uint_eq(pdu_encode(&r, pdu, sizeof pdu), 0);
    r = (struct modbus_request){.function = MODBUS_WRITE_REGISTERS, .count = 123};
    ck_assert_uint_eq(pdu_encode(&r, pdu, sizeof pdu), 252);
    r = (struct modbus_request){.function = MODBUS_READ_INPUT, .address = 65535, .count = 1};
    ck_assert_uint_eq(pdu_encode(&r, pdu, sizeof pdu), 5);
    r.count = 2;
    ck_assert_uint_eq(pdu_encode(&r, pdu, sizeof pdu), 0);
}
END_TEST

/* V1.02 2.5.1.1: 3.5 characters of 11 bits up to 19200 bit/s (2005.208 us there, 4010.417 us at 9600, 32083.333 us at
 * 1200), fixed 1750 us above. A silence goes before the answer as before the next request, so that an exchange of 16
 * registers takes 29.8 ms at 19200 bit/s, 59.6 ms at 9600. */
START_TEST(silent_interval_and_line_time)
{
    struct bus_config c = {.kind = BUS_MODBUS_RTU, .baud = 19200};
    ck_assert_int_eq(bus_gap_ns(&c), 2005208);
    ck_assert_int_eq(rtu_exchange_ns(&c, 8, 37) / 1000, 45 * 11 * 1000000LL / 19200 + 2 * 2005);
    ck_assert_int_eq(rtu_exchange_ns(&c, 8, 0) / 1000, 8 * 11 * 1000000LL / 19200 + 2005); /* nobody answered */
    c.baud = 9600;
    ck_assert_int_eq(bus_gap_ns(&c), 4010416);
    ck_assert_int_eq((rtu_exchange_ns(&c, 8, 37) + 50000) / 100000, 596);
    c.baud = 1200;
    ck_assert_int_eq(bus_gap_ns(&c), 32083333);
    c.baud = 38400;
    ck_assert_int_eq(bus_gap_ns(&c), 1750000);
    ck_assert_int_eq((rtu_exchange_ns(&c, 8, 37) + 500000) / 1000000, 16); /* with two of 1.75 ms */
    c.baud = 115200;
    ck_assert_int_eq(bus_gap_ns(&c), 1750000);
    c.gap_ns = 5000000;
    ck_assert_int_eq(bus_gap_ns(&c), 5000000);
    ck_assert_int_eq(rtu_exchange_ns(&c, 8, 37) / 1000, 45 * 11 * 1000000LL / 115200 + 1750 + 5000); /* ours alone */
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("pdu");
    TCase *tc = tcase_create("pdu");
    (void)signal(SIGPIPE, SIG_IGN);
    tcase_add_loop_test(tc, codec_makes_and_reads_the_frames_of_the_standard, 0, FRAMES);
    tcase_add_test(tc, checksum_of_the_worked_example);
    tcase_add_loop_test(tc, rtu_framing_over_a_socketpair, 0, FRAMES);
    tcase_add_loop_test(tc, tcp_framing_over_a_socketpair, 0, FRAMES);
    tcase_add_test(tc, rtu_refuses_what_is_not_the_answer);
    tcase_add_test(tc, limits_of_the_standard);
    tcase_add_test(tc, silent_interval_and_line_time);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
