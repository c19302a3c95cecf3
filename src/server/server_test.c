// Who is let in, what is refused, and that the interface's page tells the truth. Every request goes
// through a real socket to a running server.
#include "server/server_test_client.h"

#include <fcntl.h>
#include <time.h>

#define KEY_A "aaaaaaaaaaaaaaaabbbbbbbbbbbbbbbbccccccccccccccccdddddddddddddddd"

static struct hc_test_server server;

static int start_one(void **state)
{
    (void)state;
    server = (struct hc_test_server){.options = {.idle_seconds = 1, .upload_max = 1 << 20}};
    hc_test_start(&server, NULL);
    return 0;
}

static int stop_one(void **state)
{
    (void)state;
    hc_test_stop(&server);
    hc_test_remove(&server);
    assert_int_equal(atomic_load(&hc_test_fake.open), 0);
    assert_int_equal(hc_mem_live(), 0);
    return 0;
}

// A request with the header lines exactly as given.
static struct hc_test_reply with(const char *line, const char *headers)
{
    char request[2048];
    snprintf(request, sizeof request, "%s HTTP/1.1\r\n%sConnection: close\r\n\r\n", line, headers);
    return hc_test_raw(&server, request);
}

__attribute__((format(printf, 1, 2))) static const char *host_and(const char *more, ...)
{
    static char text[1024];
    va_list ap;
    int n = snprintf(text, sizeof text, "Host: %s\r\n", server.host);
    va_start(ap, more);
    vsnprintf(text + n, sizeof text - (size_t)n, more, ap);
    va_end(ap);
    return text;
}

static void first_link(void **state)
{
    char line[256];
    struct hc_test_reply r;
    (void)state;
    assert_int_equal(strlen(strstr(server.url, "token=") + 6), 32);
    assert_code(with("GET /open", host_and("%s", "")), 403);
    assert_code(with("GET /open?token=", host_and("%s", "")), 403);
    assert_code(with("GET /open?token=00000000000000000000000000000000", host_and("%s", "")), 403);
    snprintf(line, sizeof line, "GET %s", strstr(server.url, "/open"));
    line[strlen(line) - 1] ^= 1; // the last digit is wrong
    assert_code(with(line, host_and("%s", "")), 403);
    line[strlen(line) - 1] ^= 1;
    r = with(line, host_and("%s", "")); // it may be opened again
    assert_int_equal(r.code, 303);
    assert_non_null(strstr(r.head, "HttpOnly; SameSite=Strict; Path=/"));
    assert_non_null(strstr(r.head, "Location: /\r\n"));
    assert_null(strstr(r.head, strstr(server.url, "token=") + 6)); // the cookie is another secret
    hc_test_reply_free(&r);
}

static void no_session_no_answer(void **state)
{
    static const char *const path[] = {
        "/",       "/index.html", "/api/dossier", "/api/jobs/1/events", "/tiles/" KEY_A "/0/0_0",
        "/nothing"};
    char cookie[160];
    (void)state;
    for (size_t i = 0; i < sizeof path / sizeof path[0]; i++) {
        char line[256];
        snprintf(line, sizeof line, "GET %s", path[i]);
        assert_says(with(line, host_and("%s", "")), 403, "\"code\":\"forbidden\"");
    }
    snprintf(cookie, sizeof cookie, "%s", server.cookie);
    cookie[strlen(cookie) - 1] ^= 1;
    assert_code(with("GET /api/dossier", host_and("Cookie: %s\r\n", cookie)), 403);
    cookie[strlen(cookie) - 1] = 0;
    assert_code(with("GET /api/dossier", host_and("Cookie: %s\r\n", cookie)), 403);
    assert_code(with("GET /api/dossier", host_and("Cookie: %s=\r\n", "halfclean")), 403);
    assert_code(with("GET /api/dossier", host_and("Cookie: %s\r\n", server.cookie)), 200);
    assert_code(with("GET /api/dossier", host_and("Cookie: a=b; %s; c=d\r\n", server.cookie)), 200);
}

static void foreign_host(void **state)
{
    char headers[512], line[256];
    static const char *const evil[] = {
        "evil.example",           "127.0.0.1", "localhost", "127.0.0.1:1",
        "127.0.0.1.evil.example", "",          "0.0.0.0"};
    (void)state;
    for (size_t i = 0; i < sizeof evil / sizeof evil[0]; i++) {
        snprintf(headers, sizeof headers, "Host: %s\r\nCookie: %s\r\n", evil[i], server.cookie);
        assert_code(with("GET /api/dossier", headers), 421);
        snprintf(line, sizeof line, "GET %s", strstr(server.url, "/open"));
        assert_code(with(line, headers), 421);
    }
    snprintf(headers, sizeof headers, "Host: evil.example:%d\r\nCookie: %s\r\n", server.port,
             server.cookie);
    assert_says(with("GET /api/dossier", headers), 421, "\"code\":\"misdirected\"");
    snprintf(headers, sizeof headers, "Host: LocalHost:%d\r\nCookie: %s\r\n", server.port,
             server.cookie);
    assert_code(with("GET /api/dossier", headers), 200);
    snprintf(headers, sizeof headers, "Host: %s\r\nHost: evil.example\r\nCookie: %s\r\n",
             server.host, server.cookie);
    assert_code(with("GET /api/dossier", headers), 421);
    snprintf(headers, sizeof headers, "Cookie: %s\r\n", server.cookie);
    assert_code(with("GET /api/dossier", headers), 400); // HTTP/1.1 without Host: the library's own
    snprintf(headers, sizeof headers, "GET /api/dossier HTTP/1.0\r\nCookie: %s\r\n\r\n",
             server.cookie);
    assert_code(hc_test_raw(&server, headers), 421);
    assert_code(
        with("GET http://evil.example/api/dossier", host_and("Cookie: %s\r\n", server.cookie)),
        404);
}

