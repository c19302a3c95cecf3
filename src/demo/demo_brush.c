// One stroke of a bristle brush: where it lands, how it covers, what ridge it leaves.
#include "demo_priv.h"

#include <math.h>
#include <stddef.h>

// A tile that repeats: streaks along one axis come from reading it at very unlike scales.
void hc_demo_brush_texture(float *tex)
{
    int n = HC_DEMO_TEX;
    for (int y = 0; y < n; y++) {
        for (int x = 0; x < n; x++) {
            double a = hc_rng_hash(501, x, y), b = hc_rng_hash(502, x / 2, y / 2);
            double c = hc_rng_hash(503, x / 4, y / 4);
            tex[y * n + x] = (float)(0.45 * a + 0.33 * b + 0.22 * c);
        }
    }
}

static float tex_at(const float *tex, float u, float v)
{
    float fu = floorf(u), fv = floorf(v), a = u - fu, b = v - fv;
    unsigned x = (unsigned)(int)fu & (HC_DEMO_TEX - 1), y = (unsigned)(int)fv & (HC_DEMO_TEX - 1);
    unsigned x1 = (x + 1) & (HC_DEMO_TEX - 1), y1 = (y + 1) & (HC_DEMO_TEX - 1);
    const float *r0 = tex + y * HC_DEMO_TEX, *r1 = tex + y1 * HC_DEMO_TEX;
    float top = r0[x] + a * (r0[x1] - r0[x]), low = r1[x] + a * (r1[x1] - r1[x]);
    return top + b * (low - top);
}

struct spot {
    float along, across, length; // mm, half-widths, mm
};

// Nearest place on the stroke's spine; false when the brush does not reach.
static bool find_spot(const struct stroke *s, float x, float y, struct spot *out)
{
    float best = s->half_mm * s->half_mm, start = 0.0f;
    bool found = false;
    for (int i = 0; i + 1 < s->n; i++) {
        float ex = s->x[i + 1] - s->x[i], ey = s->y[i + 1] - s->y[i];
        float len2 = ex * ex + ey * ey + 1e-9f, len = sqrtf(len2);
        float qx = x - s->x[i], qy = y - s->y[i];
        float t = (qx * ex + qy * ey) / len2;
        float tc = t < 0.0f ? 0.0f : t > 1.0f ? 1.0f : t;
        float dx = qx - tc * ex, dy = qy - tc * ey, d2 = dx * dx + dy * dy;
        if (d2 < best) {
            best = d2;
            found = true;
            out->along = start + tc * len;
            if ((t < 0.0f && i == 0) || (t > 1.0f && i + 2 == s->n)) {
                out->along = start + t * len;
            }
            out->across = (ex * qy - ey * qx) / (len * s->half_mm);
        }
        start += len;
    }
    out->length = start;
    return found;
}

static float fade(float t)
{
    t = t < 0.0f ? 0.0f : t > 1.0f ? 1.0f : t;
    return t * t * (3.0f - 2.0f * t);
}

