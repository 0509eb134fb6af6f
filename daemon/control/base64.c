#include "base64.h"

#include <stdlib.h>

static const char digits[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

char *base64_encode(const uint8_t *bytes, size_t size)
{
    char *text = malloc((size + 2) / 3 * 4 + 1);
    if (!text)
        return NULL;
    size_t n = 0;
    for (size_t i = 0; i < size; i += 3) {
        size_t left = size - i;
        uint32_t group = (uint32_t)bytes[i] << 16;
        group |= left > 1 ? (uint32_t)bytes[i + 1] << 8 : 0;
        group |= left > 2 ? (uint32_t)bytes[i + 2] : 0;
        text[n++] = digits[group >> 18 & 63];
        text[n++] = digits[group >> 12 & 63];
        text[n++] = left > 1 ? digits[group >> 6 & 63] : '=';
        text[n++] = left > 2 ? digits[group & 63] : '=';
    }
    text[n] = 0;
    return text;
}

static int digit_value(char c)
{
    if (c >= 'A' && c <= 'Z')
        return c - 'A';
    if (c >= 'a' && c <= 'z')
        return c - 'a' + 26;
    if (c >= '0' && c <= '9')
        return c - '0' + 52;
    return c == '+' ? 62 : c == '/' ? 63 : -1;
}

uint8_t *base64_decode(const char *text, size_t size, size_t *bytes_size)
{
    if (size % 4 != 0)
        return NULL;
    size_t padding = 0;
    while (padding < 2 && padding < size && text[size - 1 - padding] == '=')
        padding++;
    uint8_t *bytes = malloc(size / 4 * 3 + 1);
    if (!bytes)
        return NULL;
    size_t n = 0;
    uint32_t group = 0;
    for (size_t i = 0; i < size - padding; i++) {
        int value = digit_value(text[i]);
        if (value < 0) {
            free(bytes);
            return NULL;
        }
        group = group << 6 | (uint32_t)value;
        if (i % 4 == 3) {
            bytes[n++] = (uint8_t)(group >> 16);
            bytes[n++] = (uint8_t)(group >> 8);
            bytes[n++] = (uint8_t)group;
            group = 0;
        }
    }
    if (padding == 1)
        group <<= 6;
    else if (padding == 2)
        group <<= 12;
    if (padding >= 1)
        bytes[n++] = (uint8_t)(group >> 16);
    if (padding == 1)
        bytes[n++] = (uint8_t)(group >> 8);
    *bytes_size = n;
    return bytes;
}
