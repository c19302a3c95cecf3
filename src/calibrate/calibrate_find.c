// Where in the picture does the target lie? Even pieces, a lattice grown through them, and the
// colours as the judge of which way round (docs/theory/calibrate.md, "Finding the target").
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "calibrate/calibrate_priv.h"
#include "num/filter.h"

#define SIDE_MIN 200
#define SIDE_MAX 1600
#define PATCHES_MIN 12  // fewer would fit a 3x3 matrix any way round
#define NODES_MAX 1024  // of one lattice
#define SEEN_MIN 0.4    // share of the patches that must be seen as pieces
#define REACH 0.28      // how far from its expected place a neighbour may lie, in patch distances
#define MISFIT_MAX 10.0 // median CIEDE2000
#define CONFIDENCE_MIN 0.5

struct node {
    int i, j, blob;
};

struct lattice {
    struct node node[NODES_MAX];
    int n, i0, i1, j0, j1;
};

struct search {
    const struct hc_target *target;
    const struct hc_lin3 *lin;
    struct hc_blob *blob;
    int blobs;
    char *is_used; // by some lattice already tried
    struct lattice lattice;
    struct hc_patch *patch;
    struct hc_target_place best;
    double rival;
};

// ---- lattice ------------------------------------------------------------------------------------

static bool is_alike(double a, double b)
{
    return a < 2.2 * b && b < 2.2 * a;
}

// The blob nearest to a place, of like area; -1 when none lies within reach.
static int blob_near(const struct search *s, struct hc_pt at, double reach, double area)
{
    int best = -1;
    double nearest = reach * reach;
    for (int b = 0; b < s->blobs; b++) {
        double dx = s->blob[b].x - at.x, dy = s->blob[b].y - at.y, d = dx * dx + dy * dy;
        if (d < nearest && is_alike(area, s->blob[b].area)) {
            nearest = d;
            best = b;
        }
    }
    return best;
}

// The nearest blob of like area, and the nearest about square to it, clockwise.
static bool first_steps(struct hc_pt *u, struct hc_pt *v, const struct search *s, int seed)
{
    const struct hc_blob *o = &s->blob[seed];
    for (int turn = 0; turn < 2; turn++) {
        double nearest = HUGE_VAL;
        for (int b = 0; b < s->blobs; b++) {
            double dx = s->blob[b].x - o->x, dy = s->blob[b].y - o->y, d = hypot(dx, dy);
            if (b == seed || d >= nearest || !is_alike(o->area, s->blob[b].area)) {
                continue;
            }
            if (turn) {
                double len = hypot(u->x, u->y), cosine = (dx * u->x + dy * u->y) / (d * len);
                if (fabs(cosine) > 0.45 || d > 1.7 * len) {
                    continue;
                }
            }
            nearest = d;
            *(turn ? v : u) = (struct hc_pt){dx, dy};
        }
        if (!(nearest < HUGE_VAL)) {
            return false;
        }
    }
    if (u->x * v->y - u->y * v->x < 0.0) {
        *v = (struct hc_pt){-v->x, -v->y};
    }
    // patches of side a at distance d: the seen part, trimmed by the edge, is well below d^2
    return o->area < 1.05 * fabs(u->x * v->y - u->y * v->x);
}

static int node_at(const struct lattice *l, int i, int j)
{
    for (int n = 0; n < l->n; n++) {
        if (l->node[n].i == i && l->node[n].j == j) {
            return n;
        }
    }
    return -1;
}

// The step from node n in direction (di, dj), from the pair of nodes behind it when there is one:
// in perspective the steps change slowly.
static struct hc_pt step_from(const struct search *s, int n, int di, int dj, struct hc_pt first)
{
    const struct lattice *l = &s->lattice;
    const struct node *a = &l->node[n];
    int back = node_at(l, a->i - di, a->j - dj);
    if (back >= 0) {
        const struct hc_blob *p = &s->blob[a->blob], *q = &s->blob[l->node[back].blob];
        return (struct hc_pt){p->x - q->x, p->y - q->y};
    }
    return first;
}

