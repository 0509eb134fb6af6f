#include "worker_job.h"

const char *job_status_name(enum job_status status)
{
    static const char *const names[] = {"holds", "bad-record", "not-identifiable", "not-linear", "refused"};
    return (unsigned)status < sizeof names / sizeof names[0] ? names[status] : "?";
}
