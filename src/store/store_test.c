// The store in everyday use: what goes in comes out, what is refused is refused in words.
#include "hc_test.h"

#include <dirent.h>
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/mem.h"
#include "store/store.h"
#include "store/store_test_support.h"

static int setup(void **state)
{
    *state = store_test_folder();
    return 0;
}

static int teardown(void **state)
{
    store_test_remove(*state);
    free(*state);
    assert_int_equal(hc_mem_live(), 0);
    return 0;
}

static void test_new_dossier_reads_back(void **state)
{
    struct hc_err err = {0};
    struct hc_store *s;
    struct hc_painting p;
    struct hc_log log;
    store_test_create(*state);
    assert_ok(hc_store_open(&s, *state, HC_STORE_READ, &err), &err);
    assert_ok(hc_store_painting(s, &p, &err), &err);
    assert_string_equal(p.title, "Still life with quinces");
    assert_string_equal(p.maker, "Unknown hand");
    assert_null(p.owner);
    near_abs(p.height_mm, 720, 0);
    near_abs(p.width_mm, 600.5, 0);
    assert_int_equal(p.frame_view, 0);
    assert_int_equal(p.frame_w, 0);
    hc_painting_release(&p);
    assert_ok(hc_store_log(s, &log, &err), &err);
    assert_int_equal(log.n, 1);
    assert_non_null(strstr(log.line[0].what, "Still life with quinces"));
    assert_int_equal(strlen(log.line[0].at), 20);
    hc_log_release(&log);
    hc_store_close(s);
    assert_true(store_test_file_has(*state, "README.txt", "Still life with quinces"));
    assert_true(store_test_file_has(*state, "README.txt", "WHAT THIS FOLDER IS"));
    store_test_verify_clean(*state);
}

static void test_view_reads_back(void **state)
{
    struct hc_err err = {0};
    struct hc_store *s = store_test_create_open(*state);
    struct hc_view v = {0}, got;
    struct hc_view_list list;
    struct hc_painting p;
    char text[] = "uv before", hash[HC_SHA256_HEX];
    int64_t id = 0, second = 0;
    hc_store_set_author(s, "A. Restorer");
    store_test_keep(s, *state, "first photograph", "tif", hash);
    store_test_fill_view(&v, hash, "plain", "normal", "before");
    v.has_light = true;
    v.azimuth_deg = 45.25;
    v.elevation_deg = 30;
    v.clipped_share = 0.125;
    assert_ok(hc_store_add_view(s, &v, &id, &err), &err);
    store_test_keep(s, *state, "second photograph", "tif", hash);
    store_test_fill_view(&v, hash, text, "uv", "before");
    assert_ok(hc_store_add_view(s, &v, &second, &err), &err);
    assert_true(second > id);

    assert_ok(hc_store_view_by_name(s, "plain", &got, &err), &err);
    assert_int_equal(got.id, id);
    assert_string_equal(got.technique, "normal");
    assert_string_equal(got.file_name, "IMG_0001.TIF");
    assert_string_equal(got.verdict, "reference");
    assert_true(got.is_placed && got.has_light && got.is_profile_assumed);
    near_abs(got.azimuth_deg, 45.25, 0);
    near_abs(got.clipped_share, 0.125, 0);
    near_abs(got.frame_to_view[8], 1, 0);
    near_abs(got.frame_to_view[1], 0, 0);
    hc_view_release(&got);

    assert_ok(hc_store_view_by_id(s, second, &got, &err), &err);
    assert_string_equal(got.label, "uv before");
    assert_false(got.is_placed);
    assert_false(got.has_light);
    assert_string_equal(got.verdict, "none");
    near_abs(got.exposure_factor, 1, 0);
    assert_null(got.fit_json);
    hc_view_release(&got);

    assert_ok(hc_store_painting(s, &p, &err), &err);
    assert_int_equal(p.frame_view, id);
    assert_int_equal(p.frame_w, 300);
    assert_int_equal(p.frame_h, 400);
    hc_painting_release(&p);
    assert_ok(hc_store_views(s, &list, &err), &err);
    assert_int_equal(list.n, 2);
    assert_string_equal(list.v[1].technique, "uv");
    hc_view_list_release(&list);
    hc_store_close(s);
    store_test_verify_clean(*state);
}

