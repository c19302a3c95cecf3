#!/bin/sh
# Bad input: one line that says what is wrong, a named exit code, and nothing changed.
. "$(dirname "$0")/lib.sh"
d=$work/dossier
cd "$work" || exit 2

# Files made with libvips' own command.
vips black grey.tif 300 300 && vips black tall.png 60001 2 --bands 3
vips gaussnoise noise.v 400 300 && vips linear noise.v noise8.v 0.8 20 --uchar
vips bandjoin "noise8.v noise8.v noise8.v" rgb.v
vips copy rgb.v good.tif --interpretation srgb
vips bandjoin_const good.tif alpha.png 128
vips bandjoin "noise8.v noise8.v noise8.v noise8.v" four.v && vips copy four.v cmyk.tif --interpretation cmyk
vips cast good.tif double.tif double
vips bandjoin "noise8.v noise8.v" two.tif
head -c 20000 good.tif >short.tif && : >empty.tif && echo "not a picture" >text.tif
vips copy good.tif whole.png && head -c 3000 whole.png >short.png
vips copy good.tif whole.jpg && head -c 2000 whole.jpg >short.jpg

works "new" hc new "$d" --title T --height-mm 300 --width-mm 400
before=$(state_of "$d")
refuse() { # NAME CODE TEXT FILE
    fails "$1" "$2" "$3" hc add "$d" "$4" --technique normal --state before
    same "$1 changed nothing" "$(state_of "$d")" "$before"
}
refuse "truncated TIFF" 3 "short.tif" short.tif
refuse "truncated PNG" 3 "short.png" short.png
refuse "truncated JPEG" 3 "short.jpg" short.jpg
refuse "zero size" 3 "empty.tif" empty.tif
refuse "wrong type" 7 "text.tif" text.tif
refuse "huge side" 10 "60001" tall.png
refuse "one band" 7 "one grey band" grey.tif
refuse "two bands" 7 "two.tif" two.tif
refuse "alpha" 7 "alpha" alpha.png
refuse "CMYK" 7 "CMYK" cmyk.tif
refuse "64-bit" 7 "64" double.tif
refuse "missing" 5 "nothere.tif" nothere.tif
refuse "a folder" 7 "." "$work"
chmod 000 good.tif
[ "$(id -u)" = 0 ] || refuse "unreadable" 8 "good.tif" good.tif
chmod 644 good.tif
fails "technique" 2 "infrared" hc add "$d" good.tif --technique infrared --state before
fails "state" 2 "later" hc add "$d" good.tif --technique normal --state later
fails "first must be the reference" 6 "reference" hc add "$d" good.tif --technique uv --state before
fails "no such option" 2 "--colour" hc add "$d" good.tif --colour red
fails "no such command" 2 "clean" hc clean "$d"
fails "a number that is none" 2 "--height-mm" hc new x --title T --height-mm tall --width-mm 3
fails "impossible size" 2 "mm" hc new x --title T --height-mm -1 --width-mm 3
fails "no title" 2 "title" hc new x --height-mm 10 --width-mm 3
fails "a dossier twice" 6 "dossier" hc new "$d" --title T --height-mm 300 --width-mm 400
fails "not a dossier" 5 "nowhere" hc views "$work/nowhere"
same "refusals changed nothing" "$(state_of "$d")" "$before"

