#!/bin/sh
# tools/mktable makes the expected C and refuses tables it should refuse. $1 = path of mktable.
set -eu
mktable=$1
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT

printf '# note\nnm,x,source\n400,1,A table\n410,.5e-3,A table\n' >"$dir/good.csv"
"$mktable" "$dir/out.c" some/door.h "one:$dir/good.csv:x" "two:$dir/good.csv:nm,x"
cat >"$dir/want.c" <<'C'
// Made by tools/mktable from data/*.csv. Edit those.
#include "some/door.h"

const double one[2] = {
    1.0,
    .5e-3,
};

const double two[2][2] = {
    {400.0, 1.0},
    {410.0, .5e-3},
};
C
cmp "$dir/out.c" "$dir/want.c"

refuse() { # $1 = CSV text, $2 = column, $3 = expected part of the message
    printf "$1" >"$dir/bad.csv"
    rm -f "$dir/bad.c"
    if "$mktable" "$dir/bad.c" door.h "t:$dir/bad.csv:$2" 2>"$dir/message"; then
        echo "accepted: $1"
        exit 1
    fi
    grep -q "$3" "$dir/message" || { echo "wrong message for: $1"; cat "$dir/message"; exit 1; }
    [ ! -e "$dir/bad.c" ] || { echo "left a file for: $1"; exit 1; }
}
refuse 'nm,x\n400,1\n' x 'last column'
refuse 'nm,x,source\n400,1,\n' x 'names no source'
refuse 'nm,x,source\n400,1\n' x 'expected 3 fields'
refuse 'nm,x,source\n400,one,T\n' x 'not a number'
refuse 'nm,x,source\n400,1,T\n' y 'no column'
refuse 'nm,x,source\n' x 'no rows'