static void test_placement_keeps_every_bit(void **state)
{
    struct hc_err err = {0};
    struct hc_store *s = store_test_create_open(*state);
    struct hc_view v = {0}, got;
    char verdict[] = "good", why[] = "held-out error 0.05 px", fit[] = "{\"tiles\":[1,2.5]}";
    int64_t id = store_test_add_view(s, *state, "uv", "uv", "before");
    v.id = id;
    v.is_placed = true;
    v.verdict = verdict;
    v.fit_why = why;
    v.fit_json = fit;
    for (int i = 0; i < 9; i++) {
        v.frame_to_view[i] = 1.0 / (3 + i) - 0.1;
    }
    v.held_out_median_px = 0.1;
    v.held_out_p95_px = 1e-300;
    v.area_supported = 0.97;
    v.exposure_factor = 1.0 / 3;
    v.exposure_spread = 0.02;
    assert_ok(hc_store_place_view(s, &v, &err), &err);
    assert_ok(hc_store_view_by_id(s, id, &got, &err), &err);
    assert_memory_equal(got.frame_to_view, v.frame_to_view, sizeof v.frame_to_view);
    assert_true(got.is_placed);
    assert_string_equal(got.verdict, "good");
    assert_string_equal(got.fit_json, fit);
    assert_true(got.exposure_factor == v.exposure_factor); // exact
    assert_true(got.held_out_p95_px == v.held_out_p95_px);
    hc_view_release(&got);

    v.frame_to_view[4] = (double)NAN;
    assert_int_equal(hc_store_place_view(s, &v, &err), HC_ERANGE);
    v.frame_to_view[4] = 1;
    v.is_placed = false; // "good" but not placed: a contradiction
    assert_int_equal(hc_store_place_view(s, &v, &err), HC_EARG);
    v.is_placed = true;
    v.id = 999;
    assert_int_equal(hc_store_place_view(s, &v, &err), HC_ENOTFOUND);
    hc_store_close(s);
}

static void test_frame_is_decided_once(void **state)
{
    struct hc_err err = {0};
    struct hc_store *s = store_test_create_open(*state);
    struct hc_view v = {0};
    struct hc_painting p;
    char good[] = "good", reference[] = "reference";
    int64_t uv = store_test_add_view(s, *state, "uv", "uv", "before");
    int64_t test = store_test_add_view(s, *state, "windows open", "normal", "test");
    int64_t frame = store_test_add_view(s, *state, "first", "normal", "before");
    store_test_add_view(s, *state, "second", "normal", "before");
    assert_ok(hc_store_painting(s, &p, &err), &err);
    assert_int_equal(p.frame_view, frame);
    hc_painting_release(&p);
    v = (struct hc_view){.id = frame, .is_placed = true, .verdict = good};
    v.frame_to_view[0] = v.frame_to_view[4] = v.frame_to_view[8] = 1;
    assert_int_equal(hc_store_place_view(s, &v, &err), HC_ECONFLICT);
    v.id = uv;
    v.verdict = reference;
    assert_int_equal(hc_store_place_view(s, &v, &err), HC_ECONFLICT);
    v.id = test;
    v.verdict = good;
    assert_ok(hc_store_place_view(s, &v, &err), &err);
    hc_store_close(s);
    store_test_verify_clean(*state);
}

