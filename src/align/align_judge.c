#include <math.h>
#include <stdio.h>
#include <string.h>

#include "align/align_priv.h"
#include "base/mem.h"
#include "num/stats.h"

// Reasons of the bars: docs/theory/align.md, section 5.
#define MIN_USED 12
#define MIN_USED_OF_CLEAR 0.55
#define MIN_USED_OF_TEXTURED 0.2
#define GOOD_MEDIAN_PX 0.3
#define GOOD_P95_PX 1.0
#define USABLE_MEDIAN_PX 0.75
#define USABLE_P95_PX 2.0
#define MAX_STRAIN 0.1
#define FIELD_REACH_PX 6.0 // a tile further from the homography has no say in the field
#define WARN_FIELD_STRAIN 0.03
#define MAX_FIELD_STRAIN 0.1
#define MAX_IGNORED 0.3 // share of the tiles above which ignoring is named as the reason

static const char *const model_name[3] = {"similarity", "affine map", "homography"};

bool hc_align_is_plausible(const struct hc_homog *h, struct hc_box box)
{
    return hc_align_strain(h, box) < MAX_STRAIN;
}

// Fill the report's tiles and counts from the last pass, as missed by the homography or, when the
// report has a field, by both.
static hc_status report_tiles(struct hc_align_fit *out, const struct hc_align_placing *pl,
                              struct hc_err *err)
{
    struct hc_homog back;
    double *held = hc_mem_array(pl->n + 1, sizeof *held);
    size_t n = 0;
    double reach = HC_ALIGN_REACH_PX * pl->tile_k;
    hc_status st = held ? hc_homog_invert(&back, &pl->map, err) : HC_ENOMEM;
    if (!out->tile) {
        out->tile = hc_mem_array(pl->n + 1, sizeof *out->tile);
    }
    if (!held || !out->tile) {
        st = hc_err_set(err, HC_ENOMEM, "align", "out of memory for %zu tiles", pl->n);
    }
    out->tiles_textured = out->tiles_clear = out->tiles_used = 0;
    for (size_t i = 0; st == HC_OK && i < pl->n; i++) {
        const struct hc_align_measure *m = &pl->tile[i];
        struct hc_align_tile *t = &out->tile[out->tiles_textured];
        struct hc_pt d, f = {0, 0};
        if (!m->is_textured) {
            continue;
        }
        d = hc_align_residual(m, &pl->sofar, &back);
        if (out->field) {
            f = hc_align_field_at(out->field, (struct hc_pt){m->x, m->y});
        }
        *t = (struct hc_align_tile){m->x,    m->y,        d.x - f.x, d.y - f.y,
                                    m->peak, m->is_clear, false,     m->is_held_out};
        t->is_used = m->is_clear && hypot(t->dx, t->dy) < reach;
        out->tiles_textured++;
        out->tiles_clear += t->is_clear;
        out->tiles_used += t->is_used;
        if (t->is_used && t->is_held_out) {
            held[n++] = hypot(t->dx, t->dy);
        }
    }
    out->tiles = (int)pl->n;
    out->held_out_median_px = hc_stats_median(held, n);
    out->held_out_p95_px = hc_stats_quantile(held, n, 0.95);
    hc_mem_free(held);
    return st;
}

// The field through what the homography leaves, when the held-out tiles gain from it. One whose
// strain cannot be true is dropped; out->field_strain_max then tells what it was.
static hc_status follow_bend(struct hc_align_fit *out, const struct hc_align_placing *pl,
                             struct hc_err *err)
{
    struct hc_align_sample *s = hc_mem_array((size_t)out->tiles_textured + 1, sizeof *s);
    size_t n = 0;
    hc_status st = s ? HC_OK : hc_err_set(err, HC_ENOMEM, "align", "out of memory for a field");
    for (int i = 0; st == HC_OK && i < out->tiles_textured; i++) {
        const struct hc_align_tile *t = &out->tile[i];
        if (t->is_clear && hypot(t->dx, t->dy) < FIELD_REACH_PX * pl->tile_k) {
            s[n++] = (struct hc_align_sample){t->x, t->y, {t->dx, t->dy}, 0, t->is_held_out};
        }
    }
    if (st == HC_OK) {
        st = hc_align_bend(&out->field, s, n, pl->roi, pl->w, pl->h, out->tile_pitch_px, pl->tile_k,
                           err);
    }
    if (st == HC_OK && out->field) {
        hc_align_bend_extent(out->field, pl->w, pl->h, &out->field_strain_max, &out->field_max_px);
        if (out->field_strain_max > MAX_FIELD_STRAIN) {
            hc_align_bend_release(out->field);
            out->field = NULL;
            out->field_max_px = 0;
        } else {
            st = report_tiles(out, pl, err);
        }
    }
    hc_mem_free(s);
    return st;
}

