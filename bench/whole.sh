#!/bin/sh
# The whole path at size, with the real program, beside what libvips needs for the same file.
# bench/whole.sh HALFCLEAN [MPX [RUNS [FOLDER]]]: makes the demo painting's photographs, enlarges
# them to MPX million pixels (default 50), builds a dossier of two photographs, a UV view, eight
# windows and three zones, and times add, align and RUNS forecasts (default 5), each beside one run
# of the yardstick: libvips reads the file, converts it to linear ROMM RGB and writes it, with as
# many threads (the default 0 of --threads stands for all there are). Lines are
# "what,wall s,cpu s,peak MiB"; the last line is the ratio of the fastest forecast to the fastest
# yardstick. Needs the vips command. A folder that already holds the pictures is used again.
set -eu
HC=$1
MPX=${2:-50}
RUNS=${3:-5}
DIR=${4:-$(mktemp -d)}
cd "$DIR"
HC=$(cd "$OLDPWD" && realpath "$HC")
SCALE=$(awk "BEGIN { printf \"%.6f\", sqrt($MPX / 10.8) }") # the demo's files have 10.8 Mpx

timed() { # name, command ...
    name=$1
    shift
    /usr/bin/time -o time.txt -f "%e %U %S %M" "$@" >/dev/null 2>log.txt || {
        cat log.txt >&2
        exit 1
    }
    awk -v n="$name" '{ printf "%s,%.2f,%.2f,%d\n", n, $1, $2 + $3, $4 / 1024 }' time.txt
}

if [ ! -e uv.tif ]; then
    "$HC" demo demo --files-only --quiet
    for f in before test uv; do
        vips resize "demo/photographs/$f.tif" "part.tif" "$SCALE" --kernel cubic
        mv part.tif "$f.tif"
    done
    for f in demo/photographs/*.geojson; do
        awk -v s="$SCALE" '{
            head = $0; sub(/"coordinates".*/, "\"coordinates\":", head)
            rest = $0; sub(/.*"coordinates":/, "", rest); out = ""
            while (match(rest, /[0-9][0-9.]*/)) {
                out = out substr(rest, 1, RSTART - 1) substr(rest, RSTART, RLENGTH) * s
                rest = substr(rest, RSTART + RLENGTH)
            }
            print head out rest
        }' "$f" >"$(basename "$f")"
    done
    rm -r demo
fi

printf 'what,wall_s,cpu_s,peak_mib\n'
rm -rf dossier
"$HC" new dossier --title "Bench" --height-mm 360 --width-mm 300 --quiet >/dev/null
for f in before test uv; do
    case $f in before) what="normal before" ;; test) what="normal test" ;; *) what="uv before" ;; esac
    # shellcheck disable=SC2086
    set -- $what
    timed "add $f" "$HC" add dossier "$f.tif" --technique "$1" --state "$2"
done
timed "align test and uv" "$HC" align dossier
for f in window-*.geojson; do
    "$HC" window dossier --add "$f" --surface bare --quiet >/dev/null
done
for f in zone-*.geojson; do
    "$HC" zone dossier --add "$f" --kind loss --quiet >/dev/null
done
# The yardstick's target: linear ROMM RGB, the profile that the program itself writes.
"$HC" export dossier view --view 1 --as linear -o linear.tif --quiet >/dev/null
vipsheader -f icc-profile-data linear.tif | base64 -d >linear.icc
rm linear.tif
sync
: >forecast.txt
: >vips.txt
for i in $(seq "$RUNS"); do
    timed "libvips read convert write" vips icc_transform before.tif out.tif linear.icc --depth 16 >>vips.txt
    tail -n 1 vips.txt
    timed "forecast" "$HC" forecast dossier >>forecast.txt
    tail -n 1 forecast.txt
done
rm out.tif
awk -F, 'FNR == 1 { f++; wall[f] = cpu[f] = 1e9 }
    { wall[f] = $2 < wall[f] ? $2 : wall[f]; cpu[f] = $3 < cpu[f] ? $3 : cpu[f] }
    END { printf "ratio forecast / libvips,%.2f,%.2f,\n", wall[1] / wall[2], cpu[1] / cpu[2] }' forecast.txt vips.txt