static void test_view_refusals(void **state)
{
    struct hc_err err = {0};
    struct hc_store *s = store_test_create_open(*state);
    struct hc_view v = {0}, got;
    char hash[HC_SHA256_HEX], word[] = "polaroid", state_word[] = "during-x", number[] = "12";
    char ok_state[] = "during-12", *saved;
    char absent[] = "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa";
    int64_t id = 77;
    store_test_keep(s, *state, "one", "tif", hash);
    store_test_fill_view(&v, hash, "one", "normal", "before");
    assert_ok(hc_store_add_view(s, &v, &id, &err), &err);
    id = 77;
    assert_int_equal(hc_store_add_view(s, &v, &id, &err), HC_ECONFLICT); // label
    assert_non_null(strstr(err.what, "\"one\""));
    store_test_fill_view(&v, hash, "other", "normal", "before");
    assert_int_equal(hc_store_add_view(s, &v, &id, &err), HC_ECONFLICT); // same photograph
    assert_non_null(strstr(err.what, "\"one\""));
    saved = v.technique;
    v.technique = word;
    assert_int_equal(hc_store_add_view(s, &v, &id, &err), HC_EARG);
    assert_non_null(strstr(err.what, "polaroid"));
    v.technique = saved;
    v.state = state_word;
    assert_int_equal(hc_store_add_view(s, &v, &id, &err), HC_EARG);
    v.state = ok_state;
    saved = v.label;
    v.label = number;
    assert_int_equal(hc_store_add_view(s, &v, &id, &err), HC_EARG);
    v.label = saved;
    v.clipped_share = (double)NAN;
    assert_int_equal(hc_store_add_view(s, &v, &id, &err), HC_ERANGE);
    v.clipped_share = 0;
    memcpy(v.sha256, absent, sizeof absent);
    assert_int_equal(hc_store_add_view(s, &v, &id, &err), HC_ENOTFOUND); // never kept
    assert_int_equal(id, 77);                                            // untouched by failures
    memcpy(v.sha256, hash, sizeof hash);
    assert_ok(hc_store_add_view(s, &v, &id, &err), &err);

    assert_int_equal(hc_store_view_by_name(s, "three", &got, &err), HC_ENOTFOUND);
    assert_non_null(strstr(err.what, "\"one\", \"other\""));
    assert_ok(hc_store_view_by_name(s, "2", &got, &err), &err); // by id
    assert_string_equal(got.label, "other");
    hc_view_release(&got);
    assert_int_equal(hc_store_view_by_name(s, "99999999999999999999999", &got, &err), HC_ENOTFOUND);
    hc_store_close(s);
    store_test_verify_clean(*state);
}

static void test_windows_and_zones(void **state)
{
    struct hc_err err = {0};
    struct hc_store *s = store_test_create_open(*state);
    struct hc_window_list windows;
    struct hc_zone_list zones;
    struct hc_log log;
    char polygon[] = "[[1,2],[30.5,2],[30.5,40]]", surface[] = "saturated",
         system[] = "water, pH 7";
    char bad[] = "[[1,2],[3,4]]", kind[] = "overpaint", label[] = "robe";
    int64_t before = store_test_add_view(s, *state, "before", "normal", "before");
    int64_t test = store_test_add_view(s, *state, "open", "normal", "test");
    struct hc_window w = {.polygon = polygon,
                          .before_view = before,
                          .test_view = test,
                          .surface = surface,
                          .system = system,
                          .area_px = 560.5};
    struct hc_zone z = {.kind = kind, .label = label, .polygon = polygon};
    int64_t id, zone;
    assert_ok(hc_store_add_window(s, &w, &id, &err), &err);
    assert_ok(hc_store_add_window(s, &w, &id, &err), &err);
    w.label = label;
    assert_ok(hc_store_add_window(s, &w, &id, &err), &err);
    assert_int_equal(hc_store_add_window(s, &w, &id, &err), HC_ECONFLICT);
    assert_ok(hc_store_add_zone(s, &z, &zone, &err), &err);
    assert_ok(hc_store_windows(s, &windows, &err), &err);
    assert_int_equal(windows.n, 3);
    assert_string_equal(windows.w[0].label, "window 1");
    assert_string_equal(windows.w[1].label, "window 2");
    assert_string_equal(windows.w[2].polygon, polygon);
    assert_string_equal(windows.w[2].system, system);
    near_abs(windows.w[2].area_px, 560.5, 0);
    hc_window_list_release(&windows);
    assert_ok(hc_store_remove_window(s, id, &err), &err);
    assert_int_equal(hc_store_remove_window(s, id, &err), HC_ENOTFOUND);
    assert_ok(hc_store_windows(s, &windows, &err), &err);
    assert_int_equal(windows.n, 2);
    hc_window_list_release(&windows);
    assert_ok(hc_store_log(s, &log, &err), &err);
    assert_non_null(strstr(log.line[log.n - 1].what, "\"robe\" removed"));
    assert_non_null(strstr(log.line[log.n - 1].detail, "30.5"));
    hc_log_release(&log);

    w.polygon = bad;
    w.label = NULL;
    assert_int_equal(hc_store_add_window(s, &w, &id, &err), HC_EARG);
    w.polygon = polygon;
    w.test_view = 50;
    assert_int_equal(hc_store_add_window(s, &w, &id, &err), HC_ENOTFOUND);
    w.test_view = before;
    assert_int_equal(hc_store_add_window(s, &w, &id, &err), HC_EARG);
    w.test_view = test;
    w.surface = kind;
    assert_int_equal(hc_store_add_window(s, &w, &id, &err), HC_EARG);
    z.kind = surface;
    assert_int_equal(hc_store_add_zone(s, &z, &id, &err), HC_EARG);

    assert_ok(hc_store_zones(s, &zones, &err), &err);
    assert_int_equal(zones.n, 1);
    assert_string_equal(zones.z[0].label, "robe");
    hc_zone_list_release(&zones);
    assert_ok(hc_store_remove_zone(s, zone, &err), &err);
    assert_int_equal(hc_store_remove_zone(s, zone, &err), HC_ENOTFOUND);
    hc_store_close(s);
    store_test_verify_clean(*state);
}