#define ZONE "{\"polygon\":[[0,0],[9,0],[9,9]],\"kind\":\"overpaint\"}"

static struct hc_test_reply post_zone(const char *headers)
{
    char request[2048];
    snprintf(request, sizeof request,
             "POST /api/zones HTTP/1.1\r\nConnection: close\r\nContent-Type: application/json\r\n"
             "Content-Length: %zu\r\n%s\r\n" ZONE,
             strlen(ZONE), headers);
    return hc_test_raw(&server, request);
}

static void foreign_origin(void **state)
{
    static const char *const evil[] = {"http://evil.example", "null", "", "http://127.0.0.1",
                                       "http://127.0.0.1:1"};
    (void)state;
    assert_code(
        post_zone(host_and("Cookie: %s\r\nOrigin: http://%s\r\n", server.cookie, server.host)),
        201);
    assert_says(post_zone(host_and("Cookie: %s\r\n", server.cookie)), 403,
                "Origin http://127.0.0.1:");
    for (size_t i = 0; i < sizeof evil / sizeof evil[0]; i++) {
        assert_code(post_zone(host_and("Cookie: %s\r\nOrigin: %s\r\n", server.cookie, evil[i])),
                    403);
    }
    // Ours, but not the one this page came from.
    assert_code(post_zone(host_and("Cookie: %s\r\nOrigin: http://localhost:%d\r\n", server.cookie,
                                   server.port)),
                403);
    assert_code(post_zone(host_and("Cookie: %s\r\nOrigin: http://%s\r\nOrigin: http://%s\r\n",
                                   server.cookie, server.host, "evil.example")),
                403);
    assert_code(
        post_zone(host_and("Cookie: %s\r\nOrigin: http://%s\r\nSec-Fetch-Site: cross-site\r\n",
                           server.cookie, server.host)),
        403);
}

// Another program's page on this machine is the same site for cookies; the browser tells them
// apart.
static void foreign_page_reading(void **state)
{
    static const char *const site[] = {"cross-site", "same-site", "same-origin", "none"};
    (void)state;
    for (int i = 0; i < 4; i++) {
        const char *h = host_and("Cookie: %s\r\nSec-Fetch-Site: %s\r\n", server.cookie, site[i]);
        assert_code(with("GET /api/dossier", h), i < 2 ? 403 : 200);
        assert_code(with("GET /tiles/" KEY_A "/0/0_0", h), i < 2 ? 403 : 200);
    }
}

static void guarded(struct hc_test_reply r)
{
    assert_non_null(
        strstr(r.head, "Content-Security-Policy: default-src 'none'; script-src 'self'; "));
    assert_non_null(strstr(r.head, "frame-ancestors 'none'\r\n"));
    assert_null(strstr(r.head, "unsafe"));
    assert_non_null(strstr(r.head, "X-Content-Type-Options: nosniff"));
    assert_non_null(strstr(r.head, "Referrer-Policy: no-referrer"));
    assert_non_null(strstr(r.head, "Cross-Origin-Resource-Policy: same-origin"));
    assert_non_null(strstr(r.head, "Cross-Origin-Opener-Policy: same-origin"));
    assert_null(strstr(r.head, "Access-Control"));
    hc_test_reply_free(&r);
}

static void headers_on_every_answer(void **state)
{
    char line[256];
    (void)state;
    guarded(hc_test_get(&server, "/api/dossier"));
    guarded(hc_test_get(&server, "/api/forecast"));
    guarded(hc_test_get(&server, "/nothing"));
    guarded(hc_test_get(&server, "/tiles/" KEY_A "/1/0_1"));
    guarded(hc_test_ask(&server, "DELETE", "/api/dossier", NULL, NULL));
    guarded(hc_test_ask(&server, "POST", "/api/zones", NULL, ZONE));
    guarded(with("GET /", host_and("%s", "")));
    guarded(with("GET /", "Host: evil.example\r\n"));
    snprintf(line, sizeof line, "GET %s", strstr(server.url, "/open"));
    guarded(with(line, host_and("%s", "")));
}

