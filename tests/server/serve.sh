#!/bin/sh
# The workbench server over a real dossier: every route once, the long work with its events, and that
# the page and the command line say the same. curl is the client.
. "$(dirname "$0")/../end2end/lib.sh"

# start DOSSIER [OPTION...]: sets pid, url, base
start() {
    : >"$work/link"
    "$HC_BIN" serve "$@" --port 0 >"$work/link" 2>"$work/serve.err" &
    pid=$!
    for _ in $(seq 1200); do
        url=$(grep -o 'http://127.0.0.1:[^ ]*' "$work/link") && break
        kill -0 "$pid" 2>/dev/null || break
        sleep 0.05
    done
    base=${url%/open*}
    rm -f "$work/jar"
    curl -s -o /dev/null -c "$work/jar" "$url"
}
stop() {
    kill -TERM "$pid"
    wait "$pid"
    same "a stopped server ends well" $? 0
}
ask() { curl -s -b "$work/jar" -H "Origin: $base" "$@"; }
post() { ask -X POST -H 'Content-Type: application/json' "$@"; }
# code NAME WANTED CURL-ARGUMENTS...: the HTTP code; the body goes to $work/body
code() {
    name=$1 want=$2
    shift 2
    same "$name" "$(ask -o "$work/body" -w '%{http_code}' "$@")" "$want"
}
# job: the number in the body; waits for its end by its events, which go to $work/events
follow() {
    job=$(json "$work/body" '$.job')
    ask -N "$base/api/jobs/$job/events" >"$work/events"
    ask "$base/api/jobs/$job" >"$work/job"
}
# documented NAME FILE: every field of the document stands in its paragraph of docs/http-api.md
docs="$(dirname "$0")/../../docs/http-api.md"
documented() {
    awk -v p="$1: " 'index($0, p) == 1 { on = 1 } on && /^$/ { exit } on' "$docs" >"$work/paragraph"
    [ "$1" = dossier ] && grep '| dossier |' "$docs" >"$work/paragraph"
    for field in $(sqlite3 :memory: \
        "SELECT DISTINCT key FROM json_tree(CAST(readfile('$2') AS TEXT)) WHERE typeof(key) = 'text';"); do
        case " $3 " in *" $field "*) continue ;; esac # told in a paragraph of its own
        if grep -qw "$field" "$work/paragraph"; then good; else bad "$1: $field is not in docs/http-api.md"; fi
    done
}
tiles_fields="key w h tile levels type"
compact() { sqlite3 :memory: "SELECT json(CAST(readfile('$1') AS TEXT));"; }

works "the demo" hc demo "$work/demo" --small --threads 2
d="$work/demo/dossier"
start "$d"

# The same documents as the command line.
code "dossier" 200 "$base/api/dossier"
documented dossier "$work/body" ""
same "it may be written" "$(json "$work/body" '$.read_only')" 0
code "views" 200 "$base/api/views"
cp "$work/body" "$work/views"
works "views" hc views "$d" --json
documented VIEW "$work/views" "views $tiles_fields"
same "views are the command's" "$(compact "$work/views")" "$(compact "$work/out")"
code "spot" 200 "$base/api/spot?x=300&y=300&mm=15"
works "spot" hc spot "$d" --at 300,300 --mm 15 --json
same "spot is the command's" "$(compact "$work/body")" "$(compact "$work/out")"
documented SPOT "$work/body" "short_mm long_mm px sa_um sq_um sz_um ssk sku sdq sdr"
code "spot outside" 400 "$base/api/spot?x=-5000&y=300"
code "windows" 200 "$base/api/windows"
documented WINDOW "$work/body" windows
code "zones" 200 "$base/api/zones"
documented ZONE "$work/body" zones
code "forecast" 200 "$base/api/forecast"
cp "$work/body" "$work/forecast"
documented FORECAST "$work/forecast" "$tiles_fields id label lightness left_out_bias"
same "it is fresh" "$(json "$work/forecast" '$.is_stale')" 0

# Every tile of one view and of the forecast, none beyond.
for key in "$(json "$work/views" '$.views[0].tiles.key')" "$(json "$work/forecast" '$.tiles.look.key')"; do
    for tile in 0/0_0 1/0_0 1/1_1 2/0_0 2/2_3; do
        code "tile $tile" 200 "$base/tiles/$key/$tile"
        same "tile $tile is a JPEG" "$(head -c 2 "$work/body" | od -An -tx1)" " ff d8"
    done
    code "no tile beside" 404 "$base/tiles/$key/2/3_0"
    code "no level beyond" 404 "$base/tiles/$key/3/0_0"