static void test_outlines_that_are_none(void **state)
{
    static const char *const bad[] = {"",
                                      "polygon",
                                      "[]",
                                      "{}",
                                      "[[1,2],[3,4],[5]]",
                                      "[[1,2],[3,4],[5,6,7]]",
                                      "[1,2,3]",
                                      "[[1,2],[3,4],[\"5\",6]]",
                                      "[[1,2],[3,4],[null,6]]",
                                      "[[1,2],[3,4],[1e999,6]]",
                                      "{\"a\":[1,2],\"b\":[1,2],\"c\":[1,2]}",
                                      "[[1,2],[3,4],\"x\"]",
                                      "[[1,2],[3,4],[5,6]",
                                      "[[1,2],[3,4],{\"0\":1,\"1\":2}]"};
    struct hc_err err = {0};
    struct hc_store *s = store_test_create_open(*state);
    char kind[] = "loss", polygon[64];
    struct hc_zone z = {.kind = kind, .polygon = polygon};
    int64_t id;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        snprintf(polygon, sizeof polygon, "%s", bad[i]);
        if (hc_store_add_zone(s, &z, &id, &err) != HC_EARG) {
            fail_msg("accepted as an outline: %s", bad[i]);
        }
    }
    z.polygon = NULL;
    assert_int_equal(hc_store_add_zone(s, &z, &id, &err), HC_EARG);
    hc_store_close(s);
    store_test_verify_clean(*state);
}

static void test_newest_result_wins(void **state)
{
    struct hc_err err = {0};
    struct hc_store *s = store_test_create_open(*state);
    char *json = NULL;
    int64_t id, got;
    assert_int_equal(hc_store_get_result(s, "forecast", &got, &json, &err), HC_ENOTFOUND);
    assert_null(json);
    assert_ok(hc_store_put_result(s, "forecast", "{\"radius\":1}", &id, &err), &err);
    assert_ok(hc_store_put_result(s, "forecast", "{\"radius\":2}", &id, &err), &err);
    assert_ok(hc_store_put_result(s, "other", "[]", &got, &err), &err);
    assert_int_equal(hc_store_put_result(s, "forecast", "{not json", &got, &err), HC_EARG);
    assert_int_equal(hc_store_put_result(s, "forecast", NULL, &got, &err), HC_EARG);
    assert_ok(hc_store_get_result(s, "forecast", &got, &json, &err), &err);
    assert_int_equal(got, id);
    assert_string_equal(json, "{\"radius\":2}");
    hc_mem_free(json);
    hc_store_close(s);
}

