// Long work as the page sees it: queue, events, cancelling, uploads, the report, and small writes
// beside it.
#include "server/server_test_client.h"

#define WINDOW "{\"polygon\":[[0,0],[9,0],[9,9]],\"label\":\"sleeve\"}"

static struct hc_test_server server;

static int start_one(void **state)
{
    (void)state;
    return hc_test_start_one(&server);
}

static int stop_one(void **state)
{
    (void)state;
    hc_test_stop_one(&server);
    assert_int_equal(atomic_load(&hc_test_fake.most_jobs), 1); // never two heavy things at once
    return 0;
}

static int job_of(struct hc_test_reply r)
{
    int id = 0;
    assert_int_equal(r.code, 202);
    assert_int_equal(sscanf(r.body, "{\"job\":%d}", &id), 1);
    hc_test_reply_free(&r);
    return id;
}

static int forecast(const char *body)
{
    return job_of(hc_test_ask(&server, "POST", "/api/forecast", NULL, body));
}

static struct hc_test_reply job(int id, const char *tail)
{
    char path[80];
    snprintf(path, sizeof path, "/api/jobs/%d%s", id, tail);
    return hc_test_get(&server, path);
}

static void cancel(int id)
{
    char path[80];
    snprintf(path, sizeof path, "/api/jobs/%d", id);
    assert_code(hc_test_ask(&server, "DELETE", path, NULL, NULL), 202);
}

// Reads the event stream to its end, so the job is final afterwards; returns its document.
static struct hc_test_reply finished(int id)
{
    struct hc_test_reply r = job(id, "/events");
    assert_int_equal(r.code, 200);
    hc_test_reply_free(&r);
    return job(id, "");
}

static void wait_until_running(int id)
{
    for (int i = 0;; i++) {
        struct hc_test_reply r = job(id, "");
        bool is_running = strstr(r.body, "\"status\":\"running\"") != NULL;
        hc_test_reply_free(&r);
        if (is_running) {
            return;
        }
        assert_true(i < 2000);
        usleep(5000);
    }
}

static void events_tell_the_whole_job(void **state)
{
    int id = forecast("{\"surface\":\"half\",\"radius_limit\":4.5}"), events = 0;
    struct hc_test_reply r = job(id, "/events");
    double last = -1;
    (void)state;
    assert_int_equal(r.code, 200);
    assert_non_null(strstr(r.head, "Content-Type: text/event-stream"));
    for (char *at = r.body; (at = strstr(at, "event: progress\n")) != NULL; at++) {
        char *data = strstr(at, "data: {");
        double f = atof(strstr(data, "\"fraction\":") + 11);
        assert_true(f >= last && f <= 1);
        last = f;
        events++;
    }
    assert_true(events >= 3);
    near_abs(last, 1, 0);
    assert_non_null(strstr(r.body, "weighing \\\"windows\\\""));
    assert_non_null(strstr(r.body, "\"status\":\"done\""));
    assert_non_null(strstr(r.body, "\"result\":{\"id\":3,\"radius_limit\":4.5}"));
    hc_test_reply_free(&r);
    assert_says(job(id, ""), 200, "\"status\":\"done\",\"fraction\":1");
    r = job(id, "/events"); // asked again afterwards: the end at once
    assert_non_null(strstr(r.body, "\"status\":\"done\""));
    hc_test_reply_free(&r);
    assert_code(hc_test_get(&server, "/api/jobs/9999"), 404);
    assert_code(hc_test_get(&server, "/api/jobs/0"), 404);
    assert_code(hc_test_get(&server, "/api/jobs/9999/events"), 404);
    assert_code(hc_test_ask(&server, "DELETE", "/api/jobs/9999", NULL, NULL), 404);
}

static void failure_keeps_its_sentence(void **state)
{
    (void)state;
    assert_says(
        finished(forecast("{\"surface\":\"thin\"}")), 200,
        "\"status\":\"failed\",\"fraction\":1,\"what\":\"weighing \\\"windows\\\"\",\"error\":{"
        "\"code\":\"refused\",\"message\":\"three windows are needed, there are two\"}");
}