static void traversal(void **state)
{
    static const char *const path[] = {"/../../etc/passwd",
                                       "/js/../../../etc/passwd",
                                       "/%2e%2e/%2e%2e/etc/passwd",
                                       "/js/%2e%2e%2f%2e%2e%2fetc%2fpasswd",
                                       "/js\\..\\..\\x.js",
                                       "//etc/passwd",
                                       "/tiles/../api/dossier",
                                       "/tiles/" KEY_A "/0/..%2f..%2fx",
                                       "/api/dossier%00.js",
                                       "/api/dossier/",
                                       "/api//dossier",
                                       "/api/windows/",
                                       "/.git/config",
                                       "/server.c"};
    struct hc_buf longest = {0};
    (void)state;
    for (size_t i = 0; i < sizeof path / sizeof path[0]; i++) {
        assert_code(hc_test_get(&server, path[i]), 404);
    }
    hc_buf_str(&longest, "/");
    for (int i = 0; i < 5000; i++) {
        hc_buf_str(&longest, "a");
    }
    assert_code(hc_test_get(&server, longest.data), 404);
    hc_buf_release(&longest);
}

// ---- sizes and speed ----

// Headers, then `total` bytes of body in pieces, chunked or with the length announced.
static struct hc_test_reply pour(const char *method, const char *path, size_t total,
                                 bool is_chunked)
{
    static char piece[65536];
    char head[1024];
    int fd = hc_test_connect(&server);
    int n = snprintf(head, sizeof head,
                     "%s %s HTTP/1.1\r\nHost: %s\r\nCookie: %s\r\nOrigin: http://%s\r\n"
                     "Content-Type: application/json\r\nConnection: close\r\n",
                     method, path, server.host, server.cookie, server.host);
    bool is_open;
    memset(piece, ' ', sizeof piece);
    if (is_chunked) {
        n += snprintf(head + n, sizeof head - (size_t)n, "Transfer-Encoding: chunked\r\n\r\n");
    } else {
        n += snprintf(head + n, sizeof head - (size_t)n, "Content-Length: %zu\r\n\r\n", total);
    }
    is_open = hc_test_send(fd, head, (size_t)n);
    for (size_t done = 0; is_open && done < total;) {
        size_t part = total - done < sizeof piece ? total - done : sizeof piece;
        if (is_chunked) {
            int m = snprintf(head, sizeof head, "%zx\r\n", part);
            is_open = hc_test_send(fd, head, (size_t)m);
        }
        is_open = is_open && hc_test_send(fd, piece, part);
        is_open = is_open && (!is_chunked || hc_test_send(fd, "\r\n", 2));
        done += part;
    }
    if (is_open && is_chunked) {
        hc_test_send(fd, "0\r\n\r\n", 5);
    }
    return hc_test_read(fd);
}

#define VIEW "/api/views?name=a.tif&technique=normal&state=before"

static void too_large(void **state)
{
    const size_t mib = 1 << 20;
    char derived[80];
    struct hc_test_reply r;
    (void)state;
    assert_says(pour("POST", "/api/zones", mib, false), 400, "not valid JSON"); // just fits
    assert_says(pour("POST", "/api/zones", mib, true), 400, "not valid JSON");
    assert_says(pour("POST", "/api/zones", mib + 1, false), 413, "\"code\":\"limit\"");
    assert_says(pour("POST", "/api/zones", mib + 1, true), 413, "\"code\":\"limit\"");
    assert_says(pour("POST", "/api/zones", 3 * mib, true), 413, "\"code\":\"limit\"");
    assert_code(pour("PUT", VIEW, mib + 1, false), 413);
    assert_code(pour("PUT", VIEW, 3 * mib, true), 413);
    r = pour("PUT", VIEW, 40 * mib, true); // past what is read for politeness: hung up on
    assert_true(r.code == 0 || r.code == 413);
    hc_test_reply_free(&r);
    r = pour("PUT", VIEW, 40 * mib, false); // refused before the body
    assert_true(r.code == 0 || r.code == 413);
    hc_test_reply_free(&r);
    assert_code(pour("GET", "/api/dossier", 10, false), 413);
    assert_code(pour("DELETE", "/api/windows/1", 10, true), 413);
    assert_code(hc_test_ask(&server, "PUT", VIEW, "Content-Length: 99999999999999999999\r\n", NULL),
                413);
    snprintf(derived, sizeof derived, "%s/derived", server.dir);
    assert_int_equal(hc_test_files_in(derived), 0);
}

static void two_lengths(void **state)
{
    (void)state;
    assert_code(
        post_zone(host_and("Cookie: %s\r\nOrigin: http://%s\r\nTransfer-Encoding: chunked\r\n",
                           server.cookie, server.host)),
        400);
    assert_code(post_zone(host_and("Cookie: %s\r\nOrigin: http://%s\r\nContent-Length: 3\r\n",
                                   server.cookie, server.host)),
                400);
}

static void huge_headers(void **state)
{
    struct hc_buf b = {0};
    struct hc_test_reply r;
    (void)state;
    hc_buf_printf(&b, "GET /api/dossier HTTP/1.1\r\nHost: %s\r\nCookie: %s\r\n", server.host,
                  server.cookie);
    for (int i = 0; i < 20000; i++) {
        hc_buf_printf(&b, "X-%d: aaaaaaaaaaaaaaaa\r\n", i);
    }
    hc_buf_str(&b, "\r\n");
    r = hc_test_raw(&server, b.data);
    assert_true(r.code == 0 || r.code == 431 || r.code == 413);
    hc_test_reply_free(&r);
    hc_buf_release(&b);
    assert_code(hc_test_get(&server, "/api/dossier"), 200);
}

