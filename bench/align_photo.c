// Photographs with a known warp. Frame and view are each drawn from the original, which has twice
// as many pixels across: the mean of 3 x 3 bilinear samples over the area of each pixel, along maps
// that share no pixel grid, so that resampling leaves nothing in common. Each side has its own
// noise.
#include "align_photo.h"

#include <dirent.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <vips/vips.h>

#include "align_sets.h"
#include "base/mem.h"
#include "num/filter.h"

#define PER_FRAME 2.03 // original px per frame px
#define SUB 3
#define LEAST_PX 2e6
#define FILES 64

enum tone { TONE_SAME, TONE_BLUE, TONE_INV, TONE_GAMMA, TONE_FLIPS, TONE_SOFT, TONE_JPEG, TONES };
static const char *const tone_name[TONES] = {"same",  "red-blue", "inv", "gamma",
                                             "flips", "soft",     "jpeg"};

struct photo {
    char name[64];
    struct hc_plane ch[3]; // as encoded, 0..1
    uint64_t seed;
};

static void photo_release(struct photo *p)
{
    for (int k = 0; k < 3; k++) {
        hc_plane_release(&p->ch[k]);
    }
}

static int photo_load(struct photo *p, const char *path)
{
    struct hc_err err = {0};
    VipsImage *file = vips_image_new_from_file(path, "access", VIPS_ACCESS_SEQUENTIAL, NULL);
    VipsImage *rgb = NULL;
    unsigned char *px = NULL;
    size_t size;
    int failed = !file || vips_colourspace(file, &rgb, VIPS_INTERPRETATION_sRGB, NULL) ||
                 rgb->Bands < 3 || rgb->BandFmt != VIPS_FORMAT_UCHAR;
    if (!failed) {
        px = vips_image_write_to_memory(rgb, &size);
        failed = !px;
    }
    for (int k = 0; k < 3 && !failed; k++) {
        failed = hc_plane_create(&p->ch[k], rgb->Xsize, rgb->Ysize, &err) != HC_OK;
        for (int y = 0; y < rgb->Ysize && !failed; y++) {
            float *row = hc_plane_row(&p->ch[k], y);
            for (int x = 0; x < rgb->Xsize; x++) {
                size_t at = (size_t)y * (size_t)rgb->Xsize + (size_t)x;
                row[x] = (float)px[at * (size_t)rgb->Bands + (size_t)k] / 255;
            }
        }
    }
    if (failed) {
        fprintf(stderr, "%s cannot be read as a colour photograph: %s\n", path,
                vips_error_buffer());
        photo_release(p);
    }
    g_free(px);
    g_clear_object(&rgb);
    g_clear_object(&file);
    return failed;
}

// ---- drawing ------------------------------------------------------------------------------------

// View px to frame px: the map is undone by steps from the homography's way back.
static struct hc_pt undo(const struct align_view *v, const struct hc_homog *back, struct hc_pt q)
{
    struct hc_pt first = hc_homog_apply(back, q), p = first;
    int steps = v->bend.amplitude > 0 || v->lens.k1 != 0 ? 8 : 0;
    for (int i = 0; i < steps; i++) {
        struct hc_pt at = hc_homog_apply(back, align_scene_map(v, p));
        p.x += first.x - at.x;
        p.y += first.y - at.y;
    }
    return p;
}