static void cancelling(void **state)
{
    int running = forecast("{\"surface\":\"slow\"}"), waiting = forecast("{\"surface\":\"slow\"}");
    (void)state;
    wait_until_running(running);
    assert_says(job(waiting, ""), 200, "\"status\":\"queued\"");
    cancel(waiting);
    assert_says(job(waiting, ""), 200, "\"status\":\"cancelled\"");
    cancel(running);
    assert_says(finished(running), 200, "\"status\":\"cancelled\"");
    cancel(running); // once more does no harm
    assert_says(job(running, ""), 200, "\"code\":\"cancelled\"");
    assert_says(hc_test_get(&server, "/api/jobs"), 200, "{\"jobs\":[{\"id\":");
}

static void bad_requests_start_nothing(void **state)
{
    (void)state;
    assert_code(hc_test_ask(&server, "POST", "/api/forecast", NULL, "{\"radius_limit\":-1}"), 400);
    assert_code(hc_test_ask(&server, "POST", "/api/forecast", NULL, "{\"radius_limit\":\"4\"}"),
                400);
    assert_code(hc_test_ask(&server, "POST", "/api/forecast", NULL, "{\"surface\":\"\"}"), 400);
    assert_code(hc_test_ask(&server, "POST", "/api/align", NULL, "{\"view\":1.5}"), 400);
    assert_code(hc_test_ask(&server, "POST", "/api/report", NULL, "{\"path\":\"/tmp/x\"}"), 400);
    assert_says(finished(job_of(hc_test_ask(&server, "POST", "/api/align", NULL, "{\"view\":7}"))),
                200, "\"result\":{\"view\":\"7\"}");
    assert_says(finished(job_of(hc_test_ask(&server, "POST", "/api/align", NULL, NULL))), 200,
                "\"result\":{\"view\":null}");
}

static int mosaic(const char *body)
{
    return job_of(hc_test_ask(&server, "POST", "/api/mosaic", NULL, body));
}

static void joining(void **state)
{
    static const char *const bad[][2] = {{"{}", "views"},
                                         {"{\"views\":7}", "a list"},
                                         {"{\"views\":[\"a\"]}", "2 to 60"},
                                         {"{\"views\":[\"a\",1.5]}", "place 2 of views"},
                                         {"{\"views\":[\"a\",\"b\"],\"x\":1}", "not known"}};
    (void)state;
    assert_says(finished(mosaic("{\"views\":[\"a\",7,\"c d\"],\"label\":\"all\"}")), 200,
                "\"result\":{\"label\":\"all\",\"views\":[\"a\",\"7\",\"c d\"]}");
    assert_says(finished(mosaic("{\"views\":[1,2]}")), 200,
                "\"kind\":\"mosaic\",\"status\":\"done\"");
    assert_says(finished(mosaic("{\"views\":[1,\"apart\"]}")), 200, "not joined: apart");
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        assert_says(hc_test_ask(&server, "POST", "/api/mosaic", NULL, bad[i][0]), 400, bad[i][1]);
    }
}

static void queue_is_bounded(void **state)
{
    int id[HC_SERVER_QUEUE + 1];
    (void)state;
    id[0] = forecast("{\"surface\":\"slow\"}");
    wait_until_running(id[0]);
    for (int i = 1; i <= HC_SERVER_QUEUE; i++) {
        id[i] = forecast("{}");
    }
    assert_says(hc_test_ask(&server, "POST", "/api/forecast", NULL, "{}"), 503,
                "\"code\":\"busy\"");
    assert_says(hc_test_ask(&server, "POST", "/api/forecast", NULL, "{}"), 503, "Retry-After: ");
    assert_code(hc_test_ask(&server, "POST", "/api/report", NULL, "{}"), 503);
    assert_code(hc_test_ask(&server, "PUT", "/api/views?name=a&technique=uv&state=before",
                            "Content-Length: 4\r\n\r\nTIFF", NULL),
                503);
    for (int i = HC_SERVER_QUEUE; i >= 0; i--) {
        cancel(id[i]);
    }
    assert_says(finished(id[0]), 200, "\"status\":\"cancelled\"");
    assert_says(finished(forecast("{}")), 200, "\"status\":\"done\"");
}

static void old_jobs_are_forgotten(void **state)
{
    int first = forecast("{}"), last = first;
    (void)state;
    for (int i = 0; i < HC_SERVER_JOBS + 2; i++) {
        struct hc_test_reply r = finished(last = forecast("{}"));
        hc_test_reply_free(&r);
    }
    assert_says(job(first, ""), 404, "are remembered");
    assert_code(job(last, ""), 200);
}