// A client that stops in the middle is hung up on, and keeps nobody else waiting.
static void slow_client(void **state)
{
    int fd[8];
    (void)state;
    for (int i = 0; i < 8; i++) {
        const char *part = i % 2 ? "GET /api/dossier HTTP/1.1\r\nHost: 127" : "POST /api/zones HTT";
        fd[i] = hc_test_connect(&server);
        assert_true(hc_test_send(fd[i], part, strlen(part)));
    }
    assert_code(hc_test_get(&server, "/api/dossier"), 200);
    for (int i = 0; i < 8; i++) {
        struct hc_test_reply r = hc_test_read(fd[i]); // returns when the server closes
        assert_int_not_equal(r.code, 200);
        hc_test_reply_free(&r);
    }
}

static void many_connections(void **state)
{
    enum { N = 80 };
    int fd[N];
    (void)state;
    for (int i = 0; i < N; i++) {
        fd[i] = hc_test_connect(&server);
    }
    for (int i = 0; i < N; i++) {
        close(fd[i]);
    }
    for (int i = 0;; i++) { // the closed ones are noticed in a moment
        struct hc_test_reply r = hc_test_get(&server, "/api/dossier");
        bool is_good = r.code == 200;
        hc_test_reply_free(&r);
        if (is_good) {
            break;
        }
        assert_true(i < 100);
        usleep(50000);
    }
}

static void noise(void **state)
{
    enum { N = 200, AT_ONCE = 40 };
    uint64_t rng = 42;
    (void)state;
    for (int i = 0; i < N; i += AT_ONCE) {
        int fd[AT_ONCE];
        for (int k = 0; k < AT_ONCE; k++) {
            char bytes[600];
            size_t n = 0;
            if (k % 2) { // a good beginning, then noise
                n = (size_t)snprintf(bytes, sizeof bytes,
                                     "POST /api/zones HTTP/1.1\r\nHost: %s\r\nCookie: %s\r\n",
                                     server.host, server.cookie);
            }
            while (n < sizeof bytes) {
                rng = rng * 6364136223846793005u + 1442695040888963407u; // Knuth's MMIX
                bytes[n++] = (char)(rng >> 56);
            }
            fd[k] = hc_test_connect(&server);
            hc_test_send(fd[k], bytes, sizeof bytes);
            shutdown(fd[k], SHUT_WR);
        }
        for (int k = 0; k < AT_ONCE; k++) {
            struct hc_test_reply r = hc_test_read(fd[k]);
            assert_true(r.code == 0 || (r.code >= 400 && r.code < 600));
            hc_test_reply_free(&r);
        }
    }
    assert_code(hc_test_get(&server, "/api/dossier"), 200);
}

// ---- what is asked for, and how ----

static struct hc_test_reply zone(const char *body)
{
    return hc_test_ask(&server, "POST", "/api/zones", NULL, body);
}

static void bad_json(void **state)
{
    static const struct {
        const char *body, *says;
    } bad[] = {
        {"", "given"},
        {"{", "not valid JSON"},
        {"[]", "must be a JSON object"},
        {"{} {}", "not valid JSON"},
        {"{\"kind\":\"a\",\"kind\":\"b\"}", "duplicate"},
        {"{\"kind\":\"overpaint\"}", "\\\"polygon\\\" must be given"},
        {"{\"kind\":\"\",\"polygon\":[[0,0],[1,0],[1,1]]}", "\\\"kind\\\" must be given"},
        {"{\"kind\":null,\"polygon\":[[0,0],[1,0],[1,1]]}", "\\\"kind\\\" must be given"},
        {"{\"kind\":7,\"polygon\":[[0,0],[1,0],[1,1]]}", "must be a text"},
        {"{\"kind\":\"a\\nb\",\"polygon\":[[0,0],[1,0],[1,1]]}", "control characters"},
        {"{\"kind\":\"a\\u0000b\",\"polygon\":[[0,0],[1,0],[1,1]]}", "not valid JSON"},
        {"{\"kind\":\"\xff\",\"polygon\":[[0,0],[1,0],[1,1]]}", "byte 0xff"},
        {"{\"kind\":\"\xed\xa0\x80\",\"polygon\":[[0,0],[1,0],[1,1]]}", "byte 0xed"},
        {"{\"kind\":\"a\",\"colour\":1,\"polygon\":[[0,0],[1,0],[1,1]]}",
         "\\\"colour\\\" is not known here; known: polygon, kind, label"},
        {"{\"kind\":\"a\",\"polygon\":[[0,0],[1,0]]}", "3 to 10000"},
        {"{\"kind\":\"a\",\"polygon\":\"x\"}", "3 to 10000"},
        {"{\"kind\":\"a\",\"polygon\":{\"a\":1}}", "3 to 10000"},
        {"{\"kind\":\"a\",\"polygon\":[[0,0],[1,0],[1]]}", "corner 3"},
        {"{\"kind\":\"a\",\"polygon\":[[0,0],[1,0,2],[1,1]]}", "corner 2"},
        {"{\"kind\":\"a\",\"polygon\":[[0,\"0\"],[1,0],[1,1]]}", "corner 1"},
        {"{\"kind\":\"a\",\"polygon\":[[true,0],[1,0],[1,1]]}", "corner 1"},
        {"{\"kind\":\"a\",\"polygon\":[[1e999,0],[1,0],[1,1]]}", "not valid JSON"},
        {"{\"kind\":\"a\",\"polygon\":[[NaN,0],[1,0],[1,1]]}", "not valid JSON"},
        {"{\"kind\":\"a\",\"polygon\":[[1e8,0],[1,0],[1,1]]}", "corner 1"},
    };
    struct hc_buf b = {0};
    (void)state;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        assert_says(zone(bad[i].body), 400, bad[i].says);
    }
    for (int i = 0; i < 100000; i++) {
        hc_buf_str(&b, "[");
    }
    assert_says(zone(b.data), 400, "not valid JSON");
    hc_buf_reset(&b);
    hc_buf_str(&b, "{\"kind\":\"");
    for (int i = 0; i < 2000; i++) {
        hc_buf_str(&b, "k");
    }
    hc_buf_str(&b, "\",\"polygon\":[[0,0],[1,0],[1,1]]}");
    assert_code(zone(b.data), 413);
    hc_buf_release(&b);
    assert_code(hc_test_ask(&server, "POST", "/api/zones",
                            "Content-Type: text/plain\r\nContent-Length: 2\r\n\r\n{}", NULL),
                415);
}

