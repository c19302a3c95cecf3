#!/bin/sh
# A colour target in a photograph: found, measured, fitted, inherited, undone; point measurements and
# the photograph held to them. The target's values: published averages of 24-patch charts
# (tests/data/chart24_average_reflectance.csv, chart24_spectra.csv; Lab by Argyll's spec2cie). The
# photograph is made with libvips: a camera with crosstalk, too dark by a fifth, turned by 4 degrees.
. "$(dirname "$0")/lib.sh"
data=$(cd "$(dirname "$0")/../data" && pwd)
d=$work/dossier
cd "$work" || exit 2

patches=
awk -F, '!/^#/ && $1 != "name" { print $5, $6, $7 }' "$data/chart24_spectra.csv" >lab.txt
i=0
while read -r l a b; do
    i=$((i + 1))
    vips black p.v 70 70 --bands 3
    vips linear p.v "p$i.v" "1 1 1" "$l $a $b"
    patches="${patches:+$patches }p$i.v"
done <lab.txt
same "24 patches" "$i" 24
vips arrayjoin "$patches" sheet.v --across 6 --shim 14 --background "22 0 0"
vips embed sheet.v wide.v 300 220 1200 900 --extend background --background "45 2 8"
vips copy wide.v chart_lab.v --interpretation lab
vips colourspace chart_lab.v chart_lin.v scrgb
printf '3 3\n0.70 0.07 0.03\n0.05 0.68 0.05\n0.02 0.10 0.66\n' >camera.mat
photo() { # IN OUT: camera, noise, sRGB file
    vips recomb "$1" cam.v camera.mat && vips gaussnoise n1.v "$(vipsheader -f width cam.v)" "$(vipsheader -f height cam.v)" --sigma 0.001 --mean 0 --seed "$3"
    vips bandjoin "n1.v n1.v n1.v" n3.v && vips add cam.v n3.v sum.v && vips copy sum.v lin.v --interpretation scrgb
    vips colourspace lin.v "$2" rgb16
}
vips similarity chart_lin.v turned.v --angle 4 --background "0.15 0.14 0.12"
vips extract_area turned.v area.v 30 30 1180 900
photo area.v chart.tif 5
# A painting of soft spots, and the same camera.
vips gaussnoise g1.v 1200 900 --seed 1 && vips gaussnoise g2.v 1200 900 --seed 2 && vips gaussnoise g3.v 1200 900 --seed 3
vips bandjoin "g1.v g2.v g3.v" g.v && vips gaussblur g.v gb.v 14 && vips linear gb.v paint_lin.v "0.6 0.5 0.55" -- "-76.4 -63.6 -70.0"
vips gaussblur g.v gs.v 3 && vips linear gs.v gs2.v 0.02 -- -2.56 && vips add paint_lin.v gs2.v p_sum.v
vips math2_const p_sum.v p_sq.v pow 2 && vips linear p_sq.v p_lin.v 0.25 0.05 && vips copy p_lin.v p_scrgb.v --interpretation scrgb
photo p_scrgb.v paint.tif 6

works "new" hc new "$d" --title Chart --height-mm 90 --width-mm 120
works "add painting" hc add "$d" paint.tif --technique normal --state before
works "add target view" hc add "$d" chart.tif --technique normal --state before --label target
works "spot before" hc spot "$d" --at 600,450 --mm 4.2 --json
cp out spot0.json
works "calibrate" hc calibrate "$d" target --chart "$data/chart24_average_reflectance.csv" --also normal-before --json
cp out cal.json
true_that "left-out patches" "$(json cal.json '$.left_out_patch.mean') < 1.5"
true_that "far better than before" "$(json cal.json '$.left_out_patch.mean') < 0.4 * $(json cal.json '$.before.mean')"
same "all patches good" "$(json cal.json '$.left_out')" 0
works "told" hc calibrate "$d" normal-before
same "inherits and says so" "$(grep -c 'inherited' out)" 1
works "views say so" hc views "$d" --json
same "views say so" "$(json out '$.views[0].calibration.inherited')" 1
works "spot after" hc spot "$d" --at 600,450 --mm 4.2 --json
# Truth: the scene's own linear light at the spot, through libvips.
vips extract_area p_scrgb.v t.v 579 429 42 42 && vips shrink t.v ts.v 42 42 && vips colourspace ts.v tl.v lab
for b in 0 1 2; do vips extract_band tl.v b.v $b; vips avg b.v; done | tr '\n' ' ' >truth.txt
read -r l a b <truth.txt
far() { echo "sqrt(($(json "$1" '$.before.lab[0]') - $l)^2 + ($(json "$1" '$.before.lab[1]') - $a)^2 + ($(json "$1" '$.before.lab[2]') - $b)^2)"; }
true_that "the painting's colour is nearer the truth" "$(far out) < 0.4 * $(far spot0.json)"
true_that "and near it" "$(far out) < 2.5"
works "undo" hc calibrate "$d" normal-before --clear
works "spot undone" hc spot "$d" --at 600,450 --mm 4.2 --json
same "as it was" "$(cat out)" "$(cat spot0.json)"
fails "nothing to undo" 5 "no calibration" hc calibrate "$d" normal-before --clear

