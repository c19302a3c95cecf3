// A plane is a view of float pixels; it is the common currency between rooms.
//
// Row-major, origin top left, x right, y down. `stride` counts floats between rows. A plane made by
// hc_plane_create owns its pixels; a plane made by hc_plane_part only looks at another's.
// struct hc_lin3 is three planes of one size: linear light in the working space (linear ROMM RGB,
// D50 white, ISO 22028-2 primaries), 1.0 = perfect diffuse white.
#ifndef HC_NUM_PLANE_H
#define HC_NUM_PLANE_H

#include <stddef.h>

#include "base/err.h"

struct hc_plane {
    float *px;
    int w, h;
    ptrdiff_t stride;
};

struct hc_lin3 {
    struct hc_plane ch[3];
};

// Zero-filled pixels; HC_ERANGE for sides below 1 or above 1e6, HC_ENOMEM.
hc_status hc_plane_create(struct hc_plane *out, int w, int h, struct hc_err *err) HC_MUST_CHECK;
void hc_plane_release(struct hc_plane *p); // only for planes from hc_plane_create; {0} is safe
hc_status hc_lin3_create(struct hc_lin3 *out, int w, int h, struct hc_err *err) HC_MUST_CHECK;
void hc_lin3_release(struct hc_lin3 *p);

// The rectangle x0..x0+w-1, y0..y0+h-1 of p, sharing its pixels. The rectangle must lie inside.
struct hc_plane hc_plane_part(const struct hc_plane *p, int x0, int y0, int w, int h);

static inline float *hc_plane_row(const struct hc_plane *p, int y)
{
    return p->px + (ptrdiff_t)y * p->stride;
}

static inline float hc_plane_get(const struct hc_plane *p, int x, int y)
{
    return p->px[(ptrdiff_t)y * p->stride + x];
}

void hc_plane_fill(struct hc_plane *p, float v);
void hc_plane_copy(struct hc_plane *dst, const struct hc_plane *src); // same size

#endif