static void polygons_become_geojson(void **state)
{
    (void)state;
    assert_says(
        zone("{\"kind\":\"overpaint\",\"polygon\":[[0,0],[9.5,0],[9.5,9]],\"label\":\"Ärmel\"}"),
        201, "{\\\"type\\\":\\\"Polygon\\\",\\\"coordinates\\\":[[[0,0],[9.5,0],[9.5,9],[0,0]]]}");
    assert_says(zone("{\"kind\":\"a\",\"polygon\":[[0,0],[9,0],[9,9],[0,0]]}"), 201,
                "[[[0,0],[9,0],[9,9],[0,0]]]");
    assert_says(hc_test_ask(&server, "POST", "/api/windows", NULL,
                            "{\"polygon\":[[0,0],[9,0],[9,9]],\"before\":12,\"test\":\"uv 2\"}"),
                201, "\"before\":\"12\"");
    assert_says(hc_test_ask(&server, "POST", "/api/windows", NULL,
                            "{\"polygon\":[[0,0],[9,0],[9,9]],\"surface\":\"wet\"}"),
                400, "the surface is not known");
    assert_code(hc_test_ask(&server, "DELETE", "/api/windows/1", NULL, NULL), 204);
    assert_code(hc_test_ask(&server, "DELETE", "/api/windows/2", NULL, NULL), 404);
    assert_code(hc_test_ask(&server, "DELETE", "/api/windows/one", NULL, NULL), 404);
    assert_code(hc_test_ask(&server, "DELETE", "/api/windows/-1", NULL, NULL), 404);
    assert_code(hc_test_ask(&server, "DELETE", "/api/zones/1", NULL, NULL), 204);
}

static void queries(void **state)
{
    static const struct {
        const char *query, *says;
        int code;
    } ask[] = {
        {"x=1.5&y=-2e1", "{\"x\":1.5,\"y\":-20,\"mm\":20}", 200},
        {"x=1&y=2&mm=%35", "\"mm\":5}", 200},
        {"x=1", "\\\"y\\\" must be given", 400},
        {"x=1&y=2&x=3", "comes twice", 400},
        {"x=1&y=", "finite number", 400},
        {"x=nan&y=2", "finite number", 400},
        {"x=inf&y=2", "finite number", 400},
        {"x=0x10&y=2", "finite number", 400},
        {"x=1e999&y=2", "finite number", 400},
        {"x=1&y=2&z=3", "\\\"z\\\" is not known here; known: x, y, mm", 400},
        {"x=1&y=2&mm=%ff", "UTF-8", 400},
        {"x=1%00&y=2", "finite number", 400},
        {"x=1&y=2&%ff=1", "UTF-8", 400},
    };
    (void)state;
    for (size_t i = 0; i < sizeof ask / sizeof ask[0]; i++) {
        char path[128];
        snprintf(path, sizeof path, "/api/spot?%s", ask[i].query);
        assert_says(hc_test_get(&server, path), ask[i].code, ask[i].says);
    }
    assert_says(hc_test_get(&server, "/api/patch?what=uv+1&x=1&y=2&px=64"), 200, "image/jpeg");
    assert_says(hc_test_get(&server, "/api/patch?what=uv+1&x=1&y=2&px=64"), 200, " uv 1 1 2 20 64");
    assert_code(hc_test_get(&server, "/api/patch?what=uv&x=1&y=2&px=513"), 400);
    assert_code(hc_test_get(&server, "/api/patch?what=uv&x=1&y=2&px=15"), 400);
}