done
code "no such tiles" 404 "$base/tiles/$(printf '%064d' 0)/0/0_0"
for what in 1 normal-before forecast radius coat; do
    code "patch of $what" 200 "$base/api/patch?what=$what&x=300&y=300&px=64"
done
code "patch of nothing" 404 "$base/api/patch?what=nothing&x=300&y=300"

# A forecast as a job.
code "forecast again" 202 -X POST -H 'Content-Type: application/json' -d '{}' "$base/api/forecast"
follow
documented JOB "$work/job" "$(sqlite3 :memory: "SELECT group_concat(key, ' ') FROM
    json_tree(CAST(readfile('$work/job') AS TEXT), '$.result') WHERE typeof(key) = 'text';" | tr '\n' ' ')"
same "forecast done" "$(json "$work/job" '$.status')" done
same "same figures" "$(json "$work/job" '$.result.left_out_de')" "$(json "$work/forecast" '$.left_out_de')"
true_that "events came" "$(grep -c '^event: progress' "$work/events") >= 3"
code "forecast to cancel" 202 -X POST -H 'Content-Type: application/json' -d '{}' "$base/api/forecast"
job=$(json "$work/body" '$.job')
code "cancel" 202 -X DELETE "$base/api/jobs/$job"
ask -N "$base/api/jobs/$job/events" >/dev/null
ask "$base/api/jobs/$job" >"$work/job"
same "cancelled" "$(json "$work/job" '$.status')" cancelled
code "report" 200 -X POST "$base/api/report"
same "it is a PDF" "$(head -c 5 "$work/body")" "%PDF-"

# Windows and zones; what was seen changes at once for the readers.
square='"polygon":[[100,100],[130,100],[130,130],[100,130]]'
code "window" 201 -X POST -H 'Content-Type: application/json' \
    -d "{$square,\"before\":1,\"test\":\"normal-test\",\"surface\":\"bare\",\"label\":\"mine\"}" "$base/api/windows"
window=$(json "$work/body" '$.id')
same "its area" "$(json "$work/body" '$.area_px')" 900
code "zone" 201 -X POST -H 'Content-Type: application/json' -d "{$square,\"kind\":\"loss\"}" "$base/api/zones"
zone=$(json "$work/body" '$.id')
code "zone of an unknown kind" 400 -X POST -H 'Content-Type: application/json' \
    -d "{$square,\"kind\":\"sparkle\"}" "$base/api/zones"
code "polygon outside" 400 -X POST -H 'Content-Type: application/json' \
    -d '{"polygon":[[9000,9000],[9030,9000],[9030,9030]],"kind":"loss"}' "$base/api/zones"
code "polygon that crosses itself" 422 -X POST -H 'Content-Type: application/json' \
    -d '{"polygon":[[100,100],[160,160],[160,100],[100,160]],"kind":"loss"}' "$base/api/zones"
code "forecast" 200 "$base/api/forecast"
same "now it is stale" "$(json "$work/body" '$.is_stale')" 1
code "remove window" 204 -X DELETE "$base/api/windows/$window"
code "remove zone" 204 -X DELETE "$base/api/zones/$zone"
code "remove it twice" 404 -X DELETE "$base/api/zones/$zone"

# Uploads: a new one (the same picture with other bytes), the same one again, and no picture at all.
vips copy "$work/demo/photographs/uv.tif" "$work/uv2.tif[compression=deflate,predictor=horizontal]"
code "upload" 202 -T "$work/uv2.tif" "$base/api/views?name=uv2.tif&technique=uv&state=before&label=uv-2"
follow
same "upload done" "$(json "$work/job" '$.status')" done
same "recorded name" "$(json "$work/job" '$.result.added.file_name')" uv2.tif
same "recorded bytes" "$(json "$work/job" '$.result.added.sha256')" "$(sha256sum <"$work/uv2.tif" | cut -d' ' -f1)"
same "placed" "$(json "$work/job" '$.result.not_placed')" ""
code "upload again" 202 -T "$work/uv2.tif" "$base/api/views?name=uv2.tif&technique=uv&state=before&label=uv-3"
follow
same "the same twice" "$(json "$work/job" '$.error.code')" conflict
echo 'not a picture' >"$work/text.tif"
code "upload of text" 202 -T "$work/text.tif" "$base/api/views?name=text.tif&technique=uv&state=before&label=uv-4"
follow
same "text is refused" "$(json "$work/job" '$.status')" failed
code "unknown technique" 202 -T "$work/text.tif" "$base/api/views?name=a.tif&technique=smell&state=before"
follow
same "technique is refused" "$(json "$work/job" '$.status')" failed
same "no temporary file is left" "$(find "$d/derived" -name 'upload-*' -o -name 'report-*')" ""