static void grow(struct search *s, int seed, struct hc_pt u, struct hc_pt v)
{
    static const int way[4][2] = {{1, 0}, {0, 1}, {-1, 0}, {0, -1}};
    struct lattice *l = &s->lattice;
    *l = (struct lattice){.n = 1};
    l->node[0] = (struct node){0, 0, seed};
    for (int n = 0; n < l->n; n++) {
        for (int k = 0; k < 4 && l->n < NODES_MAX; k++) {
            int di = way[k][0], dj = way[k][1], i = l->node[n].i + di, j = l->node[n].j + dj;
            struct hc_pt first = {di * u.x + dj * v.x, di * u.y + dj * v.y};
            struct hc_pt step = step_from(s, n, di, dj, first);
            const struct hc_blob *from = &s->blob[l->node[n].blob];
            if (node_at(l, i, j) >= 0) {
                continue;
            }
            int b = blob_near(s, (struct hc_pt){from->x + step.x, from->y + step.y},
                              REACH * hypot(step.x, step.y), from->area);
            for (int m = 0; b >= 0 && m < l->n; m++) {
                b = l->node[m].blob == b ? -1 : b;
            }
            if (b >= 0) {
                l->node[l->n++] = (struct node){i, j, b};
                l->i0 = i < l->i0 ? i : l->i0;
                l->i1 = i > l->i1 ? i : l->i1;
                l->j0 = j < l->j0 ? j : l->j0;
                l->j1 = j > l->j1 ? j : l->j1;
            }
        }
    }
}

// Lattice to pixels, by least squares over the nodes from (i0, j0) to (i1, j1), then again without
// those that lie off: clutter beside the target may have joined the lattice.
static bool lattice_homog(struct hc_homog *out, const struct search *s, int i0, int j0, int i1,
                          int j1)
{
    static const double limit[] = {HUGE_VAL, 0.12, 0.07, 0.07}; // in patch distances
    struct hc_pt from[NODES_MAX], to[NODES_MAX];
    const struct lattice *l = &s->lattice;
    for (int pass = 0; pass < 4; pass++) {
        size_t n = 0;
        for (int k = 0; k < l->n; k++) {
            const struct hc_blob *b = &s->blob[l->node[k].blob];
            struct hc_pt f = {l->node[k].i, l->node[k].j}, t = {b->x, b->y};
            if (f.x < i0 || f.x > i1 || f.y < j0 || f.y > j1) {
                continue;
            }
            if (pass > 0) {
                struct hc_pt p = hc_homog_apply(out, f);
                struct hc_pt q = hc_homog_apply(out, (struct hc_pt){f.x + 1.0, f.y});
                if (!(hypot(p.x - t.x, p.y - t.y) < limit[pass] * hypot(q.x - p.x, q.y - p.y))) {
                    continue;
                }
            }
            from[n] = f;
            to[n++] = t;
        }
        if (n < 6 || hc_place_fit(out, from, to, n, NULL) != HC_OK) {
            return false;
        }
    }
    return true;
}

// ---- colours ------------------------------------------------------------------------------------

// Lattice coordinates of patch (column c, row r) when the target starts at (i, j), turned by
// quarter turns.
static void turned(int *i, int *j, int c, int r, int turn)
{
    static const int m[4][4] = {{1, 0, 0, 1}, {0, -1, 1, 0}, {-1, 0, 0, -1}, {0, 1, -1, 0}};
    *i += m[turn][0] * c + m[turn][1] * r;
    *j += m[turn][2] * c + m[turn][3] * r;
}

// Mean colour around a lattice point; false outside the picture.
static bool sample(double rgb[3], const struct search *s, const struct hc_homog *h, double i,
                   double j)
{
    rgb[0] = rgb[1] = rgb[2] = 0.0;
    for (int k = 0; k < 25; k++) {
        struct hc_pt g = {i + 0.08 * (k % 5 - 2), j + 0.08 * (k / 5 - 2)};
        struct hc_pt p = hc_homog_apply(h, g);
        if (!(p.x >= 0.0 && p.y >= 0.0 && p.x < (double)s->lin->ch[0].w &&
              p.y < (double)s->lin->ch[0].h)) {
            return false;
        }
        for (int c = 0; c < 3; c++) {
            rgb[c] += (double)hc_plane_get(&s->lin->ch[c], (int)p.x, (int)p.y) / 25.0;
        }
    }
    return true;
}

static bool is_same_place(const struct hc_pt *a, const struct hc_pt *b)
{
    double size = hypot(a[1].x - a[0].x, a[1].y - a[0].y) + 1.0, far = 0.0;
    for (int k = 0; k < 4; k++) {
        far = fmax(far, hypot(a[k].x - b[k].x, a[k].y - b[k].y));
    }
    return far < 0.05 * size;
}

