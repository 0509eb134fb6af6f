/* The paper record of a run: a PDF with everything a customer, an auditor and the next technician want to know. What
 * the journal does not know (customer, job) is handed in. */
#ifndef RUN_RECORD_H
#define RUN_RECORD_H

#include <stdint.h>

#include "run_data.h"
#include "sheet.h"

struct record_options {
    enum paper paper;
    const char *site;     /* who tested and where; NULL: not printed */
    const char *customer; /* NULL: not printed */
    const char *job;
    const char *approver;
    const char *remark;
    int64_t received_utc_s;      /* 0: not stated */
    int64_t issued_utc_s;        /* date of issue: today, by the caller's clock */
    const char *version;         /* of the software */
    const struct run_data *pair; /* the other run of an as-found/as-left pair; NULL: none */
    const char *pair_role;       /* which of the two this one is: "as found" or "as left"; NULL: none */
};

/* Writes the record of data to path (through a temporary name and rename). Returns 0 or -1. */
int run_record_write(const struct run_data *data, const struct record_options *options, const char *path,
                     struct error *err);

/* The number printed on a record: bench, run and revision. */
void run_record_number(char *to, size_t cap, const struct run_data *data);

#endif