# Placement that does not fit, and windows that cannot be.
vips gaussnoise other.v 400 300 --seed 99 && vips linear other.v other8.v 0.8 20 --uchar
vips bandjoin "other8.v other8.v other8.v" other3.v && vips copy other3.v other.tif --interpretation srgb
works "reference" hc add "$d" good.tif --technique normal --state before
works "same picture as test" hc add "$d" good.tif --technique normal --state test
works "another picture" hc add "$d" other.tif --technique normal --state test --label other
fails "the same file twice" 6 "already" hc add "$d" good.tif --technique normal --state test
works "align" hc align "$d" --json
works "views" hc views "$d" --json
same "unrelated picture refused" "$(json out '$.views[2].fit.verdict')" refused
poly() { printf '{"type":"Polygon","frame":"px","coordinates":[[%s]]}' "$1" >poly.geojson; }
refuse_window() { # NAME CODE TEXT POLYGON [OPTIONS]
    poly "$4"
    fails "$1" "$2" "$3" hc window "$d" --add poly.geojson --surface bare --test normal-test
}
refuse_window "outside the frame" 2 "outside the frame" "[390,290],[410,290],[410,299],[390,299]"
refuse_window "crossing itself" 3 "crosses" "[10,10],[40,40],[40,10],[10,40]"
refuse_window "too small" 2 "at least 25 px" "[10,10],[14,10],[14,14],[10,14]"
refuse_window "two corners" 3 "corners" "[10,10],[14,10]"
poly "[10,10],[30,10],[30,30],[10,30]"
works "a window" hc window "$d" --add poly.geojson --surface bare --test normal-test
refuse_window "overlapping" 6 "overlaps" "[20,20],[40,20],[40,40],[20,40]"
poly "[100,100],[130,100],[130,130],[100,130]"
fails "surface" 2 "surface" hc window "$d" --add poly.geojson --surface shiny --test normal-test
fails "unplaced view" 12 "other" hc window "$d" --add poly.geojson --surface bare --test other
fails "two test views, which?" 5 "nosuch" hc window "$d" --add poly.geojson --surface bare --test nosuch
echo '{"type":"Point","coordinates":[1,2]}' >point.geojson
fails "a point" 7 "Point" hc window "$d" --add point.geojson --surface bare --test normal-test
echo '{"type":' >broken.geojson
fails "broken JSON" 3 "JSON" hc window "$d" --add broken.geojson --surface bare --test normal-test
fails "too few windows" 12 "at least 4" hc forecast "$d"
i=0
for at in 60 120 180 240; do
    i=$((i + 1))
    poly "[$at,200],[$((at + 20)),200],[$((at + 20)),220],[$at,220]"
    works "grey window $i" hc window "$d" --add poly.geojson --surface bare --test normal-test
done
fails "one lightness class" 12 "equally light" hc forecast "$d"
fails "another surface state" 12 "saturated" hc forecast "$d" --surface saturated
fails "no forecast yet" 5 "forecast" hc export "$d" forecast -o f.tif
fails "spot outside" 2 "outside the frame" hc spot "$d" --at 4000,1
fails "spot without place" 2 "--at" hc spot "$d" --at 12
fails "zone kind" 2 "kind" hc zone "$d" --add poly.geojson --kind stain
fails "remove what is not there" 5 "77" hc window "$d" --remove 77

# A second writer, a newer schema, a damaged original, a read-only folder, a full disk.
"$HC_BIN" serve "$d" --quiet >serve.out 2>&1 &
pid=$!
for _ in $(seq 50); do grep -q 'token=' serve.out && break; sleep 0.2; done
fails "second writer" 6 "open for changes already" hc align "$d"
kill "$pid" && wait "$pid" 2>/dev/null
works "writer gone" hc align "$d"
cp -r "$d" newer && sqlite3 newer/halfclean.db "PRAGMA user_version = 99;"
fails "newer schema" 7 "newer" hc views newer
cp -r "$d" hurt && chmod -R u+w hurt/originals
for f in hurt/originals/*; do printf 'x' >>"$f"; done
fails "damaged original" 3 "problem" hc verify hurt
if [ "$(id -u)" = 0 ] && mkdir tiny && mount -t tmpfs -o size=900k tmpfs tiny 2>/dev/null; then
    works "a dossier on a tiny disk" hc new tiny/d --title T --height-mm 300 --width-mm 400
    fails "full disk" 8 "space" hc add tiny/d good.tif --technique normal --state before
    works "still whole" hc verify tiny/d
    umount tiny
fi
finish
