#!/bin/sh
# bench/align_table.sh RAW...: what bench_align raw=RAW wrote, as a table. One row per set, view and
# method; of the pairs that were given (good or usable) the median and, in brackets, the worst.
sort -u "$@" | awk -F';' '
function add(key, v) { n[key]++; val[key, n[key]] = v }
function show(key,   i, j, t, k) {
    k = n[key]
    if (k == 0) return "-"
    for (i = 2; i <= k; i++) {
        t = val[key, i]
        for (j = i - 1; j >= 1 && val[key, j] > t; j--) val[key, j + 1] = val[key, j]
        val[key, j + 1] = t
    }
    t = k % 2 ? val[key, (k + 1) / 2] : (val[key, k / 2] + val[key, k / 2 + 1]) / 2
    return sprintf("%.3f (%.3f)", t, val[key, k])
}
{
    row = $1 " | " $2 " | " $4
    if (!(row in seen)) { seen[row] = 1; order[++rows] = row }
    of[row]++
    count[row, $5]++
    add(row " s", $13 + 0)
    if ($5 != "refused") {
        add(row " m", $6 + 0); add(row " p", $7 + 0); add(row " x", $8 + 0)
        wrong[row] += $6 > 2
    }
}
END {
    print "| set | view | by | median | 95 % | max | s | good | usable | refused | wrong | of |"
    print "|---|---|---|---|---|---|---|---|---|---|---|---|"
    for (i = 1; i <= rows; i++) {
        r = order[i]
        printf "| %s | %s | %s | %s | %s | %d | %d | %d | %d | %d |\n", r, show(r " m"), show(r " p"),
            show(r " x"), show(r " s"), count[r, "good"], count[r, "usable"], count[r, "refused"],
            wrong[r], of[r]
    }
}'