// One channel of the photograph as the view sees it. to_original: frame px to original px.
static hc_status draw(struct hc_plane *out, const struct hc_plane *ch, const struct align_view *v,
                      const struct hc_homog *to_original, struct hc_err *err)
{
    struct hc_homog back, all;
    hc_status st = hc_homog_invert(&back, &v->frame_to_view, err);
    all = hc_homog_compose(to_original, &back);
    if (st == HC_OK) {
        st = hc_plane_create(out, v->w, v->h, err);
    }
    for (int y = 0; y < v->h && st == HC_OK; y++) {
        for (int x = 0; x < v->w; x++) {
            struct hc_pt a = undo(v, &back, (struct hc_pt){x + 0.5, y + 0.5});
            // Size and lie of a pixel: bend and lens change them too little to matter.
            struct hc_pt o = hc_homog_apply(&all, (struct hc_pt){x + 0.5, y + 0.5});
            struct hc_pt b = hc_homog_apply(&all, (struct hc_pt){x + 1.5, y + 0.5});
            struct hc_pt c = hc_homog_apply(&all, (struct hc_pt){x + 0.5, y + 1.5});
            double sum = 0;
            a = hc_homog_apply(to_original, a);
            for (int i = 0; i < SUB * SUB; i++) {
                double s = (i % SUB + 0.5) / SUB - 0.5, t = (i / SUB + 0.5) / SUB - 0.5;
                double px = a.x + s * (b.x - o.x) + t * (c.x - o.x);
                double py = a.y + s * (b.y - o.y) + t * (c.y - o.y);
                sum += px < 0 || py < 0 || px > ch->w || py > ch->h
                           ? 0.05
                           : (double)hc_filter_bilinear(ch, px, py);
            }
            hc_plane_row(out, y)[x] = (float)(sum / (SUB * SUB));
        }
    }
    return st;
}

static void add_noise(struct hc_plane *p, double sd, uint64_t seed)
{
    struct hc_rng r = hc_rng_make(seed);
    for (int y = 0; y < p->h; y++) {
        for (int x = 0; x < p->w; x++) {
            hc_plane_row(p, y)[x] += (float)(sd * hc_rng_normal(&r));
        }
    }
}

// ---- tones --------------------------------------------------------------------------------------

// Slow variation, -1..1, with a change of sign every few hundred px of the frame.
static double sign_at(uint64_t seed, struct hc_pt p)
{
    double u = p.x / 160, v = p.y / 160, fu = floor(u), fv = floor(v), a = u - fu, b = v - fv;
    int64_t i = (int64_t)fu, j = (int64_t)fv;
    double s;
    a = a * a * (3 - 2 * a);
    b = b * b * (3 - 2 * b);
    s = (hc_rng_hash(seed, i, j) * (1 - a) + hc_rng_hash(seed, i + 1, j) * a) * (1 - b) +
        (hc_rng_hash(seed, i, j + 1) * (1 - a) + hc_rng_hash(seed, i + 1, j + 1) * a) * b;
    return tanh(6 * (s - 0.5));
}

// The local contrast changes its sign from place to place; slow tones are gone.
static hc_status flip_signs(struct hc_plane *p, const struct align_view *v, uint64_t seed,
                            struct hc_err *err)
{
    struct hc_plane slow = {0};
    struct hc_homog back;
    hc_status st = hc_homog_invert(&back, &v->frame_to_view, err);
    if (st == HC_OK) {
        st = hc_plane_create(&slow, p->w, p->h, err);
    }
    if (st == HC_OK) {
        st = hc_filter_gauss(&slow, p, 20, err);
    }
    for (int y = 0; y < p->h && st == HC_OK; y++) {
        float *row = hc_plane_row(p, y);
        for (int x = 0; x < p->w; x++) {
            double high = (double)(row[x] - hc_plane_get(&slow, x, y));
            struct hc_pt at = hc_homog_apply(&back, (struct hc_pt){x + 0.5, y + 0.5});
            row[x] = (float)(0.5 + sign_at(seed, at) * high);
        }
    }
    hc_plane_release(&slow);
    return st;
}