// ---- true colour ----

static int calibrate(const char *body)
{
    return job_of(hc_test_ask(&server, "POST", "/api/views/two%20targets/calibrate", NULL, body));
}

static void calibrating(void **state)
{
    (void)state;
    // Line ends and tabs of the chart come through; names and numbers of views too.
    assert_says(finished(calibrate("{\"chart_text\":\"CGATS.17\\r\\n\\tA\\n\",\"flat\":4,"
                                   "\"also\":[\"a, b\",7],\"rows\":4,\"cols\":6,"
                                   "\"corners\":[[1,2],[3.5,4],[5,6],[7,8]]}")),
                200,
                "\"result\":{\"view\":\"two "
                "targets\",\"chart\":\"CGATS.17\\u000d\\u000a\\u0009A\\u000a\",\"flat\":"
                "\"4\",\"rows\":4,\"cols\":6,\"corners\":[1,2,3.5,4,5,6,7,8],\"also\":[\"a, b\","
                "\"7\"]}");
    assert_says(finished(calibrate("{\"chart_text\":\"x\",\"flat\":null,\"also\":[]}")), 200,
                "\"kind\":\"calibrate\",\"status\":\"done\"");
    assert_says(finished(calibrate("{\"chart_text\":\"none\"}")), 200, "give its corners");
    assert_says(finished(job_of(
                    hc_test_ask(&server, "DELETE", "/api/views/target/calibration", NULL, NULL))),
                200, "\"kind\":\"calibrate\",\"status\":\"done\"");
    assert_says(
        finished(job_of(hc_test_ask(&server, "DELETE", "/api/views/7/calibration", NULL, NULL))),
        200, "the view has no calibration");
}

static void calibrating_is_cancelled(void **state)
{
    int running = calibrate("{\"chart_text\":\"slow\",\"also\":[1]}"),
        waiting = calibrate("{\"chart_text\":\"x\",\"also\":[\"b\"]}");
    (void)state;
    wait_until_running(running);
    cancel(waiting);
    cancel(running);
    assert_says(finished(running), 200, "\"status\":\"cancelled\"");
    assert_says(job(waiting, ""), 200, "\"status\":\"cancelled\"");
}

static void bad_calibrations_start_nothing(void **state)
{
    static const char *const bad[][2] = {
        {"{}", "chart_text"},
        {"{\"chart_text\":\"\"}", "chart_text"},
        {"{\"chart_text\":\"a\\u0001\"}", "control"},
        {"{\"chart_text\":\"a\",\"corners\":[[1,2],[3,4],[5,6]]}", "corners has 3 places"},
        {"{\"chart_text\":\"a\",\"corners\":[[1,2],[3,4],[5,6],[7]]}", "corner 4"},
        {"{\"chart_text\":\"a\",\"corners\":[[1,2],[3,4],[5,6],[7,\"8\"]]}", "corner 4"},
        {"{\"chart_text\":\"a\",\"corners\":{}}", "a list"},
        {"{\"chart_text\":\"a\",\"rows\":4}", "go together"},
        {"{\"chart_text\":\"a\",\"rows\":4.5,\"cols\":6}", "whole numbers"},
        {"{\"chart_text\":\"a\",\"rows\":-4,\"cols\":6}", "whole numbers"},
        {"{\"chart_text\":\"a\",\"also\":[1,2.5]}", "place 2 of also"},
        {"{\"chart_text\":\"a\",\"also\":[\"\"]}", "place 1 of also"},
        {"{\"chart_text\":\"a\",\"path\":\"/etc/passwd\"}", "path"}};
    struct hc_buf long_one = {0};
    int id = calibrate("{\"chart_text\":\"x\"}");
    (void)state;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        assert_says(hc_test_ask(&server, "POST", "/api/views/1/calibrate", NULL, bad[i][0]), 400,
                    bad[i][1]);
    }
    hc_buf_str(&long_one, "{\"chart_text\":\"");
    for (size_t i = 0; i <= HC_SERVER_DOCUMENT_MAX; i += 16) {
        hc_buf_str(&long_one, "0123456789abcdef");
    }
    hc_buf_str(&long_one, "\"}");
    assert_says(
        hc_test_ask(&server, "POST", "/api/views/1/calibrate", NULL, hc_buf_text(&long_one)), 413,
        "at most 655360");
    hc_buf_release(&long_one);
    assert_code(hc_test_ask(&server, "GET", "/api/views/1/calibrate", NULL, NULL), 405);
    // The next job follows the last one: none was started.
    id = calibrate("{\"chart_text\":\"x\"}") - id;
    assert_int_equal(id, 1);
}