static void lay_px(struct canvas *c, const struct stroke *s, const struct model *m,
                   const float *tex, int x, int y)
{
    float xm = ((float)x + 0.5f) * (float)c->mm, ym = ((float)y + 0.5f) * (float)c->mm;
    struct spot p;
    if (!find_spot(s, xm, ym, &p)) {
        return;
    }
    float t = p.along / p.length, v = p.across < 0.0f ? -p.across : p.across;
    // The brush opens, then lifts off: the stroke narrows at its end.
    float width = t < 0.15f ? 0.75f + 1.67f * t : t > 0.6f ? 1.0f - 1.0f * (t - 0.6f) : 1.0f;
    float u = v / (width > 0.3f ? width : 0.3f);
    if (u >= 1.0f) {
        return;
    }
    float off = (float)(s->seed & 1023u);
    float bristle = tex_at(tex, p.across * s->half_mm * 4.5f + off, p.along * 0.22f + off * 0.37f);
    float hair = tex_at(tex, p.across * s->half_mm * 11.0f + off, p.along * 0.5f + off * 0.11f);
    float b = 0.62f * bristle + 0.38f * hair;
    float edge = 1.0f - fade((u - 1.0f + s->soft) / s->soft);
    float out_of_paint = s->dry * (t > 0.0f ? t : 0.0f);
    float cover = fade((1.15f - out_of_paint - 1.1f * (1.0f - b)) / 0.35f + 0.55f);
    float alpha = s->opacity * edge * cover;
    if (s->clip) {
        alpha *= fade(((float)hc_demo_inside(m, s->thing, (double)xm, (double)ym) - 0.36f) / 0.28f);
    }
    if (alpha < 0.004f) {
        return;
    }
    size_t i = (size_t)y * (size_t)c->w + (size_t)x;
    uint8_t *mix = c->mix + i * P_COUNT;
    float tt = fade(t);
    for (int k = 0; k < P_COUNT; k++) {
        float want = (float)s->from.c[k] + tt * ((float)s->to.c[k] - (float)s->from.c[k]);
        mix[k] = (uint8_t)((float)mix[k] + alpha * (want - (float)mix[k]) + 0.5f);
    }
    float ridge = u > 0.6f ? 0.45f * fade((u - 0.6f) / 0.2f) : 0.0f;
    float heel = t > 0.85f ? 0.5f * fade((t - 0.85f) / 0.15f) : 0.0f;
    float body = s->load_mm * (0.35f + 0.85f * b + ridge + heel) * (1.0f - 0.3f * out_of_paint);
    float old = (float)c->height[i], add = body / HC_DEMO_HEIGHT_MM;
    float h = old * (1.0f - s->level * alpha) + alpha * add;
    c->height[i] = (uint16_t)(h < 65535.0f ? h + 0.5f : 65535.0f);
    float dense = 0.0f;
    for (int k = 0; k < P_COUNT; k++) {
        dense += (float)s->from.c[k] * hc_demo_paint_other[k].xray;
    }
    float lead = (float)c->lead[i] * (1.0f - 0.06f * alpha) + alpha * body * dense * 40.0f;
    c->lead[i] = (uint16_t)(lead < 65535.0f ? lead + 0.5f : 65535.0f);
}

void hc_demo_lay_stroke(struct canvas *c, const struct stroke *s, const struct model *m,
                        const float *tex, int y0, int y1)
{
    float mm = (float)c->mm, r = s->half_mm;
    float top = 1e9f, low = -1e9f;
    for (int i = 0; i < s->n; i++) {
        top = s->y[i] < top ? s->y[i] : top;
        low = s->y[i] > low ? s->y[i] : low;
    }
    int ya = (int)floorf((top - r) / mm), yb = (int)ceilf((low + r) / mm);
    ya = ya < y0 ? y0 : ya;
    yb = yb > y1 ? y1 : yb;
    for (int y = ya; y < yb; y++) {
        float ym = ((float)y + 0.5f) * mm, xa = 1e9f, xb = -1e9f;
        for (int i = 0; i + 1 < s->n; i++) { // the stretch of each piece within reach of this row
            float dy = s->y[i + 1] - s->y[i], dx = s->x[i + 1] - s->x[i], t0 = 0.0f, t1 = 1.0f;
            if (dy > 1e-4f || dy < -1e-4f) {
                float ta = (ym - r - s->y[i]) / dy, tb = (ym + r - s->y[i]) / dy;
                float lo = ta < tb ? ta : tb, hi = ta < tb ? tb : ta;
                t0 = lo > 0.0f ? lo : 0.0f;
                t1 = hi < 1.0f ? hi : 1.0f;
            } else if (ym < s->y[i] - r || ym > s->y[i] + r) {
                continue;
            }
            if (t0 <= t1) {
                float p = s->x[i] + t0 * dx, q = s->x[i] + t1 * dx;
                xa = fminf(xa, fminf(p, q) - r);
                xb = fmaxf(xb, fmaxf(p, q) + r);
            }
        }
        if (xa > xb) {
            continue;
        }
        int x0 = (int)floorf(xa / mm), x1 = (int)ceilf(xb / mm);
        x0 = x0 < 0 ? 0 : x0;
        x1 = x1 > c->w ? c->w : x1;
        for (int x = x0; x < x1; x++) {
            lay_px(c, s, m, tex, x, y);
        }
    }
}
