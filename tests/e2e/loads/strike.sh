#!/bin/sh
# A strike by the programs themselves, over sockets: the plan tells it, a run without it never reaches its current, a run
# with it holds, and both are judged again to the bit.
# usage: strike.sh SOURCE BUILD
set -eu
source=$1 build=$2
work=$(mktemp -d)
virtual_pid= daemon_pid=
stop() {
    for pid in $daemon_pid $virtual_pid; do
        kill "$pid" 2>/dev/null && wait "$pid" 2>/dev/null || true
    done
    rm -rf "$work"
}
fail() {
    echo "$*" >&2
    for log in daemon virtual; do tail -n 40 "$work/$log.log" >&2; done || true
    exit 1
}
trap stop EXIT
trap 'exit 130' INT TERM
# Waits until a command succeeds, 20 s at least.
until_true() {
    n=0
    while ! "$@" >"$work/last" 2>&1; do
        n=$((n + 1))
        [ $n -le 200 ] || fail "never came true: $* ($(cat "$work/last"))"
        sleep 0.1
    done
}
cp -r "$source/config/examples" "$source/config/maps" "$work"
cd "$work/examples"
sed -i 's/port: 150[0-9]*/port: 0/; s/^rate: .*/rate: 30/' lift-start-scenario.yaml
sed -i 's/rate: 60/rate: 30/' lift-start.yaml
"$build/drivers/virtual/soakbench-virtual" lift-start-scenario.yaml --ready-file ready >"$work/virtual.log" 2>&1 &
virtual_pid=$!
until_true test -s ready
grep -E '=[0-9]+$' ready | while IFS='=' read -r bus place; do
    sed -i "/name: $bus,/s/127.0.0.1:[0-9]*/127.0.0.1:$place/" lift-start.yaml
done
soakbench() {
    "$build/daemon/client/soakbench" "$@"
}
"$build/daemon/soakbenchd" --config lift-start.yaml >"$work/daemon.log" 2>&1 &
daemon_pid=$!
until_true soakbench status --config lift-start.yaml
until_true soakbench watchdog prove bank --who Ines --config lift-start.yaml
soakbench unit add units/hq-0166.yaml --config lift-start.yaml >/dev/null
soakbench unit inspect HQ-0166 --passed --who Ines --reference HQ-T-4 --config lift-start.yaml >/dev/null
soakbench rig A --who Ines --config lift-start.yaml >/dev/null
soakbench rigged A --who Ines --config lift-start.yaml >/dev/null
run="A --unit HQ-0166 --point 1 --procedure screen --start cold --config lift-start.yaml"
soakbench run plan $run >plan || fail "$(cat plan)"
grep -q 'Strike:  0.089 ohm for 2.0 s (steps open after it), then 1.284 ohm for 2.0 s' plan || fail "$(cat plan)"
grep -q 'The bench strikes this unit' plan || fail "$(cat plan)"
begin() {
    soakbench run start $run --who Ines --confirm-setup --control-at-maximum --accept "time-to-open circuit strike start" "$@" \
        >start 2>&1 || fail "$(cat start)"
}
begin --strike none
soakbench run watch A --config lift-start.yaml >watch 2>&1 || [ $? -eq 4 ] || fail "$(cat watch)"
grep -q 'waits for its arc' watch || fail "$(cat watch)"
begin
soakbench run watch A --config lift-start.yaml >watch 2>&1 || fail "$(cat watch)"
grep -q held watch || fail "$(cat watch)"
soakbench run show 2 --events --config lift-start.yaml >events
grep -q 'attempt 1 of 3.*started' events || fail "$(cat events)"
for number in 1 2; do
    soakbench replay $number --config lift-start.yaml >replay 2>&1 || fail "replay of run $number: $(cat replay)"
done
kill "$daemon_pid"
wait "$daemon_pid" || fail "the daemon did not end well"
daemon_pid=