static void test_derived_files(void **state)
{
    struct hc_err err = {0};
    struct hc_store *s = store_test_create_open(*state);
    struct hc_derived d;
    char path[4096], copy[4200];
    assert_int_equal(hc_store_put_derived(s, "a.tif", "raster", "{}", &err), HC_ENOTFOUND);
    assert_ok(hc_store_derived_path(s, "a.tif", path, sizeof path, &err), &err);
    store_test_write(path, "pixels");
    assert_ok(hc_store_put_derived(s, "a.tif", "raster", "{\"from\":1}", &err), &err);
    assert_ok(hc_store_get_derived(s, "a.tif", &d, &err), &err);
    assert_string_equal(d.kind, "raster");
    assert_string_equal(d.inputs, "{\"from\":1}");
    assert_int_equal(d.bytes, 6);
    hc_derived_release(&d);
    snprintf(copy, sizeof copy, "%s.part", path);
    store_test_write(copy, "pixels"); // the same content in another file, as in a copied dossier
    assert_int_equal(rename(copy, path), 0);
    assert_ok(hc_store_get_derived(s, "a.tif", &d, &err), &err);
    hc_derived_release(&d);
    store_test_write(copy, "pixelz"); // replaced without its row, same size
    assert_int_equal(rename(copy, path), 0);
    assert_int_equal(hc_store_get_derived(s, "a.tif", &d, &err), HC_ENOTFOUND);
    store_test_write(path, "other pixels");
    assert_int_equal(hc_store_get_derived(s, "a.tif", &d, &err),
                     HC_ENOTFOUND); // not what was recorded
    assert_ok(hc_store_put_derived(s, "a.tif", "raster", NULL, &err), &err);
    assert_int_equal(unlink(path), 0);
    assert_int_equal(hc_store_get_derived(s, "a.tif", &d, &err),
                     HC_ENOTFOUND); // anybody may delete it
    assert_int_equal(symlink("/etc/passwd", path), 0);
    assert_int_not_equal(hc_store_put_derived(s, "a.tif", "raster", "{}", &err), HC_OK);
    assert_int_equal(unlink(path), 0);
    hc_store_close(s);
    store_test_verify_clean(*state); // a missing derived file is no problem
}

// A hash taken while the file was written gives the row that reading the file gives; one that
// cannot be that file's gives none.
static void test_derived_hashed_on_the_way(void **state)
{
    static const char text[] = "some bytes, and more of them";
    static const char no_hash[HC_SHA256_HEX] = "no hash";
    struct hc_err err = {0};
    struct hc_store *s = store_test_create_open(*state);
    struct hc_hash *h = NULL;
    struct hc_derived d;
    char path[4096], hex[HC_SHA256_HEX], read[HC_SHA256_HEX];
    int64_t bytes;
    assert_ok(hc_store_derived_path(s, "a.raster", path, sizeof path, &err), &err);
    store_test_write(path, text);
    assert_ok(hc_store_hash_begin(&h, &err), &err);
    for (size_t i = 0; i < strlen(text); i += 5) {
        hc_store_hash_add(h, text + i, strlen(text) - i < 5 ? strlen(text) - i : 5);
    }
    bytes = hc_store_hash_end(h, hex);
    assert_int_equal(bytes, strlen(text));
    assert_ok(hc_store_hash_file(path, read, NULL, &err), &err);
    assert_string_equal(hex, read);
    assert_int_equal(hc_store_put_derived_hashed(s, "b.raster", "raster", "{}", hex, bytes, &err),
                     HC_ENOTFOUND);
    assert_int_equal(
        hc_store_put_derived_hashed(s, "a.raster", "raster", "{}", hex, bytes + 1, &err), HC_EDATA);
    assert_int_equal(
        hc_store_put_derived_hashed(s, "a.raster", "raster", "{}", no_hash, bytes, &err), HC_EARG);
    assert_int_equal(hc_store_put_derived_hashed(s, "a.raster", "", "{}", hex, bytes, &err),
                     HC_EARG);
    assert_int_equal(hc_store_get_derived(s, "a.raster", &d, &err), HC_ENOTFOUND);
    assert_ok(hc_store_put_derived_hashed(s, "a.raster", "raster", "{}", hex, bytes, &err), &err);
    assert_ok(hc_store_get_derived(s, "a.raster", &d, &err), &err);
    assert_string_equal(d.sha256, hex);
    hc_derived_release(&d);
    hc_store_hash_end(NULL, NULL);
    hc_store_close(s);
    store_test_verify_clean(*state);
}

