#!/bin/sh
# Plates joined into one view: cut from the invented painting's X-ray and infrared pictures by
# libvips (turned, shifted, of differing exposure), joined by the real program, compared with the
# picture they were cut from, placed in the frame. And what must be refused.
. "$(dirname "$0")/lib.sh"
d=$work/dossier
cd "$work" || exit 2

works "photographs" hc demo demo --small --files-only
p=demo/photographs
works "new" hc new "$d" --title Plates --height-mm 360 --width-mm 300
works "the reference" hc add "$d" $p/before.tif --technique normal --state before

# plate IN OUT ANGLE LEFT TOP WIDTH HEIGHT GAIN: cut from the turned picture; tones times GAIN
plate() {
    vips similarity "$1" t.v --angle "$3" --interpolate bicubic
    # similarity widens the canvas and keeps its middle.
    x=$(awk "BEGIN { print int($4 + ($(vipsheader -f width t.v) - 750) / 2) }")
    y=$(awk "BEGIN { print int($5 + ($(vipsheader -f height t.v) - 900) / 2) }")
    vips extract_area t.v c.v "$x" "$y" "$6" "$7"
    vips linear c.v g.v "$8" 0 && vips cast g.v u.v ushort && vips copy u.v v.v --interpretation grey16
    vips tiffsave v.v "$2"
}
plate $p/xray.tif a.tif 0 20 20 400 460 1
plate $p/xray.tif b.tif 1.2 330 30 400 450 0.82
plate $p/xray.tif c.tif -0.9 25 390 400 480 1.1
plate $p/xray.tif d.tif 0.5 340 400 390 470 0.93
for f in a b c d; do works "add $f" hc add "$d" $f.tif --technique xray --state before --label "plate $f"; done

works "join" hc mosaic "$d" "plate c" "plate a" "plate d" "plate b" --label whole --json
cp out whole.json
same "all four" "$(json whole.json '$.mosaic.plates[3].label')" "plate b"
true_that "overlaps agree" "$(json whole.json '$.mosaic.held_out_p95_px') < 0.5"
true_that "nearly all covered" "$(json whole.json '$.mosaic.covered_share') > 0.93"
true_that "of the size of the picture" "$(json whole.json '$.w') > 700 && $(json whole.json '$.w') < 760 && $(json whole.json '$.h') > 830 && $(json whole.json '$.h') < 900"
case $(json whole.json '$.note') in *"Joined by this program from views plate c, plate a"*"px (95 %)"*) good ;; *) bad "the note: $(json whole.json '$.note')" ;; esac
same "the plates stay" "$(hc views "$d" --json >v.json && json v.json '$.views[1].label')" "plate a"
original=$d/originals/$(json whole.json '$.sha256').tiff
[ -f "$original" ] || original=$(ls "$d"/originals/"$(json whole.json '$.sha256')".*)
case $(vipsheader -f image-description "$original") in *"$(sha256sum a.tif | cut -c1-64)"*) good ;; *) bad "the file does not name its plates" ;; esac

# Against the picture it was cut from: plate a is not turned, and lies 20, 20 px in. Where the mosaic
# is plate a alone it is that picture, apart from one gain and offset; a seam would show as an edge.
works "place" hc align "$d" whole --json
cp out placed.json
case $(json placed.json '$.views[0].fit.verdict') in good | usable) good ;; *) bad "placed: $(json placed.json '$.views[0].fit.why')" ;; esac
true_that "where it belongs" "$(json placed.json '$.views[0].fit.held_out_p95_px') < 1.5"
works "export" hc export "$d" view --view whole -o whole.tif
works "told" hc views "$d"
same "told with its plates" "$(grep -c 'mosaic .*4 plates joined' out)" 1

# Any order joins; the same order gives the same file with any number of threads: it is there already.
works "another order" hc mosaic "$d" "plate a" "plate b" "plate c" "plate d" --label again
fails "the same bytes with one thread" 6 "" hc mosaic "$d" "plate c" "plate a" "plate d" "plate b" --label third --threads 1

# Refused, and nothing is added.
before=$(state_of "$d")
fails "one view" 2 "" hc mosaic "$d" "plate a"
fails "twice the same" 2 "named twice" hc mosaic "$d" "plate a" "plate b" "plate a"
fails "no such view" 5 "nowhere" hc mosaic "$d" "plate a" nowhere
fails "another technique" 2 "one technique" hc mosaic "$d" "plate a" normal-before
fails "a label in use" 6 "already" hc mosaic "$d" "plate a" "plate b" --label "plate c"
same "nothing was changed" "$(state_of "$d")" "$before"

vips gaussnoise n.v 400 450 --mean 30000 --sigma 9000 --seed 4 && vips gaussblur n.v nb.v 3 && vips linear nb.v nl.v 5 -- -120000
vips cast nl.v nu.v ushort && vips copy nu.v nc.v --interpretation grey16 && vips tiffsave nc.v other.tif
plate $p/xray.tif far.tif 0 560 700 180 190 1
plate $p/xray.tif near.tif 0 10 10 200 200 1
plate $p/xray.tif twin.tif 0 21 21 400 460 0.9
vips extract_area $p/xray.tif thin.v 100 100 1 400 && vips tiffsave thin.v thin.tif
vips black flat.v 300 300 && vips linear flat.v fl.v 1 20000 && vips cast fl.v fu.v ushort && vips copy fu.v fg.v --interpretation grey16 && vips tiffsave fg.v flat.tif
for f in other far near twin thin flat; do works "add $f" hc add "$d" $f.tif --technique xray --state before --label $f; done
before=$(state_of "$d")
fails "a plate of another picture" 12 "found: other" hc mosaic "$d" "plate a" other "plate b"
fails "plates that do not meet" 12 "" hc mosaic "$d" far near
fails "one plate given twice" 12 "plate a and twin show the same area" hc mosaic "$d" "plate a" twin "plate b"
fails "a plate of one column" 3 "thin is 1 x 400 px" hc mosaic "$d" "plate a" thin
fails "a blank plate" 3 "flat is blank" hc mosaic "$d" "plate a" flat
same "nothing was added" "$(state_of "$d")" "$before"
works "verify" hc verify "$d"
finish