// How the view lies, when it is not upright and whole: empty, or ending in ": ".
static void say_lie(char *out, size_t size, const struct hc_align_fit *fit)
{
    double right = 90 * floor(fit->rotation_deg / 90 + 0.5), turn = fit->rotation_deg;
    bool is_right = fabs(turn - right) < 5;
    int way = is_right ? ((int)lround(right) + 360) % 360 : (int)lround(turn + 360) % 360;
    if (fit->is_mirrored && is_right && way % 180 == 0) {
        snprintf(out, size, "mirrored %s: ", way ? "top to bottom" : "left to right");
    } else if (fit->is_mirrored || !(is_right && way == 0)) {
        snprintf(out, size, "%sturned by %d degrees: ", fit->is_mirrored ? "mirrored and " : "",
                 way);
    }
    if (fit->is_detail) {
        size_t n = strlen(out);
        snprintf(out + n, size - n,
                 "a detail, %.2g px of it to one px of the frame: ", fit->view_per_frame);
    }
}

// Is there one placement that enough of the picture bears out? Judged by the homography alone: a
// field is flexible enough to make chance look like agreement.
static bool is_borne_out(struct hc_align_fit *out, const struct hc_align_placing *pl)
{
    double of_clear = (double)out->tiles_used / fmax(out->tiles_clear, 1);
    double of_textured = (double)out->tiles_used / fmax(out->tiles_textured, 1);
    double ignored = 0;
    for (size_t i = 0; i < pl->n; i++) {
        ignored += pl->tile[i].is_ignored / (double)pl->n;
    }
    out->verdict = HC_ALIGN_REFUSED;
    if (out->tiles_clear < MIN_USED && ignored > MAX_IGNORED) {
        snprintf(out->why, sizeof out->why,
                 "%.0f %% of the tiles lie where the pictures are to be ignored, and in the rest "
                 "only %d places can be recognised, at least %d are needed: ignore less",
                 100 * ignored, out->tiles_clear, MIN_USED);
    } else if (out->tiles_clear < MIN_USED) {
        snprintf(
            out->why, sizeof out->why,
            "too few places can be recognised in both pictures: %d of %d tiles, at least %d are "
            "needed",
            out->tiles_clear, out->tiles, MIN_USED);
    } else if (of_clear < MIN_USED_OF_CLEAR || out->tiles_used < MIN_USED) {
        snprintf(out->why, sizeof out->why,
                 "only %d of the %d recognisable tiles agree on one placement, at least %.0f are "
                 "needed: these look like different pictures",
                 out->tiles_used, out->tiles_clear,
                 fmax(MIN_USED, ceil(MIN_USED_OF_CLEAR * out->tiles_clear)));
    } else if (of_textured < MIN_USED_OF_TEXTURED) {
        snprintf(
            out->why, sizeof out->why,
            "the placement is borne out by only %d of the %d tiles that show anything, at least "
            "%.0f are needed: these may be different pictures in the same frame",
            out->tiles_used, out->tiles_textured, ceil(MIN_USED_OF_TEXTURED * out->tiles_textured));
    } else if (out->area_supported < HC_ALIGN_MIN_SUPPORTED) {
        snprintf(out->why, sizeof out->why,
                 "the tiles that agree support only %.0f %% of what the view shows of the frame, "
                 "at least "
                 "%.0f %% are needed",
                 100 * out->area_supported, 100 * HC_ALIGN_MIN_SUPPORTED);
    } else {
        return true;
    }
    return false;
}

static void say_field(struct hc_align_fit *out)
{
    size_t n = strlen(out->why);
    if (out->field) {
        snprintf(out->why + n, sizeof out->why - n,
                 "; a smooth field follows a bend of up to %.1f px%s", out->field_max_px,
                 out->field_strain_max > WARN_FIELD_STRAIN
                     ? ", but it stretches by over 3 % somewhere and is likely wrong there: look "
                       "at the overlay"
                     : "");
    } else if (out->field_strain_max > 0) {
        snprintf(out->why + n, sizeof out->why - n,
                 "; the tiles suggest a bend with a stretch of %.0f %%, which is not believed: "
                 "look at the overlay",
                 100 * out->field_strain_max);
    }
}

