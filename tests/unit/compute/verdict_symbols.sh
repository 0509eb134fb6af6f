#!/bin/sh
# Looks for undefined symbols of the mathematical library in the objects of the verdict path: such functions differ
# between processors and versions, and a judgement must come out the same to the bit. Arguments: the library libm, then
# archives (.a); in an archive "name.a:one.c,two.c" only the objects of the named sources are looked at.
set -u
libm=$1
shift
names=$(mktemp) || exit 1
undefined=$(mktemp) || exit 1
trap 'rm -f "$names" "$undefined"' EXIT
nm -D --defined-only "$libm" | awk '{ sub(/@.*/, "", $3); print $3 }' | sort -u >"$names"
if [ ! -s "$names" ]; then
    echo "no symbols found in $libm" >&2
    exit 1
fi
status=0
for item in "$@"; do
    archive=${item%%:*}
    only=
    case $item in *:*) only=${item#*:} ;; esac
    found=0
    for member in $(ar t "$archive"); do
        if [ -n "$only" ]; then
            case ",$only," in *",${member%.o},"*) ;; *) continue ;; esac
        fi
        found=$((found + 1))
        ar p "$archive" "$member" >"$undefined.o" || exit 1
        nm -u "$undefined.o" | awk '{ print $2 }' | sort -u >"$undefined"
        rm -f "$undefined.o"
        if bad=$(comm -12 "$names" "$undefined") && [ -n "$bad" ]; then
            echo "$archive($member) uses libm:" $bad >&2
            status=1
        fi
    done
    echo "$archive: $found objects"
    if [ -n "$only" ]; then
        wanted=$(echo "$only" | tr ',' '\n' | grep -c .)
        if [ "$found" -ne "$wanted" ]; then
            echo "$archive: expected $wanted objects" >&2
            status=1
        fi
    elif [ "$found" -eq 0 ]; then
        status=1
    fi
done
exit $status
