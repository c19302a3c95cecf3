#!/bin/sh
# Placement by hand and its taking back, areas to ignore, details on a grid of their own, views that
# show only a part: on the small demo's photographs, cut and enlarged by ImageMagick.
. "$(dirname "$0")/lib.sh"
d=$work/dossier p=$work/demo/photographs

works "photographs" hc demo "$work/demo" --small --files-only
works "new" hc new "$d" --title Places --height-mm 360 --width-mm 300
works "before" hc add "$d" "$p/before.tif" --technique normal --state before
works "test" hc add "$d" "$p/test.tif" --technique normal --state test
works "xray" hc add "$d" "$p/xray.tif" --technique xray --state before
convert "$p/before.tif" -crop 260x300+200+150 +repage -filter Mitchell -resize 300% -depth 16 "$work/detail.tif"
convert "$p/uv.tif" -crop 600x900+0+0 +repage -depth 16 "$work/uv-part.tif"
convert "$p/test.tif" -crop 500x900+0+0 +repage -depth 16 "$work/test-part.tif"
convert "$p/before.tif" -rotate 90 -depth 16 "$work/turned.tif"
convert -size 400x300 -seed 7 plasma:fractal -depth 16 -define tiff:bits-per-sample=16 "$work/noise.tif"
works "detail" hc add "$d" "$work/detail.tif" --technique normal --state during-1 --label detail
works "part of uv" hc add "$d" "$work/uv-part.tif" --technique uv --state before --label uv-part
works "part of test" hc add "$d" "$work/test-part.tif" --technique normal --state test --label test-part
works "turned" hc add "$d" "$work/turned.tif" --technique normal --state during-2 --label turned
works "noise" hc add "$d" "$work/noise.tif" --technique ir --state before --label noise

# view NAME PATH: one value of a view in `views`
view() {
    hc views "$d" --json >"$work/views.json"
    sqlite3 :memory: "SELECT json_extract(value, '$2') FROM json_each(CAST(readfile('$work/views.json') AS TEXT), '\$.views')
        WHERE json_extract(value, '\$.label') = '$1';"
}
# at_spot NAME PATH: one value of a view in the spot document in $work/spot.json; empty when it is left out
at_spot() {
    sqlite3 :memory: "SELECT json_extract(value, '$2') FROM json_each(CAST(readfile('$work/spot.json') AS TEXT), '\$.views')
        WHERE json_extract(value, '\$.label') = '$1';"
}
# pairs FILE SCALE DX DY "fx,fy ..." NOISE: view = SCALE * frame + (DX, DY), off by up to NOISE px a side
pairs() {
    awk -v s="$2" -v dx="$3" -v dy="$4" -v list="$5" -v e="$6" 'BEGIN { n = split(list, p, " ")
        for (i = 1; i <= n; i++) { split(p[i], q, ",")
            printf "%s,%.3f,%.3f\n", p[i], s * q[1] + dx + e * sin(7 * i), s * q[2] + dy + e * cos(5 * i) } }' >"$1"
}

works "align test" hc align "$d" normal-test
same "good" "$(view normal-test '$.fit.verdict')" good
same "good needs no note" "$(view normal-test '$.fit.compare_note')" ""
works "align turned" hc align "$d" turned --json
true_that "a right angle is found" "($(json "$work/out" '$.views[0].fit.rotation_deg') - 90)^2 < 0.01"

