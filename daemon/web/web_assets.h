/* The page's own files, embedded at build time (embed.cmake), so that it works without any other server. */
#ifndef WEB_ASSETS_H
#define WEB_ASSETS_H

#include <stddef.h>

struct web_asset {
    const char *name;
    const char *type;
    const unsigned char *bytes;
    size_t size;
};

extern const struct web_asset web_assets[];
extern const size_t web_asset_count;

/* NULL when there is none of that name. */
const struct web_asset *web_asset_find(const char *name);

#endif
