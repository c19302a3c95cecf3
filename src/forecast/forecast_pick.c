// Which build of the rendering this processor can run; both give the same bits.
#include "forecast/forecast_priv.h"

void fc_render_scaled(const struct hc_forecast *f, const struct hc_forecast_rows *rows, double x_px,
                      double y_px, double cell, int y0, int y1)
{
#ifdef FC_HAS_AVX2
    if (__builtin_cpu_supports("avx2")) {
        fc_render_avx2(f, rows, x_px, y_px, cell, y0, y1);
        return;
    }
#endif
    fc_render_plain(f, rows, x_px, y_px, cell, y0, y1);
}

void hc_forecast_render(const struct hc_forecast *f, const struct hc_forecast_rows *rows, int x0,
                        int y0)
{
    fc_render_scaled(f, rows, x0, y0, 1, 0, rows->before.ch[0].h);
}