# A detail, by pairs: resampled into a box of the frame at its own scale.
pairs "$work/detail.csv" 3 -600 -450 "210,160 450,165 445,440 215,445 330,300 270,230 400,380 300,400" 0.3
works "detail by pairs" hc align "$d" detail --points "$work/detail.csv"
same "a detail" "$(view detail '$.fit.is_detail')" 1
same "by hand" "$(view detail '$.fit.pairs')" 1
true_that "its scale" "($(view detail '$.fit.view_per_frame') - 3)^2 < 0.001"
true_that "its box" "$(view detail '$.tiles.at.x') >= 198 && $(view detail '$.tiles.at.x') <= 200 && $(view detail '$.tiles.at.w') >= 260 && $(view detail '$.tiles.at.w') <= 263"
same "three times as fine" "$(view detail '$.tiles.w')" "$((3 * $(view detail '$.tiles.at.w')))"
works "export detail" hc export "$d" view --view detail -o "$work/detail-out.tif"
same "the detail leaves on its grid" "$(vipsheader -f width "$work/detail-out.tif")" "$(view detail '$.tiles.w')"
# The same light as the reference, at the same places: the box of the frame enlarged by libvips.
cd "$work" || exit 2
x=$(view detail '$.tiles.at.x') y=$(view detail '$.tiles.at.y') w=$(view detail '$.tiles.at.w') h=$(view detail '$.tiles.at.h')
works "export before" hc export "$d" view --view normal-before -o before-out.tif
vips extract_area before-out.tif box.v "$x" "$y" "$w" "$h" && vips resize box.v big.v 3
vips subtract big.v detail-out.tif diff.v && vips extract_area diff.v mid.v 30 30 $((3 * w - 60)) $((3 * h - 60)) && vips abs mid.v abs.v
true_that "the detail lies where it belongs" "$(vips avg abs.v) < 0.012 * 65535"
works "spot inside" hc spot "$d" --at 330,300 --mm 8 --json
cp out spot.json
same "read on its own grid" "$(at_spot detail '$.is_detail')" 1
true_that "its own resolution" "($(at_spot detail '$.px_per_mm') / $(at_spot normal-test '$.px_per_mm') - 3)^2 < 0.01"
true_that "the same lightness" "($(at_spot detail '$.lab[0]') - $(json spot.json '$.before.lab[0]'))^2 < 0.25"
works "spot outside" hc spot "$d" --at 60,60 --mm 8 --json
cp out spot.json
same "a detail says nothing outside" "$(at_spot detail '$.id')" ""
works "text" hc spot "$d" --at 330,300 --mm 8
same "the text names the resolution" "$(grep -c 'a detail of 7.5 px per mm' out)" 1
works "extrapolated" hc spot "$d" --at 455,155 --mm 2 --json
cp out spot.json
same "outside the pairs" "$(at_spot detail '$.compare_note' | grep -c 'extrapolated here')" 1
same "not comparable there" "$(at_spot detail '$.comparable')" 0

# Pairs that cannot be used are refused in one line and change nothing.
before=$(state_of "$d")
head -n 3 detail.csv >three.csv
fails "three pairs" 12 "at least 4" hc align "$d" detail --points three.csv
{ cat detail.csv && head -n 1 detail.csv; } >twice.csv
fails "the same twice" 6 "pairs 1 and 9 mark the same place" hc align "$d" detail --points twice.csv
{ head -n 4 detail.csv && echo "300,300,5000,10"; } >beyond.csv
fails "outside the view" 2 "pair 5: 5000.0, 10.0 lies outside view detail" hc align "$d" detail --points beyond.csv
{ head -n 4 detail.csv && echo "3000,300,50,10"; } >beyond.csv
fails "outside the frame" 2 "pair 5: 3000.0, 300.0 lies outside the frame" hc align "$d" detail --points beyond.csv
printf '100,100,1,1\n200,200,2,2\n300,300,3,3\n400,400,4,4\n' >line.csv
fails "on a line" 12 "." hc align "$d" detail --points line.csv
fails "the reference" 6 "reference" hc align "$d" normal-before --points detail.csv
fails "take back the reference" 6 "reference" hc align "$d" normal-before --clear
fails "take back nothing" 5 "not placed" hc align "$d" noise --clear
fails "both at once" 2 "goes alone" hc align "$d" detail --clear --points detail.csv
same "nothing was changed" "$(state_of "$d")" "$before"

# Kept pairs come back when the measurement is refused; a placement can be taken back.
pairs noise.csv 0.5 10 5 "20,20 700,30 690,560 30,570 380,300 200,420 560,150 420,90" 0.3
works "measuring noise" hc align "$d" noise
same "noise is refused" "$(view noise '$.fit.verdict')" refused
same "and told so" "$(hc views "$d" | grep -c 'do not compare')" 1
same "not to be compared" "$(view noise '$.fit.comparable')" 0
works "noise by pairs" hc align "$d" noise --points noise.csv --by "A. Nother"
same "placed by hand" "$(view noise '$.fit.kind')" "pairs of points"
works "take it back" hc align "$d" noise --clear --by "B. Other"
same "none again" "$(view noise '$.fit.verdict')" none
same "its own pixels again" "$(view noise '$.tiles.w')" 400
same "logged with the author" "$(sqlite3 "$d/halfclean.db" "SELECT count(*) FROM log WHERE author = 'B. Other' AND what LIKE '%taken back%'")" 1
works "align all" hc align "$d" noise
same "by the pairs that were kept" "$(view noise '$.fit.pairs') $(view noise '$.fit.verdict')" "1 usable"

