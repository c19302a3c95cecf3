#!/bin/sh
# A relief that is killed or stopped at any moment: the dossier is sound, the relief that was there
# before is still there, and the next run gives what an undisturbed one gives.
. "$(dirname "$0")/lib.sh"
d=$work/demo/dossier
works demo hc demo "$work/demo" --small
works "the relief before" hc relief "$d" --state test --show --json
cp "$work/out" "$work/first.json"
for n in 1 2 3 4 5 6; do
    "$HC_BIN" relief "$d" --state test --method least-trimmed --quiet >"$work/out" 2>"$work/err" &
    pid=$!
    sleep "0.$n"
    kill -KILL $pid 2>/dev/null
    wait $pid 2>/dev/null
    works "sound after kill $n" hc verify "$d"
done
# One of them may have come to its end; a slope raster that was just recorded is no relief yet.
works "a whole relief is there" hc relief "$d" --state test --show --json
if [ "$(json "$work/out" '$.method')" = trimmed ]; then
    same "the old one, as it was" "$(cat "$work/out")" "$(cat "$work/first.json")"
else
    same "the new one" "$(json "$work/out" '$.method')" "least trimmed squares"
fi
works "as before" hc relief "$d" --state test --json
same "the same texture" "$(json "$work/out" '$.texture')" "$(json "$work/first.json" '$.texture')"
same "and windows" "$(json "$work/out" '$.windows')" "$(json "$work/first.json" '$.windows')"
# Stopped by the user: nothing of it stays.
before=$(state_of "$d") files=$(ls "$d/derived")
"$HC_BIN" relief "$d" --state test --method least-trimmed --quiet >"$work/out" 2>"$work/err" &
pid=$!
sleep 0.2
kill -TERM $pid
wait $pid
got=$?
if [ $got = 0 ]; then
    echo "the relief was done before it could be stopped"
else
    same "stopped" $got 11
    same "nothing changed" "$(state_of "$d")" "$before"
    same "no file stays" "$(ls "$d/derived")" "$files"
fi
works verify hc verify "$d"
same "two reliefs, their rasters" "$(ls "$d/derived" | grep -c 'relief-.*raster')" 4
finish
