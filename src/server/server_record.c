// Handlers that read and write the record: dossier, views, windows, zones, spots, tiles.
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "server/server_priv.h"

hc_status hc_server_get_open(struct hc_req *r, struct hc_err *err)
{
    struct hc_server *s = r->server;
    const char *token = NULL;
    const struct hc_server_field field[] = {{"token", HC_FIELD_TEXT, true, &token}};
    char cookie[128];
    hc_status st = hc_server_decode_query(r, field, 1, err);
    if (st != HC_OK || !hc_server_is_same(token, s->token)) {
        r->http = HC_HTTP_FORBIDDEN;
        return hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                          "this link is not the one this server printed; copy it whole");
    }
    snprintf(cookie, sizeof cookie, "%s=%s; HttpOnly; SameSite=Strict; Path=/", s->cookie_name,
             s->session);
    r->response = hc_server_response_of(&r->out);
    if (!r->response) {
        return hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM,
                          "out of memory while opening the session");
    }
    MHD_add_response_header(r->response, "Set-Cookie", cookie);
    MHD_add_response_header(r->response, "Location", "/");
    r->http = MHD_HTTP_SEE_OTHER;
    r->type = "text/plain; charset=utf-8";
    return HC_OK;
}

// A reader handle cannot know whether this server may write, so the server says it.
hc_status hc_server_get_dossier(struct hc_req *r, struct hc_err *err)
{
    json_t *root = NULL;
    char *text = NULL;
    hc_status st = hc_work_dossier(r->work, &r->out, err);
    if (st == HC_OK) {
        st = hc_server_parse_json(&root, hc_buf_text(&r->out), r->out.len, err);
    }
    if (st == HC_OK) {
        json_object_set_new(root, "read_only", json_boolean(r->server->is_read_only));
        text = json_dumps(root, JSON_COMPACT | JSON_REAL_PRECISION(9));
        hc_buf_reset(&r->out);
        hc_buf_str(&r->out, text ? text : "");
        st = text ? HC_OK
                  : hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM,
                               "out of memory in the dossier's document");
        free(text); // the JSON library's own block
    }
    json_decref(root);
    return st;
}

hc_status hc_server_get_views(struct hc_req *r, struct hc_err *err)
{
    return hc_work_views(r->work, &r->out, err);
}

hc_status hc_server_get_windows(struct hc_req *r, struct hc_err *err)
{
    return hc_work_windows(r->work, &r->out, err);
}

hc_status hc_server_post_window(struct hc_req *r, struct hc_err *err)
{
    struct hc_work_window req = {0};
    struct hc_buf geojson = {0};
    const struct hc_server_field field[] = {{"polygon", HC_FIELD_POLYGON, true, &geojson},
                                            {"before", HC_FIELD_NAME, false, &req.before},
                                            {"test", HC_FIELD_NAME, false, &req.test},
                                            {"surface", HC_FIELD_TEXT, false, &req.surface},
                                            {"system", HC_FIELD_NAME, false, &req.system},
                                            {"label", HC_FIELD_TEXT, false, &req.label}};
    hc_status st = hc_server_decode_body(r, field, sizeof field / sizeof field[0], err);
    if (st == HC_OK) {
        req.geojson = hc_buf_text(&geojson);
        st = hc_work_window_add(r->work, &req, &r->out, err);
    }
    r->http = st == HC_OK ? MHD_HTTP_CREATED : 0;
    hc_buf_release(&geojson);
    return st;
}

hc_status hc_server_delete_window(struct hc_req *r, struct hc_err *err)
{
    int64_t id = 0;
    hc_status st = hc_server_decode_id(r->arg[0], &id, err);
    if (st == HC_OK) {
        st = hc_work_window_remove(r->work, id, err);
    }
    r->http = st == HC_OK ? MHD_HTTP_NO_CONTENT : 0;
    return st;
}

hc_status hc_server_get_fit(struct hc_req *r, struct hc_err *err)
{
    return hc_work_fit_map(r->work, r->arg[0], &r->out, err);
}

hc_status hc_server_get_calibration(struct hc_req *r, struct hc_err *err)
{
    return hc_work_calibration_get(r->work, r->arg[0], &r->out, err);
}

hc_status hc_server_get_zones(struct hc_req *r, struct hc_err *err)
{
    return hc_work_zones(r->work, &r->out, err);
}