// Try the target with its first patch at lattice (i, j), turned; keeps the best and the best other.
static void try_place(struct search *s, const struct hc_homog *h, int i, int j, int turn)
{
    const struct hc_target *t = s->target;
    struct hc_target_place p = {0};
    for (int k = 0; k < t->n; k++) {
        int a = i, b = j;
        turned(&a, &b, k % t->cols, k / t->cols, turn);
        if (!sample(s->patch[k].lin, s, h, a, b)) {
            return;
        }
        p.seen += node_at(&s->lattice, a, b) >= 0;
    }
    if (p.seen < SEEN_MIN * t->n) {
        return;
    }
    for (int k = 0; k < 4; k++) {
        int a = i, b = j;
        turned(&a, &b, k == 1 || k == 2 ? t->cols - 1 : 0, k >= 2 ? t->rows - 1 : 0, turn);
        p.corner[k] = hc_homog_apply(h, (struct hc_pt){a, b});
    }
    p.misfit_de = hc_calibrate_misfit(s->patch, t);
    bool is_new = !(s->best.misfit_de < HUGE_VAL) || !is_same_place(p.corner, s->best.corner);
    if (p.misfit_de < s->best.misfit_de) {
        s->rival = is_new ? s->best.misfit_de : s->rival;
        s->best = p;
    } else if (is_new && p.misfit_de < s->rival) {
        s->rival = p.misfit_de;
    }
}

static void try_lattice(struct search *s)
{
    struct hc_homog h;
    const struct lattice *l = &s->lattice;
    for (int turn = 0; turn < 4; turn++) {
        int wide = turn % 2 ? s->target->rows : s->target->cols;
        int high = turn % 2 ? s->target->cols : s->target->rows;
        int slack_i = l->i1 - l->i0 + 1 - wide, slack_j = l->j1 - l->j0 + 1 - high;
        for (int a = slack_i < 0 ? slack_i : 0; a <= (slack_i > 0 ? slack_i : 0); a++) {
            for (int b = slack_j < 0 ? slack_j : 0; b <= (slack_j > 0 ? slack_j : 0); b++) {
                int i = l->i0 + a, j = l->j0 + b;
                if (lattice_homog(&h, s, i, j, i + wide - 1, j + high - 1)) {
                    // the corner of the window where the first patch lies
                    i += turn == 1 || turn == 2 ? wide - 1 : 0;
                    j += turn == 2 || turn == 3 ? high - 1 : 0;
                    try_place(s, &h, i, j, turn);
                }
            }
        }
    }
}

// ---- the search ---------------------------------------------------------------------------------

// Cube roots of the light, averaged over 3 x 3.
static hc_status make_tone(struct hc_lin3 *tone, const struct hc_lin3 *lin, struct hc_err *err)
{
    int w = lin->ch[0].w, h = lin->ch[0].h;
    struct hc_plane raw = {0};
    hc_status st = hc_lin3_create(tone, w, h, err);
    if (st == HC_OK) {
        st = hc_plane_create(&raw, w, h, err);
    }
    for (int k = 0; st == HC_OK && k < 3; k++) {
        for (int y = 0; y < h; y++) {
            for (int x = 0; x < w; x++) {
                float v = hc_plane_get(&lin->ch[k], x, y);
                hc_plane_row(&raw, y)[x] = v > 0.0F ? cbrtf(v < 1.5F ? v : 1.5F) : 0.0F;
            }
        }
        for (int y = 0; y < h; y++) {
            for (int x = 0; x < w; x++) {
                float sum = 0.0F;
                for (int d = 0; d < 9; d++) {
                    int sx = x + d % 3 - 1, sy = y + d / 3 - 1;
                    sum += hc_plane_get(&raw,
                                        sx < 0   ? 0
                                        : sx < w ? sx
                                                 : w - 1,
                                        sy < 0   ? 0
                                        : sy < h ? sy
                                                 : h - 1);
                }
                hc_plane_row(&tone->ch[k], y)[x] = sum / 9.0F;
            }
        }
    }
    hc_plane_release(&raw);
    return st;
}

static void look(struct search *s)
{
    struct hc_pt u = {0.0, 0.0}, v = {0.0, 0.0};
    memset(s->is_used, 0, HC_BLOBS_MAX);
    for (int seed = 0; seed < s->blobs; seed++) {
        if (s->is_used[seed] || !first_steps(&u, &v, s, seed)) {
            continue;
        }
        grow(s, seed, u, v);
        if (s->lattice.n >= SEEN_MIN * s->target->n && s->lattice.n >= 6) {
            for (int n = 0; n < s->lattice.n; n++) {
                s->is_used[s->lattice.node[n].blob] = 1;
            }
            try_lattice(s);
        }
    }
}

