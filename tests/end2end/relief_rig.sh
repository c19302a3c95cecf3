#!/bin/sh
# Relief, further: pictures made by relief_make (none of the program's code) with known lamps and
# surfaces. Lamps from spheres; near lamps with and without boards; sets that are wrong; paint and
# varnish surface told apart. Views are placed by pairs of points, so that nothing rests on matching.
. "$(dirname "$0")/lib.sh"
cd "$work" || exit 2

# start DOSSIER WMM HMM FRAME VIEWS...: a dossier of KIND's pictures; the frame shows FRAME
start() {
    d=$1 && wmm=$2 && hmm=$3 && frame=$4
    for f in "$kind"/*.pgm; do vips copy "$f" "${f%.pgm}.tif" && rm "$f"; done
    vips bandjoin "$kind/$frame.tif $kind/$frame.tif $kind/$frame.tif" f3.v && vips copy f3.v f4.v --interpretation rgb16
    vips copy f4.v frame.tif
    works "new $kind" hc new "$d" --title "$kind" --height-mm "$hmm" --width-mm "$wmm"
    works "frame of $kind" hc add "$d" frame.tif --technique normal --state before
    set -- $(vipsheader frame.tif | sed 's/.*: \([0-9]*\)x\([0-9]*\).*/\1 \2/')
    awk "BEGIN { print \"frame_x,frame_y,view_x,view_y\"; n = split(\".1 .1 .9 .1 .9 .9 .1 .9 .5 .2 .5 .8\", a, \" \")
        for (i = 1; i < n; i += 2) print $1*a[i] \",\" $2*a[i+1] \",\" $1*a[i] \",\" $2*a[i+1] }" >same.csv
}
# place LABEL...: each lies where the frame lies
place() { for v in "$@"; do hc align "$d" "$v" --points same.csv >out 2>err || bad "placing $v: $(cat err)"; done; }
aside() { works "leave $1 aside" hc align "$d" "$1" --clear; }
labels() { hc views "$d" --json >v.json && sqlite3 :memory: "SELECT json_extract(value, '\$.label') FROM json_each(json_extract(CAST(readfile('v.json') AS TEXT), '\$.views')) WHERE json_extract(value, '\$.technique') = 'raking' AND json_extract(value, '\$.label') LIKE '$1'"; }

# ---- lamps from spheres: a far lamp every 45 degrees from 20 at 30 degrees, a near one at 40, 300 mm away ----
kind=spheres
mkdir $kind && "$HC_RELIEF_MAKE" $kind $kind
start spheres.dossier 80 60 far0
works "far lamps" hc add "$d" $kind/far?.tif --technique raking --state before
works "near lamps" hc add "$d" $kind/near?.tif --technique raking --state test
off() { # off NAME ELEVATION LIMIT: all four directions within LIMIT degrees
    for k in 0 1 2 3; do
        a=$(json lights.json "\$.lights[$k].azimuth_deg") e=$(json lights.json "\$.lights[$k].elevation_deg")
        true_that "$1, lamp $k: $a, $e" "(($a - (20 + 45 * $k)) * cos($2 * 3.14159265 / 180)) ^ 2 + ($e - $2) ^ 2 < $3 ^ 2"
    done
}
works "two mirror spheres" hc lights "$d" --state before --sphere "90,90,60 710,500,60" --json && cp out lights.json
off "two mirror spheres" 30 0.5
same "a far lamp is called far" "$(json lights.json '$.lights[0].is_near')" 0
works "one mirror sphere" hc lights "$d" --state before --sphere "90,90,60" --json && cp out lights.json
off "one mirror sphere" 30 1
works "told" hc lights "$d" --state before --sphere "90,90,60"
same "one sphere knows no distance" "$(grep -c 'distance is not known' out)" 4
works "a matte sphere" hc lights "$d" --state before --matte --sphere "120,480,80" --json && cp out lights.json
off "a matte sphere" 30 0.2
works "near lamps by two mirrors" hc lights "$d" --state test --sphere "90,90,60 710,500,60" --json && cp out lights.json
off "near lamps" 40 1
same "a near lamp is called near" "$(json lights.json '$.lights[2].is_near')" 1
sqlite3 "$d/halfclean.db" "SELECT json FROM result WHERE kind LIKE 'lamp-%' ORDER BY id DESC LIMIT 1" >lamp.json
true_that "its height above the picture, 192.8 mm" "($(json lamp.json '$.position_mm[2]') - 192.8) ^ 2 < 8 ^ 2"
fails "a sphere partly outside" 12 "partly outside" hc lights "$d" --state before --sphere "20,20,60"
fails "a mirror read as matte" 12 "view raking-before" hc lights "$d" --state before --matte --sphere "90,90,60"
fails "a matte sphere read as a mirror" 12 "matte sphere" hc lights "$d" --state before --sphere "120,480,80"
fails "no sphere there" 12 "view raking-before" hc lights "$d" --state before --sphere "400,300,60"
fails "spheres badly written" 2 "X,Y,R" hc lights "$d" --state before --sphere "400,300"

