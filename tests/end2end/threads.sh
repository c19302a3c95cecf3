#!/bin/sh
# The same inputs give the same bytes with one thread and with two.
. "$(dirname "$0")/lib.sh"
for n in 1 2; do
    works "demo with $n" hc demo "$work/demo$n" --small --threads $n
    for k in forecast radius refusal coat; do
        works "export $k with $n" hc export "$work/demo$n/dossier" $k -o "$work/$k-$n.tif" --threads $n
    done
    for s in before test; do
        works "relief of $s with $n" hc relief "$work/demo$n/dossier" --state $s --show --json
        cp "$work/out" "$work/relief-$s-$n.json"
        for k in normals height; do
            works "export $k of $s with $n" hc export "$work/demo$n/dossier" $k --state $s -o "$work/$s-$k-$n.tif" --threads $n
        done
    done
    works "report with $n" hc report "$work/demo$n/dossier" -o "$work/report-$n.pdf"
    works "forecast document with $n" hc spot "$work/demo$n/dossier" --at 400,300 --json
    cp "$work/out" "$work/spot-$n.json"
done
for f in before test uv ir xray raking-0; do
    same "photograph $f" "$(sha256sum <"$work/demo1/photographs/$f.tif")" "$(sha256sum <"$work/demo2/photographs/$f.tif")"
done
for k in forecast radius refusal coat; do
    same "$k" "$(sha256sum <"$work/$k-1.tif")" "$(sha256sum <"$work/$k-2.tif")"
done
for s in before test; do
    same "relief of $s" "$(cat "$work/relief-$s-1.json")" "$(cat "$work/relief-$s-2.json")"
    for k in normals height; do
        same "$k of $s" "$(sha256sum <"$work/$s-$k-1.tif")" "$(sha256sum <"$work/$s-$k-2.tif")"
    done
done
true_that "a relief has tiles" "$(ls "$work/demo1/dossier/derived" | grep -c 'relief-.*-slopes.raster') == 2"
same "report" "$(sha256sum <"$work/report-1.pdf")" "$(sha256sum <"$work/report-2.pdf")"
same "spot" "$(cat "$work/spot-1.json")" "$(cat "$work/spot-2.json")"
for n in 1 2; do (cd "$work/demo$n/dossier/derived" && sha256sum * | sort) >"$work/derived-$n"; done
same "every derived file" "$(cat "$work/derived-1")" "$(cat "$work/derived-2")"
finish