static void test_names_from_outside(void **state)
{
    static const char *const bad[] = {"",        ".",   "..",  "../x",        "a/b",  "/etc/passwd",
                                      ".hidden", "a b", "a\n", "caf\xc3\xa9", "a\\b", "~x;rm"};
    static const char *const bad_ext[] = {"", "TIF", "t/f", "..", "tif.", "ninechars", "t\n"};
    struct hc_err err = {0};
    struct hc_store *s = store_test_create_open(*state);
    char path[4096], hash[HC_SHA256_HEX], small[10];
    store_test_keep(s, *state, "x", "tif", hash);
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        assert_int_equal(hc_store_derived_path(s, bad[i], path, sizeof path, &err), HC_EARG);
        assert_int_equal(hc_store_put_derived(s, bad[i], "k", "{}", &err), HC_EARG);
        assert_int_equal(hc_store_original_path(s, bad[i], "tif", path, sizeof path, &err),
                         HC_EARG);
    }
    for (size_t i = 0; i < sizeof bad_ext / sizeof bad_ext[0]; i++) {
        assert_int_equal(hc_store_original_path(s, hash, bad_ext[i], path, sizeof path, &err),
                         HC_EARG);
        assert_int_equal(hc_store_keep_original(s, "/etc/hostname", bad_ext[i], hash, NULL, &err),
                         HC_EARG);
    }
    hash[3] = 'A'; // upper case would be a second name for the same content
    assert_int_equal(hc_store_original_path(s, hash, "tif", path, sizeof path, &err), HC_EARG);
    assert_int_equal(hc_store_derived_path(s, "a.tif", small, sizeof small, &err), HC_ELIMIT);
    hc_store_close(s);
}