// Through an eight-bit grey JPEG of quality 75 and back.
static int through_jpeg(struct hc_plane *p)
{
    size_t n = (size_t)p->w * (size_t)p->h, size = 0, got = 0;
    unsigned char *px = hc_mem_array(n, 1), *back = NULL;
    VipsImage *in = NULL, *out = NULL;
    void *file = NULL;
    int failed = !px;
    for (size_t i = 0; i < n && !failed; i++) {
        double v = 255 * (double)hc_plane_get(p, (int)(i % (size_t)p->w), (int)(i / (size_t)p->w));
        px[i] = (unsigned char)(v < 0 ? 0 : v > 255 ? 255 : lrint(v));
    }
    if (!failed) {
        in = vips_image_new_from_memory(px, n, p->w, p->h, 1, VIPS_FORMAT_UCHAR);
        failed = !in || vips_jpegsave_buffer(in, &file, &size, "Q", 75, NULL);
    }
    if (!failed) {
        out = vips_image_new_from_buffer(file, size, "", NULL);
        back = out ? vips_image_write_to_memory(out, &got) : NULL;
        failed = !back || got != n;
    }
    for (size_t i = 0; i < n && !failed; i++) {
        hc_plane_row(p, (int)(i / (size_t)p->w))[i % (size_t)p->w] = (float)back[i] / 255;
    }
    g_clear_object(&in);
    g_clear_object(&out);
    g_free(file);
    g_free(back);
    hc_mem_free(px);
    return failed;
}

static hc_status change_tone(struct hc_plane *view, enum tone tone, const struct align_view *at,
                             uint64_t seed, struct hc_err *err)
{
    hc_status st = HC_OK;
    if (tone == TONE_FLIPS) {
        st = flip_signs(view, at, seed, err);
    } else if (tone == TONE_SOFT) {
        st = hc_filter_gauss(view, view, 1.5, err);
        add_noise(view, 0.03, seed + 5);
    } else if (tone == TONE_INV || tone == TONE_GAMMA) {
        for (int y = 0; y < view->h; y++) {
            float *row = hc_plane_row(view, y);
            for (int x = 0; x < view->w; x++) {
                row[x] = tone == TONE_INV ? 1 - row[x] : (float)pow(fmax((double)row[x], 0), 2.2);
            }
        }
    }
    return st;
}

// ---- pairs --------------------------------------------------------------------------------------

static struct hc_pt truth(const void *ctx, struct hc_pt p)
{
    return align_scene_map(ctx, p);
}

// What one photograph gives: the frame in red and green, the view in blue and green.
struct drawn {
    struct hc_plane frame[2], view[2];
};

static hc_status copy(struct hc_plane *out, const struct hc_plane *from, struct hc_err *err)
{
    hc_status st = hc_plane_create(out, from->w, from->h, err);
    if (st == HC_OK) {
        hc_plane_copy(out, from);
    }
    return st;
}

static int one(struct bench_row *row, const struct drawn *drawn, const struct align_view *at,
               enum tone tone, const struct photo *photo, bool is_flipped,
               const struct bench_how *how)
{
    struct hc_err err = {0};
    struct hc_plane frame = {0}, view = {0};
    struct bench_pair pair = {
        .frame = &frame, .view = &view, .truth = truth, .ctx = at, .is_flipped = is_flipped};
    int failed = 0;
    hc_status st = hc_homog_invert(&pair.back, &at->frame_to_view, &err);
    if (st == HC_OK) {
        st = copy(&frame, &drawn->frame[tone != TONE_BLUE], &err);
    }
    if (st == HC_OK) {
        st = copy(&view, &drawn->view[tone != TONE_BLUE], &err);
    }
    if (st == HC_OK) {
        st = change_tone(&view, tone, at, photo->seed, &err);
    }
    if (st == HC_OK) {
        add_noise(&frame, 0.005, photo->seed + 11);
        add_noise(&view, 0.005, photo->seed + 12);
        failed = tone == TONE_JPEG && (through_jpeg(&frame) || through_jpeg(&view));
    }
    if (st != HC_OK || failed) {
        fprintf(stderr, "%s: %s %s\n", photo->name, err.what, vips_error_buffer());
        failed = 1;
    } else {
        failed = bench_run(row, &pair, photo->name, how);
    }
    hc_plane_release(&frame);
    hc_plane_release(&view);
    return failed;
}

