#include "notify_send.h"

#include <inttypes.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <curl/curl.h>

enum { SECRET_CAP = 512 };

/* ---- text of a mail (RFC 5322, 8 bit body in UTF-8) ---- */

/* One line: control characters, which could begin another header, become spaces. */
static void put_field(FILE *to, const char *name, const char *text)
{
    fprintf(to, "%s: ", name);
    for (; *text; text++)
        fputc((unsigned char)*text < ' ' || *text == 0x7f ? ' ' : *text, to);
    fputs("\r\n", to);
}

static void put_body(FILE *to, const char *body)
{
    fputs("\r\n", to);
    for (; *body; body++) {
        if (*body == '\n')
            fputs("\r\n", to);
        else if (*body != '\r')
            fputc(*body, to);
    }
    fputs("\r\n", to);
}

char *notify_mail_text(const struct notify_config *target, const struct notify_message *message)
{
    static const char *const days[] = {"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"};
    static const char *const months[] = {"Jan", "Feb", "Mar", "Apr", "May", "Jun",
                                         "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"};
    char *text = NULL;
    size_t size = 0;
    char date[64], id[160];
    struct tm tm;
    time_t when = (time_t)message->utc_s;
    FILE *to = open_memstream(&text, &size);
    if (!to || !gmtime_r(&when, &tm)) {
        if (to)
            fclose(to);
        free(text);
        return NULL;
    }
    text_format(date, sizeof date, "%s, %d %s %d %02d:%02d:%02d +0000", days[tm.tm_wday], tm.tm_mday, months[tm.tm_mon],
                tm.tm_year + 1900, tm.tm_hour, tm.tm_min, tm.tm_sec);
    text_format(id, sizeof id, "<%" PRId64 ".%" PRIu64 ".%s@soakbench.invalid>", message->utc_s, message->number,
                message->bench);
    put_field(to, "Date", date);
    put_field(to, "From", target->from);
    put_field(to, "To", target->to);
    put_field(to, "Subject", message->subject);
    put_field(to, "Message-ID", id);
    if (message->urgent)
        put_field(to, "Importance", "high");
    put_field(to, "MIME-Version", "1.0");
    put_field(to, "Content-Type", "text/plain; charset=utf-8");
    put_field(to, "Content-Transfer-Encoding", "8bit");
    put_body(to, message->body);
    if (fclose(to)) {
        free(text);
        return NULL;
    }
    return text;
}

/* ---- libcurl ---- */

static int read_secret(const char *path, char secret[SECRET_CAP], struct error *err)
{
    secret[0] = '\0';
    if (!path[0])
        return 0;
    FILE *f = fopen(path, "r");
    if (!f)
        return error_set(err, "%s cannot be read", path);
    if (fgets(secret, SECRET_CAP, f))
        secret[strcspn(secret, "\r\n")] = '\0';
    fclose(f);
    return 0;
}

/* Answers are of no interest. */
static size_t drop_answer(char *bytes, size_t size, size_t count, void *ctx)
{
    (void)bytes;
    (void)ctx;
    return size * count;
}

static CURL *begin(const struct notify_config *target, char curl_error[CURL_ERROR_SIZE])
{
    CURL *curl = curl_easy_init();
    if (!curl)
        return NULL;
    long timeout_ms = target->timeout_ns > 0 ? (long)(target->timeout_ns / 1000000) : 20000;
    curl_error[0] = '\0';
    curl_easy_setopt(curl, CURLOPT_NOSIGNAL, 1L);
    curl_easy_setopt(curl, CURLOPT_URL, target->url);
    curl_easy_setopt(curl, CURLOPT_TIMEOUT_MS, timeout_ms);
    curl_easy_setopt(curl, CURLOPT_CONNECTTIMEOUT_MS, timeout_ms / 2);
    curl_easy_setopt(curl, CURLOPT_LOW_SPEED_LIMIT, 1L);
    curl_easy_setopt(curl, CURLOPT_LOW_SPEED_TIME, 10L);
    curl_easy_setopt(curl, CURLOPT_WRITEFUNCTION, drop_answer);
    curl_easy_setopt(curl, CURLOPT_ERRORBUFFER, curl_error);
    if (target->ca_file[0])
        curl_easy_setopt(curl, CURLOPT_CAINFO, target->ca_file);
    return curl;
}

