#!/bin/sh
# Tests of the page: types, units, the page on a stand-in program, the page on the real one.
#   HC_BIN=/path/to/halfclean [HC_DEMO=DIR] tests/web/run.sh [unit|check|page|place|colour|light|e2e|e2e_place|e2e_light ...]
# Each suite ends with a line "N passed, N failed", and so does the whole. Needs node 18 or newer, npm, chromium.
cd "$(dirname "$0")" || exit 1
[ -d node_modules ] || npm ci --no-audit --no-fund >&2 || exit 1
passed=0 failed=0

# Adds the suite's closing line to the sums; a suite that ends without one has failed.
count() {
    line=$(grep -E '^[0-9]+ passed, [0-9]+ failed$' "$out" | tail -1)
    [ -n "$line" ] || { line="0 passed, 1 failed"; echo "FAIL  $1 ended without its closing line"; }
    passed=$((passed + ${line%% passed*}))
    line=${line#*, }
    failed=$((failed + ${line%% failed}))
}

out=$(mktemp)
trap 'rm -f "$out"' EXIT
for suite in ${*:-types unit check page place colour light e2e e2e_place e2e_light}; do
    echo "== $suite"
    case $suite in
    types)
        if npx --no-install tsc -p . >"$out" 2>&1; then echo "1 passed, 0 failed" >>"$out"
        else echo "0 passed, 1 failed" >>"$out"; fi ;;
    unit)
        node --test --test-reporter=tap unit.test.mjs >"$out" 2>&1
        p=$(sed -n 's/^# pass //p' "$out") f=$(sed -n 's/^# fail //p' "$out")
        c=$(sed -n 's/^# cancelled //p' "$out")
        grep -E '^ *(ok|not ok)' "$out" >"$out.names"
        [ "${f:-1}" = 0 ] && mv "$out.names" "$out" || rm -f "$out.names"
        echo "${p:-0} passed, $((${f:-1} + ${c:-0})) failed" >>"$out" ;;
    check) HC_COLOUR_PRINT=${HC_COLOUR_PRINT:-$(dirname "${HC_BIN:-}")/../../tests/colour_print} node colour_check.mjs >"$out" 2>&1 ;;
    page | place | colour | light | e2e | e2e_place | e2e_light) node "$suite.mjs" >"$out" 2>&1 ;;
    *) echo "no such suite: $suite" >"$out" ;;
    esac
    cat "$out"
    count "$suite"
done
echo "== page, all suites"
echo "$passed passed, $failed failed"
[ "$failed" = 0 ]
