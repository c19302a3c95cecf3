// The printed forecast: a whole file, the same bytes twice, and no input that breaks the page.
#include "hc_test.h"

#include <sys/stat.h>
#include <unistd.h>

#include <cairo-pdf.h>

#include "base/mem.h"
#include "report/report.h"
#include "report/report_priv.h"

#define W 60
#define H 72

static uint8_t pixels[3 * W * H];
static char folder[64];

static int make_folder(void **state)
{
    (void)state;
    snprintf(folder, sizeof folder, "/tmp/hc-report-XXXXXX");
    for (size_t i = 0; i < sizeof pixels; i++) {
        pixels[i] = (uint8_t)(i * 7 % 251);
    }
    return mkdtemp(folder) ? 0 : -1;
}

static int remove_folder(void **state)
{
    (void)state;
    return rmdir(folder); // fails when a test left a file behind
}

static const char *path_of(const char *name)
{
    static char path[160];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    return path;
}

static struct hc_report_forecast small(void)
{
    static const struct hc_report_row rows[] = {
        {"coat", "aged natural resin", NULL},
        {"input", "before.tif",
         "SHA-256 0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"}};
    static const struct hc_report_window_row windows[] = {
        {"window 1", "bare", "gel", 100, 30, 8, 3, 1.0},
        {"window 2", "bare", "gel", 100, 70, 8, 9, 1.2}};
    static const struct hc_report_refusal_row refusals[] = {{1, 0.1, "a zone"},
                                                            {4, 0.05, "radius"}};
    static const char *const cautions[] = {"Ventilate.", "Stop where paint lifts."};
    struct hc_report_picture pic = {pixels, W, H, "caption"};
    return (struct hc_report_forecast){.title = "Still life",
                                       .subtitle = "nobody, 1640",
                                       .made_at = "2026-01-31T08:05:09Z",
                                       .program = "halfclean test",
                                       .before = pic,
                                       .halfclean = pic,
                                       .map = pic,
                                       .fact = rows,
                                       .n_facts = 2,
                                       .figure = rows,
                                       .n_figures = 1,
                                       .window = windows,
                                       .n_windows = 2,
                                       .refusal = refusals,
                                       .n_refusals = 2,
                                       .provenance = rows,
                                       .n_provenance = 2,
                                       .next_window = "Open one on the curtain.",
                                       .caveat = "A prediction.",
                                       .caution = cautions,
                                       .n_cautions = 2};
}

// Writes the report, reads the file back and removes it.
static struct hc_buf make(const struct hc_report_forecast *r)
{
    struct hc_buf b = {0};
    struct hc_err err = {0};
    char block[4096];
    size_t n;
    assert_ok(hc_report_forecast_pdf(path_of("report.pdf"), r, &err), &err);
    FILE *f = fopen(path_of("report.pdf"), "rb");
    assert_non_null(f);
    while ((n = fread(block, 1, sizeof block, f)) > 0) {
        hc_buf_bytes(&b, block, n);
    }
    fclose(f);
    assert_int_equal(unlink(path_of("report.pdf")), 0);
    assert_int_equal(hc_buf_check(&b, NULL), HC_OK);
    return b;
}

static size_t count(const struct hc_buf *b, const char *word)
{
    size_t n = 0, len = strlen(word);
    for (size_t i = 0; i + len <= b->len; i++) {
        n += memcmp(b->data + i, word, len) == 0;
    }
    return n;
}

static void test_whole_file(void **state)
{
    struct hc_report_forecast r = small();
    struct hc_buf b = make(&r);
    (void)state;
    assert_memory_equal(b.data, "%PDF-1.", 7);
    assert_memory_equal(b.data + b.len - 6, "%%EOF\n", 6);
    assert_int_equal(count(&b, "/Type /Page %"), 2);
    assert_true(count(&b, "/S /H1") == 1 && count(&b, "/S /Table") >= 5);
    assert_true(count(&b, "/Marked true") >= 1 && count(&b, "/Lang (en-GB)") == 1);
    assert_true(count(&b, "/Title (The windows)") == 1); // the outline
    assert_true(count(&b, "/CreationDate (20260131080509") == 1);
    hc_buf_release(&b);
}

