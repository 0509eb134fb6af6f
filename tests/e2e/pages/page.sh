#!/bin/sh
# Walks a page of the docs as a reader would: every block marked sh, in order, beside the virtual bench of Harrow Quay Hire
# and a daemon, in an empty folder. Blocks in other languages: block.sh.
# usage: page.sh PAGE SOURCE BUILD [--keep FOLDER] [--bench-time RUN SECONDS] [WORDS...]
#   WORDS: texts that the walk has to print; --bench-time: the run may take at most so much time of the bench; --keep: leave
#   run-1 in a folder
set -eu
page=$1 source=$2 build=$3
shift 3
keep=
if [ "${1:-}" = --keep ]; then
    keep=$2
    shift 2
fi
within=
if [ "${1:-}" = --bench-time ]; then
    run=$2 within=$3
    shift 3
fi
work=$(mktemp -d)
virtual_pid=
daemon_pid=
stop() {
    [ -z "$daemon_pid" ] || kill "$daemon_pid" 2>/dev/null || true
    [ -z "$daemon_pid" ] || wait "$daemon_pid" 2>/dev/null || true
    [ -z "$virtual_pid" ] || kill "$virtual_pid" 2>/dev/null || true
    rm -rf "$work"
}
trap stop EXIT
trap 'exit 130' INT TERM
fail() {
    echo "$1" >&2
    tail -n 60 "$work/walk.log" >&2 || true
    tail -n 20 "$work/daemon.log" >&2 || true
    exit 1
}

cp -r "$source/config/examples" "$source/config/maps" "$work"
cd "$work/examples"
# Free ports: the virtual bench takes any and says which.
sed -i 's/port: 150[0-9]*/port: 0/' harrow-quay-scenario.yaml
. "$source/tests/e2e/pages/pace.sh"
pace 120 || fail "the example's limits are not those that pace.sh draws out"
"$build/drivers/virtual/soakbench-virtual" harrow-quay-scenario.yaml --ready-file ready >"$work/virtual.log" 2>&1 &
virtual_pid=$!
n=0
while [ ! -s ready ]; do
    n=$((n + 1))
    [ $n -le 100 ] || fail "the virtual bench did not start"
    sleep 0.1
done
while IFS='=' read -r bus place; do
    case $place in
    /*) sed -i "/name: $bus,/s|port: [^,}]*|port: $place|" harrow-quay.yaml ;;
    *) sed -i "/name: $bus,/s/127.0.0.1:[0-9]*/127.0.0.1:$place/" harrow-quay.yaml ;;
    esac
done <ready
"$build/daemon/soakbenchd" --config harrow-quay.yaml >"$work/daemon.log" 2>&1 &
daemon_pid=$!
PATH=$build/daemon/client:$build/daemon:$build/drivers/virtual:$PATH
export PATH
n=0
until soakbench status --config harrow-quay.yaml >"$work/status" 2>&1 && ! grep -Eq '^[a-z0-9]+ +lost ' "$work/status"; do
    n=$((n + 1))
    [ $n -le 100 ] || fail "the daemon did not start"
    sleep 0.1
done

blocks() { # language
    awk -v fence='```'"$1" '$0 == fence { inside = 1; next } /^```/ { inside = 0 } inside' "$source/$page"
}
blocks sh >"$work/walk.sh"
[ -s "$work/walk.sh" ] || fail "$page has no sh blocks"
timeout 130 sh -eux "$work/walk.sh" >"$work/walk.log" 2>&1 || fail "$page: a command of the page failed"
# What was exported reads as its own description says, with nothing but the standard library.
for package in */datapackage.json; do
    [ -e "$package" ] || continue
    python3 "$source/tests/e2e/pages/package_check.py" "$package" >>"$work/walk.log" 2>&1 || fail "$page: $package is not true"
done
if [ -n "$keep" ]; then
    rm -rf "$keep"
    mkdir -p "$keep"
    cp -r run-1 "$keep"
fi
for words in "$@"; do
    grep -qF -e "$words" "$work/walk.log" || fail "$page: the walk did not print: $words"
done
if [ -n "$within" ]; then
    soakbench run show "$run" --json --config harrow-quay.yaml >"$work/run.json"
    python3 - "$work/run.json" "$within" <<'END' || fail "$page: run $run took more time of the bench than it may"
import datetime, json, sys
run = json.load(open(sys.argv[1]))["run"]
begin, end = (datetime.datetime.fromisoformat(run[k].replace("Z", "+00:00")) for k in ("started", "ended"))
took = (end - begin).total_seconds()
print("bench time: %.0f s" % took)
sys.exit(took > float(sys.argv[2]))
END
fi
[ -z "${SHOW_WALK:-}" ] || cat "$work/walk.log"
