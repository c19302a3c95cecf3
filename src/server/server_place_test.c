// One view's placement over HTTP: pairs of points, what is ignored, its own pixels, taking it back.
#include "server/server_test_client.h"

static struct hc_test_server server;

static int start_one(void **state)
{
    (void)state;
    return hc_test_start_one(&server);
}

static int stop_one(void **state)
{
    (void)state;
    return hc_test_stop_one(&server);
}

static struct hc_test_reply finished(struct hc_test_reply r)
{
    return hc_test_finished(&server, r);
}

static struct hc_test_reply put(const char *path, const char *body)
{
    return hc_test_ask(&server, "PUT", path, NULL, body);
}

static void pairs_are_decoded_and_placed(void **state)
{
    const char *path = "/api/views/test/pairs";
    (void)state;
    assert_says(hc_test_get(&server, "/api/views/1/pairs"), 200, "{\"view\":1,\"pairs\":[]}");
    assert_code(hc_test_get(&server, "/api/views/9/pairs"), 404);
    assert_says(finished(put(path, "{\"pairs\":[[1,2,3,4],[5,6,7,8],[9,1,2,3],[4,5,6,7.25]]}")),
                200, "\"kind\":\"align\",\"status\":\"done\"");
    assert_says(finished(put(path, "{\"pairs\":[[1,2,3,4],[5,6,7,8],[9,1,2,3],[4,5,6,7.25]]}")),
                200, "\"result\":{\"view\":\"test\",\"last\":7.25}");
}

static void bad_pairs_start_nothing(void **state)
{
    static const struct {
        const char *body, *says;
        int code;
    } bad[] = {{"{\"pairs\":[[1,2,3,4]]}", "at least 4", 422},
               {"{\"pairs\":[]}", "at least 4", 422},
               {"{\"pairs\":[[1,2,3]]}", "pair 1 must be four numbers", 400},
               {"{\"pairs\":[[1,2,3,4],[1,2,3,\"x\"]]}", "pair 2 must be four numbers", 400},
               {"{\"pairs\":[[1,2,3,1e9]]}", "pair 1 must be four numbers", 400},
               {"{\"pairs\":[7]}", "pair 1 must be four numbers", 400},
               {"{\"pairs\":{}}", "pairs", 400},
               {"{}", "pairs", 400},
               {"{\"pairs\":[],\"view\":1}", "not known here", 400}};
    (void)state;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        assert_says(put("/api/views/test/pairs", bad[i].body), bad[i].code, bad[i].says);
    }
}

static void taking_back_is_a_job(void **state)
{
    (void)state;
    assert_says(finished(hc_test_ask(&server, "DELETE", "/api/views/test/placement", NULL, NULL)),
                200, "\"result\":{\"taken_back\":\"test\"}");
    assert_says(finished(hc_test_ask(&server, "DELETE", "/api/views/1/placement", NULL, NULL)), 200,
                "\"code\":\"conflict\",\"message\":\"view 1 is the reference\"");
    assert_code(hc_test_get(&server, "/api/views/1/placement"), 405);
}

static void ignored_polygons_become_geojson(void **state)
{
    const char *path = "/api/views/1/ignored";
    (void)state;
    assert_says(hc_test_get(&server, path), 200, "\"polygons\":[]");
    assert_says(put(path, "{\"polygons\":[[[0,0],[9,0],[9,9.5]],[[1,1],[2,1],[2,2]]]}"), 200,
                "\\\"coordinates\\\":[[[0,0],[9,0],[9,9.5]]]}},{\\\"type\\\":\\\"Feature\\\"");
    assert_says(put(path, "{\"polygons\":[]}"), 200, "\"geojson\":null");
    assert_code(put(path, "{\"polygons\":7}"), 400);
    assert_code(put(path, "{}"), 400);
}

static void own_pixels(void **state)
{
    struct hc_test_reply r = hc_test_get(&server, "/api/views/ir/own?x=12.5&y=-3&side=64&px=200");
    (void)state;
    assert_int_equal(r.code, 200);
    assert_non_null(strstr(r.head, "Content-Type: image/jpeg"));
    assert_non_null(strstr(r.body, "ir 12.5 -3 64 200"));
    hc_test_reply_free(&r);
    assert_says(hc_test_get(&server, "/api/views/ir/own?x=1&y=1&side=8"), 200, " ir 1 1 8 128");
    assert_code(hc_test_get(&server, "/api/views/ir/own?x=1&y=1&side=8&px=15"), 400);
    assert_code(hc_test_get(&server, "/api/views/ir/own?x=1&y=1&side=8&px=513"), 400);
    assert_code(hc_test_get(&server, "/api/views/ir/own?x=1&y=1"), 400);
    assert_code(hc_test_get(&server, "/api/views/ir/own?x=nan&y=1&side=8"), 400);
}

// Another program writes the dossier: reading goes on, nothing may change.
static void read_only_changes_nothing(void **state)
{
    struct hc_test_server second = {.options = {.idle_seconds = 5}};
    (void)state;
    hc_test_start(&second, server.dir);
    assert_code(hc_test_get(&second, "/api/views/1/pairs"), 200);
    assert_code(hc_test_ask(&second, "PUT", "/api/views/1/pairs", NULL, "{\"pairs\":[]}"), 409);
    assert_code(hc_test_ask(&second, "PUT", "/api/views/1/ignored", NULL, "{\"polygons\":[]}"),
                409);
    assert_code(hc_test_ask(&second, "DELETE", "/api/views/1/placement", NULL, NULL), 409);
    hc_test_stop(&second);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(pairs_are_decoded_and_placed),
        cmocka_unit_test(bad_pairs_start_nothing),
        cmocka_unit_test(taking_back_is_a_job),
        cmocka_unit_test(ignored_polygons_become_geojson),
        cmocka_unit_test(own_pixels),
        cmocka_unit_test(read_only_changes_nothing),
    };
    return cmocka_run_group_tests_name("server_place", tests, start_one, stop_one);
}
