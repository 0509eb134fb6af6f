#!/bin/sh
# Runs a page's blocks of one language, as they stand, beside an export that the page's walk has left, and compares the mean
# current that they print with one from the same rows by awk.
# usage: block.sh LANGUAGE PAGE SOURCE FOLDER; status 77 when nothing here runs that language
set -eu
language=$1 page=$2 source=$3 folder=$4
case $language in
python)
    runner=
    for p in python3 /usr/bin/python3; do
        if [ -z "$runner" ] && "$p" -c 'import pandas' 2>/dev/null; then
            runner=$p
        fi
    done
    missing="pandas (Debian package python3-pandas)"
    ;;
r)
    runner=
    command -v Rscript >/dev/null 2>&1 && runner="Rscript --vanilla"
    missing="R (Debian package r-base-core)"
    ;;
octave)
    runner=
    command -v octave-cli >/dev/null 2>&1 && runner="octave-cli --no-gui --no-history"
    missing="Octave (Debian package octave; R does for the tests)"
    ;;
*)
    echo "no language: $language" >&2
    exit 2
    ;;
esac
if [ -z "$runner" ]; then
    echo "skipped: no $missing"
    exit 77
fi
cd "$folder"
awk -v fence='```'"$language" '$0 == fence { inside = 1; next } /^```/ { inside = 0 } inside' "$source/$page" >block."$language"
[ -s block."$language" ] || { echo "$page has no block of $language" >&2; exit 1; }
$runner block."$language" >said 2>trouble || { cat said trouble >&2; exit 1; }
cat said
mean=$(awk -F, 'NR == 1 { for (i = 1; i <= NF; i++) if ($i == "i2_a") at = i; next }
    $at != "" && $at > 100 { sum += $at; n++ }
    END { printf "%d rows, mean I2 %.2f A", NR - 1, sum / n }' run-1/readings.csv)
grep -qF "$mean" said || { echo "expected: $mean" >&2; exit 1; }