// Every cross-reference of the appended part points at the object it names.
static void test_update(void **state)
{
    struct hc_report_forecast r = small();
    struct hc_buf b = make(&r);
    (void)state;
    const char *at = b.data + b.len;
    int objects = 0;
    while (memcmp(at, "startxref", 9) != 0) {
        at--;
    }
    const char *table = b.data + strtol(at + 9, NULL, 10);
    assert_memory_equal(table, "xref\n0 1\n", 9);
    for (const char *line = table + 9 + 20; *line != 't'; line += 20) {
        char *end;
        char want[32];
        long number = strtol(line, &end, 10);
        line = strchr(line, '\n') + 1;
        snprintf(want, sizeof want, "%ld 0 obj\n", number);
        assert_memory_equal(b.data + strtol(line, NULL, 10), want, strlen(want));
        objects++;
    }
    assert_int_equal(count(&b, "/DestOutputProfile"), 1);
    assert_int_equal(count(&b, "/Alt <FEFF00630061007000740069006F006E>"), 3); // "caption"
    assert_int_equal(objects, 5); // profile, catalogue, three pictures
    hc_buf_release(&b);
}

static void test_same_bytes(void **state)
{
    struct hc_report_forecast r = small();
    struct hc_buf one = make(&r), two = make(&r);
    (void)state;
    assert_int_equal(one.len, two.len);
    assert_memory_equal(one.data, two.data, one.len);
    r.made_at = "2026-01-31T08:05:10Z";
    hc_buf_release(&two);
    two = make(&r);
    assert_true(one.len != two.len || memcmp(one.data, two.data, one.len) != 0);
    hc_buf_release(&one);
    hc_buf_release(&two);
}

static void test_odd_text(void **state)
{
    enum { MANY = 40 };
    static char long_text[6000];
    struct hc_report_window_row windows[MANY];
    struct hc_report_row rows[MANY];
    struct hc_report_refusal_row refusals[MANY];
    const char *cautions[MANY];
    struct hc_report_forecast r = small();
    (void)state;
    memset(long_text, 'x', sizeof long_text - 1); // one word longer than any line
    for (size_t i = 300; i < sizeof long_text - 1; i += 9) {
        long_text[i] = ' ';
    }
    const char *odd[] = {long_text,
                         "\xff\xfe broken \xc3",
                         "\xd7\xa9\xd7\x9c\xd7\x95\xd7\x9d, \xe7\xb5\xb5",
                         "a\nb\tc\x01",
                         "",
                         NULL,
                         "<b>&amp; 100 %s %n",
                         "\xf0\x9f\x96\xbc"};
    for (size_t i = 0; i < MANY; i++) {
        const char *s = odd[i % 8];
        windows[i] = (struct hc_report_window_row){
            s, s, s, i % 3 ? 1e12 : (double)NAN, 50, i % 5 ? 3 : (double)INFINITY, 2, -1};
        rows[i] = (struct hc_report_row){s, s, s};
        refusals[i] = (struct hc_report_refusal_row){(int)i, i % 7 ? 0.01 : (double)NAN, s};
        cautions[i] = s;
    }
    r.title = r.subtitle = r.program = r.caveat = r.next_window = long_text;
    r.window = windows;
    r.fact = r.figure = r.provenance = rows;
    r.refusal = refusals;
    r.caution = cautions;
    r.n_windows = r.n_facts = r.n_figures = r.n_provenance = r.n_refusals = r.n_cautions = MANY;
    r.map = r.before = (struct hc_report_picture){NULL, 0, 0, long_text};
    struct hc_buf b = make(&r);
    assert_true(count(&b, "/Type /Page %") > 6);
    hc_buf_release(&b);
}

static void test_nothing_given(void **state)
{
    struct hc_report_forecast r = {.made_at = "2026-01-31T08:05:09Z"};
    struct hc_buf b = make(&r);
    (void)state;
    assert_int_equal(count(&b, "/Type /Page %"), 2);
    hc_buf_release(&b);
}

// What is below the edge of a sheet is lost: forty windows must open sheets, all of them shown.
static void test_flow(void **state)
{
    struct hc_report_window_row windows[40];
    struct hc_report_forecast r = small();
    (void)state;
    for (int i = 0; i < 40; i++) {
        windows[i] = r.window[0];
    }
    r.window = windows;
    r.n_windows = 40;
    struct hc_buf b = make(&r);
    assert_int_equal(count(&b, "/Type /Page %"), 3);
    // 9 cells a window, 3 in each of 2 refusals and their sum, 2 + 1 + 2 rows of facts.
    assert_int_equal(count(&b, "/S /TD\n"), 40 * 9 + 9 + 5);
    hc_buf_release(&b);
}