static void methods(void **state)
{
    struct hc_test_reply get, head;
    (void)state;
    assert_says(hc_test_ask(&server, "POST", "/api/dossier", NULL, "{}"), 405,
                "Allow: GET, HEAD\r\n");
    assert_says(hc_test_ask(&server, "PATCH", "/api/views", NULL, NULL), 405,
                "Allow: GET, HEAD, PUT\r\n");
    assert_says(hc_test_ask(&server, "OPTIONS", "/api/zones", NULL, NULL), 405,
                "\"code\":\"method\"");
    assert_code(hc_test_ask(&server, "TRACE", "/", NULL, NULL), 405);
    assert_code(hc_test_ask(&server, "DELETE", "/index.html", NULL, NULL), 405);
    assert_says(hc_test_ask(&server, "POST", "/api/nothing", NULL, "{}"), 404,
                "\"code\":\"not-found\"");
    get = hc_test_get(&server, "/api/dossier");
    head = hc_test_ask(&server, "HEAD", "/api/dossier", NULL, NULL);
    assert_int_equal(head.code, 200);
    assert_int_equal(head.body_len, 0);
    assert_non_null(strstr(get.head, "Content-Length: "));
    assert_memory_equal(strstr(head.head, "Content-Length: "), strstr(get.head, "Content-Length: "),
                        19);
    assert_non_null(strstr(get.head, "Cache-Control: no-store"));
    hc_test_reply_free(&get);
    hc_test_reply_free(&head);
}

// Two requests on one connection: nothing of the first clings to the second.
static void keep_alive(void **state)
{
    char request[1024];
    struct hc_test_reply r;
    int fd = hc_test_connect(&server);
    (void)state;
    snprintf(request, sizeof request,
             "GET /api/spot?x=1&y=2 HTTP/1.1\r\nHost: %s\r\nCookie: %s\r\n\r\n"
             "GET /api/zones HTTP/1.1\r\nHost: %s\r\nCookie: %s\r\nConnection: close\r\n\r\n",
             server.host, server.cookie, server.host, server.cookie);
    hc_test_send(fd, request, strlen(request));
    r = hc_test_read(fd);
    assert_int_equal(r.code, 200);
    assert_non_null(strstr(r.body, "\"mm\":20}HTTP/1.1 200 OK"));
    assert_non_null(strstr(r.body, "{\"zones\":[]}"));
    hc_test_reply_free(&r);
}

static void tiles(void **state)
{
    static const char *const bad[] = {
        "/tiles/" KEY_A "/0/0",        "/tiles/" KEY_A "/0/0_",    "/tiles/" KEY_A "/0/_0",
        "/tiles/" KEY_A "/-1/0_0",     "/tiles/" KEY_A "/0/0_0_0", "/tiles/" KEY_A "/0/0_0.jpg",
        "/tiles/" KEY_A "0/0/0_0",     "/tiles/AAAA/0/0_0",        "/tiles/" KEY_A "/99999999/0_0",
        "/tiles/" KEY_A "/0/0_0/more", "/tiles/" KEY_A "/0/+1_0",
    };
    char etag[128] = "", header[160];
    struct hc_test_reply r = hc_test_get(&server, "/tiles/" KEY_A "/3/12_7");
    (void)state;
    assert_int_equal(r.code, 200);
    assert_string_equal(r.body, "\xff\xd8 3 12 7");
    assert_non_null(strstr(r.head, "Content-Type: image/jpeg"));
    assert_non_null(strstr(r.head, "Cache-Control: private, max-age=31536000, immutable"));
    assert_int_equal(sscanf(strstr(r.head, "ETag: "), "ETag: %127[^\r]", etag), 1);
    hc_test_reply_free(&r);
    snprintf(header, sizeof header, "If-None-Match: \"x\", W/%s\r\n", etag);
    assert_code(hc_test_ask(&server, "GET", "/tiles/" KEY_A "/3/12_7", header, NULL), 304);
    assert_code(hc_test_ask(&server, "GET", "/tiles/" KEY_A "/3/12_8", header, NULL), 200);
    assert_code(hc_test_get(&server, "/tiles/b" KEY_A "/0/0_0"), 404);
    assert_says(
        hc_test_get(
            &server,
            "/tiles/bbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbb/0/0_0"),
        404, "there are no such tiles");
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        assert_code(hc_test_get(&server, bad[i]), 404);
    }
}

