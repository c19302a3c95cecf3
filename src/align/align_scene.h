// An invented painting for the tests and the benchmark of this room: regions, strokes, cracks and
// weave, drawn straight from their geometry into any view, so that no resampling of one picture
// into the other can hide or make an error. The techniques differ as they do in practice: contrast
// inverted, partly redrawn, veiled, or unrelated tones under the same cracks and weave.
#ifndef HC_ALIGN_ALIGN_SCENE_H
#define HC_ALIGN_ALIGN_SCENE_H

#include <stdbool.h>
#include <stdint.h>

#include "num/geom.h"
#include "num/plane.h"

enum align_technique {
    ALIGN_VIS,    // visible light
    ALIGN_TEST,   // the same with four cleaned windows, 4 % more exposure
    ALIGN_GAMMA,  // another tone curve
    ALIGN_INV,    // negative
    ALIGN_UV,     // varnish glow, dark retouching, compressed tones, soft, noisy
    ALIGN_IR,     // tones partly redrawn, some strokes gone or inverted, underdrawing
    ALIGN_XRAY,   // unrelated tones, strong weave, stretcher bars
    ALIGN_RAKING, // relief of strokes and weave lit from the left
    ALIGN_WEAVE,  // nothing but a perfectly regular weave
    ALIGN_TECHNIQUES
};
extern const char *const align_technique_name[ALIGN_TECHNIQUES];

// A smooth bend added to the map (amplitude px, wavelength px); {0} is none.
struct align_bend {
    double amplitude, wavelength;
};
// Radial distortion (align.h, lens_k1) added after the map; {0} is none.
struct align_lens {
    double k1, k2;
};
// The map may show a part of the painting only, or more than it, at any scale and turn.
struct align_view {
    enum align_technique technique;
    struct hc_homog frame_to_view;
    struct align_bend bend; // of the frame, before frame_to_view
    struct align_lens lens;
    int w, h;
    double border; // frame px outside the painting are blank this far in from each side
};

// The painting is w x h frame px. out is created; the caller releases it.
hc_status align_scene_render(struct hc_plane *out, int w, int h, uint64_t seed,
                             const struct align_view *view, struct hc_err *err) HC_MUST_CHECK;
// Where a frame point truly lies in the view.
struct hc_pt align_scene_map(const struct align_view *view, struct hc_pt p);
// Turn and scale about the frame centre, then shift, with a little perspective; `small` within
// what the room promises, and drawn from the seed.
struct hc_homog align_scene_homog(int w, int h, double turn_deg, double scale, double dx, double dy,
                                  double perspective);
// A w x h view of the part of the painting round `centre` (painting px): `scale` view px per
// painting px, left and right exchanged first if mirrored, then turned (clockwise).
struct align_view align_scene_part(enum align_technique t, struct hc_pt centre, double scale,
                                   double turn_deg, bool is_mirrored, int w, int h);
// Where a point of one view of a painting truly lies in another: with a part of the painting as
// the frame, the other view may show more than the frame.
struct hc_pt align_scene_between(const struct align_view *from, const struct align_view *to,
                                 struct hc_pt p);

#endif