# ---- near lamps: the false tilt of a flat panel goes with boards, or with positions ----
kind=near
mkdir $kind && "$HC_RELIEF_MAKE" $kind $kind >near.txt
start near.dossier 400 300 panel0
works "views" hc add "$d" $kind/panel?.tif --technique raking --state before
place $(labels '%')
for k in 0 1 2 3 4 5 6 7; do works "board $k" hc add "$d" $kind/board$k.tif --technique raking --state before --label board-$k; done
tilt() { # mean slope across of what is broader than 12 mm; rms slope left of the ripple
    hc relief "$d" --state before --method least-squares --json >r.json 2>err || bad "relief: $(cat err)"
    hc export "$d" normals --state before -o n.tif && vips extract_band n.tif nx.v 0 && vips gaussblur nx.v nb.v 25 && vips abs nb.v na.v && vips avg na.v
}
{ echo file,azimuth_deg,elevation_deg; for k in 0 1 2 3 4 5 6 7; do echo panel$k.tif,$((k * 45)),35; done; } >far.csv
works "taken as far" hc lights "$d" far.csv
t=$(tilt)
true_that "taken as far: tilted by 5 degrees and more ($t)" "$t > 0.09"
sed '1s/$/,flat/; 2,$s/panel\(.\).*/&,board-\1/' far.csv >flat.csv
works "with boards" hc lights "$d" flat.csv
t=$(tilt)
true_that "boards take it away ($t)" "$t < 0.005"
same "boards are told" "$(json r.json '$.boards')" 1
same "boards are not views of the painting" "$(json r.json '$.left_aside')" 0
true_that "the ripple is right (rms slope 0.051 less the filter)" "$(json r.json '$.texture.sdq') > 0.030 && $(json r.json '$.texture.sdq') < 0.052"
{ echo file,x_mm,y_mm,z_mm; sed -n 's/lamp\(.\)=\(.*\)/panel\1.tif,\2/p' near.txt; } >near.csv
works "where the lamps stood" hc lights "$d" near.csv
t=$(tilt)
true_that "positions take it away as well ($t)" "$t < 0.005"
sed '1s/$/,flat/; 2,4s/$/,board-1/; 5,$s/$/,/' near.csv >some.csv
works "boards for some" hc lights "$d" some.csv
fails "boards for some are refused" 12 "3 of 8 lamps have an even board" hc relief "$d" --state before
vips resize $kind/board0.tif half.tif 0.5
works "a board of another size" hc add "$d" half.tif --technique raking --state before --label half
sed '1s/$/,flat/; 2,$s/$/,half/' near.csv >some.csv
before=$(state_of "$d")
fails "is not taken" 5 "no view of the same size" hc lights "$d" some.csv
sed '5s/panel3/nobody/' near.csv >some.csv
fails "a wrong line" 5 "line 5" hc lights "$d" some.csv
same "leaves the lamps above it alone" "$(state_of "$d")" "$before"

# ---- sets that are wrong ----
kind=ring
mkdir $kind && "$HC_RELIEF_MAKE" $kind $kind
{ echo file,azimuth_deg,elevation_deg; for k in 0 1 2 3 4 5 6 7; do echo ring$k.tif,$((k * 45)),30; done; } >ring.csv
start ring.dossier 400 300 ring0
works "views with lamps" hc add "$d" $kind/ring?.tif --technique raking --state before --lights ring.csv
place $(labels '%')
works "a good set" hc relief "$d" --state before --method least-squares --json
cp out good.json
for v in black burnt dim shifted; do
    works "add $v" hc add "$d" $kind/$v.tif --technique raking --state before --azimuth 100 --elevation 40 --label $v
    place $v
    case $v in
    black) fails "all black" 12 "view black: all but black" hc relief "$d" --state before ;;
    burnt) fails "saturated" 12 "view burnt: .* clipped" hc relief "$d" --state before ;;
    dim) fails "another exposure" 12 "view dim: exposed .*--even-exposure" hc relief "$d" --state before ;;
    shifted) fails "not aligned" 12 "view shifted: does not fit the others" hc relief "$d" --state before ;;
    esac
    same "says what to do about $v" "$(grep -c -e '--clear' -e '--even-exposure' err)" 1
    aside $v