static void page_files(void **state)
{
    (void)state;
    for (size_t i = 0; i < hc_web_files_count; i++) {
        const struct hc_web_file *f = &hc_web_files[i];
        struct hc_test_reply r = hc_test_get(&server, f->path);
        char text[160];
        assert_int_equal(r.code, 200);
        snprintf(text, sizeof text, "Content-Type: %s\r\n", f->type);
        assert_non_null(strstr(r.head, text));
        assert_string_equal(f->type, hc_server_media_type(f->path));
        snprintf(text, sizeof text, "ETag: %s", f->etag);
        assert_non_null(strstr(r.head, text));
        assert_int_equal(strstr(r.head, "Content-Encoding: gzip") != NULL, f->is_gzip);
        assert_int_equal(r.body_len, f->length);
        assert_memory_equal(r.body, hc_web_blob + f->offset, f->length);
        hc_test_reply_free(&r);
        snprintf(text, sizeof text, "If-None-Match: %s\r\n", f->etag);
        assert_code(hc_test_ask(&server, "GET", f->path, text, NULL), 304);
    }
    assert_null(hc_server_media_type("/js/look.c"));
    assert_null(hc_server_media_type("/dir.js/passwd"));
    assert_string_equal(hc_server_media_type("/vendor/x/LICENSE.txt"), "text/plain; charset=utf-8");
}

static void put_file(const char *dir, const char *name, const char *text)
{
    char path[256];
    FILE *f;
    snprintf(path, sizeof path, "%s/%s", dir, name);
    f = fopen(path, "w");
    assert_non_null(f);
    fputs(text, f);
    fclose(f);
}

static void drop_file(const char *dir, const char *name)
{
    char path[256];
    snprintf(path, sizeof path, "%s/%s", dir, name);
    assert_int_equal(remove(path), 0);
}

static void page_from_a_folder(void **state)
{
    struct hc_test_server other = {0};
    char dir[] = "/tmp/hc-web-XXXXXX", path[256];
    (void)state;
    assert_non_null(mkdtemp(dir));
    put_file(dir, "index.html", "<!doctype html><title>in work</title>");
    put_file(dir, "secret.c", "int x;");
    snprintf(path, sizeof path, "%s/link.js", dir);
    assert_int_equal(symlink("/etc/passwd", path), 0);
    other.options.web_dir = dir;
    hc_test_start(&other, NULL);
    assert_says(hc_test_get(&other, "/"), 200, "in work");
    assert_says(hc_test_get(&other, "/index.html"), 200, "text/html");
    assert_code(hc_test_get(&other, "/link.js"), 404);
    assert_code(hc_test_get(&other, "/secret.c"), 404);
    assert_code(hc_test_get(&other, "/../etc/x.js"), 404);
    assert_code(hc_test_get(&other, "/%2e%2e/etc/x.js"), 404);
    put_file(dir, "new.js", "export {}"); // no restart needed
    assert_says(hc_test_get(&other, "/new.js"), 200, "text/javascript");
    hc_test_stop(&other);
    hc_test_remove(&other);
    drop_file(dir, "index.html");
    drop_file(dir, "secret.c");
    drop_file(dir, "link.js");
    drop_file(dir, "new.js");
    assert_int_equal(rmdir(dir), 0);
}

// Whatever allocation fails, the server answers or hangs up, and goes on.
static void out_of_memory(void **state)
{
    static const char *const line[] = {"POST /api/zones", "GET /tiles/" KEY_A "/1/2_3",
                                       "GET /api/dossier", "GET /api/nothing"};
    (void)state;
    for (int k = 0; k < 4; k++) {
        char request[1024];
        bool is_post = k == 0;
        int reached = 0;
        snprintf(
            request, sizeof request,
            "%s HTTP/1.1\r\nHost: %s\r\nCookie: %s\r\nOrigin: http://%s\r\nConnection: close\r\n"
            "Content-Type: application/json\r\nContent-Length: %zu\r\n\r\n%s",
            line[k], server.host, server.cookie, server.host, is_post ? strlen(ZONE) : 0,
            is_post ? ZONE : "");
        for (int n = 0; n < 12; n++) {
            int code;
            hc_mem_fail_at(n);
            code = hc_test_code(hc_test_raw(&server, request));
            hc_mem_fail_at(-1);
            assert_true(code == 0 || code == 503 || code == (is_post ? 201 : k == 3 ? 404 : 200));
            reached += code == 0 || code == 503;
        }
        assert_true(reached >= 1);
    }
    assert_code(hc_test_get(&server, "/api/dossier"), 200);
}

// ---- one writer ----

static void second_server_reads_only(void **state)
{
    struct hc_test_server other = {0};
    (void)state;
    assert_says(hc_test_get(&server, "/api/dossier"), 200, "\"read_only\":false");
    hc_test_start(&other, server.dir);
    assert_string_not_equal(other.cookie, server.cookie);
    assert_says(hc_test_get(&other, "/api/dossier"), 200, "\"read_only\":true");
    assert_says(hc_test_get(&other, "/api/dossier"), 200, "\"height_mm\":412.5");
    assert_says(hc_test_ask(&other, "POST", "/api/zones", NULL, ZONE), 409, "reading only");
    assert_code(hc_test_ask(&other, "DELETE", "/api/windows/1", NULL, NULL), 409);
    assert_code(hc_test_ask(&other, "POST", "/api/forecast", NULL, "{}"), 409);
    assert_code(hc_test_ask(&other, "PUT", VIEW, "Content-Length: 4\r\n\r\nTIFF", NULL), 409);
    assert_code(hc_test_ask(&other, "POST", "/api/report", NULL, "{}"), 200); // reads
    hc_test_stop(&other);
    assert_code(hc_test_get(&server, "/api/dossier"), 200);
}

