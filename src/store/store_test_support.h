// What the store's tests share, here and in tests/faults/: throw-away dossiers with small invented
// content. Include after hc_test.h.
#ifndef HC_STORE_STORE_TEST_SUPPORT_H
#define HC_STORE_STORE_TEST_SUPPORT_H

#include <dirent.h>
#include <ftw.h>
#include <sys/stat.h>
#include <unistd.h>

#include "store/store.h"

// A path in a fresh temporary folder; the dossier itself is not there yet. Freed by the caller.
static inline char *store_test_folder(void)
{
    const char *base = getenv("TMPDIR");
    char *path = calloc(1, 4096);
    snprintf(path, 4000, "%s/hc-store-XXXXXX", base ? base : "/tmp");
    assert_non_null(mkdtemp(path));
    assert_int_equal(chmod(path, 0755), 0);
    strcat(path, "/dossier");
    return path;
}

static inline int store_test_unlink(const char *path, const struct stat *sb, int flag,
                                    struct FTW *ftw)
{
    (void)sb;
    (void)flag;
    (void)ftw;
    return remove(path);
}

static inline void store_test_remove_tree(const char *path)
{
    nftw(path, store_test_unlink, 16, FTW_DEPTH | FTW_PHYS);
}

// Removes the temporary folder that store_test_folder made.
static inline void store_test_remove(const char *folder)
{
    char parent[4096];
    snprintf(parent, sizeof parent, "%s", folder);
    *strrchr(parent, '/') = 0;
    store_test_remove_tree(parent);
}

static inline void store_test_write(const char *path, const char *text)
{
    FILE *f = fopen(path, "wb");
    assert_non_null(f);
    assert_int_equal(fwrite(text, 1, strlen(text), f), strlen(text));
    assert_int_equal(fclose(f), 0);
}

static inline bool store_test_file_has(const char *folder, const char *name, const char *text)
{
    char path[4200], content[8192];
    size_t n;
    FILE *f;
    snprintf(path, sizeof path, "%s/%s", folder, name);
    f = fopen(path, "rb");
    if (!f) {
        return false;
    }
    n = fread(content, 1, sizeof content - 1, f);
    content[n] = 0;
    fclose(f);
    return strstr(content, text) != NULL;
}

// Entries of folder/sub.
static inline int store_test_count(const char *folder, const char *sub)
{
    char path[4200];
    const struct dirent *e;
    int n = 0;
    DIR *d;
    snprintf(path, sizeof path, "%s/%s", folder, sub);
    d = opendir(path);
    assert_non_null(d);
    while ((e = readdir(d))) {
        n += strcmp(e->d_name, ".") != 0 && strcmp(e->d_name, "..") != 0;
    }
    closedir(d);
    return n;
}

static inline struct hc_painting store_test_painting(void)
{
    static char title[] = "Still life with quinces", maker[] = "Unknown hand";
    return (struct hc_painting){
        .title = title, .maker = maker, .height_mm = 720, .width_mm = 600.5};
}

static inline void store_test_create(const char *folder)
{
    struct hc_err err = {0};
    struct hc_painting p = store_test_painting();
    assert_ok(hc_store_create(folder, &p, &err), &err);
}

static inline struct hc_store *store_test_create_open(const char *folder)
{
    struct hc_err err = {0};
    struct hc_store *s = NULL;
    store_test_create(folder);
    assert_ok(hc_store_open(&s, folder, HC_STORE_WRITE, &err), &err);
    return s;
}

// Keeps an original with this content.
static inline void store_test_keep(struct hc_store *s, const char *folder, const char *content,
                                   const char *ext, char hash[HC_SHA256_HEX])
{
    struct hc_err err = {0};
    char path[4200];
    snprintf(path, sizeof path, "%s.source", folder);
    store_test_write(path, content);
    assert_ok(hc_store_keep_original(s, path, ext, hash, NULL, &err), &err);
    assert_int_equal(unlink(path), 0);
}

// The strings must outlive the view; nothing in it is on the heap.
static inline void store_test_fill_view(struct hc_view *v, const char *hash, const char *label,
                                        const char *technique, const char *state)
{
    static char face[] = "front", file[] = "IMG_0001.TIF", ext[] = "tif", profile[] = "sRGB";
    static char texts[3][256];
    const char *const given[3] = {label, technique, state};
    for (int i = 0; i < 3; i++) {
        snprintf(texts[i], sizeof texts[i], "%s", given[i]);
    }
    *v = (struct hc_view){.label = texts[0],
                          .technique = texts[1],
                          .state = texts[2],
                          .face = face,
                          .file_name = file,
                          .ext = ext,
                          .w = 300,
                          .h = 400,
                          .bands = 3,
                          .bits = 16,
                          .profile = profile,
                          .is_profile_assumed = true};
    memcpy(v->sha256, hash, HC_SHA256_HEX);
}

// A view whose original's content is its label.
static inline int64_t store_test_add_view(struct hc_store *s, const char *folder, const char *label,
                                          const char *technique, const char *state)
{
    struct hc_err err = {0};
    struct hc_view v;
    char hash[HC_SHA256_HEX];
    int64_t id = 0;
    store_test_keep(s, folder, label, "tif", hash);
    store_test_fill_view(&v, hash, label, technique, state);
    assert_ok(hc_store_add_view(s, &v, &id, &err), &err);
    return id;
}

static inline void store_test_print(void *ctx, bool is_problem, const char *sentence)
{
    (void)ctx;
    if (is_problem) {
        print_error("problem: %s\n", sentence);
    }
}

static inline struct hc_verify store_test_verify(const char *folder, hc_verify_fn each, void *ctx)
{
    struct hc_err err = {0};
    struct hc_verify found;
    struct hc_store *s = NULL;
    assert_ok(hc_store_open(&s, folder, HC_STORE_READ, &err), &err);
    assert_ok(hc_store_verify(s, &found, each, ctx, NULL, &err), &err);
    hc_store_close(s);
    return found;
}

static inline void store_test_verify_clean(const char *folder)
{
    assert_int_equal(store_test_verify(folder, store_test_print, NULL).problems, 0);
}

#endif
