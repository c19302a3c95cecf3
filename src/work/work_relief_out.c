// Relief out to the user: normals and heights as float TIFF, a passage as a mesh.
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "base/mem.h"
#include "work/work_relief_priv.h"

#define MESH_PX 4.0e6

// Unit normals (x right, y up, z to the viewer) from the stored slopes, as a raster of their own
// for the time of the export; 0, 0, 0 where there is no answer.
static hc_status write_normals(const struct hc_raster *slopes, const char *path, struct hc_job *job,
                               struct hc_err *err)
{
    struct hc_raster_writer *out = NULL;
    int width = hc_raster_w(slopes), height = hc_raster_h(slopes);
    hc_status st = hc_raster_create(&out, path, width, height, 3, err);
    for (int y = 0; st == HC_OK && y < height; y += 128) {
        struct hc_plane band[3] = {{0}};
        int n = height - y < 128 ? height - y : 128;
        st = hc_job_step(job, (double)y / height, "turning slopes into normals", err);
        st = st == HC_OK
                 ? hc_work_read_rect(slopes, (struct hc_work_rect){0, y, width, n}, band, err)
                 : st;
        for (int i = 0; st == HC_OK && i < n; i++) {
            float *p = hc_plane_row(&band[0], i), *q = hc_plane_row(&band[1], i),
                  *sd = hc_plane_row(&band[2], i);
            for (int x = 0; x < width; x++) {
                float z = sd[x] < 0.0f ? 0.0f : 1.0f / sqrtf(1.0f + p[x] * p[x] + q[x] * q[x]);
                p[x] *= -z;
                q[x] *= -z;
                sd[x] = z;
            }
        }
        st = st == HC_OK ? hc_raster_append(out, band, err) : st;
        for (int c = 0; c < 3; c++) {
            hc_plane_release(&band[c]);
        }
    }
    if (st == HC_OK) {
        return hc_raster_finish(out, err);
    }
    if (out) {
        hc_raster_abandon(out);
    }
    return st;
}

// Sq in the stored band, one px for each cell of twice the longest wavelength, as a raster of its
// own for the time of the export.
static hc_status write_texture(struct hc_work *w, const struct hc_work_relief_kept *k,
                               const char *path, struct hc_buf *about, struct hc_err *err)
{
    const json_t *t = json_object_get(k->doc, "texture");
    struct hc_relief_band band = {hc_work_json_number(t, "short_mm"),
                                  hc_work_json_number(t, "long_mm")};
    int cell = (int)fmax(8, ceil(2 * band.long_mm / k->mm_per_px));
    struct hc_raster *r = NULL;
    struct hc_raster_writer *out = NULL;
    struct hc_plane z = {0}, map = {0};
    hc_status st = hc_work_open_derived(w, k->height, &r, err);
    st = st == HC_OK ? hc_work_read_rect(
                           r, (struct hc_work_rect){0, 0, hc_raster_w(r), hc_raster_h(r)}, &z, err)
                     : st;
    st = st == HC_OK ? hc_relief_band_filter(&z, &z, NULL, k->mm_per_px, band, w->par, err) : st;
    st = st == HC_OK ? hc_plane_create(&map, (z.w + cell - 1) / cell, (z.h + cell - 1) / cell, err)
                     : st;
    st = st == HC_OK
             ? hc_relief_texture_map(&map, HC_RELIEF_SQ, &z, NULL, k->mm_per_px, cell, w->par, err)
             : st;
    st = st == HC_OK ? hc_raster_create(&out, path, map.w, map.h, 1, err) : st;
    st = st == HC_OK ? hc_raster_append(out, &map, err) : st;
    if (st == HC_OK) {
        st = hc_raster_finish(out, err);
    } else if (out) {
        hc_raster_abandon(out);
    }
    hc_buf_printf(
        about,
        "Sq of the surface as lit, um, details of %g to %g mm, one px for %g mm; -1 = not "
        "told",
        band.short_mm, band.long_mm, cell * k->mm_per_px);
    hc_plane_release(&z);
    hc_plane_release(&map);
    hc_raster_close(r);
    return st;
}

static hc_status open_kind(struct hc_work *w, const struct hc_work_relief_kept *k,
                           const char *state, const char *kind, struct hc_raster **r,
                           struct hc_buf *about, struct hc_err *err)
{
    char name[80];
    snprintf(name, sizeof name, "relief-%.30s-clog.raster", state);
    hc_buf_printf(about, "halfclean %s; state %s; ", HC_VERSION, state);
    if (strcmp(kind, "height") == 0) {
        hc_buf_printf(about,
                      "height of the surface as lit, mm, mean 0, %g mm per px; wavelengths over %g "
                      "mm are not reliable",
                      k->mm_per_px,
                      hc_work_json_number(json_object_get(k->doc, "height"), "reliable_mm"));
        return hc_work_open_derived(w, k->height, r, err);
    }
    if (strcmp(kind, "clog") == 0) {
        hc_buf_str(about, "share of the paint's fine relief that is missing at the surface, by "
                          "cells; -1 = not told; estimated, not validated on real varnish");
        hc_status st = hc_work_open_derived(w, name, r, err);
        return st == HC_OK ? st
                           : hc_err_set(err, HC_ENOTFOUND, HC_WORK_ROOM,
                                        "no map of clogged relief was made of the state %s: "
                                        "halfclean relief DOSSIER --state %s --film --area FILE",
                                        state, state);
    }
    hc_buf_str(about, "unit normals of the surface as lit, x right, y up, z to the viewer; 0, 0, 0 "
                      "= no answer");
    return hc_work_open_derived(w, k->slopes, r, err);
}

