#!/bin/sh
# A strike by the programs themselves, over sockets: the plan tells it, a run without it never reaches its current, a run
# with it holds, and both are judged again to the bit.
# usage: strike.sh SOURCE BUILD
set -eu
patience=200
. "$1/tests/e2e/loads/programs.sh"
sed -i 's/port: 150[0-9]*/port: 0/; s/^rate: .*/rate: 30/' lift-start-scenario.yaml
sed -i 's/rate: 60/rate: 30/' lift-start.yaml
start_virtual lift-start
start_daemon lift-start
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
