#include "store/store_priv.h"

#include "base/buf.h"

extern const char hc_store_readme_text[]; // readme_text.txt, embedded at build time

static void add_line(struct hc_buf *b, const char *name, const char *value)
{
    if (value && *value) {
        hc_buf_printf(b, "%-10s %s\n", name, value);
    }
}

hc_status hc_store_write_readme(const char *folder, const struct hc_painting *p, struct hc_err *err)
{
    struct hc_buf b = {0};
    hc_status st;
    add_line(&b, "Painting:", p->title);
    add_line(&b, "Maker:", p->maker);
    add_line(&b, "Date:", p->date);
    add_line(&b, "Support:", p->support);
    add_line(&b, "Inventory:", p->inventory);
    add_line(&b, "Owner:", p->owner);
    hc_buf_printf(&b, "%-10s %g mm high, %g mm wide\n\n", "Size:", p->height_mm, p->width_mm);
    hc_buf_str(&b, hc_store_readme_text);
    st = hc_buf_check(&b, err);
    if (st == HC_OK) {
        st = hc_store_write_file(folder, HC_STORE_README, hc_buf_text(&b), err);
    }
    hc_buf_release(&b);
    return st;
}