static int perform(CURL *curl, const char *curl_error, bool http, struct error *err)
{
    long code = 0;
    CURLcode result = curl_easy_perform(curl);
    if (result != CURLE_OK)
        return error_set(err, "%s", curl_error[0] ? curl_error : curl_easy_strerror(result));
    curl_easy_getinfo(curl, CURLINFO_RESPONSE_CODE, &code);
    if (http && (code < 200 || code >= 300))
        return error_set(err, "the answer was %ld", code);
    return 0;
}

static int send_mail(const struct notify_config *target, const struct notify_message *message, struct error *err)
{
    char curl_error[CURL_ERROR_SIZE], secret[SECRET_CAP];
    int status = -1;
    char *text = notify_mail_text(target, message);
    CURL *curl = begin(target, curl_error);
    struct curl_slist *to = curl_slist_append(NULL, target->to);
    FILE *body = text ? fmemopen(text, strlen(text), "r") : NULL;
    if (!curl || !to || !body) {
        error_set(err, "out of memory");
        goto out;
    }
    if (read_secret(target->password_file, secret, err))
        goto out;
    if (target->user[0]) {
        curl_easy_setopt(curl, CURLOPT_USERNAME, target->user);
        curl_easy_setopt(curl, CURLOPT_PASSWORD, secret);
        curl_easy_setopt(curl, CURLOPT_USE_SSL, (long)CURLUSESSL_ALL); /* a password never goes out in the clear */
    } else {
        curl_easy_setopt(curl, CURLOPT_USE_SSL, (long)CURLUSESSL_TRY);
    }
    curl_easy_setopt(curl, CURLOPT_MAIL_FROM, target->from);
    curl_easy_setopt(curl, CURLOPT_MAIL_RCPT, to);
    curl_easy_setopt(curl, CURLOPT_READDATA, body);
    curl_easy_setopt(curl, CURLOPT_UPLOAD, 1L);
    status = perform(curl, curl_error, false, err);
out:
    if (body)
        fclose(body);
    curl_slist_free_all(to);
    curl_easy_cleanup(curl);
    free(text);
    return status;
}

static char *hook_text(const struct notify_message *message)
{
    json_t *o =
        json_pack("{s:i, s:s, s:b, s:s, s:s, s:I}", "v", 1, "bench", message->bench, "urgent", (int)message->urgent,
                  "subject", message->subject, "text", message->body, "utc_s", (json_int_t)message->utc_s);
    char *text = o ? json_dumps(o, JSON_COMPACT) : NULL;
    json_decref(o);
    return text;
}

static struct curl_slist *bearer(struct curl_slist *headers, const char *secret)
{
    char line[SECRET_CAP + 32];
    if (!secret[0])
        return headers;
    text_format(line, sizeof line, "Authorization: Bearer %s", secret);
    return curl_slist_append(headers, line);
}

static int send_hook(const struct notify_config *target, const struct notify_message *message, struct error *err)
{
    char curl_error[CURL_ERROR_SIZE], secret[SECRET_CAP];
    int status = -1;
    char *text = hook_text(message);
    CURL *curl = begin(target, curl_error);
    struct curl_slist *headers = curl_slist_append(NULL, "Content-Type: application/json");
    if (!curl || !headers || !text) {
        error_set(err, "out of memory");
        goto out;
    }
    if (read_secret(target->token_file, secret, err))
        goto out;
    headers = bearer(headers, secret);
    curl_easy_setopt(curl, CURLOPT_HTTPHEADER, headers);
    curl_easy_setopt(curl, CURLOPT_POSTFIELDS, text);
    status = perform(curl, curl_error, true, err);
out:
    curl_slist_free_all(headers);
    curl_easy_cleanup(curl);
    free(text);
    return status;
}

int notify_send(const struct notify_config *target, const struct notify_message *message, struct error *err)
{
    return target->kind == NOTIFY_SMTP ? send_mail(target, message, err) : send_hook(target, message, err);
}

int notify_beat(const struct notify_config *target, struct error *err)
{
    char curl_error[CURL_ERROR_SIZE], secret[SECRET_CAP];
    CURL *curl = begin(target, curl_error);
    int status = -1;
    if (!curl)
        return error_set(err, "out of memory");
    if (read_secret(target->token_file, secret, err) == 0) {
        struct curl_slist *headers = bearer(NULL, secret);
        curl_easy_setopt(curl, CURLOPT_HTTPHEADER, headers);
        status = perform(curl, curl_error, true, err);
        curl_slist_free_all(headers);
    }
    curl_easy_cleanup(curl);
    return status;
}