static void bad_starts(void **state)
{
    struct hc_server_options o = {.dossier = "/nonexistent/dossier"};
    struct hc_job stop = {.cancel = true};
    struct hc_err err = {0};
    size_t live = hc_mem_live();
    (void)state;
    assert_int_equal(hc_server_run(&o, &stop, &err), HC_ENOTFOUND);
    o.dossier = NULL;
    assert_int_equal(hc_server_run(&o, &stop, &err), HC_EARG);
    o.dossier = server.dir;
    o.port = 70000;
    assert_int_equal(hc_server_run(&o, &stop, &err), HC_EARG);
    o.port = server.port;
    assert_int_equal(hc_server_run(&o, &stop, &err), HC_EIO);
    assert_non_null(strstr(err.what, "--port"));
    o.port = 0;
    o.web_dir = "/nonexistent/web";
    assert_int_equal(hc_server_run(&o, &stop, &err), HC_EIO);
    assert_int_equal(hc_mem_live(), live);
}

static void leftovers_are_swept(void **state)
{
    struct hc_test_server other = {0}, second = {0};
    char derived[80], dir[64];
    (void)state;
    hc_test_start(&other, NULL);
    snprintf(derived, sizeof derived, "%s/derived", other.dir);
    hc_test_stop(&other);
    snprintf(dir, sizeof dir, "%s", other.dir);
    put_file(derived, "upload-AbCdEf", "half a photograph");
    put_file(derived, "upload-of-another-kind", "kept");
    put_file(derived, "tiles.bin", "kept");
    other = (struct hc_test_server){0};
    hc_test_start(&other, dir);
    assert_int_equal(hc_test_files_in(derived), 2);
    put_file(derived, "upload-AbCdEf", "a photograph that the first server is taking in");
    second.options.read_only = true;
    hc_test_start(&second, dir);
    assert_int_equal(hc_test_files_in(derived), 3);
    hc_test_stop(&second);
    drop_file(derived, "tiles.bin");
    drop_file(derived, "upload-AbCdEf");
    drop_file(derived, "upload-of-another-kind");
    hc_test_stop(&other);
    hc_test_remove(&other);
}

// ---- the interface's page ----

// A row of the table: "| id | METHOD /path... | what |".
static bool row_of(const char *line, char id[40], char method[10], char path[80])
{
    return sscanf(line, "| %39s | `%9s %79[^`?]", id, method, path) == 3;
}

static void interface_page_is_true(void **state)
{
    size_t n = 0, rows = 0;
    const struct hc_server_route *route = hc_server_routes(&n);
    const char *root = getenv("HC_SOURCE_ROOT");
    char full[1024], line[2000];
    bool seen[64] = {false};
    FILE *f;
    (void)state;
    snprintf(full, sizeof full, "%s/docs/http-api.md", root ? root : ".");
    f = fopen(full, "r");
    assert_non_null(f);
    while (fgets(line, sizeof line, f)) {
        char id[40], method[10], path[80];
        bool is_found = false;
        if (!row_of(line, id, method, path)) {
            continue;
        }
        rows++;
        for (size_t i = 0; i < n; i++) {
            if (strcmp(route[i].id, id) == 0 && strcmp(route[i].method, method) == 0 &&
                strcmp(route[i].pattern, path) == 0) {
                is_found = seen[i] = true;
            }
        }
        if (!is_found) {
            print_error("docs/http-api.md has a row that no route answers: %s", line);
        }
        assert_true(is_found);
    }
    fclose(f);
    assert_int_equal(rows, n);
    for (size_t i = 0; i < n; i++) {
        if (!seen[i]) {
            print_error("docs/http-api.md does not mention %s\n", route[i].id);
        }
        assert_true(seen[i]);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(first_link),
        cmocka_unit_test(no_session_no_answer),
        cmocka_unit_test(foreign_host),
        cmocka_unit_test(foreign_origin),
        cmocka_unit_test(foreign_page_reading),
        cmocka_unit_test(headers_on_every_answer),
        cmocka_unit_test(traversal),
        cmocka_unit_test(too_large),
        cmocka_unit_test(two_lengths),
        cmocka_unit_test(huge_headers),
        cmocka_unit_test(slow_client),
        cmocka_unit_test(many_connections),
        cmocka_unit_test(noise),
        cmocka_unit_test(bad_json),
        cmocka_unit_test(polygons_become_geojson),
        cmocka_unit_test(queries),
        cmocka_unit_test(methods),
        cmocka_unit_test(keep_alive),
        cmocka_unit_test(tiles),
        cmocka_unit_test(page_files),
        cmocka_unit_test(page_from_a_folder),
        cmocka_unit_test(out_of_memory),
        cmocka_unit_test(second_server_reads_only),
        cmocka_unit_test(bad_starts),
        cmocka_unit_test(leftovers_are_swept),
        cmocka_unit_test(interface_page_is_true),
    };
    return cmocka_run_group_tests_name("server", tests, start_one, stop_one);
}