static void test_originals(void **state)
{
    struct hc_err err = {0};
    struct hc_store *s = store_test_create_open(*state);
    struct hc_job job = {0};
    char source[4096], path[4096], hash[HC_SHA256_HEX], again[HC_SHA256_HEX];
    struct stat sb;
    snprintf(source, sizeof source, "%s.source", (char *)*state);
    // FIPS 180-4 example, published by NIST: SHA-256 of "abc".
    store_test_write(source, "abc");
    assert_ok(hc_store_hash_file(source, hash, NULL, &err), &err);
    assert_string_equal(hash, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    assert_ok(hc_store_keep_original(s, source, "tif", again, NULL, &err), &err);
    assert_string_equal(again, hash);
    assert_ok(hc_store_original_path(s, hash, "tif", path, sizeof path, &err), &err);
    assert_int_equal(stat(path, &sb), 0);
    assert_int_equal(sb.st_mode & 0777, 0444);
    assert_int_equal(sb.st_size, 3);
    assert_ok(hc_store_keep_original(s, source, "tif", again, NULL, &err), &err); // twice is one
    assert_int_equal(store_test_count(*state, "originals"), 1);
    job.cancel = true;
    assert_int_equal(hc_store_keep_original(s, source, "tif", again, &job, &err), HC_ECANCEL);
    assert_int_equal(store_test_count(*state, "originals"), 1); // no leftover
    assert_int_equal(unlink(source), 0);
    assert_int_equal(hc_store_keep_original(s, source, "tif", again, NULL, &err), HC_ENOTFOUND);
    assert_int_equal(hc_store_keep_original(s, *state, "tif", again, NULL, &err),
                     HC_EARG); // a folder
    assert_int_equal(mkfifo(source, 0600), 0);
    assert_int_equal(hc_store_keep_original(s, source, "tif", again, NULL, &err), HC_EARG);
    unlink(source);
    hc_store_close(s);
}

static void test_reader_does_not_write(void **state)
{
    struct hc_err err = {0};
    struct hc_store *w = store_test_create_open(*state), *r;
    struct hc_view v = {0}, got;
    struct hc_view_list list;
    char hash[HC_SHA256_HEX];
    int64_t id;
    store_test_keep(w, *state, "one", "tif", hash);
    store_test_fill_view(&v, hash, "one", "normal", "before");
    assert_ok(hc_store_open(&r, *state, HC_STORE_READ, &err), &err); // beside the writer
    assert_int_equal(hc_store_add_view(r, &v, &id, &err), HC_EARG);
    assert_int_equal(hc_store_put_result(r, "forecast", "{}", &id, &err), HC_EARG);
    assert_int_equal(hc_store_keep_original(r, "/etc/hostname", "txt", hash, NULL, &err), HC_EARG);
    assert_ok(hc_store_views(r, &list, &err), &err);
    assert_int_equal(list.n, 0);
    hc_view_list_release(&list);
    assert_ok(hc_store_add_view(w, &v, &id, &err), &err);
    assert_ok(hc_store_view_by_id(r, id, &got, &err), &err); // sees what is committed
    hc_view_release(&got);
    hc_store_close(w);
    hc_store_close(r);
}

static void test_log_is_dated_and_kept(void **state)
{
    struct hc_err err = {0};
    struct hc_store *s;
    struct hc_log log;
    char name[400];
    int64_t id;
    setenv("SOURCE_DATE_EPOCH", "86400", 1);
    s = store_test_create_open(*state);
    memset(name, 'x', sizeof name);
    memcpy(name + 126, "\xc3\xa9", 2); // would be cut in two at 127 bytes
    name[399] = 0;
    hc_store_set_author(s, name);
    assert_ok(hc_store_put_result(s, "a", "{}", &id, &err), &err);
    hc_store_set_author(s, "R. Hand");
    assert_ok(hc_store_put_result(s, "b", "{}", &id, &err), &err);
    hc_store_set_author(s, NULL);
    assert_ok(hc_store_put_result(s, "c", "{}", &id, &err), &err);
    assert_ok(hc_store_log(s, &log, &err), &err);
    assert_int_equal(log.n, 4);
    assert_string_equal(log.line[1].at, "1970-01-02T00:00:00Z");
    assert_int_equal(strlen(log.line[1].author), 126);
    assert_string_equal(log.line[2].author, "R. Hand");
    assert_string_equal(log.line[3].author, "");
    assert_string_equal(log.line[3].program, HC_VERSION);
    hc_log_release(&log);
    hc_store_close(s);
    unsetenv("SOURCE_DATE_EPOCH");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_new_dossier_reads_back, setup, teardown),
        cmocka_unit_test_setup_teardown(test_view_reads_back, setup, teardown),
        cmocka_unit_test_setup_teardown(test_placement_keeps_every_bit, setup, teardown),
        cmocka_unit_test_setup_teardown(test_frame_is_decided_once, setup, teardown),
        cmocka_unit_test_setup_teardown(test_view_refusals, setup, teardown),
        cmocka_unit_test_setup_teardown(test_windows_and_zones, setup, teardown),
        cmocka_unit_test_setup_teardown(test_outlines_that_are_none, setup, teardown),
        cmocka_unit_test_setup_teardown(test_newest_result_wins, setup, teardown),
        cmocka_unit_test_setup_teardown(test_derived_files, setup, teardown),
        cmocka_unit_test_setup_teardown(test_derived_hashed_on_the_way, setup, teardown),
        cmocka_unit_test_setup_teardown(test_names_from_outside, setup, teardown),
        cmocka_unit_test_setup_teardown(test_originals, setup, teardown),
        cmocka_unit_test_setup_teardown(test_reader_does_not_write, setup, teardown),
        cmocka_unit_test_setup_teardown(test_log_is_dated_and_kept, setup, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
