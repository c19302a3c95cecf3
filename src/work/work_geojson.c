// Polygons in and out: GeoJSON (RFC 7946 syntax, but in frame pixels: foreign member "frame").
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "work/work_priv.h"

#define MAX_CORNERS 2000 // our own ceiling: no hand-drawn outline needs more
#define MIN_AREA_PX 25.0 // smaller areas hold too few pixels for a mean (issue: windows)

static void poly_release(struct hc_work_poly *p)
{
    hc_mem_free(p->pt);
    hc_mem_free(p->before);
    hc_mem_free(p->test);
    hc_mem_free(p->surface);
    hc_mem_free(p->system);
    hc_mem_free(p->label);
    hc_mem_free(p->kind);
    *p = (struct hc_work_poly){0};
}

void hc_work_poly_list_release(struct hc_work_poly_list *l)
{
    for (size_t i = 0; i < l->n; i++) {
        poly_release(&l->p[i]);
    }
    hc_mem_free(l->p);
    *l = (struct hc_work_poly_list){0};
}

// Corners from a JSON ring; a closing corner equal to the first is dropped.
hc_status hc_work_poly_from(struct hc_pt **pt, size_t *n, const json_t *ring, struct hc_err *err)
{
    size_t count = json_array_size(ring);
    struct hc_pt *p;
    if (!json_is_array(ring) || count < 3 || count > MAX_CORNERS) {
        return hc_err_set(err, HC_EDATA, HC_WORK_ROOM,
                          "a polygon has %zu corners; give 3 to %d pairs [x, y]", count,
                          MAX_CORNERS);
    }
    p = hc_mem_array(count, sizeof *p);
    if (!p) {
        return hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for a polygon");
    }
    for (size_t i = 0; i < count; i++) {
        const json_t *c = json_array_get(ring, i);
        const json_t *x = json_array_get(c, 0), *y = json_array_get(c, 1);
        if (!json_is_number(x) || !json_is_number(y) || !isfinite(json_number_value(x)) ||
            !isfinite(json_number_value(y))) {
            hc_mem_free(p);
            return hc_err_set(err, HC_EDATA, HC_WORK_ROOM,
                              "corner %zu of a polygon is not a pair of numbers [x, y]", i + 1);
        }
        p[i] = (struct hc_pt){json_number_value(x), json_number_value(y)};
    }
    if (count > 3 && p[0].x == p[count - 1].x && p[0].y == p[count - 1].y) {
        count--;
    }
    *pt = p;
    *n = count;
    return HC_OK;
}

hc_status hc_work_poly_parse(struct hc_pt **pt, size_t *n, const char *json, struct hc_err *err)
{
    json_t *j = NULL;
    hc_status st = hc_work_json_load(&j, json, "a stored polygon", err);
    if (st == HC_OK) {
        st = hc_work_poly_from(pt, n, j, err);
        json_decref(j);
    }
    return st;
}

void hc_work_poly_json(struct hc_buf *b, const struct hc_pt *pt, size_t n)
{
    hc_json_arr(b);
    for (size_t i = 0; i < n; i++) {
        hc_json_arr(b);
        hc_json_num(b, pt[i].x);
        hc_json_num(b, pt[i].y);
        hc_json_end_arr(b);
    }
    hc_json_end_arr(b);
}

static hc_status property(char **out, const json_t *props, const char *key, struct hc_err *err)
{
    const json_t *v = json_object_get(props, key);
    if (!v || json_is_null(v)) {
        return HC_OK;
    }
    if (!json_is_string(v)) {
        return hc_err_set(err, HC_EDATA, HC_WORK_ROOM, "the property \"%s\" must be text", key);
    }
    *out = hc_mem_strdup(json_string_value(v));
    return *out ? HC_OK : hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for a property");
}