# Areas to ignore.
tiles=$(view normal-test '$.fit.tiles_textured')
echo '{"type":"Polygon","coordinates":[[[300,0],[750,0],[750,900],[300,900],[300,0]]]}' >right.geojson
works "ignore" hc align "$d" normal-test --ignore right.geojson
true_that "fewer tiles" "$(view normal-test '$.fit.tiles_textured') < 0.7 * $tiles"
works "ignore none" hc align "$d" normal-test --ignore none
same "all tiles again" "$(view normal-test '$.fit.tiles_textured')" "$tiles"
before=$(state_of "$d")
echo '{"type":"Polygon","coordinates":[[[0,0],[9000,0],[0,900],[0,0]]]}' >far.geojson
fails "ignore outside" 2 "outside the view" hc align "$d" normal-test --ignore far.geojson
echo '{"type":"Polygon","coordinates":[[[100,100],[160,160],[160,100],[100,160],[100,100]]]}' >folded.geojson
fails "ignore folded" 3 "area 1 to ignore: the outline crosses" hc align "$d" normal-test --ignore folded.geojson
fails "ignore no such view" 5 "." hc align "$d" nobody --ignore right.geojson
same "nothing was changed" "$(state_of "$d")" "$before"

# Views that show a part: windows need to be shown, the forecast is refused where UV does not reach.
corners="20,20 480,30 470,870 30,880 250,450 120,700 400,200 300,650"
pairs part.csv 1 0 0 "$corners" 0.1
pairs rough.csv 1 0 0 "$corners" 0.8
works "part of test by pairs" hc align "$d" test-part --points part.csv
fails "a window it does not show" 2 "does not show all" hc window "$d" --add "$p/window-1.geojson" --surface bare --test test-part
works "spot at its edge" hc spot "$d" --at 497,450 --mm 8 --json
cp out spot.json
true_that "part of the patch" "$(at_spot test-part '$.shown_share') > 0.5 && $(at_spot test-part '$.shown_share') < 0.8"
for i in 1 2 3 4 5 6 7 8; do
    works "window $i" hc window "$d" --add "$p/window-$i.geojson" --surface bare --test normal-test
done
works "forecast without uv" hc forecast "$d" --json
same "no UV view" "$(json out '$.has_uv')" 0
works "uv placed roughly" hc align "$d" uv-part --points rough.csv
works "forecast beside it" hc forecast "$d" --json
same "not used" "$(json out '$.has_uv')" 0
same "and said" "$(json out '$.uv_note' | grep -c 'left aside, as three times')" 1
same "rough is usable" "$(view uv-part '$.fit.verdict')" usable
works "spot beside it" hc spot "$d" --at 300,300 --mm 8 --json
cp out spot.json
same "a caution is given" "$(at_spot uv-part '$.compare_note' | grep -c 'do not compare details finer')" 1
works "uv placed well" hc align "$d" uv-part --points part.csv
works "forecast with it" hc forecast "$d" --json
cp out forecast.json
same "UV is used" "$(json forecast.json '$.has_uv')" 1
true_that "refused where UV does not reach" \
    "$(sqlite3 :memory: "SELECT coalesce(sum(json_extract(value, '$.share')), 0) FROM json_each(CAST(readfile('forecast.json') AS TEXT), '\$.refused') WHERE json_extract(value, '\$.code') = 9;") > 0.15"
works "export refusal" hc export "$d" refusal -o refusal.tif
vips extract_area refusal.tif beyond.v 610 0 140 900
same "all of it" "$(vips min beyond.v | cut -d. -f1) $(vips max beyond.v | cut -d. -f1)" "9 9"

# A test view that is placed too roughly for its windows.
works "test by rough pairs" hc align "$d" normal-test --points rough.csv
fails "no forecast from it" 12 "window 1: " hc forecast "$d"
works "test measured again" hc align "$d" normal-test
works "forecast again" hc forecast "$d"
works "report" hc report "$d" -o report.pdf
pdftotext -layout report.pdf report.txt
true_that "placements are printed" "$(grep -c 'Placement of' report.txt) >= 6"
works "verify" hc verify "$d"
finish