static void test_refused(void **state)
{
    struct hc_report_forecast r = small();
    struct hc_err err = {0};
    (void)state;
    assert_int_equal(hc_report_forecast_pdf("/nonexistent/folder/a.pdf", &r, &err), HC_EIO);
    assert_non_null(strstr(err.what, "/nonexistent/folder/a.pdf"));
    // A folder in the way: the temporary file must not stay behind.
    assert_int_equal(mkdir(path_of("taken"), 0755), 0);
    assert_int_equal(hc_report_forecast_pdf(path_of("taken"), &r, &err), HC_EIO);
    assert_int_equal(rmdir(path_of("taken")), 0);
    const char *dates[] = {NULL, "", "yesterday", "2026-01-31 08:05:09Z", "2026-01-31T08:05:09ZZ"};
    for (size_t i = 0; i < 5; i++) {
        r.made_at = dates[i];
        assert_int_equal(hc_report_forecast_pdf(path_of("a.pdf"), &r, &err), HC_EARG);
    }
    r = small();
    r.before.w = 40000; // more than cairo takes; the pixels are never looked at
    r.before.h = 1;
    assert_int_equal(hc_report_forecast_pdf(path_of("a.pdf"), &r, &err), HC_ELIMIT);
}

static void test_memory(void **state)
{
    struct hc_report_forecast r = small();
    struct hc_err err = {0};
    size_t before = hc_mem_live();
    (void)state;
    for (long n = 0; n < 400; n++) {
        hc_mem_fail_at(n);
        hc_status st = hc_report_forecast_pdf(path_of("a.pdf"), &r, &err);
        hc_mem_fail_at(-1);
        if (st == HC_OK) {
            assert_true(n > 3); // it did need memory, and got it at last
            assert_int_equal(unlink(path_of("a.pdf")), 0);
            assert_int_equal(hc_mem_live(), before);
            return;
        }
        assert_int_equal(st, HC_ENOMEM);
        assert_int_not_equal(access(path_of("a.pdf"), F_OK), 0);
        assert_int_equal(hc_mem_live(), before);
    }
    fail();
}

static void test_clean(void **state)
{
    static const char *const pair[][2] = {
        {"plain", "plain"},
        {"line\nline", "line line"},
        {"0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef!",
         "0123456789abcdef\xe2\x80\xa6!"},
        {"0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef0",
         "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef0"},
        {"a\xff", "a\xef\xbf\xbd"},
        {NULL, ""}};
    (void)state;
    for (size_t i = 0; i < sizeof pair / sizeof pair[0]; i++) {
        char *got = hc_text_clean(pair[i][0]);
        assert_string_equal(got, pair[i][1]);
        g_free(got);
    }
}

// A PDF of another build is refused with a sentence, not patched wrongly.
static void test_declare(void **state)
{
    static const char *const bad[] = {
        "", "%PDF-1.5\n", "trailer\n<< /Size 3 /Info 2 0 R >>\nstartxref\n9\n",
        "trailer\n<< /Size 3 /Root 7 0 R /Info 2 0 R >>\nstartxref\n9\n"};
    (void)state;
    for (size_t i = 0; i < 4; i++) {
        struct hc_buf b = {0};
        struct hc_err err = {0};
        hc_buf_str(&b, bad[i]);
        assert_int_equal(hc_pdf_declare(&b, "en-GB", NULL, 0, &err), HC_EDATA);
        assert_string_equal(hc_buf_text(&b), bad[i]);
        hc_buf_release(&b);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_clean),      cmocka_unit_test(test_declare),
        cmocka_unit_test(test_whole_file), cmocka_unit_test(test_update),
        cmocka_unit_test(test_same_bytes), cmocka_unit_test(test_odd_text),
        cmocka_unit_test(test_flow),       cmocka_unit_test(test_nothing_given),
        cmocka_unit_test(test_refused),    cmocka_unit_test(test_memory),
    };
    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
