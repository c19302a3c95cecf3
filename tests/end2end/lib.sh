# Helpers of the end-to-end tests: the real binary on image files. Sourced by each test.
# HC_BIN is the program; each test gets a fresh folder in $work, removed at the end.
set -u
: "${HC_BIN:?HC_BIN must name the halfclean program}"
work=$(mktemp -d)
cleanup() { umount "$work/tiny" 2>/dev/null; chmod -R u+w "$work" 2>/dev/null; rm -rf "$work"; }
trap cleanup EXIT
export SOURCE_DATE_EPOCH=1790000000 # the same dates on every run
passed=0 failed=0

hc() { "$HC_BIN" "$@" --quiet; }
good() { passed=$((passed + 1)); }
bad() { failed=$((failed + 1)); echo "FAILED: $*"; }

# works NAME COMMAND...: exit code 0
works() {
    name=$1
    shift
    if "$@" >"$work/out" 2>"$work/err"; then good; else bad "$name (exit $?): $(cat "$work/err")"; fi
}

# fails NAME CODE TEXT COMMAND...: that exit code, and one line on standard error that holds TEXT
fails() {
    name=$1 code=$2 text=$3
    shift 3
    "$@" >"$work/out" 2>"$work/err"
    got=$?
    if [ "$got" != "$code" ]; then
        bad "$name: exit $got, expected $code: $(cat "$work/err")"
    elif [ "$(wc -l <"$work/err")" != 1 ]; then
        bad "$name: not one line: $(cat "$work/err")"
    elif ! grep -q -- "$text" "$work/err"; then
        bad "$name: says \"$(cat "$work/err")\", expected \"$text\""
    else
        good
    fi
}

# same NAME A B: two texts are equal
same() { if [ "$2" = "$3" ]; then good; else bad "$1: \"$2\" is not \"$3\""; fi; }

# true_that NAME EXPRESSION: an awk expression holds
true_that() { if awk "BEGIN { exit !($2) }"; then good; else bad "$1: $2"; fi; }

# json FILE PATH: one value of a JSON file (SQLite's reader: not our own)
json() { sqlite3 :memory: "SELECT json_extract(CAST(readfile('$1') AS TEXT), '$2');"; }

# A fingerprint of all that must not change when a command is refused.
state_of() { (cd "$1" && sqlite3 halfclean.db .dump | sha256sum && ls -l originals | sha256sum); }

finish() { echo "$passed passed, $failed failed"; [ "$failed" = 0 ]; exit; }
