// The table of everything that can be asked. docs/http-api.md has one row for each; a test
// compares.
#include <stdio.h>
#include <string.h>

#include "server/server_priv.h"

static const struct hc_server_route routes[] = {
    {"open", "GET", "/open", hc_server_get_open, HC_NEED_NOTHING, HC_BODY_NONE},
    {"dossier", "GET", "/api/dossier", hc_server_get_dossier, HC_NEED_READER, HC_BODY_NONE},
    {"views", "GET", "/api/views", hc_server_get_views, HC_NEED_READER, HC_BODY_NONE},
    {"view-add", "PUT", "/api/views", hc_server_put_view, HC_NEED_WRITABLE, HC_BODY_FILE},
    {"fit", "GET", "/api/views/{view}/fit", hc_server_get_fit, HC_NEED_READER, HC_BODY_NONE},
    {"calibration", "GET", "/api/views/{view}/calibration", hc_server_get_calibration,
     HC_NEED_READER, HC_BODY_NONE},
    {"calibrate", "POST", "/api/views/{view}/calibrate", hc_server_post_calibrate, HC_NEED_WRITABLE,
     HC_BODY_JSON},
    {"calibration-remove", "DELETE", "/api/views/{view}/calibration", hc_server_delete_calibration,
     HC_NEED_WRITABLE, HC_BODY_NONE},
    {"points", "GET", "/api/points", hc_server_get_points, HC_NEED_READER, HC_BODY_NONE},
    {"points-import", "POST", "/api/points", hc_server_post_points, HC_NEED_WRITER, HC_BODY_JSON},
    {"pairs", "GET", "/api/views/{view}/pairs", hc_server_get_pairs, HC_NEED_READER, HC_BODY_NONE},
    {"pairs-place", "PUT", "/api/views/{view}/pairs", hc_server_put_pairs, HC_NEED_WRITABLE,
     HC_BODY_JSON},
    {"placement-remove", "DELETE", "/api/views/{view}/placement", hc_server_delete_placement,
     HC_NEED_WRITABLE, HC_BODY_NONE},
    {"ignored", "GET", "/api/views/{view}/ignored", hc_server_get_ignored, HC_NEED_READER,
     HC_BODY_NONE},
    {"ignored-set", "PUT", "/api/views/{view}/ignored", hc_server_put_ignored, HC_NEED_WRITER,
     HC_BODY_JSON},
    {"own", "GET", "/api/views/{view}/own", hc_server_get_own, HC_NEED_READER, HC_BODY_NONE},
    {"align", "POST", "/api/align", hc_server_post_align, HC_NEED_WRITABLE, HC_BODY_JSON},
    {"mosaic", "POST", "/api/mosaic", hc_server_post_mosaic, HC_NEED_WRITABLE, HC_BODY_JSON},
    {"windows", "GET", "/api/windows", hc_server_get_windows, HC_NEED_READER, HC_BODY_NONE},
    {"window-add", "POST", "/api/windows", hc_server_post_window, HC_NEED_WRITER, HC_BODY_JSON},
    {"window-remove", "DELETE", "/api/windows/{id}", hc_server_delete_window, HC_NEED_WRITER,
     HC_BODY_NONE},
    {"zones", "GET", "/api/zones", hc_server_get_zones, HC_NEED_READER, HC_BODY_NONE},
    {"zone-add", "POST", "/api/zones", hc_server_post_zone, HC_NEED_WRITER, HC_BODY_JSON},
    {"zone-remove", "DELETE", "/api/zones/{id}", hc_server_delete_zone, HC_NEED_WRITER,
     HC_BODY_NONE},
    {"forecast", "GET", "/api/forecast", hc_server_get_forecast, HC_NEED_READER, HC_BODY_NONE},
    {"forecast-make", "POST", "/api/forecast", hc_server_post_forecast, HC_NEED_WRITABLE,
     HC_BODY_JSON},
    {"relief", "GET", "/api/relief", hc_server_get_relief, HC_NEED_READER, HC_BODY_NONE},
    {"relief-make", "POST", "/api/relief", hc_server_post_relief, HC_NEED_WRITABLE, HC_BODY_JSON},
    {"relief-texture", "POST", "/api/relief/texture", hc_server_post_texture, HC_NEED_READER,
     HC_BODY_JSON},
    {"relief-film", "POST", "/api/relief/film", hc_server_post_film, HC_NEED_WRITABLE,
     HC_BODY_JSON},
    {"relief-profile", "GET", "/api/relief/profile", hc_server_get_profile, HC_NEED_READER,
     HC_BODY_NONE},
    {"lights", "PUT", "/api/lights", hc_server_put_lights, HC_NEED_WRITER, HC_BODY_JSON},
    {"jobs", "GET", "/api/jobs", hc_server_get_jobs, HC_NEED_NOTHING, HC_BODY_NONE},
    {"job", "GET", "/api/jobs/{id}", hc_server_get_job, HC_NEED_NOTHING, HC_BODY_NONE},
    {"job-events", "GET", "/api/jobs/{id}/events", hc_server_get_events, HC_NEED_NOTHING,
     HC_BODY_NONE},
    {"job-cancel", "DELETE", "/api/jobs/{id}", hc_server_delete_job, HC_NEED_NOTHING, HC_BODY_NONE},
    {"spot", "GET", "/api/spot", hc_server_get_spot, HC_NEED_READER, HC_BODY_NONE},
    {"patch", "GET", "/api/patch", hc_server_get_patch, HC_NEED_READER, HC_BODY_NONE},
    {"report", "POST", "/api/report", hc_server_post_report, HC_NEED_NOTHING, HC_BODY_JSON},
    {"tile", "GET", "/tiles/{key}/{level}/{x_y}", hc_server_get_tile, HC_NEED_READER, HC_BODY_NONE},
    {"page", "GET", "/*", hc_server_asset, HC_NEED_NOTHING, HC_BODY_NONE},
};

