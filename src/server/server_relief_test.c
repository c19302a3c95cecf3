// Relief over HTTP: lamps, computing, a passage, a line across.
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

static struct hc_test_reply post(const char *path, const char *body)
{
    return hc_test_ask(&server, "POST", path, NULL, body);
}

static struct hc_test_reply finished(struct hc_test_reply r)
{
    return hc_test_finished(&server, r);
}

static void relief_is_a_job(void **state)
{
    (void)state;
    assert_says(hc_test_get(&server, "/api/relief"), 200, "{\"of\":null}");
    assert_says(finished(post("/api/relief", "{\"state\":\"before\"}")), 200,
                "\"asked\":\"before 0 0 0 0 0\"");
    assert_says(finished(post("/api/relief",
                              "{\"state\":\"test\",\"method\":\"least-trimmed\",\"flat\":true,"
                              "\"even_exposure\":true,\"short_mm\":0.2,\"long_mm\":2.5}")),
                200, "\"asked\":\"test 2 1 1 0.2 2.5\"");
    assert_says(finished(post("/api/relief", "{\"state\":\"two\",\"flat\":null}")), 200,
                "\"code\":\"refused\",\"message\":\"there are 2\"");
}

static void bad_requests_start_nothing(void **state)
{
    static const char *const bad[][2] = {{"{}", "state"},
                                         {"{\"state\":7}", "state"},
                                         {"{\"state\":\"a\",\"method\":\"best\"}", "give trimmed"},
                                         {"{\"state\":\"a\",\"flat\":1}", "true or false"},
                                         {"{\"state\":\"a\",\"short_mm\":\"x\"}", "finite number"},
                                         {"{\"state\":\"a\",\"lamp\":1}", "not known here"}};
    (void)state;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        assert_says(post("/api/relief", bad[i][0]), 400, bad[i][1]);
    }
}

static void passages(void **state)
{
    const char *body = "{\"state\":\"before\",\"polygon\":[[1,2],[9,2],[9,8]],\"short_mm\":0.5}";
    (void)state;
    assert_says(post("/api/relief/texture", body), 200,
                "\\\"coordinates\\\":[[[1,2],[9,2],[9,8],[1,2]]]}\",\"short_mm\":0.5}");
    assert_says(post("/api/relief/texture",
                     "{\"state\":\"before\",\"other\":\"after\",\"polygon\":[[1,2],[9,2],[9,8]]}"),
                200, "\"other\":\"after\"");
    assert_says(finished(post("/api/relief/film", body)), 200, "\"kind\":\"film\"");
    assert_says(finished(post("/api/relief/film", body)), 200, "\"short_mm\":0.5");
    assert_code(post("/api/relief/texture", "{\"state\":\"before\",\"polygon\":[[1,2],[9,2]]}"),
                400);
    assert_code(post("/api/relief/film", "{\"polygon\":[[1,2],[9,2],[9,8]]}"), 400);
}

static void profiles_and_lights(void **state)
{
    (void)state;
    assert_says(hc_test_get(&server, "/api/relief/profile?state=before&x0=1&y0=2&x1=3.5&y1=4"), 200,
                "\"line\":\"before 1 2 3.5 4\"");
    assert_code(hc_test_get(&server, "/api/relief/profile?state=before&x0=1&y0=2&x1=3.5"), 400);
    assert_code(hc_test_get(&server, "/api/relief/profile?x0=1&y0=2&x1=3&y1=4"), 400);
    assert_says(hc_test_ask(&server, "PUT", "/api/lights", NULL,
                            "{\"text\":\"file,azimuth_deg\\na.tif,3\",\"name\":\"ring.csv\"}"),
                200, "\"file_name\":\"ring.csv\"");
    assert_says(hc_test_ask(&server, "PUT", "/api/lights", NULL, "{\"text\":\"x\"}"), 422,
                "first line of names");
    assert_code(hc_test_ask(&server, "PUT", "/api/lights", NULL, "{}"), 400);
}

// Another program writes the dossier: reading goes on, nothing may change.
static void read_only_changes_nothing(void **state)
{
    struct hc_test_server second = {.options = {.idle_seconds = 5}};
    (void)state;
    hc_test_start(&second, server.dir);
    assert_code(hc_test_get(&second, "/api/relief"), 200);
    assert_code(hc_test_ask(&second, "POST", "/api/relief", NULL, "{\"state\":\"before\"}"), 409);
    assert_code(hc_test_ask(&second, "PUT", "/api/lights", NULL, "{\"text\":\"file,\"}"), 409);
    hc_test_stop(&second);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(relief_is_a_job, start_one, stop_one),
        cmocka_unit_test_setup_teardown(bad_requests_start_nothing, start_one, stop_one),
        cmocka_unit_test_setup_teardown(passages, start_one, stop_one),
        cmocka_unit_test_setup_teardown(profiles_and_lights, start_one, stop_one),
        cmocka_unit_test_setup_teardown(read_only_changes_nothing, start_one, stop_one),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
