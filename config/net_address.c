#include "net_address.h"

#include <arpa/inet.h>
#include <string.h>

#include "quantity.h"

static bool split(const char *text, char *host, size_t cap, const char **port)
{
    bool bracketed = text[0] == '[';
    const char *begin = bracketed ? text + 1 : text;
    const char *end = bracketed ? strchr(begin, ']') : strchr(begin, ':');
    if (end == NULL || (size_t)(end - begin) >= cap)
        return false;
    memcpy(host, begin, (size_t)(end - begin));
    host[end - begin] = '\0';
    if (bracketed)
        end++;
    if (*end != ':')
        return false;
    *port = end + 1;
    return true;
}

bool net_address_is_numeric(const char *text)
{
    char host[64];
    const char *port;
    double number;
    unsigned char address[16];
    if (!split(text, host, sizeof host, &port))
        return false;
    if (strspn(port, "0123456789") != strlen(port) || number_parse(port, &number) != 0 || number < 1 || number > 65535)
        return false;
    return inet_pton(text[0] == '[' ? AF_INET6 : AF_INET, host, address) == 1;
}

bool net_address_is_loopback(const char *text)
{
    return net_address_is_numeric(text) && (strncmp(text, "127.", 4) == 0 || strncmp(text, "[::1]", 5) == 0);
}