static void point_measurements(void **state)
{
    (void)state;
    assert_says(hc_test_ask(&server, "POST", "/api/points", NULL,
                            "{\"text\":\"x,y\\n1,2\\n\",\"name\":\"p.csv\",\"mm\":4}"),
                201, "{\"text\":\"x,y\\u000a1,2\\u000a\",\"name\":\"p.csv\",\"mm\":4}");
    assert_code(hc_test_ask(&server, "POST", "/api/points", NULL, "{\"text\":\"x\"}"), 400);
    assert_says(hc_test_get(&server, "/api/points"), 200, "{\"light\":\"D50\",\"observer_deg\":2}");
    assert_says(hc_test_get(&server, "/api/points?light=A&observer=10"), 200,
                "{\"light\":\"A\",\"observer_deg\":10}");
    assert_says(hc_test_get(&server, "/api/points?observer=4"), 400, "2 or 10");
    assert_code(hc_test_get(&server, "/api/points?light=moon"), 404);
}

// ---- small writes beside a job ----

static void small_write_waits_for_a_short_job(void **state)
{
    int id = forecast("{\"surface\":\"half\"}");
    (void)state;
    wait_until_running(id);
    assert_code(hc_test_get(&server, "/api/windows"), 200); // reading goes on
    assert_says(hc_test_ask(&server, "POST", "/api/windows", NULL, WINDOW), 201, "sleeve");
    assert_says(job(id, ""), 200, "\"status\":\"done\"");
}

static void small_write_is_refused_beside_a_long_job(void **state)
{
    int id = forecast("{\"surface\":\"slow\"}"), before = atomic_load(&hc_test_fake.windows);
    (void)state;
    wait_until_running(id);
    assert_says(
        hc_test_ask(&server, "POST", "/api/windows", NULL, WINDOW), 409,
        "\"code\":\"conflict\",\"message\":\"the dossier is being written by a running job");
    assert_int_equal(atomic_load(&hc_test_fake.windows), before);
    assert_says(job(id, ""), 200, "\"status\":\"running\"");
    cancel(id);
    assert_code(hc_test_ask(&server, "POST", "/api/windows", NULL, WINDOW), 201);
}

static void *write_ten(void *ctx)
{
    int *good = ctx;
    for (int i = 0; i < 10; i++) {
        *good += hc_test_code(hc_test_ask(&server, "POST", "/api/windows", NULL, WINDOW)) == 201;
        *good += hc_test_code(hc_test_get(&server, "/api/dossier")) == 200;
    }
    return NULL;
}

static void many_small_writes(void **state)
{
    enum { N = 8 };
    pthread_t thread[N];
    int good[N] = {0}, before = atomic_load(&hc_test_fake.windows);
    int id = forecast("{\"surface\":\"half\"}");
    (void)state;
    for (int i = 0; i < N; i++) {
        assert_int_equal(pthread_create(&thread[i], NULL, write_ten, &good[i]), 0);
    }
    for (int i = 0; i < N; i++) {
        pthread_join(thread[i], NULL);
        assert_int_equal(good[i], 20);
    }
    assert_int_equal(atomic_load(&hc_test_fake.windows), before + 10 * N);
    assert_says(finished(id), 200, "\"status\":\"done\"");
}

// Small writes that wait come before the next job in the queue.
static void queue_lets_small_writes_in(void **state)
{
    int first = forecast("{\"surface\":\"half\"}"), second = forecast("{\"surface\":\"slow\"}");
    (void)state;
    wait_until_running(first);
    assert_code(hc_test_ask(&server, "POST", "/api/windows", NULL, WINDOW), 201);
    cancel(second);
    assert_says(finished(second), 200, "\"status\":\"cancelled\"");
}

// ---- uploads ----