static hc_status add_geometry(struct hc_work_poly_list *l, const json_t *geometry,
                              const json_t *props, struct hc_err *err)
{
    const json_t *rings = json_object_get(geometry, "coordinates");
    struct hc_work_poly p = {0}, *grown;
    const char *type = hc_work_json_text(geometry, "type");
    hc_status st;
    if (strcmp(type, "Polygon") != 0) {
        return hc_err_set(err, HC_EUNSUPPORTED, HC_WORK_ROOM,
                          "a GeoJSON geometry of type \"%s\"; draw areas as Polygon", type);
    }
    if (json_array_size(rings) != 1) {
        return hc_err_set(err, HC_EUNSUPPORTED, HC_WORK_ROOM,
                          "a polygon with %zu rings; give one outline without holes",
                          json_array_size(rings));
    }
    st = hc_work_poly_from(&p.pt, &p.n, json_array_get(rings, 0), err);
    st = st == HC_OK ? property(&p.before, props, "before", err) : st;
    st = st == HC_OK ? property(&p.test, props, "test", err) : st;
    st = st == HC_OK ? property(&p.surface, props, "surface", err) : st;
    st = st == HC_OK ? property(&p.system, props, "system", err) : st;
    st = st == HC_OK ? property(&p.label, props, "label", err) : st;
    st = st == HC_OK ? property(&p.kind, props, "kind", err) : st;
    if (st == HC_OK) {
        grown = hc_mem_grow(l->p, (l->n + 1) * sizeof *l->p);
        if (grown) {
            l->p = grown;
            l->p[l->n++] = p;
            return HC_OK;
        }
        st = hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for a polygon");
    }
    poly_release(&p);
    return st;
}

static hc_status add_object(struct hc_work_poly_list *l, const json_t *o, struct hc_err *err)
{
    const char *type = hc_work_json_text(o, "type");
    if (strcmp(type, "Feature") == 0) {
        return add_geometry(l, json_object_get(o, "geometry"), json_object_get(o, "properties"),
                            err);
    }
    if (strcmp(type, "FeatureCollection") == 0) {
        const json_t *list = json_object_get(o, "features");
        for (size_t i = 0; i < json_array_size(list); i++) {
            const json_t *f = json_array_get(list, i);
            hc_status st = add_geometry(l, json_object_get(f, "geometry"),
                                        json_object_get(f, "properties"), err);
            if (st != HC_OK) {
                return hc_err_prefix(err, st, "feature %zu: ", i + 1);
            }
        }
        return HC_OK;
    }
    return add_geometry(l, o, NULL, err);
}

hc_status hc_work_geojson_read(struct hc_work_poly_list *out, const char *text, struct hc_err *err)
{
    struct hc_work_poly_list l = {0};
    json_t *j = NULL;
    hc_status st = hc_work_json_load(&j, text, "the polygon file", err);
    if (st == HC_OK) {
        const char *frame = hc_work_json_text(j, "frame");
        if (*frame && strcmp(frame, "px") != 0) {
            st = hc_err_set(err, HC_EUNSUPPORTED, HC_WORK_ROOM,
                            "polygons in \"%s\"; give them in frame pixels (\"frame\": \"px\")",
                            frame);
        } else {
            st = add_object(&l, j, err);
        }
        json_decref(j);
    }
    if (st == HC_OK && l.n == 0) {
        st = hc_err_set(err, HC_EDATA, HC_WORK_ROOM, "the polygon file holds no polygon");
    }
    if (st != HC_OK) {
        hc_work_poly_list_release(&l);
        return st;
    }
    *out = l;
    return HC_OK;
}

hc_status hc_work_poly_check(const struct hc_pt *pt, size_t n, const char *where, int w, int h,
                             struct hc_err *err)
{
    double area;
    for (size_t i = 0; i < n; i++) {
        if (!(pt[i].x >= 0 && pt[i].x <= w && pt[i].y >= 0 && pt[i].y <= h)) {
            return hc_err_set(err, HC_ERANGE, HC_WORK_ROOM,
                              "corner %zu (%.1f, %.1f) lies outside the %s of %d x %d px", i + 1,
                              pt[i].x, pt[i].y, where, w, h);
        }
    }
    if (hc_poly_is_crossing(pt, n)) {
        return hc_err_set(err, HC_EDATA, HC_WORK_ROOM,
                          "the outline crosses or touches itself; draw it as one simple outline");
    }
    area = hc_poly_area(pt, n);
    if (area < MIN_AREA_PX) {
        return hc_err_set(err, HC_ERANGE, HC_WORK_ROOM,
                          "the outline covers %.1f px; it must cover at least %.0f px", area,
                          MIN_AREA_PX);
    }
    return HC_OK;
}
