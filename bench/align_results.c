#include "align_results.h"

#include <stddef.h>
#include <string.h>

#include "base/mem.h"

#define KEPT_MAX ((size_t)1 << 20)

struct bar {
    FILE *f;
    const char *room;
    int missed;
};

static void put(struct bar *b, const struct bench_row *row, const char *figure, double got,
                double most)
{
    bool is_met = got <= most;
    fprintf(b->f, "%s,%s %s,%s,%.3f,<=,%.3f\n", b->room, row->set, row->name, figure, got, most);
    if (!is_met) {
        printf("missed: %s %s, %s: %.3f, at most %.3f\n", row->set, row->name, figure, got, most);
    }
    b->missed += !is_met;
}

// The methods' bars: tight where tones agree (also inverted), wider where they do not.
static void put_row(struct bar *b, const struct bench_row *row)
{
    bool is_near = strcmp(row->name, "vis") == 0 || strcmp(row->name, "test") == 0 ||
                   strcmp(row->name, "gamma") == 0 || strcmp(row->name, "inv") == 0;
    bool is_raking = strcmp(row->name, "raking") == 0; // no bar was set for it
    size_t median = offsetof(struct bench_result, median), p95 = offsetof(struct bench_result, p95);
    put(b, row, "wrong", bench_wrong(row, BENCH_OURS), 0);
    if (strcmp(b->room, "align") != 0) {
        return;
    }
    if (strcmp(row->set, "plain") == 0 && !is_raking) {
        put(b, row, "worst median px", bench_figure(row, BENCH_OURS, median, 1),
            is_near ? 0.10 : 0.25);
        put(b, row, "worst 95 % px", bench_figure(row, BENCH_OURS, p95, 1), is_near ? 0.3 : 0.6);
        put(b, row, "refused", bench_count(row, BENCH_OURS, BENCH_NONE), 0);
    }
    if (strcmp(row->set, "bend") == 0 && !is_raking) {
        put(b, row, "worst median px where supported",
            bench_figure(row, BENCH_OURS, offsetof(struct bench_result, inside_median), 1), 0.4);
        put(b, row, "worst 95 % px where supported",
            bench_figure(row, BENCH_OURS, offsetof(struct bench_result, inside_p95), 1), 1.2);
    }
}

int bench_results(const char *path, const struct bench_row *rows, int n, bool is_photos)
{
    const char *room = is_photos ? "align photographs" : "align";
    struct bar b = {.room = room};
    char line[512], *kept = hc_mem_array(KEPT_MAX, 1);
    size_t len = 0, own = strlen(room);
    FILE *f = fopen(path, "r");
    while (kept && f && fgets(line, sizeof line, f) && len + strlen(line) < KEPT_MAX) {
        if (strncmp(line, room, own) != 0 || line[own] != ',') {
            memcpy(kept + len, line, strlen(line));
            len += strlen(line);
        }
    }
    if (f) {
        fclose(f);
    }
    b.f = kept ? fopen(path, "w") : NULL;
    if (!b.f) {
        fprintf(stderr, "%s cannot be written\n", path);
        hc_mem_free(kept);
        return 1;
    }
    fputs(len ? kept : "room,set,figure,value,relation,bar\n", b.f);
    for (int i = 0; i < n; i++) {
        put_row(&b, &rows[i]);
    }
    fclose(b.f);
    hc_mem_free(kept);
    return b.missed > 0;
}