static struct hc_test_reply upload(const char *query, size_t size, bool is_chunked)
{
    struct hc_buf b = {0};
    struct hc_test_reply r;
    hc_buf_printf(&b,
                  "PUT /api/views?%s HTTP/1.1\r\nHost: %s\r\nCookie: %s\r\nOrigin: http://%s\r\n"
                  "Connection: close\r\n",
                  query, server.host, server.cookie, server.host);
    if (is_chunked) {
        hc_buf_str(&b, "Transfer-Encoding: chunked\r\n\r\n");
    } else {
        hc_buf_printf(&b, "Content-Length: %zu\r\n\r\n", size);
    }
    for (size_t done = 0; done < size;) {
        char piece[3000];
        size_t n = size - done < sizeof piece ? size - done : sizeof piece;
        memset(piece, 'p', sizeof piece);
        if (is_chunked) {
            hc_buf_printf(&b, "%zx\r\n", n);
        }
        hc_buf_bytes(&b, piece, n);
        if (is_chunked) {
            hc_buf_str(&b, "\r\n");
        }
        done += n;
    }
    if (is_chunked) {
        hc_buf_str(&b, "0\r\n\r\n");
    }
    {
        int fd = hc_test_connect(&server);
        hc_test_send(fd, b.data, b.len);
        r = hc_test_read(fd);
    }
    hc_buf_release(&b);
    return r;
}

static void uploads(void **state)
{
    char derived[80];
    const char *good =
        "name=uv%20before.tif&technique=uv&state=before&label=&azimuth=90&elevation=15";
    (void)state;
    snprintf(derived, sizeof derived, "%s/derived", server.dir);
    assert_says(finished(job_of(upload(good, 3000001, false))), 200,
                "\"result\":{\"added\":{\"id\":7,\"bytes\":3000001,\"name\":\"uv before.tif\","
                "\"label\":null,\"azimuth\":90},\"placed\":{\"view\":\"7\"},\"not_placed\":null}");
    assert_says(finished(job_of(upload(good, 1000000, true))), 200, "\"bytes\":1000000,");
    assert_says(
        finished(job_of(upload("name=a.tif&technique=uv&state=before&label=lost", 10, false))), 200,
        "\"not_placed\":\"the view shares too little with the frame\"");
    assert_says(finished(job_of(upload("name=a.tif&technique=smell&state=before", 10, false))), 200,
                "\"status\":\"failed\"");
    assert_code(upload("technique=uv&state=before", 10, false), 400);
    assert_code(upload("name=a.tif&technique=uv", 10, false), 400);
    assert_code(upload("name=a.tif&technique=uv&state=before", 0, false), 400);
    assert_says(upload("name=..%2Fa.tif&technique=uv&state=before", 10, false), 400,
                "plain file name");
    assert_says(upload("name=a.tif&technique=uv&state=before&azimuth=1", 10, false), 400,
                "both azimuth and elevation");
    assert_int_equal(hc_test_files_in(derived), 0);
}

static void broken_upload_leaves_nothing(void **state)
{
    char derived[80], head[512];
    int fd = hc_test_connect(&server);
    (void)state;
    snprintf(derived, sizeof derived, "%s/derived", server.dir);
    snprintf(
        head, sizeof head,
        "PUT /api/views?name=a.tif&technique=uv&state=before HTTP/1.1\r\nHost: %s\r\nCookie: %s\r\n"
        "Origin: http://%s\r\nContent-Length: 100000\r\n\r\nhalf a pho",
        server.host, server.cookie, server.host);
    hc_test_send(fd, head, strlen(head));
    for (int i = 0; hc_test_files_in(derived) == 0; i++) { // it is being taken in
        assert_true(i < 1000);
        usleep(5000);
    }
    close(fd);
    for (int i = 0; hc_test_files_in(derived) > 0; i++) {
        assert_true(i < 4000);
        usleep(5000);
    }
}

// ---- the report ----

