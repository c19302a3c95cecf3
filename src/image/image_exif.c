// How a picture was taken: a few facts from the EXIF directories. EXIF 2.3 (CIPA DC-008), section
// 4.6. Untrusted like everything else in the file: absurd numbers are left out.
#include <math.h>
#include <string.h>

#include "image/image_priv.h"

struct exif {
    struct hc_image_info *info;
    char make[64], model[64];
    uint64_t more; // the EXIF directory
};

static double rational(const struct hc_ifd_file *f, const struct hc_ifd_entry *e, double max)
{
    uint8_t b[8];
    double v;
    if (e->type != 5 || e->count < 1 || !hc_ifd_get(f, e->at, b, 8)) {
        return 0;
    }
    v = (double)hc_ifd_number(f, b, 4) / (double)hc_ifd_number(f, b + 4, 4);
    return v > 0 && v < max ? v : 0; // 0/0 and x/0 fall out here
}

// Printable ASCII, without blanks at the ends.
static void text(char *out, size_t room, const struct hc_ifd_file *f, const struct hc_ifd_entry *e)
{
    size_t n = e->count < room - 1 ? (size_t)e->count : room - 1;
    if (e->type != 2 || !hc_ifd_get(f, e->at, out, n)) {
        n = 0;
    }
    out[n] = 0;
    n = strlen(out);
    for (size_t i = 0; i < n; i++) {
        out[i] = out[i] >= 32 && out[i] < 127 ? out[i] : ' ';
    }
    while (n > 0 && out[n - 1] == ' ') {
        out[--n] = 0;
    }
    memmove(out, out + strspn(out, " "), n - strspn(out, " ") + 1);
}

// "2024:05:17 10:32:00" as "2024-05-17 10:32:00"; anything else is left out.
static void date(char out[24], const struct hc_ifd_file *f, const struct hc_ifd_entry *e)
{
    static const char form[] = "dddd:dd:dd dd:dd:dd";
    char s[24];
    text(s, sizeof s, f, e);
    for (size_t i = 0; i < sizeof form; i++) {
        bool ok = form[i] == 'd' ? s[i] >= '0' && s[i] <= '9' : s[i] == form[i];
        if (!ok) {
            return;
        }
    }
    if (memcmp(s, "0000", 4) != 0) {
        s[4] = s[7] = '-';
        memcpy(out, s, sizeof form);
    }
}

static void take(void *ctx, const struct hc_ifd_file *f, const struct hc_ifd_entry *e)
{
    struct exif *x = ctx;
    struct hc_image_info *info = x->info;
    uint64_t v = 0;
    switch (e->tag) {
    case 271:
        text(x->make, sizeof x->make, f, e);
        break;
    case 272:
        text(x->model, sizeof x->model, f, e);
        break;
    case 33434:
        info->exposure_s = rational(f, e, 1e5);
        break;
    case 33437:
        info->f_number = rational(f, e, 1e3);
        break;
    case 34665:
        x->more = hc_ifd_value(f, e, 0, &v) ? v : 0;
        break;
    case 34855:
        info->iso = hc_ifd_value(f, e, 0, &v) && v < 10000000 ? (double)v : 0;
        break;
    case 36867: // DateTimeOriginal; the file's own DateTime may be the editor's
        date(info->taken_at, f, e);
        break;
    case 37386:
        info->focal_mm = rational(f, e, 1e5);
        break;
    case 42036:
        text(info->lens, sizeof info->lens, f, e);
        break;
    default:
        break;
    }
}

void hc_image_name_camera(char out[64], const char *make, const char *model)
{
    size_t n = strcspn(make, " ");
    // "NIKON CORPORATION" + "NIKON D850": the maker's name is said once.
    bool is_said = n > 0 && strncmp(make, model, n) == 0;
    snprintf(out, 64, "%.31s%s%.31s", is_said ? "" : make, is_said || !make[0] ? "" : " ", model);
}

void hc_exif_read(struct hc_image_info *info, int fd, uint64_t at, uint64_t bytes)
{
    struct hc_ifd_file f = {.fd = fd, .base = at, .size = bytes};
    struct exif x = {.info = info};
    uint64_t first, next;
    if (bytes > 0 && hc_ifd_open(&f, &first) && hc_ifd_walk(&f, first, take, &x, &next)) {
        if (x.more) {
            (void)!hc_ifd_walk(&f, x.more, take, &x, &next);
        }
        hc_image_name_camera(info->camera, x.make, x.model);
    }
}
