#include "vb_fixture.h"

#include <check.h>
#include <stdio.h>
#include <string.h>

struct vbench *bench_from(const char *yaml)
{
    struct vbench_error err = {{0}};
    struct vbench *vb = vbench_new(yaml, &err);
    ck_assert_msg(vb != NULL, "%s", err.text);
    vbench_start(vb, 0);
    return vb;
}

struct vbench *one_channel(const char *unit, const char *circuit, const char *more)
{
    char text[4000];
    int n = snprintf(text, sizeof text,
                     "scenario: test\nseed: 7\nroom: {t_degc: 20}\n"
                     "circuits: [{name: c1, %s}]\n"
                     "units: [{serial: U, %s}]\n"
                     "channels:\n  - {name: A, unit: U, circuit: c1, alpha: 0, lead: {ohm: 0, alpha: 0},\n"
                     "     steps: [{ohm: 0.1, power_w: 9000}, {ohm: 0.2, power_w: 9000}]}\n"
                     "buses: [{name: rack, kind: modbus-tcp}]\n"
                     "devices:\n  - {name: bank, bus: rack, server: 1, kind: stepped-bank, channels: [A]}\n%s",
                     circuit, unit, more);
    ck_assert_int_lt(n, (int)sizeof text);
    return bench_from(text);
}

static int write_one(struct vbench *vb, int server, uint8_t function, int address, int value)
{
    const uint8_t pdu[5] = {function, (uint8_t)(address >> 8), (uint8_t)address, (uint8_t)(value >> 8), (uint8_t)value};
    uint8_t answer[253];
    size_t size;
    int64_t took;
    int result = vbench_exchange(vb, "rack", server, pdu, sizeof pdu, answer, sizeof answer, &size, &took);
    if (result != VBENCH_OK)
        return result;
    if (size == 2)
        return answer[1];
    return size == 5 && memcmp(answer, pdu, 5) == 0 ? 0 : -100;
}

int write_register(struct vbench *vb, int server, int address, int value)
{
    return write_one(vb, server, 6, address, value);
}

int write_coil(struct vbench *vb, int server, int address, bool on)
{
    return write_one(vb, server, 5, address, on ? 0xff00 : 0);
}

int read_words(struct vbench *vb, const char *bus, int server, int function, int address, int count, uint16_t *to)
{
    const uint8_t pdu[5] = {(uint8_t)function, (uint8_t)(address >> 8), (uint8_t)address, 0, (uint8_t)count};
    uint8_t answer[253];
    size_t size;
    int64_t took;
    int result = vbench_exchange(vb, bus, server, pdu, sizeof pdu, answer, sizeof answer, &size, &took);
    if (result != VBENCH_OK)
        return result;
    if (size == 2)
        return answer[1];
    for (int i = 0; i < count; i++)
        to[i] = (uint16_t)(answer[2 + 2 * i] << 8 | answer[3 + 2 * i]);
    return 0;
}

void beat_until(struct vbench *vb, double until_s)
{
    int64_t until = (int64_t)(until_s * 1e9);
    while (vbench_elapsed_ns(vb) < until) {
        int64_t now = vbench_elapsed_ns(vb);
        ck_assert_int_eq(write_register(vb, 1, BEAT, (int)(now / SECOND & 0x7fff) + 1), 0);
        vbench_advance(vb, now + SECOND < until ? now + SECOND : until);
    }
}

struct vbench_channel_state state_of(const struct vbench *vb, const char *channel)
{
    struct vbench_channel_state s;
    ck_assert(vbench_channel(vb, vbench_channel_find(vb, channel), &s));
    return s;
}

const struct vbench_happening *happened(const struct vbench *vb, enum vbench_trip what)
{
    static _Thread_local struct vbench_happening all[256];
    size_t n = vbench_happenings(vb, all, 256);
    for (size_t i = 0; i < n; i++)
        if (all[i].what == what)
            return &all[i];
    return NULL;
}
