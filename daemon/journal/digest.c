#include "digest.h"

#include <openssl/evp.h>
#include <stdlib.h>
#include <string.h>

struct digest_stream {
    EVP_MD_CTX *evp;
    const EVP_MD *kind;
};

int digest_of(const void *bytes, size_t size, struct digest *out)
{
    unsigned n = 0;
    return EVP_Digest(bytes, size, out->bytes, &n, EVP_sha256(), NULL) == 1 && n == DIGEST_SIZE ? 0 : -1;
}

struct digest_stream *digest_stream_new(void)
{
    struct digest_stream *s = calloc(1, sizeof *s);
    if (s == NULL)
        return NULL;
    s->evp = EVP_MD_CTX_new();
    s->kind = EVP_sha256();
    if (s->evp == NULL) {
        free(s);
        return NULL;
    }
    return s;
}

void digest_stream_free(struct digest_stream *s)
{
    if (s == NULL)
        return;
    EVP_MD_CTX_free(s->evp);
    free(s);
}

int digest_stream_begin(struct digest_stream *s)
{
    return EVP_DigestInit_ex(s->evp, s->kind, NULL) == 1 ? 0 : -1;
}

int digest_stream_add(struct digest_stream *s, const void *bytes, size_t size)
{
    return EVP_DigestUpdate(s->evp, bytes, size) == 1 ? 0 : -1;
}

int digest_stream_end(struct digest_stream *s, struct digest *out)
{
    unsigned n = 0;
    return EVP_DigestFinal_ex(s->evp, out->bytes, &n) == 1 && n == DIGEST_SIZE ? 0 : -1;
}

void digest_print(const struct digest *d, char to[DIGEST_HEX_CAP])
{
    static const char hex[] = "0123456789abcdef";
    for (size_t i = 0; i < DIGEST_SIZE; i++) {
        to[2 * i] = hex[d->bytes[i] >> 4];
        to[2 * i + 1] = hex[d->bytes[i] & 15];
    }
    to[DIGEST_HEX_CAP - 1] = '\0';
}

static int hex_value(char c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    if (c >= 'a' && c <= 'f')
        return c - 'a' + 10;
    if (c >= 'A' && c <= 'F')
        return c - 'A' + 10;
    return -1;
}

int digest_parse(const char *text, struct digest *out)
{
    if (strlen(text) != DIGEST_HEX_CAP - 1)
        return -1;
    for (size_t i = 0; i < DIGEST_SIZE; i++) {
        int high = hex_value(text[2 * i]);
        int low = hex_value(text[2 * i + 1]);
        if (high < 0 || low < 0)
            return -1;
        out->bytes[i] = (uint8_t)(high << 4 | low);
    }
    return 0;
}