hc_status hc_work_relief_export(struct hc_work *w, const char *state, const char *kind,
                                const char *path, struct hc_job *job, struct hc_err *err)
{
    struct hc_work_relief_kept k = {0};
    struct hc_raster *r = NULL, *made = NULL;
    struct hc_buf about = {0};
    char tmp[HC_WORK_PATH];
    bool is_normals = strcmp(kind, "normals") == 0, is_texture = strcmp(kind, "texture") == 0;
    hc_status st = hc_work_relief_load(w, state, &k, err);
    snprintf(tmp, sizeof tmp, "%.4000s.making", path);
    st = st == HC_OK && !is_texture ? open_kind(w, &k, state, kind, &r, &about, err) : st;
    hc_job_phase(job, 0, 0.5);
    st = st == HC_OK && is_normals ? write_normals(r, tmp, job, err) : st;
    if (st == HC_OK && is_texture) {
        hc_buf_printf(&about, "halfclean %s; state %s; ", HC_VERSION, state);
        st = write_texture(w, &k, tmp, &about, err);
    }
    st = st == HC_OK && (is_normals || is_texture) ? hc_raster_open(&made, tmp, err) : st;
    hc_job_phase(job, 0.5, 1);
    st = st == HC_OK
             ? hc_image_export(made ? made : r, is_normals ? HC_EXPORT_VECTOR : HC_EXPORT_FLOAT,
                               path, hc_buf_text(&about), job, err)
             : st;
    if (made) {
        hc_raster_close(made);
        unlink(tmp);
    }
    hc_raster_close(r);
    hc_buf_release(&about);
    hc_work_relief_kept_release(&k);
    return st;
}

// ---- a passage as a mesh ----

static hc_status write_bytes(void *ctx, const void *bytes, size_t n, struct hc_err *err)
{
    return fwrite(bytes, 1, n, ctx) == n
               ? HC_OK
               : hc_err_set(err, HC_EIO, HC_WORK_ROOM, "could not write the mesh: %s",
                            strerror(errno));
}

static hc_status write_mesh(const struct hc_plane *z, double mm, double exaggeration,
                            const char *path, struct hc_err *err)
{
    char tmp[HC_WORK_PATH];
    struct hc_relief_mesh_sink sink = {write_bytes, NULL};
    FILE *f;
    hc_status st;
    snprintf(tmp, sizeof tmp, "%.4000s.part", path);
    f = fopen(tmp, "wb");
    if (!f) {
        return hc_err_set(err, HC_EIO, HC_WORK_ROOM, "could not write %s: %s", path,
                          strerror(errno));
    }
    sink.ctx = f;
    st = hc_relief_mesh_ply(z, NULL, mm, exaggeration, false, &sink, err);
    if (fflush(f) != 0 || fsync(fileno(f)) != 0) {
        st = st == HC_OK ? hc_err_set(err, HC_EIO, HC_WORK_ROOM, "could not write %s: %s", path,
                                      strerror(errno))
                         : st;
    }
    fclose(f);
    if (st == HC_OK && rename(tmp, path) != 0) {
        st = hc_err_set(err, HC_EIO, HC_WORK_ROOM, "could not write %s: %s", path, strerror(errno));
    }
    if (st != HC_OK) {
        unlink(tmp);
    }
    return st;
}

hc_status hc_work_relief_mesh(struct hc_work *w, const char *state, double x, double y, double mm,
                              double exaggeration, const char *path, struct hc_err *err)
{
    struct hc_work_relief_kept k = {0};
    struct hc_painting p = {0};
    struct hc_raster *r = NULL;
    struct hc_plane z = {0};
    struct hc_work_rect at = {0};
    hc_status st = hc_work_framed(w, &p, err);
    st = st == HC_OK ? hc_work_spot_rect(&p, x, y, mm, &at, err) : st;
    st = st == HC_OK ? hc_work_relief_load(w, state, &k, err) : st;
    st = st == HC_OK ? hc_work_open_derived(w, k.height, &r, err) : st;
    if (st == HC_OK) {
        at.x0 /= k.reduced;
        at.y0 /= k.reduced;
        at.w = (int)fmin(at.w / k.reduced, hc_raster_w(r) - at.x0);
        at.h = (int)fmin(at.h / k.reduced, hc_raster_h(r) - at.y0);
        if (at.w < 2 || at.h < 2 || (double)at.w * at.h > MESH_PX || !(exaggeration > 0)) {
            st = hc_err_set(err, HC_ERANGE, HC_WORK_ROOM,
                            "a mesh of %d x %d px with heights times %g; give a passage of 2 x 2 "
                            "px to %.0f Mpx and a factor above 0",
                            at.w, at.h, exaggeration, MESH_PX * 1e-6);
        }
    }
    st = st == HC_OK ? hc_work_read_rect(r, at, &z, err) : st;
    st = st == HC_OK ? write_mesh(&z, k.mm_per_px, exaggeration, path, err) : st;
    hc_plane_release(&z);
    hc_raster_close(r);
    hc_work_relief_kept_release(&k);
    hc_painting_release(&p);
    return st;
}
