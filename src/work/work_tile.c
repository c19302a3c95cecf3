// Display tiles by their content hash, with a small cache of open files.
#include <string.h>

#include "base/mem.h"
#include "work/work_priv.h"

static hc_status find_tiles(struct hc_work *w, const char *key, struct hc_tiles **out,
                            struct hc_err *err)
{
    struct hc_work_cached_tiles *slot = &w->cache[0];
    char name[HC_SHA256_HEX + 8], path[HC_WORK_PATH];
    hc_status st;
    if (strlen(key) != 64 || strspn(key, "0123456789abcdef") != 64) {
        return hc_err_set(err, HC_ENOTFOUND, HC_WORK_ROOM, "no picture has that key");
    }
    for (int i = 0; i < HC_WORK_TILE_CACHE; i++) {
        struct hc_work_cached_tiles *c = &w->cache[i];
        if (c->tiles && strcmp(c->key, key) == 0) {
            c->used = ++w->clock;
            *out = c->tiles;
            return HC_OK;
        }
        if (c->used < slot->used) {
            slot = c;
        }
    }
    memcpy(name, key, 64);
    strncpy(name + 64, ".tiles", 8);
    st = hc_store_derived_path(w->store, name, path, sizeof path, err);
    if (st == HC_OK) {
        hc_tiles_close(slot->tiles);
        *slot = (struct hc_work_cached_tiles){0};
        st = hc_tiles_open(&slot->tiles, path, err);
    }
    if (st == HC_OK) {
        memcpy(slot->key, key, 65);
        slot->used = ++w->clock;
        *out = slot->tiles;
    }
    return st;
}

hc_status hc_work_tile(struct hc_work *w, const char *key, int level, int x, int y,
                       struct hc_buf *bytes, const char **type, struct hc_err *err)
{
    struct hc_tiles *t = NULL;
    hc_status st = find_tiles(w, key, &t, err);
    if (st == HC_OK) {
        struct hc_tiles_info i = hc_tiles_get_info(t);
        *type = i.type;
        if (level == i.levels - 1) { // the full size is drawn from the raster
            st = hc_work_lend_raster(w, t, err);
        }
    }
    if (st == HC_OK) {
        st = hc_tiles_get(t, level, x, y, bytes, err);
    }
    return st;
}

void hc_work_tiles_json(struct hc_work *w, struct hc_buf *b, const char *key,
                        const struct hc_raster_grid *at)
{
    struct hc_tiles *t = NULL;
    if (!*key || find_tiles(w, key, &t, NULL) != HC_OK) {
        hc_json_null(b);
        return;
    }
    struct hc_tiles_info i = hc_tiles_get_info(t);
    hc_json_obj(b);
    hc_json_kstr(b, "key", key);
    hc_json_kint(b, "w", i.w);
    hc_json_kint(b, "h", i.h);
    hc_json_kint(b, "tile", i.tile);
    hc_json_kint(b, "levels", i.levels);
    hc_json_kstr(b, "type", i.type);
    if (at) {
        hc_json_key(b, "at");
        hc_json_obj(b);
        hc_json_kint(b, "x", at->x0);
        hc_json_kint(b, "y", at->y0);
        hc_json_kint(b, "w", at->w);
        hc_json_kint(b, "h", at->h);
        hc_json_end_obj(b);
    }
    hc_json_end_obj(b);
}
