#include "journal_place.h"

#include <stddef.h>
#include <string.h>
#include <sys/vfs.h>

#include "capacity.h"

/* statfs(2). */
static const struct {
    unsigned long kind;
    const char *name;
} remote[] = {
    {0x6969, "NFS"},      {0x517B, "SMB"},     {0xFF534D42, "CIFS"}, {0xFE534D42, "SMB"},  {0x564C, "NetWare"},
    {0x73757245, "Coda"}, {0x5346414F, "AFS"}, {0x6B414653, "AFS"},  {0x00C36400, "Ceph"},
};

const char *journal_place_remote(unsigned long kind)
{
    for (size_t i = 0; i < sizeof remote / sizeof remote[0]; i++)
        if (remote[i].kind == (kind & 0xFFFFFFFF))
            return remote[i].name;
    return NULL;
}

int journal_place_check(const char *path, struct error *err)
{
    char folder[PATH_CAP];
    struct statfs fs;
    if (text_copy(folder, sizeof folder, path) != 0)
        return error_set(err, "journal: the path is longer than %d bytes", PATH_CAP - 1);
    char *slash = strrchr(folder, '/');
    if (slash == NULL)
        (void)text_copy(folder, sizeof folder, ".");
    else
        slash[slash == folder] = '\0';
    if (statfs(folder, &fs) != 0)
        return 0;
    const char *name = journal_place_remote((unsigned long)fs.f_type);
    if (name == NULL)
        return 0;
    return error_set(
        err,
        "the journal %s lies on a network share (%s), where it cannot be kept whole: put it on a disk of this computer",
        path, name);
}