# Bad targets.
head -n 30 "$data/chart24_average_reflectance.csv" | cut -d, -f1-20 >short.csv
fails "wrong patch count" 3 "24" hc calibrate "$d" target --chart short.csv --grid 4x6
fails "no target in it" 12 "target" hc calibrate "$d" normal-before --chart "$data/chart24_average_reflectance.csv"
fails "corners outside" 2 "" hc calibrate "$d" target --chart "$data/chart24_average_reflectance.csv" --corners "5000,1 6000,1 6000,900 5000,900"
fails "corners that are none" 2 "corners" hc calibrate "$d" target --chart "$data/chart24_average_reflectance.csv" --corners "1,2 3"
fails "not a chart" 3 "" hc calibrate "$d" target --chart "$data/../end2end/calibrate.sh"
# Something lies on patches, or glares on them. patch_box ROW COL: the left top of a 50 px box on it.
corner() { json cal.json "\$.corners[$1][$2]"; }
patch_box() {
    awk "BEGIN { r = $1 / 3; c = $2 / 5
        print int($(corner 0 0) + c * ($(corner 1 0) - $(corner 0 0)) + r * ($(corner 3 0) - $(corner 0 0)) - 25), \
              int($(corner 0 1) + c * ($(corner 1 1) - $(corner 0 1)) + r * ($(corner 3 1) - $(corner 0 1)) - 25) }"
}
patch_name() { json cal.json "\$.patches[$(($1 * 6 + $2))].name"; }
# spoil NAME SEED COLOUR WIDTH ROW,COL...: a photograph with boxes of that colour on patches, added as view NAME
spoil() {
    label=$1 seed=$2 colour=$3 width=$4
    shift 4
    vips copy area.v spoilt.v
    for at; do
        # shellcheck disable=SC2086,SC2046
        vips draw_rect spoilt.v "$colour" $(patch_box ${at%,*} ${at#*,}) "$width" 50 --fill
    done
    photo spoilt.v "$label.tif" "$seed"
    works "add $label" hc add "$d" "$label.tif" --technique normal --state before --label "$label"
}
fault() { json out "\$.patches[$(($1 * 6 + $2))].fault"; }
spoil hidden 7 "0.02 0.02 0.02" 50 1,1 1,2
works "two patches hidden" hc calibrate "$d" hidden --chart "$data/chart24_average_reflectance.csv" --json
same "both are left out" "$(json out '$.left_out')" 2
same "the first is named" "$(fault 1 1)" "far from what the other patches say"
same "the second is named" "$(fault 1 2)" "far from what the other patches say"
true_that "and do little harm" "$(json out '$.left_out_patch.mean') < 2"
works "told" hc calibrate "$d" hidden
same "by name" "$(grep -c "patch $(patch_name 1 1): far\|patch $(patch_name 1 2): far" out)" 2
spoil glare 8 "0.9 0.9 0.9" 22 0,3 2,4
works "glare on the edge of two patches" hc calibrate "$d" glare --chart "$data/chart24_average_reflectance.csv" --json
same "both are left out" "$(json out '$.left_out')" 2
same "the first says why" "$(fault 0 3)" "uneven: an edge, glare or a shadow"
same "the second says why" "$(fault 2 4)" "uneven: an edge, glare or a shadow"
true_that "and do little harm" "$(json out '$.left_out_patch.mean') < 2"
spoil blown 9 "1.4 1.4 1.4" 50 1,4
works "glare that clips" hc calibrate "$d" blown --chart "$data/chart24_average_reflectance.csv" --json
same "is left out" "$(fault 1 4)" "clipped"
spoil buried 10 "0.02 0.02 0.02" 50 1,1 1,2 1,3 2,1 2,2
fails "five patches hidden" 12 "at most 3 may be missing" hc calibrate "$d" buried --chart "$data/chart24_average_reflectance.csv"
true_that "the hidden are named" "$(grep -c "$(patch_name 1 1)" "$work/err") > 0"
fails "no calibration came of it" 5 "no calibration" hc calibrate "$d" buried
cut -d, -f1-24 "$data/chart24_average_reflectance.csv" >fewer.csv
fails "a file of too few colours" 2 "say how many rows and columns" hc calibrate "$d" target --chart fewer.csv
fails "and of another grid" 3 "wrong patch count" hc calibrate "$d" target --chart "$data/chart24_average_reflectance.csv" --grid 5x6
works "add a UV view" hc add "$d" chart.tif --technique uv --state before --label glow
fails "UV is no reflected light" 12 "reflected" hc calibrate "$d" target --chart "$data/chart24_average_reflectance.csv" --also glow

# A profile that is only assumed is no longer said once the colours are measured.
vips colourspace area.v plain.v srgb && vips cast plain.v plain8.v uchar && vips tiffsave plain8.v plain.tif --strip
works "add without profile" hc add "$d" plain.tif --technique normal --state before --label plain
view_of() { sqlite3 :memory: "SELECT json_extract(value, '$2') FROM json_each(CAST(readfile('out') AS TEXT), '\$.views') WHERE json_extract(value, '\$.label') = '$1';"; }
works "views" hc views "$d" --json
same "its colours are assumed" "$(view_of plain '$.profile_assumed')" 1
works "calibrated all the same" hc calibrate "$d" plain --chart "$data/chart24_average_reflectance.csv"
works "views" hc views "$d" --json
same "nothing is assumed now" "$(view_of plain '$.profile_assumed')" 0
same "the note says what counts" "$(view_of plain '$.note' | grep -c 'Colour by calibration of .* in it; the profile of the file (assumed) only opens it')" 1

# Camera raw: a camera that is not known is refused; one that is can be calibrated by its target.
"$HC_RAW_MAKE" unknown.dng unknown && "$HC_RAW_MAKE" chart.dng chart lab.txt || bad "raw files"
before=$(state_of "$d")
fails "a raw file of an unknown camera" 7 "does not know this camera" hc add "$d" unknown.dng --technique normal --state before
same "changed nothing" "$(state_of "$d")" "$before"
works "a raw file with a target" hc add "$d" chart.dng --technique normal --state before --label raw
works "is calibrated" hc calibrate "$d" raw --chart "$data/chart24_average_reflectance.csv" --json
true_that "its left-out patches" "$(json out '$.left_out_patch.mean') < 1.5"
works "views" hc views "$d" --json
same "its EXIF is kept" "$(view_of raw '$.camera.iso')" 100

# Point measurements: the spectra of four patches said to be at four places of the target view.
printf 'id,x,y,L,a,b\n1,600,450,%s,%s,%s\n' "$l" "$a" "$b" >points.csv
works "import" hc import "$d" points.csv --mm 5
works "points" hc points "$d" --json
same "one point" "$(json out '$.points[0].id')" 1
same "the file's name, not its place" "$(json out '$.file_name')" points.csv
same "said in a sentence" "$(json out '$.sentence' | grep -c "normal-before differs from the 1 measurement by .* no calibration by a target")" 1
same "one light without spectra" "$(json out '$.lights')" '["D50"]'
fails "Lab has no other light" 12 "without spectra" hc points "$d" --light A
# Spectra: a perfect white and a grey of a half, under any light and observer.
{ printf 'id,x,y'; for nm in $(seq 380 10 730); do printf ',%s' "$nm"; done; printf '\nwhite,600,450'; for nm in $(seq 380 10 730); do printf ',1'; done; printf '\ngrey,300,450'; for nm in $(seq 380 10 730); do printf ',0.5'; done; printf '\n'; } >spectra.csv
works "import spectra" hc import "$d" "$PWD/spectra.csv" --mm 5
for light in D50 A FL11; do
    works "under $light" hc points "$d" --light "$light" --observer 10 --json
    true_that "white is white under $light" "($(json out '$.points[0].lab[0]') - 100)^2 + $(json out '$.points[0].lab[1]')^2 + $(json out '$.points[0].lab[2]')^2 < 1e-4"
    true_that "a grey of a half under $light" "($(json out '$.points[1].lab[0]') - 76.0693)^2 < 1e-4"
done
fails "no such light" 5 "moon" hc points "$d" --light moon
printf 'id,x,y,L,a,b\n1,9000,450,50,0,0\n' >out.csv
fails "a point outside" 2 "outside" hc import "$d" out.csv
works "verify" hc verify "$d"
finish
