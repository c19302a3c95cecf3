#!/bin/sh
# The whole path on the small demo's photographs, by hand, as a conservator's assistant would type it;
# then the outcome against the painting's truth, measured with libvips (not with our own code).
. "$(dirname "$0")/lib.sh"
d=$work/dossier p=$work/demo/photographs

works "photographs" hc demo "$work/demo" --small --files-only
works "new" hc new "$d" --title 'Quinces "and" jug' --height-mm 360 --width-mm 300 --maker nobody
works "add before" hc add "$d" "$p/before.tif" --technique normal --state before
works "add test" hc add "$d" "$p/test.tif" --technique normal --state test --by "A. Nother"
works "add uv" hc add "$d" "$p/uv.tif" --technique uv --state before
works "add ir" hc add "$d" "$p/ir.tif" --technique ir --state before
works "add raking" hc add "$d" "$p/raking-0.tif" --technique raking --state before --azimuth 0 --elevation 12
works "align" hc align "$d"
works "views" hc views "$d" --json
cp "$work/out" "$work/views.json"
same "five views" "$(json "$work/views.json" '$.views[#-1].id')" 5
same "original kept to the byte" "$(json "$work/views.json" '$.views[1].sha256')" "$(sha256sum <"$p/test.tif" | cut -d' ' -f1)"
same "test placed" "$(json "$work/views.json" '$.views[1].fit.verdict')" good
# The generator moves the test photograph by (1.3, -0.8) px and exposes it 3 % more (demo.h).
true_that "shift x" "($(json "$work/views.json" '$.views[1].fit.shift_px[0]') - 1.3)^2 < 0.01"
true_that "shift y" "($(json "$work/views.json" '$.views[1].fit.shift_px[1]') + 0.8)^2 < 0.01"
true_that "exposure" "($(json "$work/views.json" '$.views[1].fit.exposure_factor') * 1.03 - 1)^2 < 0.00001"

fails "no windows, no forecast" 12 "at least 4" hc forecast "$d"
for i in 1 2 3 4 5 6 7 8; do
    works "window $i" hc window "$d" --add "$p/window-$i.geojson" --surface bare --system "system $i"
done
for z in "$p"/zone-*.geojson; do
    works "zone" hc zone "$d" --add "$z" --kind retouching
done
works "forecast" hc forecast "$d" --json
cp "$work/out" "$work/forecast.json"
same "not stale" "$(json "$work/forecast.json" '$.is_stale')" 0
same "no claim of an original look" "$(grep -ci 'original appearance' "$work/forecast.json")" 0
true_that "left-out error below doing nothing" \
    "$(json "$work/forecast.json" '$.left_out_de') < 0.6 * $(json "$work/forecast.json" '$.nothing_de')"
works "text form" hc forecast "$d" --show
works "windows" hc window "$d" --json
same "eight windows" "$(json "$work/out" '$.windows[#-1].id')" 8

works "spot" hc spot "$d" --at 300,500 --mm 10 --json
true_that "spot has a radius" "$(json "$work/out" '$.forecast.radius') > 0"
true_that "spot forecast is near the window" \
    "sqrt(($(json "$work/out" '$.forecast.lab[0]') - $(json "$work/out" '$.after.lab[0]'))^2) < 4"

for k in forecast radius refusal coat; do
    works "export $k" hc export "$d" $k -o "$work/$k.tif"
done
works "export lab" hc export "$d" forecast --as lab -o "$work/lab.tif"
same "lab has three float bands" "$(vipsheader -f bands "$work/lab.tif") $(vipsheader -f format "$work/lab.tif" | grep -o FLOAT)" "3 FLOAT"
works "export view" hc export "$d" view --view normal-test -o "$work/test.tif"
works "report" hc report "$d" -o "$work/report.pdf"
true_that "the report has two pages at least" "$(pdfinfo "$work/report.pdf" | awk '/^Pages/ { print $2 }') >= 2"
pdftotext "$work/report.pdf" "$work/report.txt"
same "the report names the painting" "$(grep -c 'Quinces "and" jug' "$work/report.txt" | awk '{ print ($1 > 0) }')" 1
works "verify" hc verify "$d"

# Against the truth: mean CIEDE2000 and coverage of the radius where a forecast is given, by libvips.
# The truth keeps later paint; the zones and the refusals leave it out.
cd "$work" || exit 2
vips colourspace forecast.tif f.v lab && vips colourspace demo/truth/after.tif t.v lab &&
    vips colourspace demo/photographs/before.tif b.v lab
