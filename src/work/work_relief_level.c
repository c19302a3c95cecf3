// Levelling as a use case: which detail sizes a coat of varnish hides.
#include <math.h>

#include "work/work_relief_priv.h"

static hc_status within(const char *what, double v, double lo, double hi, const char *unit,
                        struct hc_err *err)
{
    return v >= lo && v <= hi ? HC_OK
                              : hc_err_set(err, HC_ERANGE, HC_WORK_ROOM,
                                           "%s of %g %s; give %g to %g", what, v, unit, lo, hi);
}

hc_status hc_work_relief_levelling(const struct hc_work_levelling *req, struct hc_buf *b,
                                   struct hc_err *err)
{
    static const double detail_mm[] = {0.1, 0.2, 0.5, 1, 2, 5, 10};
    struct hc_relief_coat coat = {req->thickness_um / 1000, req->tension_n_per_m,
                                  req->viscosity_pa_s};
    hc_status st = within("a wet thickness", req->thickness_um, 1, 1000, "um", err);
    st = st == HC_OK ? within("a surface tension", req->tension_n_per_m, 0.01, 0.08, "N/m", err)
                     : st;
    st = st == HC_OK ? within("a viscosity", req->viscosity_pa_s, 1e-4, 1e4, "Pa s", err) : st;
    st = st == HC_OK ? within("an open time", req->open_s, 0.01, 1e6, "s", err) : st;
    st = st == HC_OK ? within("a share of solids", req->solids, 0.01, 1, "", err) : st;
    st = st == HC_OK ? within("a number of coats", req->coats, 1, 20, "", err) : st;
    if (st != HC_OK) {
        return st;
    }
    double cut = hc_relief_level_cut_mm(&coat, req->open_s);
    hc_json_obj(b);
    hc_json_knum(b, "thickness_um", req->thickness_um);
    hc_json_knum(b, "tension_n_per_m", req->tension_n_per_m);
    hc_json_knum(b, "viscosity_pa_s", req->viscosity_pa_s);
    hc_json_knum(b, "open_s", req->open_s);
    hc_json_knum(b, "solids", req->solids);
    hc_json_kint(b, "coats", req->coats);
    hc_json_knum(b, "levelled_mm", cut);
    hc_json_kstr(
        b, "what",
        "Thin Newtonian film by Orchard's law (1962); drying is our own model: the film "
        "levels wet and shrinks to its solids. Real coats evaporate and thicken meanwhile.");
    hc_json_key(b, "details");
    hc_json_arr(b);
    for (size_t i = 0; i < sizeof detail_mm / sizeof detail_mm[0]; i++) {
        hc_json_obj(b);
        hc_json_knum(b, "detail_mm", detail_mm[i]);
        hc_json_knum(b, "half_life_s", M_LN2 / hc_relief_level_rate(&coat, detail_mm[i]));
        hc_json_knum(b, "kept", hc_relief_level_kept(detail_mm[i], cut, req->solids, req->coats));
        hc_json_end_obj(b);
    }
    hc_json_end_arr(b);
    hc_json_end_obj(b);
    return hc_buf_check(b, err);
}