done
vips resize $kind/ring0.tif small.tif 0.5
works "a view of another size" hc add "$d" small.tif --technique raking --state before --azimuth 10 --elevation 30 --label small
awk -F, 'NR == 1 { print; next } { print $1 "," $2 "," $3 / 2 "," $4 / 2 }' same.csv >half.csv
works "placed" hc align "$d" small --points half.csv
vips extract_area $kind/ring1.tif detail.tif 200 150 300 200
works "a detail" hc add "$d" detail.tif --technique raking --state before --azimuth 45 --elevation 30 --label detail
printf 'frame_x,frame_y,view_x,view_y\n210,160,10,10\n490,160,290,10\n490,340,290,190\n210,340,10,190\n350,200,150,50\n' >detail.csv
works "placed as a detail" hc align "$d" detail --points detail.csv
vips linear $kind/ring2.tif nolamp.v 0.99 0 && vips cast nolamp.v nolamp.tif ushort
works "a view whose lamp nobody knows" hc add "$d" nolamp.tif --technique raking --state before --label nolamp
place nolamp
works "they are left aside" hc relief "$d" --state before --method least-squares --json
cp out r.json
same "seven of them" "$(json r.json '$.left_aside')" 7
same "the figures are those of the good set" "$(json r.json '$.texture')" "$(json good.json '$.texture')"
works "and told" hc relief "$d" --state before --show
for v in "black .*LEFT ASIDE: not placed" "small .*LEFT ASIDE: much coarser" "detail .*LEFT ASIDE: a detail" "nolamp .*LEFT ASIDE: nobody said"; do
    same "$v" "$(grep -c -e "$v" out)" 1
done
fails "a lamp below the plane" 2 "give a number from 0 to 90" hc add "$d" $kind/dim.tif --technique raking --state test --azimuth 5 --elevation -3
fails "a lamp in the plane" 2 "above 0" hc add "$d" small.tif --technique raking --state test --azimuth 5 --elevation 0
awk -F, 'NR == 1 { print; next } { print $1 "," (NR % 2 ? 0 : 180) "," 30 + NR }' ring.csv >line.csv
works "lamps on one line" hc lights "$d" line.csv
fails "make no relief" 12 "stand in one line" hc relief "$d" --state before
awk -F, 'NR == 1 { print; next } { f[NR - 2] = $1; a[NR - 2] = $2 } END { for (i = 0; i < 8; i++) print f[i] "," a[(i + 2) % 8] ",30" }' ring.csv >turned.csv
sed 1d turned.csv | sed '1i file,azimuth_deg,elevation_deg' >order.csv
works "the ring turned by two places" hc lights "$d" order.csv
fails "is found out" 12 "another order than the lamps" hc relief "$d" --state before
# Three lamps, then one of them twice.
e=$work/three.dossier
works "three lamps" hc new "$e" --title Three --height-mm 300 --width-mm 400
works "frame" hc add "$e" frame.tif --technique normal --state before
works "their views" hc add "$e" $kind/ring0.tif $kind/ring3.tif $kind/ring5.tif --technique raking --state before --lights ring.csv
d=$e
place $(labels '%')
works "three are enough" hc relief "$d" --state before
same "but the noise is assumed, said so" "$(grep -c 'noise assumed' out)" 1
printf 'file,azimuth_deg,elevation_deg\nring0.tif,0,30\nring3.tif,0,30\nring5.tif,225,30\n' >twice.csv
works "one lamp twice" hc lights "$d" twice.csv
fails "leaves two" 12 "one line" hc relief "$d" --state before

# ---- paint and varnish surface told apart ----
box='{"type":"Polygon","coordinates":[[[4,4],[156,4],[156,156],[4,156],[4,4]]]}'
echo "$box" >area.geojson
for kind in film bare; do
    mkdir $kind && "$HC_RELIEF_MAKE" $kind $kind >$kind.txt
    start $kind.dossier 8 8 c03
    { echo file,azimuth_deg,elevation_deg,polariser
      sed -n 's/lamp\([0-9]*\)=\(.*\)/c\1.tif,\2,crossed\np\1.tif,\2,parallel/p' $kind.txt; } >film.csv
    works "crossed and parallel" hc add "$d" $kind/c??.tif $kind/p??.tif --technique raking --state before --lights film.csv
    place $(labels '%')
    works "film of $kind" hc relief "$d" --state before --film --area area.geojson --json
    cp out $kind.json
done
truth=$(sed -n 's/retained=//p' film.txt)
true_that "retained within 0.15 of $truth" "($(json film.json '$.retained.value') - $truth) ^ 2 < 0.15 ^ 2"
true_that "and inside its interval" "$truth > $(json film.json '$.retained.low') && $truth < $(json film.json '$.retained.high')"
same "lamps typed in give no micrometres" "$(json film.json '$.fill_um')" ""
same "bare paint: no film seen" "$(json bare.json '$.refusal')" 5
kind=film
d=$work/film.dossier
for v in $(labels '%' | sed -n '1,16p; 29,44p'); do aside "$v"; done
works "raking lamps alone" hc relief "$d" --state before --film --area area.geojson --json
same "are refused as such" "$(json out '$.refusal')" 1
works verify hc verify "$d"
finish