static void judge(struct search *s)
{
    struct hc_target_place *p = &s->best;
    p->rival_de = s->rival;
    double apart = s->rival < HUGE_VAL ? 1.0 - p->misfit_de / fmax(s->rival, 1e-9) : 1.0;
    double fit = (MISFIT_MAX - p->misfit_de) / (0.5 * MISFIT_MAX);
    double seen = (double)p->seen / (0.7 * (double)s->target->n);
    p->confidence = fmax(0.0, apart) * fmin(1.0, fmax(0.0, fit)) * fmin(1.0, seen);
}

static hc_status check_size(const struct hc_lin3 *lin, const struct hc_target *target,
                            struct hc_err *err)
{
    int w = lin->ch[0].w, h = lin->ch[0].h, side = w > h ? w : h;
    if (side < SIDE_MIN || side > SIDE_MAX || w < 16 || h < 16) {
        return hc_err_set(err, HC_ERANGE, HC_CALIBRATE_ROOM,
                          "a picture of %d x %d px; the finder takes an overview whose longer side "
                          "has %d to %d px",
                          w, h, SIDE_MIN, SIDE_MAX);
    }
    if (target->n < PATCHES_MIN) {
        return hc_err_set(err, HC_EUNSUPPORTED, HC_CALIBRATE_ROOM,
                          "a target of %d patches cannot be found surely; give its four corners",
                          target->n);
    }
    return HC_OK;
}

hc_status hc_target_find(struct hc_target_place *out, const struct hc_lin3 *lin,
                         const struct hc_target *target, struct hc_err *err)
{
    // steps of tone, 0.01 being about one L*: clean pictures first, then noisy ones
    static const double step[] = {0.02, 0.035, 0.06};
    struct hc_lin3 tone = {0};
    struct search *s = NULL;
    double largest = 1.2 * (double)lin->ch[0].w * (double)lin->ch[0].h / (double)target->n;
    hc_status st = check_size(lin, target, err);
    if (st != HC_OK) {
        return st;
    }
    st = make_tone(&tone, lin, err);
    s = hc_mem_array(1, sizeof *s);
    if (s) {
        *s = (struct search){.target = target, .lin = lin, .rival = HUGE_VAL};
        s->best.misfit_de = HUGE_VAL;
        s->blob = hc_mem_array(HC_BLOBS_MAX, sizeof *s->blob);
        s->is_used = hc_mem_array(HC_BLOBS_MAX, 1);
        s->patch = hc_mem_array((size_t)target->n, sizeof *s->patch);
    }
    if (st == HC_OK && (!s || !s->blob || !s->is_used || !s->patch)) {
        st = hc_err_set(err, HC_ENOMEM, HC_CALIBRATE_ROOM, "no memory to look for the target");
    }
    for (size_t k = 0; st == HC_OK && k < sizeof step / sizeof *step; k++) {
        if (s->best.misfit_de < HUGE_VAL && s->best.confidence >= CONFIDENCE_MIN) {
            break;
        }
        st = hc_blobs_find(s->blob, &s->blobs, tone.ch, step[k], largest, err);
        if (st == HC_OK) {
            look(s);
            judge(s);
        }
    }
    if (st == HC_OK && !(s->best.misfit_de < HUGE_VAL)) {
        st =
            hc_err_set(err, HC_EREFUSED, HC_CALIBRATE_ROOM,
                       "no grid of %d x %d even patches was seen in the picture; give the target's "
                       "four corners",
                       target->rows, target->cols);
    } else if (st == HC_OK && s->best.confidence < CONFIDENCE_MIN) {
        st = hc_err_set(err, HC_EREFUSED, HC_CALIBRATE_ROOM,
                        "a grid was seen (%d of %d patches) but its colours do not say surely that "
                        "it is this target (CIEDE2000 %.1f, another way round %.1f); give the four "
                        "corners",
                        s->best.seen, target->n, s->best.misfit_de, s->rival);
    }
    if (st == HC_OK) {
        *out = s->best;
    }
    if (s) {
        hc_mem_free(s->blob);
        hc_mem_free(s->is_used);
        hc_mem_free(s->patch);
    }
    hc_mem_free(s);
    hc_lin3_release(&tone);
    return st;
}
