// Files in derived/ that belong to a raster: display tiles, and the small overviews that statistics
// are made on. Both say which content they were made from, by its SHA-256.
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "work/work_priv.h"

hc_status hc_work_source(struct hc_work *w, const char *raster, char out[HC_TILES_SOURCE],
                         struct hc_err *err)
{
    struct hc_derived d = {0};
    hc_status st = hc_store_get_derived(w->store, raster, &d, err);
    if (st == HC_OK) {
        snprintf(out, HC_TILES_SOURCE, "%s %s", d.sha256, raster);
    }
    hc_derived_release(&d);
    return st;
}

// ---- tiles ----
hc_status hc_work_keep_tiles(struct hc_work *w, const char *part, const char *inputs,
                             char key[HC_SHA256_HEX], struct hc_job *job, struct hc_err *err)
{
    char tmp[HC_WORK_PATH], path[HC_WORK_PATH], name[HC_SHA256_HEX + 8];
    hc_status st = hc_store_derived_path(w->store, part, tmp, sizeof tmp, err);
    st = st == HC_OK ? hc_store_hash_file(tmp, key, job, err) : st;
    if (st == HC_OK) {
        snprintf(name, sizeof name, "%s.tiles", key);
        st = hc_store_derived_path(w->store, name, path, sizeof path, err);
    }
    if (st == HC_OK && rename(tmp, path) != 0) {
        st = hc_err_set(err, HC_EIO, HC_WORK_ROOM, "could not store display tiles in derived/");
    }
    st = st == HC_OK ? hc_store_put_derived(w->store, name, "tiles", inputs, err) : st;
    if (st != HC_OK) {
        unlink(tmp);
    }
    return st;
}

hc_status hc_work_make_tiles(struct hc_work *w, const struct hc_raster *r, const char *raster,
                             enum hc_tiles_kind kind, float lo, float hi, const char *inputs,
                             char key[HC_SHA256_HEX], struct hc_job *job, struct hc_err *err)
{
    static const char part[] = "making.part";
    char tmp[HC_WORK_PATH], source[HC_TILES_SOURCE];
    hc_status st = hc_work_source(w, raster, source, err);
    st = st == HC_OK ? hc_store_derived_path(w->store, part, tmp, sizeof tmp, err) : st;
    st = st == HC_OK ? hc_tiles_make(r, kind, lo, hi, source, tmp, w->par, job, err) : st;
    return st == HC_OK ? hc_work_keep_tiles(w, part, inputs, key, job, err) : st;
}

hc_status hc_work_lend_raster(struct hc_work *w, struct hc_tiles *t, struct hc_err *err)
{
    const char *source = hc_tiles_get_info(t).source, *name = strchr(source, ' ');
    char now[HC_TILES_SOURCE];
    struct hc_raster *r = NULL;
    hc_status st = HC_OK;
    if (hc_tiles_get_info(t).has_raster) {
        return HC_OK;
    }
    // Another raster may have taken the name; its pixels are not what the smaller levels show.
    if (!name || hc_work_source(w, name + 1, now, NULL) != HC_OK || strcmp(now, source) != 0) {
        return hc_err_set(err, HC_ENOTFOUND, HC_WORK_ROOM,
                          "the picture behind these tiles is not in derived/; run align (or "
                          "forecast) to make it again");
    }
    st = hc_work_open_derived(w, name + 1, &r, err);
    st = st == HC_OK ? hc_tiles_lend(t, r, err) : st;
    if (st != HC_OK) {
        hc_raster_close(r);
    }
    return st;
}

// ---- overviews ----
static void release(struct hc_plane *bands)
{
    for (int c = 0; c < 3; c++) {
        hc_plane_release(&bands[c]);
    }
}

// What is kept, when it was made from this very raster; HC_ENOTFOUND otherwise.
static hc_status load(struct hc_work *w, const char *name, const char *inputs, int bands,
                      struct hc_plane *out, struct hc_err *err)
{
    struct hc_derived d = {0};
    struct hc_raster *r = NULL;
    hc_status st = hc_store_get_derived(w->store, name, &d, err);
    if (st == HC_OK && strcmp(d.inputs, inputs) != 0) {
        st = HC_ENOTFOUND;
    }
    st = st == HC_OK ? hc_work_open_derived(w, name, &r, err) : st;
    if (st == HC_OK && hc_raster_bands(r) != bands) {
        st = HC_ENOTFOUND;
    }
    if (st == HC_OK) {
        st = hc_work_read_rect(r, (struct hc_work_rect){0, 0, hc_raster_w(r), hc_raster_h(r)}, out,
                               err);
    }
    hc_raster_close(r);
    hc_derived_release(&d);
    return st;
}

hc_status hc_work_keep_planes(struct hc_work *w, const char *name, const char *kind,
                              const char *inputs, int bands, const struct hc_plane *px,
                              struct hc_err *err)
{
    char path[HC_WORK_PATH];
    struct hc_raster_writer *out = NULL;
    hc_status st = hc_store_derived_path(w->store, name, path, sizeof path, err);
    st = st == HC_OK ? hc_raster_create(&out, path, px[0].w, px[0].h, bands, err) : st;
    if (st == HC_OK) {
        st = hc_raster_append(out, px, err);
        if (st == HC_OK) {
            st = hc_raster_finish(out, err);
        } else {
            hc_raster_abandon(out);
        }
    }
    return st == HC_OK ? hc_store_put_derived(w->store, name, kind, inputs, err) : st;
}

hc_status hc_work_overview(struct hc_work *w, const struct hc_view *v, int max_side,
                           struct hc_plane *bands, int *cell, struct hc_job *job,
                           struct hc_err *err)
{
    char raster[64], name[64], source[HC_TILES_SOURCE], inputs[HC_TILES_SOURCE + 64];
    struct hc_raster *r = NULL;
    hc_status st = hc_work_open_placed(w, v, &r, err);
    if (st != HC_OK) {
        return st;
    }
    hc_work_placed_name(w, v, raster, sizeof raster);
    snprintf(name, sizeof name, "view-%lld-over-%d.raster", (long long)v->id, max_side);
    st = hc_work_source(w, raster, source, err);
    snprintf(inputs, sizeof inputs, "{\"of\":\"%s\",\"side\":%d}", source, max_side);
    if (st == HC_OK && load(w, name, inputs, hc_raster_bands(r), bands, NULL) == HC_OK) {
        int side = hc_raster_w(r) > hc_raster_h(r) ? hc_raster_w(r) : hc_raster_h(r);
        *cell = (side + max_side - 1) / max_side;
    } else if (st == HC_OK) {
        st = hc_raster_overview(r, max_side, bands, cell, job, err);
        if (st == HC_OK && w->is_writable) {
            st = hc_work_keep_planes(w, name, "overview", inputs, hc_raster_bands(r), bands, err);
        }
        if (st != HC_OK) {
            release(bands);
        }
    }
    hc_raster_close(r);
    return st;
}
