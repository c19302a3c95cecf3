#!/bin/sh
# Relief from raking views whose truth is known: a sinusoidal surface lit by Lambert's law with libvips
# (not our renderer), eight lamps from a file. Amplitude 0.02 mm, wavelengths 2 mm across and 4 mm down,
# 0.1 mm per px. Sq of a sinusoid is amplitude / sqrt 2 (ISO 25178-2), less what the S-filter of 0.4 mm
# takes: 2^-(0.4/2)^2 and 2^-(0.4/4)^2 (ISO 16610-61: half at its limit).
. "$(dirname "$0")/lib.sh"
d=$work/dossier
cd "$work" || exit 2
W=1200 H=900

# Colour with texture for placing: soft spots on grey, the same under every lamp.
vips gaussnoise n1.v $W $H --seed 1 && vips gaussblur n1.v n2.v 6 && vips linear n2.v spots.v -- 0.035 -3.98
vips gaussnoise n3.v $W $H --seed 2 && vips gaussblur n3.v n4.v 1.2 && vips linear n4.v fine.v -- 0.006 -0.77
vips add spots.v fine.v sum.v && vips linear sum.v albedo.v -- 1 0.5
# p = dz/dx = A k cos(kx), q = dz/dy upwards; x in px, vips counts degrees.
vips xyz xy.v $W $H && vips extract_band xy.v x.v 0 && vips extract_band xy.v y.v 1
vips linear x.v xd.v -- 18 9 && vips math xd.v xc.v cos && vips linear xc.v p.v -- 0.0628318531 0
vips linear y.v yd.v -- 9 4.5 && vips math yd.v yc.v cos && vips linear yc.v q.v -- -0.0314159265 0
vips multiply p.v p.v pp.v && vips multiply q.v q.v qq.v && vips add pp.v qq.v s2.v && vips linear s2.v len2.v -- 1 1
vips math2_const len2.v len.v pow 0.5
# lamp NAME LX LY LZ [GAIN]: one view as a 16-bit linear-to-sRGB grey TIFF
lamp() {
    vips linear p.v a.v -- "$(awk "BEGIN { print -1 * $2 }")" "$4" && vips linear q.v b.v -- "$(awk "BEGIN { print -1 * $3 }")" 0
    vips add a.v b.v n.v && vips divide n.v len.v lit.v && vips multiply lit.v albedo.v l.v
    vips linear l.v lg.v -- "${5:-1}" 0 && vips bandjoin "lg.v lg.v lg.v" l3.v && vips copy l3.v l4.v --interpretation scrgb
    vips gaussnoise gn.v $W $H --seed "${6:-7}" --mean 0 --sigma 0.0005 && vips add l4.v gn.v l5.v && vips copy l5.v l6.v --interpretation scrgb
    vips colourspace l6.v "$1" rgb16
}
echo "file,azimuth_deg,elevation_deg" >lights.csv
files=
for az in 0 45 90 135 180 225 270 315; do
    set -- $(awk "BEGIN { r = 3.14159265358979 / 180; print cos(30*r)*cos($az*r), cos(30*r)*sin($az*r), sin(30*r) }")
    lamp "r$az.tif" "$1" "$2" "$3" 1 "$((az + 11))"
    echo "r$az.tif,$az,30" >>lights.csv
    files="$files r$az.tif"
done
lamp normal.tif 0 0 1

works new hc new "$d" --title Relief --height-mm 90 --width-mm 120
works "add the frame" hc add "$d" normal.tif --technique normal --state before
fails "no views yet" 12 "3 or more raking views" hc relief "$d" --state before
works "add raking views with their lamps" hc add "$d" $files --technique raking --state before --lights lights.csv
fails "not placed yet" 12 "that are placed" hc relief "$d" --state before
works align hc align "$d"
works "views" hc views "$d" --json
cp out v.json
same "the raking views share one place" "$(sqlite3 :memory: "SELECT count(DISTINCT json_extract(value, '$.fit.shift_px')) FROM json_each(CAST(readfile('v.json') AS TEXT), '$.views') WHERE json_extract(value, '$.technique') = 'raking';")" 1
true_that "which is the true one" "$(json v.json '$.views[1].fit.shift_px[0]')^2 + $(json v.json '$.views[1].fit.shift_px[1]')^2 < 0.1^2"
same "and says so" "$(json v.json '$.views[1].fit.kind')" "one place for 8 raking views"
works relief hc relief "$d" --state before --band 0.4,20 --json
cp out r.json
same "lamps" "$(json r.json '$.lights[3].azimuth_deg')" 135
true_that "all answered" "$(json r.json '$.answered') > 0.999"
want=$(awk 'BEGIN { a = 20 / sqrt(2) * 2^-(0.4/2)^2; b = 20 / sqrt(2) * 2^-(0.4/4)^2; print sqrt(a*a + b*b) }')
true_that "Sq of the surface" "($(json r.json '$.texture.sq_um') / $want - 1)^2 < 0.03^2"
true_that "Sdq of the surface" "($(json r.json '$.texture.sdq') - 0.0484)^2 < 0.0025^2"
true_that "slope error is small and known" "$(json r.json '$.slope_sd') > 0.0001 && $(json r.json '$.slope_sd') < 0.02"
same "says what a varnish would do" "$(json r.json '$.through_varnish.is_varnished')" 1
true_that "reading at 60 degrees from the axis (theory page: 0.41 and 0.77)" "($(json r.json '$.through_varnish.paint') - 0.408)^2 < 0.01^2 && ($(json r.json '$.through_varnish.film') - 0.769)^2 < 0.01^2"
works told hc relief "$d" --state before --show
same "told for people" "$(grep -c 'Relief of the state before' out)" 1

