#!/bin/sh
# tools/embed_web packs what the page needs, nothing else, and the same bytes each time.
# $1 = path of embed_web.
set -eu
embed=$1
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT
fail() {
    echo "$*"
    exit 1
}

mkdir -p "$dir/web/js" "$dir/web/tests" "$dir/web/node_modules/x" "$dir/web/vendor" "$dir/web/.hidden"
for i in 1 2 3 4 5 6 7 8 9; do echo "<p>the same line</p>"; done >"$dir/web/index.html"
echo 'export const a = 1;' >"$dir/web/js/a.js"
echo 'Permission is granted' >"$dir/web/vendor/thing.LICENSE.txt"
for skipped in tests/b.js node_modules/x/c.js .hidden/d.js js/e.ts js/f.d.ts package.json notes.md; do
    echo 'not for the page' >"$dir/web/$skipped"
done

pack() { "$embed" "$dir/web" "$dir/$1.bin" "$dir/$1.S" "$dir/$1.c" "$dir/$1.d"; }
pack one
touch -d '2001-01-01' "$dir/web/index.html" "$dir/web/js/a.js"
pack two
cmp "$dir/one.bin" "$dir/two.bin"
cmp "$dir/one.c" "$dir/two.c"

[ "$(grep -c '^    {"/' "$dir/one.c")" = 3 ] || fail "expected three files: $(cat "$dir/one.c")"
grep -q '{"/index.html", "text/html; charset=utf-8"' "$dir/one.c" || fail "no index.html"
grep -q '{"/js/a.js", "text/javascript; charset=utf-8"' "$dir/one.c" || fail "no a.js"
grep -q '{"/vendor/thing.LICENSE.txt", "text/plain; charset=utf-8"' "$dir/one.c" || fail "no licence"
grep -q "$(sha256sum "$dir/web/index.html" | cut -d' ' -f1)" "$dir/one.c" || fail "the tag is not the hash"
grep -q "$dir/web/vendor" "$dir/one.d" || fail "the folders are not in the depfile"

# The first file is long and even enough to be gzipped; its place in the blob gives the same bytes back.
set -- $(sed -n '/index.html/{n;s/[^,]*, \([0-9]*\), \([0-9]*\), true},/\1 \2/p;}' "$dir/one.c")
tail -c +$(($1 + 1)) "$dir/one.bin" | head -c "$2" | gzip -dc | cmp - "$dir/web/index.html"
# A file that gzip makes longer stays as it is.
set -- $(sed -n '/a.js/{n;s/[^,]*, \([0-9]*\), \([0-9]*\), false},/\1 \2/p;}' "$dir/one.c")
tail -c +$(($1 + 1)) "$dir/one.bin" | head -c "$2" | cmp - "$dir/web/js/a.js"

rm -r "$dir/web"
pack empty
grep -q 'hc_web_files_count = 0' "$dir/empty.c" || fail "an empty page must pack"