# Placement of one view: pairs of points, areas to ignore, its own pixels, taking it back.
code "fit" 200 "$base/api/views/normal-test/fit"
documented FIT "$work/body" ""
code "no pairs yet" 200 "$base/api/views/ir-before/pairs"
same "none" "$(json "$work/body" '$.pairs')" "[]"
code "three pairs" 422 -X PUT -H 'Content-Type: application/json' -d '{"pairs":[[1,1,1,1],[9,9,9,9],[9,1,9,1]]}' "$base/api/views/ir-before/pairs"
code "a pair outside" 400 -X PUT -H 'Content-Type: application/json' \
    -d '{"pairs":[[20,20,20,20],[700,30,700,30],[690,860,690,860],[9999,870,30,870]]}' "$base/api/views/ir-before/pairs"
pairs='[[20,20,20.2,20],[700,30,700,30.2],[690,860,690,860],[30,870,30,869.9],[375,450,375.1,450],[200,600,200,600.1],[520,220,520,220],[400,700,399.9,700]]'
code "place by pairs" 202 -X PUT -H 'Content-Type: application/json' -d "{\"pairs\":$pairs}" "$base/api/views/ir-before/pairs"
follow
same "placed by pairs" "$(json "$work/job" '$.kind') $(json "$work/job" '$.result.fit.kind')" "align pairs of points"
documented VIEW "$work/job" "views $tiles_fields error code message kind status fraction what result"
code "kept" 200 "$base/api/views/ir-before/pairs"
same "eight are kept" "$(json "$work/body" '$.pairs[7][2]')" 399.9
code "take back" 202 -X DELETE "$base/api/views/ir-before/placement"
follow
same "taken back" "$(json "$work/job" '$.result.fit.verdict')" none
code "take back again" 202 -X DELETE "$base/api/views/ir-before/placement"
follow
same "nothing to take back" "$(json "$work/job" '$.error.code')" not-found
code "ignore" 200 -X PUT -H 'Content-Type: application/json' -d '{"polygons":[[[0,0],[200,0],[200,900],[0,900]]]}' "$base/api/views/ir-before/ignored"
same "it is kept" "$(json "$work/body" '$.polygons[0][2][1]')" 900
code "ignore outside" 400 -X PUT -H 'Content-Type: application/json' -d '{"polygons":[[[0,0],[5000,0],[200,900]]]}' "$base/api/views/ir-before/ignored"
code "ignore folded" 422 -X PUT -H 'Content-Type: application/json' -d '{"polygons":[[[0,0],[90,90],[90,0],[0,90]]]}' "$base/api/views/ir-before/ignored"
code "ignore nothing" 200 -X PUT -H 'Content-Type: application/json' -d '{"polygons":[]}' "$base/api/views/ir-before/ignored"
same "nothing" "$(json "$work/body" '$.polygons')" "[]"
code "own pixels" 200 "$base/api/views/ir-before/own?x=100&y=100&side=50&px=200"
same "a picture" "$(vipsheader -f width "$work/body")" 200
code "own pixels at the corner" 200 "$base/api/views/1/own?x=0&y=0&side=40&px=64"
vips extract_area "$work/body" "$work/corner.v" 0 0 28 28
true_that "grey beyond the view" "($(vips avg "$work/corner.v") - 118)^2 < 16 && $(vips deviate "$work/corner.v") < 3"
code "own pixels of nobody" 404 "$base/api/views/nobody/own?x=1&y=1&side=8"
code "align it again" 202 -X POST -H 'Content-Type: application/json' -d '{"view":"ir-before"}' "$base/api/align"
follow
same "measured" "$(json "$work/job" '$.result.views[0].fit.pairs')" 0