# Normals against the truth, through libvips: 0.5 degrees in the mean.
works "normals out" hc export "$d" normals --state before -o normals.tif
vips extract_band normals.tif nx.v 0 && vips extract_band normals.tif nz.v 2 && vips divide nx.v nz.v mp.v
vips linear mp.v mp2.v -- -1 0 && vips subtract mp2.v p.v e.v && vips extract_area e.v ei.v 20 20 1160 860 && vips abs ei.v ea.v
true_that "slopes are right" "$(vips avg ea.v) < 0.005"
works "height out" hc export "$d" height --state before -o height.tif
same "height is float" "$(vipsheader height.tif | grep -c float)" 1
works "texture map out" hc export "$d" texture --state before -o texture.tif
true_that "each cell has the same Sq" "($(vips avg texture.tif) / $(json r.json '$.texture.sq_um') - 1)^2 < 0.08^2"
works "mesh out" hc export "$d" mesh --state before --at 600,450 --mm 5 -o patch.ply
same "a mesh" "$(head -c 3 patch.ply)" ply
fails "heights have no --as" 2 "height" hc export "$d" height --state before --as lab -o x.tif

echo '{"type":"Polygon","coordinates":[[[300,300],[700,300],[700,600],[300,600],[300,300]]]}' >area.geojson
works "texture of a passage" hc relief "$d" --state before --area area.geojson --json
true_that "the same surface there" "($(json out '$.texture.sq_um') / $want - 1)^2 < 0.04^2"
works "film is refused with its reason" hc relief "$d" --state before --film --area area.geojson --json
true_that "refused" "$(json out '$.refusal') > 0"

# Orchard 1962 as worked on the theory page: 0.03 N/m, 50 um, 0.1 Pa s, 1 mm: rate 16.549 a second at finite depth.
works "levelling" hc levelling --thickness-um 50 --viscosity 0.1 --tension 0.03 --json
true_that "half-life at 1 mm" "($(json out '$.details[3].half_life_s') / (log(2) / 16.549) - 1)^2 < 0.001^2"
works "levelling told" hc levelling --coats 3
fails "no such thickness" 2 "thickness-um" hc levelling --thickness-um 0

# Bad input: each is refused, nothing is kept.
before=$(state_of "$d")
printf 'file,azimuth_deg,elevation_deg\nnobody.tif,0,30\n' >bad.csv
fails "lamp of a file that is not there" 5 "no view has the file" hc lights "$d" bad.csv
printf 'file,azimuth_deg,elevation_deg\nr0.tif,0,-5\n' >bad.csv
fails "lamp below the plane" 2 "line 2" hc lights "$d" bad.csv
printf 'file,azimuth_deg,elevation_deg\nr0.tif,east,30\n' >bad.csv
fails "not a number" 3 "is not a number" hc lights "$d" bad.csv
printf 'name,angle\nr0.tif,0\n' >bad.csv
fails "no such columns" 3 "first line of names" hc lights "$d" bad.csv
fails "no such state" 12 "3 or more raking views" hc relief "$d" --state after
fails "a sphere outside" 2 "does not lie in view" hc lights "$d" --state before --sphere "5000,20,40"
fails "no sphere there" 12 "view raking" hc lights "$d" --state before --sphere "600,450,60"
same "nothing changed" "$(state_of "$d")" "$before"

# Lamps all on one line.
sed 's/,[0-9]*,30/,0,30/; s/r180.tif,0/r180.tif,180/' lights.csv >line.csv
works "lamps on a line are taken" hc lights "$d" line.csv
fails "but make no relief" 12 "" hc relief "$d" --state before
# The files in another order: turned by two places.
awk -F, 'NR == 1 { print; next } { f[NR - 2] = $1; a[NR - 2] = $2 } END { for (i = 0; i < 8; i++) print f[i] "," a[(i * 3 + 1) % 8] ",30" }' lights.csv >order.csv
works "another order is taken" hc lights "$d" order.csv
fails "but found out" 12 "" hc relief "$d" --state before
works "the right lamps again" hc lights "$d" lights.csv

# Two lamps, and exposures that differ.
lamp dim.tif 0.6 0.6 0.5 0.35 99
e=$work/second
works "second dossier" hc new "$e" --title Two --height-mm 90 --width-mm 120
works "frame" hc add "$e" normal.tif --technique normal --state before
works "two lamps" hc add "$e" r0.tif r90.tif --technique raking --state before --lights lights.csv
works "align two" hc align "$e"
fails "two lamps are too few" 12 "3 or more" hc relief "$e" --state before
works "a third" hc add "$e" r180.tif r270.tif --technique raking --state before --lights lights.csv
works "another exposure" hc add "$e" dim.tif --technique raking --state before --azimuth 45 --elevation 30
works "align all" hc align "$e"
fails "mixed exposure is found out" 12 "exposure" hc relief "$e" --state before
works "or evened out" hc relief "$e" --state before --even-exposure
works verify hc verify "$e"
finish