vips dE00 f.v t.v de.v && vips dE00 b.v t.v nothing.v
vips relational_const refusal.tif ok.v equal 0
vips multiply de.v ok.v m.v && vips multiply nothing.v ok.v n.v
vips relational de.v radius.tif in.v lesseq && vips boolean in.v ok.v i.v and
o=$(vips avg ok.v) mean=$(vips avg m.v) nothing=$(vips avg n.v) inside=$(vips avg i.v)
echo "demo: mean CIEDE2000 $(awk "BEGIN { print $mean / $o }"), doing nothing $(awk "BEGIN { print $nothing / $o }"), radius covers $(awk "BEGIN { print $inside / $o }"), accepted $(awk "BEGIN { print $o / 255 }")"
true_that "most of the picture has a forecast" "$o / 255 > 0.75"
true_that "mean error" "$mean / $o < 3.5"
true_that "less than half of doing nothing" "$mean < 0.5 * $nothing"
true_that "the radius covers" "$inside / $o > 0.78"

# derived/ may be deleted: align makes the views again, forecast the forecast.
rm -rf "$d"/derived/*
works "verify without derived" hc verify "$d"
works "align again" hc align "$d"
works "forecast again" hc forecast "$d"
works "export again" hc export "$d" forecast -o "$work/again.tif"
same "the same picture again" "$(sha256sum <"$work/forecast.tif")" "$(sha256sum <"$work/again.tif")"

# Placement by hand: the shift, turn and scale the generator used (demo.h), marked at five places.
awk 'BEGIN { print "frame_x,frame_y,view_x,view_y"
    t = 0.02 * 3.14159265358979 / 180
    n = split("50,60 700,80 690,840 60,850 375,450", p, " ")
    for (i = 1; i <= n; i++) { split(p[i], q, ","); x = q[1] - 375; y = q[2] - 450
        printf "%s,%.3f,%.3f\n", p[i], 375 + cos(t) * x - sin(t) * y + 1.3, 450 + sin(t) * x + cos(t) * y - 0.8 } }' >"$work/points.csv"
cp -r "$d" "$work/byhand"
works "align by points" hc align "$work/byhand" normal-test --points "$work/points.csv" --json
cp "$work/out" "$work/byhand.json"
true_that "shift by points" "($(json "$work/byhand.json" '$.fit.shift_px[0]') - 1.3)^2 < 0.01"
true_that "its residual" "$(json "$work/byhand.json" '$.fit.held_out_p95_px') < 0.1"
head -n 4 "$work/points.csv" >"$work/three.csv"
fails "three points" 12 "4" hc align "$work/byhand" normal-test --points "$work/three.csv"
printf '1,2,3\n4,5\n' >"$work/words.csv"
fails "not points" 3 "four numbers" hc align "$work/byhand" normal-test --points "$work/words.csv"

# A picture bent by 2 px (made with libvips) is followed, and lands where it belongs.
cd "$work" || exit 2
vips xyz xy.v 750 900 && vips extract_band xy.v x.v 0 && vips extract_band xy.v y.v 1
vips linear y.v a.v 0.4 0 && vips math a.v s.v sin && vips linear s.v dx.v 2 0 && vips add x.v dx.v bx.v
vips bandjoin "bx.v y.v" index.v
vips mapim "$p/before.tif" bent.v index.v --interpolate bicubic && vips cast bent.v bent.tif ushort
works "add bent" hc add "$d" bent.tif --technique normal --state during-1 --label bent
works "align bent" hc align "$d" bent --json
cp out bent.json
true_that "a bend was followed" "$(json bent.json '$.views[0].fit.bend_max_px') > 1 && $(json bent.json '$.views[0].fit.bend_max_px') < 4"
works "export bent" hc export "$d" view --view bent -o flat.tif
works "export straight" hc export "$d" view --view normal-before -o straight.tif
apart() { vips subtract "$1" "$2" diff.v && vips extract_area diff.v mid.v 60 60 630 780 && vips abs mid.v abs.v && vips avg abs.v; }
vips cast bent.v b16.tif ushort
true_that "and taken out" "$(apart flat.tif straight.tif) < 0.35 * $(apart b16.tif straight.tif)"

# A changed record makes the forecast stale, and the report refuses it.
works "remove a window" hc window "$d" --remove 8
works "forecast document" hc forecast "$d" --show --json
same "stale says so" "$(json "$work/out" '$.is_stale')" 1
fails "stale report" 6 "compute it again" hc report "$d" -o "$work/stale.pdf"
finish