// All rows of one photograph, set by set.
static int run_photo(struct bench_row *rows, int n, const struct photo *photo,
                     const struct bench_how *how)
{
    struct hc_err err = {0};
    struct drawn drawn = {0};
    int w = (int)(photo->ch[0].w / PER_FRAME), h = (int)(photo->ch[0].h / PER_FRAME), failed = 0;
    struct align_view own = {.frame_to_view = hc_homog_identity(), .w = w, .h = h};
    // The frame's own pixels lie askew over the original's.
    struct hc_homog to_original = align_scene_homog(w, h, 0.6, PER_FRAME, (PER_FRAME - 1) * w / 2,
                                                    (PER_FRAME - 1) * h / 2, 0);
    hc_status st = draw(&drawn.frame[0], &photo->ch[0], &own, &to_original, &err);
    if (st == HC_OK) {
        st = draw(&drawn.frame[1], &photo->ch[1], &own, &to_original, &err);
    }
    for (size_t i = 0; i < bench_sets_n && st == HC_OK; i++) {
        struct hc_rng r = hc_rng_make(photo->seed + 900);
        struct align_view at = {0};
        bench_sets[i].draw(&at, w, h, &r);
        for (int k = 0; k < n && st == HC_OK; k++) {
            int tone = 0;
            if (strcmp(rows[k].set, bench_sets[i].name) != 0) {
                continue;
            }
            for (int c = 0; c < 2 && !drawn.view[c].px && st == HC_OK; c++) {
                st = draw(&drawn.view[c], &photo->ch[2 - c], &at, &to_original, &err);
            }
            while (strcmp(tone_name[tone], rows[k].name) != 0) {
                tone++;
            }
            if (st == HC_OK) {
                failed |= one(&rows[k], &drawn, &at, (enum tone)tone, photo,
                              bench_sets[i].is_flipped, how);
            }
        }
        for (int c = 0; c < 2; c++) {
            hc_plane_release(&drawn.view[c]);
            drawn.view[c] = (struct hc_plane){0};
        }
    }
    if (st != HC_OK) {
        fprintf(stderr, "%s: %s\n", photo->name, err.what);
    }
    hc_plane_release(&drawn.frame[0]);
    hc_plane_release(&drawn.frame[1]);
    return failed || st != HC_OK;
}

static int is_picture(const struct dirent *d)
{
    const char *dot = strrchr(d->d_name, '.');
    return dot && (strcmp(dot, ".jpg") == 0 || strcmp(dot, ".png") == 0);
}

int bench_photos(struct bench_row *rows, int room, int *n, const char *folder,
                 const struct bench_how *how, const char *sets, const char *tones)
{
    struct dirent **file = NULL;
    int files = scandir(folder, &file, is_picture, alphasort), failed = files < 1, first = *n;
    if (failed || vips_init("bench_align")) {
        fprintf(stderr, "no photographs (.jpg, .png) in %s\n", folder);
        return 1;
    }
    for (size_t i = 0; i < bench_sets_n; i++) {
        for (int t = 0; t < TONES && *n < room; t++) {
            if (bench_is_listed(sets, bench_sets[i].name) && bench_is_listed(tones, tone_name[t])) {
                snprintf(rows[*n].set, sizeof rows[*n].set, "%s", bench_sets[i].name);
                snprintf(rows[*n].name, sizeof rows[*n].name, "%s", tone_name[t]);
                ++*n;
            }
        }
    }
    for (int f = 0; f < files; f++) {
        struct photo photo = {.seed = (uint64_t)f + 1};
        char path[1024];
        snprintf(path, sizeof path, "%s/%s", folder, file[f]->d_name);
        snprintf(photo.name, sizeof photo.name, "%.*s", (int)strcspn(file[f]->d_name, "_."),
                 file[f]->d_name);
        if (photo_load(&photo, path)) {
            failed = 1;
        } else if ((double)photo.ch[0].w * photo.ch[0].h >= LEAST_PX) {
            failed |= run_photo(rows + first, *n - first, &photo, how);
        }
        photo_release(&photo);
        free(file[f]);
    }
    free(file);
    for (int i = first; i < *n; i++) {
        bench_print(&rows[i]);
    }
    vips_shutdown();
    return failed;
}
