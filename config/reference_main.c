#include <stdio.h>
#include <stdlib.h>

#include "config.h"

int main(void)
{
    char *text = config_reference_print();
    if (text == NULL) {
        (void)fputs("soakbench-reference: out of memory\n", stderr);
        return 1;
    }
    int rc = fputs(text, stdout) < 0 || fflush(stdout) != 0;
    free(text);
    return rc;
}