# Relief: the same documents, figures of a passage, a line across, lamps from the page, the long work.
code "reliefs" 200 "$base/api/relief"
documented RELIEF "$work/body" "reliefs short_mm long_mm px sa_um sq_um sz_um ssk sku sdq sdr value low high $tiles_fields"
sqlite3 :memory: "SELECT json_extract(CAST(readfile('$work/body') AS TEXT), '$.reliefs[0]')" >"$work/relief"
works "relief" hc relief "$d" --state before --show --json
same "the relief is the command's" "$(compact "$work/relief")" "$(compact "$work/out")"
key=$(json "$work/relief" '$.tiles.slopes.key')
code "a tile of slopes" 200 "$base/tiles/$key/0/0_0"
same "is a PNG" "$(head -c 4 "$work/body" | od -An -tx1)" " 89 50 4e 47"
passage='"polygon":[[200,300],[500,300],[500,600],[200,600]]'
code "texture" 200 -X POST -H 'Content-Type: application/json' -d "{\"state\":\"before\",$passage}" "$base/api/relief/texture"
true_that "of a surface" "$(json "$work/body" '$.texture.sq_um') > 0"
code "two states under other lamps" 422 -X POST -H 'Content-Type: application/json' -d "{\"state\":\"before\",\"other\":\"test\",$passage,\"long_mm\":4}" "$base/api/relief/texture"
same "say why they are not compared" "$(grep -c 'were not taken alike' "$work/body")" 1
code "no such state" 404 -X POST -H 'Content-Type: application/json' -d "{\"state\":\"after\",$passage}" "$base/api/relief/texture"
code "a line across" 200 "$base/api/relief/profile?state=before&x0=100&y0=200&x1=300&y1=200"
same "of 80 mm" "$(json "$work/body" '$.length_mm')" 80
code "a line of nothing" 400 "$base/api/relief/profile?state=before&x0=100&y0=200&x1=100&y1=200"
code "film" 202 -X POST -H 'Content-Type: application/json' -d "{\"state\":\"before\",$passage}" "$base/api/relief/film"
follow
true_that "raking lamps alone tell no film" "$(json "$work/job" '$.result.refusal') == 1"
code "lamps" 200 -X PUT -H 'Content-Type: application/json' -d '{"text":"file,azimuth_deg,elevation_deg\nraking-0.tif,0,13\n"}' "$base/api/lights"
same "one lamp" "$(json "$work/body" '$.lights')" 1
code "a lamp below" 400 -X PUT -H 'Content-Type: application/json' -d '{"text":"file,azimuth_deg,elevation_deg\nraking-0.tif,0,-13\n"}' "$base/api/lights"
code "reliefs" 200 "$base/api/relief"
same "out of date now" "$(json "$work/body" '$.reliefs[0].is_stale')" 1
code "relief again" 202 -X POST -H 'Content-Type: application/json' -d '{"state":"before","method":"least-squares"}' "$base/api/relief"
follow
same "made" "$(json "$work/job" '$.result.is_stale') $(json "$work/job" '$.result.method')" "0 least squares"
code "relief of nothing" 202 -X POST -H 'Content-Type: application/json' -d '{"state":"after"}' "$base/api/relief"
follow
same "is refused" "$(json "$work/job" '$.error.code')" refused
code "relief to be stopped" 202 -X POST -H 'Content-Type: application/json' -d '{"state":"test","method":"least-trimmed"}' "$base/api/relief"
stopped=$(json "$work/body" '$.job')
ls "$d/derived" >"$work/had"
code "stop it" 202 -X DELETE "$base/api/jobs/$stopped"
ask -N "$base/api/jobs/$stopped/events" >"$work/events"
ask "$base/api/jobs/$stopped" >"$work/job"
ls "$d/derived" >"$work/has"
if [ "$(json "$work/job" '$.status')" != done ]; then # it may have been quicker
    same "nothing of it stays" "$(cat "$work/has")" "$(cat "$work/had")"
fi

# One writer: the command line is kept out while the page is open, a second page reads only.
fails "a second writer" 6 "." hc align "$d"
first_pid=$pid first_base=$base
cp "$work/jar" "$work/jar1"
start "$d"
code "second page" 200 "$base/api/dossier"
same "reads only" "$(json "$work/body" '$.read_only')" 1
code "cannot write" 409 -X POST -H 'Content-Type: application/json' -d "{$square,\"kind\":\"loss\"}" "$base/api/zones"
code "cannot compute" 409 -X POST -H 'Content-Type: application/json' -d '{}' "$base/api/forecast"
stop
pid=$first_pid base=$first_base
cp "$work/jar1" "$work/jar"
code "align all" 202 -X POST "$base/api/align"
stop
works "verify" hc verify "$d"
finish
