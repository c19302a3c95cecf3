// Who may talk to us: host, session and origin checks. Every request passes here first.
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/random.h>

#include "server/server_priv.h"

hc_status hc_server_random_key(char out[HC_SERVER_KEY], struct hc_err *err)
{
    unsigned char raw[(HC_SERVER_KEY - 1) / 2];
    ssize_t n;
    do {
        n = getrandom(raw, sizeof raw, 0);
    } while (n < 0 && errno == EINTR);
    if (n != (ssize_t)sizeof raw) {
        return hc_err_set(err, HC_EIO, HC_SERVER_ROOM,
                          "the system gave no random numbers for the session key: %s",
                          strerror(errno));
    }
    for (size_t i = 0; i < sizeof raw; i++) {
        out[2 * i] = "0123456789abcdef"[raw[i] >> 4];
        out[2 * i + 1] = "0123456789abcdef"[raw[i] & 15];
    }
    out[HC_SERVER_KEY - 1] = 0;
    return HC_OK;
}

// The time depends on the lengths alone, so that a key cannot be guessed byte by byte.
bool hc_server_is_same(const char *a, const char *b)
{
    size_t n = strlen(a);
    unsigned char differs = 0;
    if (strlen(b) != n) {
        return false;
    }
    for (size_t i = 0; i < n; i++) {
        differs |= (unsigned char)(a[i] ^ b[i]);
    }
    return differs == 0;
}

struct counted {
    const char *name, *value;
    int n;
};

static enum MHD_Result count_header(void *cls, enum MHD_ValueKind kind, const char *key,
                                    const char *value)
{
    struct counted *c = cls;
    (void)kind;
    if (strcasecmp(key, c->name) == 0) {
        c->value = value;
        c->n++;
    }
    return MHD_YES;
}

// The one value of a header: NULL when it is absent or, with *is_repeated, comes more than once.
static const char *only_header(const struct hc_req *r, const char *name, bool *is_repeated)
{
    struct counted c = {.name = name};
    MHD_get_connection_values(r->connection, MHD_HEADER_KIND, count_header, &c);
    *is_repeated = c.n > 1;
    return c.n == 1 ? c.value : NULL;
}

// A name that resolves to this machine but is not ours is how a foreign page would reach a local
// server (DNS rebinding), so the Host must be one of two.
int hc_server_guard_host(const struct hc_req *r, struct hc_err *err)
{
    bool is_repeated;
    const char *host = only_header(r, "Host", &is_repeated);
    const char *length =
        MHD_lookup_connection_value(r->connection, MHD_HEADER_KIND, "Content-Length");
    bool is_length_repeated;
    if (host &&
        (strcasecmp(host, r->server->host[0]) == 0 || strcasecmp(host, r->server->host[1]) == 0)) {
        only_header(r, "Content-Length", &is_length_repeated);
        if (is_length_repeated ||
            (length &&
             MHD_lookup_connection_value(r->connection, MHD_HEADER_KIND, "Transfer-Encoding"))) {
            hc_ignore(hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                                 "the request gives the length of its body in two ways; send one"));
            return hc_work_http_code(HC_EARG);
        }
        return 0;
    }
    hc_ignore(hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                         "this server answers as %s only; open the link that it printed",
                         r->server->host[0]));
    return HC_HTTP_MISDIRECTED;
}

int hc_server_guard_session(const struct hc_req *r, const char *path, struct hc_err *err)
{
    const char *cookie;
    if (strcmp(path, "/open") == 0) {
        return 0;
    }
    cookie = MHD_lookup_connection_value(r->connection, MHD_COOKIE_KIND, r->server->cookie_name);
    if (cookie && hc_server_is_same(cookie, r->server->session)) {
        return 0;
    }
    hc_ignore(hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                         "this browser has no session with the dossier; open the link that the "
                         "program printed when it started"));
    return HC_HTTP_FORBIDDEN;
}

int hc_server_guard_origin(const struct hc_req *r, const char *method, struct hc_err *err)
{
    bool is_read = strcmp(method, "GET") == 0 || strcmp(method, "HEAD") == 0;
    bool is_repeated;
    const char *origin, *site, *host;
    site = MHD_lookup_connection_value(r->connection, MHD_HEADER_KIND, "Sec-Fetch-Site");
    // Another local port counts as the same site for cookies, so the browser's own word is asked
    // for.
    if (site && strcmp(site, "same-origin") != 0 && strcmp(site, "none") != 0 &&
        strcmp(r->route->id, "page") != 0 && strcmp(r->route->id, "open") != 0) {
        hc_ignore(hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                             "a page from elsewhere asked for this; only the workbench page may"));
        return HC_HTTP_FORBIDDEN;
    }
    if (is_read) {
        return 0;
    }
    origin = only_header(r, "Origin", &is_repeated);
    host = only_header(r, "Host", &is_repeated);
    for (int i = 0; i < 2; i++) {
        if (origin && host && strcmp(origin, r->server->origin[i]) == 0 &&
            strcasecmp(host, r->server->host[i]) == 0) {
            return 0;
        }
    }
    hc_ignore(hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                         "a change must come from the workbench page itself (Origin %s)",
                         r->server->origin[0]));
    return HC_HTTP_FORBIDDEN;
}

static int hex_value(char c)
{
    return c >= '0' && c <= '9'   ? c - '0'
           : c >= 'a' && c <= 'f' ? c - 'a' + 10
           : c >= 'A' && c <= 'F' ? c - 'A' + 10
                                  : -1;
}

// Percent decoding that leaves "%00" and broken sequences as they are: a text from outside never
// ends before its end.
size_t hc_server_unescape(void *cls, struct MHD_Connection *c, char *s)
{
    char *out = s;
    (void)cls;
    (void)c;
    for (const char *p = s; *p; p++) {
        int hi = p[0] == '%' ? hex_value(p[1]) : -1;
        int lo = hi >= 0 ? hex_value(p[2]) : -1;
        if (lo >= 0 && (hi | lo) != 0) {
            *out++ = (char)(hi * 16 + lo);
            p += 2;
        } else {
            *out++ = *p;
        }
    }
    *out = 0;
    return (size_t)(out - s);
}