// How closely do the tiles follow the fit, field and all?
static void judge(struct hc_align_fit *out, const struct hc_align_placing *pl)
{
    out->verdict = HC_ALIGN_REFUSED;
    if (out->held_out_median_px > USABLE_MEDIAN_PX * pl->tile_k ||
        out->held_out_p95_px > USABLE_P95_PX * pl->tile_k) {
        snprintf(
            out->why, sizeof out->why,
            "tiles left out of the fit miss it by %.2f px (median), %.2f px (95 %%); up to %.2f "
            "and %.2f can be used: the painting may have moved or the view is distorted",
            out->held_out_median_px, out->held_out_p95_px, USABLE_MEDIAN_PX * pl->tile_k,
            USABLE_P95_PX * pl->tile_k);
    } else if (!hc_align_is_plausible(&pl->map, pl->roi)) {
        snprintf(out->why, sizeof out->why,
                 "the placement would stretch the picture by over %.0f %%", 100 * MAX_STRAIN);
    } else {
        bool good = out->held_out_median_px <= GOOD_MEDIAN_PX &&
                    out->held_out_p95_px <= GOOD_P95_PX &&
                    out->area_supported >= HC_ALIGN_GOOD_SUPPORTED &&
                    out->field_strain_max <= WARN_FIELD_STRAIN;
        char lie[120] = "";
        say_lie(lie, sizeof lie, out);
        out->verdict = good ? HC_ALIGN_GOOD : HC_ALIGN_USABLE;
        snprintf(
            out->why, sizeof out->why,
            "%s%d of %d recognisable tiles agree; tiles left out of the fit miss it by %.2f px "
            "(median), %.2f px (95 %%); %.0f %% of %s is supported",
            lie, out->tiles_used, out->tiles_clear, out->held_out_median_px, out->held_out_p95_px,
            100 * out->area_supported, out->is_detail ? "what it shows" : "the frame");
        say_field(out);
    }
}

void hc_align_report_opinion(struct hc_align_fit *out, double away_px, double limit_px)
{
    size_t n = strlen(out->why);
    out->second_opinion_px = away_px;
    if (away_px > limit_px) { // false for NaN
        out->verdict = out->verdict == HC_ALIGN_GOOD ? HC_ALIGN_USABLE : out->verdict;
        snprintf(out->why + n, sizeof out->why - n,
                 "; but the tones of the two views would fit better %.1f px away (up to %.1f px is "
                 "the method's own error): look at the overlay before you trust it",
                 away_px, limit_px);
    }
}

// The kind of the fit; the field gets the lens, which the tiles are told without.
static hc_status report_lens(struct hc_align_fit *out, const struct hc_align_placing *pl,
                             struct hc_err *err)
{
    bool has_lens = pl->lens.k1 != 0 || pl->lens.k2 != 0;
    size_t n = strlen(out->why);
    hc_status st = HC_OK;
    snprintf(out->kind, sizeof out->kind, "%s%s%s", model_name[pl->model],
             has_lens ? out->field ? ", lens" : " and lens" : "", out->field ? " and bend" : "");
    if (has_lens) {
        out->lens_k1 = pl->lens.k1;
        out->lens_k2 = pl->lens.k2;
        if (out->verdict != HC_ALIGN_REFUSED) {
            snprintf(out->why + n, sizeof out->why - n,
                     "; the view is distorted by its lens, %+.2g %% at the corners, which is taken "
                     "into account",
                     100 * (out->lens_k1 + out->lens_k2));
        }
        st = hc_align_lens_into_field(&out->field, &pl->lens, &pl->map, pl->w, pl->h, err);
    }
    if (st == HC_OK && has_lens) {
        hc_align_bend_extent(out->field, pl->w, pl->h, &out->field_strain_max, &out->field_max_px);
    }
    return st;
}

hc_status hc_align_judge(struct hc_align_fit *out, bool *is_bent, const struct hc_align_placing *pl,
                         struct hc_err *err)
{
    hc_status st = report_tiles(out, pl, err);
    *is_bent = false;
    out->second_opinion_px = (double)NAN;
    if (st != HC_OK) {
        return st;
    }
    out->frame_to_view = pl->map;
    hc_align_report_place(out, pl->w, pl->h, pl->view_w, pl->view_h);
    out->tile_pitch_px = pl->step_px * (pl->is_doubled ? M_SQRT1_2 : 1);
    out->area_supported =
        hc_align_area_supported(out, pl->roi, pl->step_px, pl->view_w, pl->view_h);
    if (is_borne_out(out, pl)) {
        st = follow_bend(out, pl, err);
        if (st == HC_OK) {
            *is_bent = out->field || out->held_out_median_px > USABLE_MEDIAN_PX * pl->tile_k;
            out->area_supported =
                hc_align_area_supported(out, pl->roi, pl->step_px, pl->view_w, pl->view_h);
            judge(out, pl);
        }
    }
    if (st == HC_OK) {
        st = report_lens(out, pl, err);
    }
    hc_align_report_place(out, pl->w, pl->h, pl->view_w, pl->view_h);
    if (st == HC_OK) {
        st = hc_align_report_support(out, pl->w, pl->h, pl->step_px, pl->view_w, pl->view_h, err);
    }
    return st;
}