hc_status hc_server_post_zone(struct hc_req *r, struct hc_err *err)
{
    const char *kind = NULL, *label = NULL;
    struct hc_buf geojson = {0};
    const struct hc_server_field field[] = {{"polygon", HC_FIELD_POLYGON, true, &geojson},
                                            {"kind", HC_FIELD_TEXT, true, &kind},
                                            {"label", HC_FIELD_TEXT, false, &label}};
    hc_status st = hc_server_decode_body(r, field, sizeof field / sizeof field[0], err);
    if (st == HC_OK) {
        st = hc_work_zone_add(r->work, hc_buf_text(&geojson), kind, label, &r->out, err);
    }
    r->http = st == HC_OK ? MHD_HTTP_CREATED : 0;
    hc_buf_release(&geojson);
    return st;
}

hc_status hc_server_delete_zone(struct hc_req *r, struct hc_err *err)
{
    int64_t id = 0;
    hc_status st = hc_server_decode_id(r->arg[0], &id, err);
    if (st == HC_OK) {
        st = hc_work_zone_remove(r->work, id, err);
    }
    r->http = st == HC_OK ? MHD_HTTP_NO_CONTENT : 0;
    return st;
}

hc_status hc_server_get_forecast(struct hc_req *r, struct hc_err *err)
{
    return hc_work_forecast_get(r->work, &r->out, err);
}

hc_status hc_server_get_spot(struct hc_req *r, struct hc_err *err)
{
    double x = 0, y = 0, mm = 20;
    const struct hc_server_field field[] = {{"x", HC_FIELD_NUMBER, true, &x},
                                            {"y", HC_FIELD_NUMBER, true, &y},
                                            {"mm", HC_FIELD_NUMBER, false, &mm}};
    hc_status st = hc_server_decode_query(r, field, sizeof field / sizeof field[0], err);
    return st == HC_OK ? hc_work_spot(r->work, x, y, mm, &r->out, err) : st;
}

hc_status hc_server_get_patch(struct hc_req *r, struct hc_err *err)
{
    const char *what = NULL;
    double x = 0, y = 0, mm = 20, px = 128;
    const struct hc_server_field field[] = {{"what", HC_FIELD_TEXT, true, &what},
                                            {"x", HC_FIELD_NUMBER, true, &x},
                                            {"y", HC_FIELD_NUMBER, true, &y},
                                            {"mm", HC_FIELD_NUMBER, false, &mm},
                                            {"px", HC_FIELD_NUMBER, false, &px}};
    hc_status st = hc_server_decode_query(r, field, sizeof field / sizeof field[0], err);
    if (st == HC_OK && !(px >= 16 && px <= 512)) {
        st = hc_err_set(err, HC_ERANGE, HC_SERVER_ROOM, "px is %g; it must be 16 to 512", px);
    }
    if (st == HC_OK) {
        st = hc_work_patch(r->work, what, x, y, mm, (int)px, &r->out, err);
        r->type = "image/jpeg";
    }
    return st;
}

// level and X_Y of a tile's address: up to seven digits each.
static bool read_index(const char **p, int *value)
{
    size_t n = strspn(*p, "0123456789");
    if (n == 0 || n > 7) {
        return false;
    }
    *value = atoi(*p);
    *p += n;
    return true;
}

hc_status hc_server_get_tile(struct hc_req *r, struct hc_err *err)
{
    const char *key = r->arg[0], *level_text = r->arg[1], *xy = r->arg[2];
    int level = 0, x = 0, y = 0;
    bool is_good = strlen(key) == 64 && strspn(key, "0123456789abcdef") == 64 &&
                   read_index(&level_text, &level) && !*level_text && read_index(&xy, &x) &&
                   *xy++ == '_' && read_index(&xy, &y) && !*xy;
    if (!is_good) {
        return hc_err_set(err, HC_ENOTFOUND, HC_SERVER_ROOM,
                          "a tile's address is /tiles/KEY/LEVEL/X_Y with a key of 64 hex digits");
    }
    // The key is a content hash, so what a browser holds under it can never be stale.
    snprintf(r->etag_text, sizeof r->etag_text, "\"%.16s-%d-%d-%d\"", key, level, x, y);
    if (hc_server_has_etag(r, r->etag_text)) {
        r->http = MHD_HTTP_NOT_MODIFIED;
    } else {
        hc_status st = hc_work_tile(r->work, key, level, x, y, &r->out, &r->type, err);
        if (st != HC_OK) {
            return st;
        }
    }
    r->etag = r->etag_text;
    r->cache = "private, max-age=31536000, immutable";
    return HC_OK;
}