const struct hc_server_route *hc_server_routes(size_t *n)
{
    *n = sizeof routes / sizeof routes[0];
    return routes;
}

// Does the path fit the pattern? Segments named in braces go to arg[] as [start, length].
static bool fits(const char *pattern, const char *path, size_t at[3], size_t len[3])
{
    size_t n = 0, i = 0;
    while (*pattern) {
        if (*pattern == '*') {
            return true;
        }
        if (*pattern == '{') {
            size_t segment = strcspn(path + i, "/");
            if (segment == 0 || n == 3) {
                return false;
            }
            at[n] = i;
            len[n++] = segment;
            i += segment;
            pattern = strchr(pattern, '}') + 1;
        } else if (*pattern++ != path[i++]) {
            return false;
        }
    }
    return path[i] == 0;
}

const struct hc_server_route *hc_server_route_find(const char *method, char *path, char *arg[3],
                                                   bool *is_path_known, char allow[64])
{
    bool is_head = strcmp(method, "HEAD") == 0;
    *is_path_known = false;
    allow[0] = 0;
    for (size_t i = 0; i < sizeof routes / sizeof routes[0]; i++) {
        const struct hc_server_route *r = &routes[i];
        size_t at[3] = {0}, len[3] = {0}, used = strlen(allow);
        // The page's files are everything that is not data.
        bool is_data = strncmp(path, "/api/", 5) == 0 || strncmp(path, "/tiles/", 7) == 0;
        if ((is_data && strcmp(r->id, "page") == 0) || !fits(r->pattern, path, at, len)) {
            continue;
        }
        if (strcmp(r->method, is_head ? "GET" : method) == 0) {
            for (int k = 0; k < 3; k++) {
                arg[k] = len[k] ? path + at[k] : NULL;
                if (len[k]) {
                    path[at[k] + len[k]] = 0;
                }
            }
            return r;
        }
        *is_path_known = true;
        snprintf(allow + used, 64 - used, "%s%s", used ? ", " : "",
                 strcmp(r->method, "GET") == 0 ? "GET, HEAD" : r->method);
    }
    return NULL;
}