static void report_waits_its_turn(void **state)
{
    int id = forecast("{\"surface\":\"half\"}");
    struct hc_test_reply r = hc_test_ask(&server, "POST", "/api/report", NULL, "{}");
    char derived[80];
    (void)state;
    assert_int_equal(r.code, 200);
    assert_string_equal(r.body, "%PDF-1.7 of the test");
    assert_non_null(strstr(r.head, "Content-Type: application/pdf"));
    assert_non_null(strstr(r.head, "Content-Disposition: attachment"));
    hc_test_reply_free(&r);
    assert_says(job(id, ""), 200, "\"status\":\"done\"");
    assert_says(hc_test_get(&server, "/api/jobs"), 200, "\"kind\":\"report\",\"status\":\"done\"");
    snprintf(derived, sizeof derived, "%s/derived", server.dir);
    for (int i = 0; hc_test_files_in(derived) > 0; i++) { // removed once it is sent
        assert_true(i < 1000);
        usleep(5000);
    }
}

// ---- leaving ----

static int open_request(const char *method, const char *path)
{
    char head[512];
    int fd = hc_test_connect(&server);
    snprintf(head, sizeof head,
             "%s %s HTTP/1.1\r\nHost: %s\r\nCookie: %s\r\nOrigin: http://%s\r\nContent-Length: "
             "0\r\n\r\n",
             method, path, server.host, server.cookie, server.host);
    hc_test_send(fd, head, strlen(head));
    return fd;
}

static void listeners_may_leave(void **state)
{
    int id = forecast("{\"surface\":\"slow\"}");
    char path[64];
    (void)state;
    snprintf(path, sizeof path, "/api/jobs/%d/events", id);
    wait_until_running(id);
    for (int i = 0; i < 20; i++) {
        int fd = open_request("GET", path);
        char byte;
        if (i % 2) {
            assert_int_equal(recv(fd, &byte, 1, 0), 1);
        }
        close(fd);
    }
    assert_code(hc_test_get(&server, "/api/dossier"), 200);
    cancel(id);
    assert_says(finished(id), 200, "\"status\":\"cancelled\"");
}

// Stopping with everything in the air: a running job, listeners, a waiting report, a waiting write.
static void stop_in_the_middle(void **state)
{
    int id = forecast("{\"surface\":\"slow\"}"), fd[4];
    char path[64];
    (void)state;
    snprintf(path, sizeof path, "/api/jobs/%d/events", id);
    wait_until_running(id);
    fd[0] = open_request("GET", path);
    fd[1] = open_request("POST", "/api/report");
    fd[2] = open_request("DELETE", "/api/windows/1");
    fd[3] = open_request("GET", path);
    for (int i = 0;; i++) {
        struct hc_test_reply r = hc_test_get(&server, "/api/jobs");
        bool is_there = strstr(r.body, "\"kind\":\"report\",\"status\":\"queued\"") != NULL;
        hc_test_reply_free(&r);
        if (is_there) {
            break;
        }
        assert_true(i < 1000);
        usleep(5000);
    }
    hc_test_stop(&server);
    hc_test_remove(&server);
    assert_int_equal(atomic_load(&hc_test_fake.open), 0);
    assert_int_equal(hc_mem_live(), 0);
    for (int i = 0; i < 4; i++) {
        struct hc_test_reply r = hc_test_read(fd[i]); // all are hung up on
        hc_test_reply_free(&r);
    }
    start_one(NULL); // and the dossier can be served again
    assert_code(hc_test_get(&server, "/api/dossier"), 200);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(events_tell_the_whole_job),
        cmocka_unit_test(failure_keeps_its_sentence),
        cmocka_unit_test(cancelling),
        cmocka_unit_test(bad_requests_start_nothing),
        cmocka_unit_test(joining),
        cmocka_unit_test(queue_is_bounded),
        cmocka_unit_test(old_jobs_are_forgotten),
        cmocka_unit_test(calibrating),
        cmocka_unit_test(calibrating_is_cancelled),
        cmocka_unit_test(bad_calibrations_start_nothing),
        cmocka_unit_test(point_measurements),
        cmocka_unit_test(small_write_waits_for_a_short_job),
        cmocka_unit_test(small_write_is_refused_beside_a_long_job),
        cmocka_unit_test(many_small_writes),
        cmocka_unit_test(queue_lets_small_writes_in),
        cmocka_unit_test(uploads),
        cmocka_unit_test(broken_upload_leaves_nothing),
        cmocka_unit_test(report_waits_its_turn),
        cmocka_unit_test(listeners_may_leave),
        cmocka_unit_test(stop_in_the_middle),
    };
    return cmocka_run_group_tests_name("server_jobs", tests, start_one, stop_one);
}
