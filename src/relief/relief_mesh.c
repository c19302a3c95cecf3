// A height patch as a mesh (PLY: Turk's polygon format, an open plain format; its layout from
// memory).
#include "relief/relief_priv.h"

#include "base/buf.h"
#include "base/mem.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

struct mesh {
    const struct hc_plane *z, *mask;
    double mm, lift;
    bool is_text;
    const struct hc_relief_mesh_sink *sink;
    struct hc_buf buf;
    int32_t *index[2]; // of the vertices of two rows; -1 = none
};

static bool is_in(const struct mesh *m, int x, int y)
{
    return !m->mask || hc_plane_get(m->mask, x, y) > 0.5f;
}

static bool is_cell(const struct mesh *m, int x, int y)
{
    return is_in(m, x, y) && is_in(m, x + 1, y) && is_in(m, x, y + 1) && is_in(m, x + 1, y + 1);
}

static hc_status flush(struct mesh *m, struct hc_err *err)
{
    hc_status st = hc_buf_check(&m->buf, err);
    st =
        st == HC_OK && m->buf.len ? m->sink->write(m->sink->ctx, m->buf.data, m->buf.len, err) : st;
    hc_buf_reset(&m->buf);
    return st;
}

static void put32(struct mesh *m, uint32_t v)
{
    const unsigned char b[4] = {(unsigned char)v, (unsigned char)(v >> 8), (unsigned char)(v >> 16),
                                (unsigned char)(v >> 24)};
    hc_buf_bytes(&m->buf, b, sizeof b);
}

static void put_float(struct mesh *m, double v)
{
    float f = (float)v;
    uint32_t u;
    memcpy(&u, &f, sizeof u);
    put32(m, u);
}

static void put_face(struct mesh *m, int32_t a, int32_t b, int32_t c)
{
    const unsigned char three = 3;
    if (m->is_text) {
        hc_buf_printf(&m->buf, "3 %d %d %d\n", a, b, c);
        return;
    }
    hc_buf_bytes(&m->buf, &three, 1);
    put32(m, (uint32_t)a);
    put32(m, (uint32_t)b);
    put32(m, (uint32_t)c);
}

static hc_status vertices(struct mesh *m, struct hc_err *err)
{
    hc_status st = HC_OK;
    for (int y = 0; y < m->z->h && st == HC_OK; y++) {
        for (int x = 0; x < m->z->w; x++) {
            double v[3] = {(x + 0.5) * m->mm, (m->z->h - (y + 0.5)) * m->mm,
                           (double)hc_plane_get(m->z, x, y) * m->lift};
            if (!is_in(m, x, y)) {
                continue;
            }
            if (m->is_text) {
                hc_buf_printf(&m->buf, "%.6g %.6g %.6g\n", v[0], v[1], v[2]);
            } else {
                put_float(m, v[0]);
                put_float(m, v[1]);
                put_float(m, v[2]);
            }
        }
        st = flush(m, err);
    }
    return st;
}

static int32_t number_row(struct mesh *m, int32_t *index, int y, int32_t next)
{
    for (int x = 0; x < m->z->w; x++) {
        index[x] = is_in(m, x, y) ? next++ : -1;
    }
    return next;
}

static hc_status faces(struct mesh *m, struct hc_err *err)
{
    int32_t *up = m->index[0], *low = m->index[1], next = number_row(m, up, 0, 0);
    hc_status st = HC_OK;
    for (int y = 0; y + 1 < m->z->h && st == HC_OK; y++) {
        next = number_row(m, low, y + 1, next);
        for (int x = 0; x + 1 < m->z->w; x++) {
            if (is_cell(m, x, y)) { // counter-clockwise as seen by the viewer
                put_face(m, up[x], low[x], low[x + 1]);
                put_face(m, up[x], low[x + 1], up[x + 1]);
            }
        }
        st = flush(m, err);
        int32_t *t = up;
        up = low;
        low = t;
    }
    return st;
}

hc_status hc_relief_mesh_ply(const struct hc_plane *z_mm, const struct hc_plane *mask,
                             double mm_per_px, double exaggeration, bool is_text,
                             const struct hc_relief_mesh_sink *sink, struct hc_err *err)
{
    struct mesh m = {z_mm, mask, mm_per_px, exaggeration, is_text, sink, {0}, {0}};
    size_t points = 0, cells = 0;
    if (!(mm_per_px > 0) || !(exaggeration > 0 && exaggeration <= 1000) || z_mm->w < 2 ||
        z_mm->h < 2 || (mask && (mask->w != z_mm->w || mask->h != z_mm->h))) {
        return hc_err_set(
            err, HC_EARG, "relief",
            "a mesh needs at least 2 x 2 px, a scale, and an exaggeration over 0 up to "
            "1000");
    }
    for (int y = 0; y < z_mm->h; y++) {
        for (int x = 0; x < z_mm->w; x++) {
            points += is_in(&m, x, y);
            cells += y + 1 < z_mm->h && x + 1 < z_mm->w && is_cell(&m, x, y);
        }
    }
    if (points > INT32_MAX || 2 * cells > INT32_MAX) {
        return hc_err_set(err, HC_ELIMIT, "relief",
                          "a mesh of %zu triangles; at most 2147483647. Take a smaller passage",
                          2 * cells);
    }
    m.index[0] = hc_mem_array(2 * (size_t)z_mm->w, sizeof *m.index[0]);
    if (!m.index[0]) {
        return hc_err_set(err, HC_ENOMEM, "relief", "out of memory for a mesh");
    }
    m.index[1] = m.index[0] + z_mm->w;
    hc_buf_printf(&m.buf,
                  "ply\nformat %s 1.0\ncomment mm; x right, y up, z to the viewer; heights times "
                  "%g\nelement vertex %zu\nproperty float x\nproperty float y\nproperty float z\n"
                  "element face %zu\nproperty list uchar int vertex_indices\nend_header\n",
                  is_text ? "ascii" : "binary_little_endian", exaggeration, points, 2 * cells);
    hc_status st = flush(&m, err);
    st = st == HC_OK ? vertices(&m, err) : st;
    st = st == HC_OK ? faces(&m, err) : st;
    hc_buf_release(&m.buf);
    hc_mem_free(m.index[0]);
    return st;
}
