// What goes back: headers that every answer carries, results, errors.
#include <string.h>

#include "base/mem.h"
#include "server/server_priv.h"

void hc_server_headers(struct MHD_Response *response)
{
    static const char *const header[][2] = {
        {"Content-Security-Policy",
         "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
         "connect-src 'self'; font-src 'self'; base-uri 'none'; form-action 'none'; "
         "frame-ancestors 'none'"},
        {"X-Content-Type-Options", "nosniff"},
        {"Referrer-Policy", "no-referrer"},
        {"Cross-Origin-Resource-Policy", "same-origin"},
        {"Cross-Origin-Opener-Policy", "same-origin"},
    };
    for (size_t i = 0; i < sizeof header / sizeof header[0]; i++) {
        MHD_add_response_header(response, header[i][0], header[i][1]);
    }
}

struct MHD_Response *hc_server_response_of(struct hc_buf *b)
{
    struct MHD_Response *response;
    static char nothing[1];
    if (!b->data) {
        return MHD_create_response_from_buffer(0, nothing, MHD_RESPMEM_PERSISTENT);
    }
    response = MHD_create_response_from_buffer_with_free_callback(b->len, b->data, hc_mem_free);
    if (response) {
        *b = (struct hc_buf){.max = b->max};
    }
    return response;
}

static enum MHD_Result send_and_drop(struct hc_req *r, int http, struct MHD_Response *response)
{
    enum MHD_Result sent;
    if (!response) {
        return MHD_NO; // out of memory: the connection is closed
    }
    hc_server_headers(response);
    sent = MHD_queue_response(r->connection, (unsigned)http, response);
    MHD_destroy_response(response);
    return sent;
}

enum MHD_Result hc_server_reply(struct hc_req *r)
{
    struct MHD_Response *response = r->response ? r->response : hc_server_response_of(&r->out);
    int http = r->http ? r->http : MHD_HTTP_OK;
    r->response = NULL;
    if (response) {
        if (r->type || http != MHD_HTTP_NO_CONTENT) {
            MHD_add_response_header(response, "Content-Type",
                                    r->type ? r->type : "application/json");
        }
        MHD_add_response_header(response, "Cache-Control", r->cache ? r->cache : "no-store");
        if (r->etag) {
            MHD_add_response_header(response, "ETag", r->etag);
        }
    }
    return send_and_drop(r, http, response);
}

const char *hc_server_code_name(int http, hc_status status)
{
    if (http == hc_work_http_code(status)) {
        return hc_status_name(status);
    }
    return http == HC_HTTP_FORBIDDEN     ? "forbidden"
           : http == HC_HTTP_METHOD      ? "method"
           : http == HC_HTTP_MISDIRECTED ? "misdirected"
           : http == HC_HTTP_BUSY        ? "busy"
                                         : hc_status_name(status);
}

enum MHD_Result hc_server_reply_error(struct hc_req *r, int http, const struct hc_err *err,
                                      const char *allow)
{
    struct MHD_Response *response;
    hc_buf_reset(&r->out);
    hc_json_obj(&r->out);
    hc_json_key(&r->out, "error");
    hc_json_obj(&r->out);
    hc_json_kstr(&r->out, "code", hc_server_code_name(http, err->status));
    hc_json_kstr(&r->out, "message", err->what);
    hc_json_end_obj(&r->out);
    hc_json_end_obj(&r->out);
    response = hc_server_response_of(&r->out);
    if (response) {
        MHD_add_response_header(response, "Content-Type", "application/json");
        MHD_add_response_header(response, "Cache-Control", "no-store");
        if (allow) {
            MHD_add_response_header(response, "Allow", allow);
        }
        if (http == HC_HTTP_BUSY) {
            MHD_add_response_header(response, "Retry-After", "5");
        }
        if (r->is_refused) {
            MHD_add_response_header(response, "Connection", "close");
        }
    }
    return send_and_drop(r, http, response);
}

// RFC 9110 section 13.1.2: a list of tags, weak ones compare equal, "*" matches whatever exists.
bool hc_server_has_etag(const struct hc_req *r, const char *etag)
{
    const char *p = MHD_lookup_connection_value(r->connection, MHD_HEADER_KIND, "If-None-Match");
    size_t n = strlen(etag);
    while (p && *p) {
        p += strspn(p, " \t,");
        if (strncmp(p, "W/", 2) == 0) {
            p += 2;
        }
        if (*p == '*' || (strncmp(p, etag, n) == 0 && strchr(" \t,", p[n]))) {
            return true;
        }
        p += strcspn(p, ",");
    }
    return false;
}
