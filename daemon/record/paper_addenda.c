/* What was added to the record when the run was over, each marked with its date, and a file by its digest. */
#include "paper_parts.h"

void paper_addenda(struct record *r)
{
    const struct run_data *d = r->data;
    if (d->addendum_count == 0)
        return;
    sheet_heading(&r->sheet, "Added when the run was over");
    for (size_t i = 0; i < d->addendum_count; i++) {
        const struct journal_addendum *a = &d->addenda[i];
        char line[4 * TEXT_CAP], when[48], hex[DIGEST_HEX_CAP];
        paper_moment(when, sizeof when, a->utc_s * 1000000);
        (void)text_format(line, sizeof line, "%s, %s: ", when, a->who[0] != '\0' ? a->who : "nobody named");
        if (a->kind == ADDENDUM_CORRECTION)
            (void)text_append(line, sizeof line, "readings corrected by %s, which gave revision %d. Reason: ", a->name,
                              a->revision);
        if (a->kind == ADDENDUM_FILE) {
            digest_print(&a->digest, hex);
            (void)text_append(line, sizeof line, "file %s (%lld bytes, SHA-256 %s)%s", a->name, (long long)a->size, hex,
                              a->note[0] != '\0' ? ": " : "");
        }
        (void)text_append(line, sizeof line, "%s", a->note);
        sheet_paragraph(&r->sheet, line, 7.5, false);
    }
}
