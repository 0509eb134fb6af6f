#!/bin/sh
# Three kinds of load by the programs themselves: a load set to a resistance over TCP, one set to a current over a serial
# line's frames, a bank behind a controller that speaks words. Each is probed without a daemon and then, while it is
# under load, through it; the run must not notice.
# usage: three_loads.sh SOURCE BUILD
set -eu
. "$1/tests/e2e/loads/programs.sh"
sed -i 's/port: 150[0-9]*/port: 0/' three-loads-scenario.yaml
# The unit on C is live as soon as it has its supply: its isolator is open while the watchdog is proved.
cat >>three-loads-scenario.yaml <<'END'
events:
  - {at_s: 0, do: isolate, channel: C}
  - {at_s: 600, do: connect, channel: C}
END
start_virtual three-loads
for device in by-ohms by-amps by-words; do
    soakbench probe three-loads.yaml --device $device --json >"$device.alone" || fail "probe $device without a daemon"
done
start_daemon three-loads
up() {
    soakbench status --json --config three-loads.yaml | python3 -c '
import json, sys
devices = json.load(sys.stdin)["devices"]
sys.exit(0 if len(devices) == 7 and all(d["up"] for d in devices) else 1)'
}
until_true up
for device in by-words by-ohms by-amps; do
    until_true soakbench watchdog prove $device --who Ines --config three-loads.yaml
done
isolator_closed() {
    soakbench status --json --config three-loads.yaml | python3 -c '
import json, sys
channels = {c["channel"]: c for c in json.load(sys.stdin)["channels"]}
sys.exit(0 if channels["C"]["signals"]["isolated"]["value"] == 0 else 1)'
}
until_true isolator_closed
on_load() {
    soakbench status --json --config three-loads.yaml | python3 -c '
import json, sys
channel = next(c for c in json.load(sys.stdin)["channels"] if c["channel"] == sys.argv[1])
sys.exit(0 if channel["state"] == "on-load" and channel["signals"]["i2"]["value"] > 100 else 1)' "$1"
}
for run in A:0147:by-ohms B:0163:by-amps C:0152:by-words; do
    channel=${run%%:*} device=${run##*:} unit=${run%:*}
    unit=hq-${unit#*:}
    serial=$(echo "$unit" | tr a-z A-Z)
    soakbench unit add "$source/config/examples/units/$unit.yaml" --config three-loads.yaml >unit.log 2>&1 || fail "$(cat unit.log)"
    soakbench unit inspect "$serial" --passed --who Ines --reference HQ-T-4 --config three-loads.yaml >/dev/null
    soakbench rig "$channel" --who Ines --config three-loads.yaml >/dev/null
    soakbench rigged "$channel" --who Ines --config three-loads.yaml >/dev/null
    soakbench run start "$channel" --unit "$serial" --point 1 --procedure screen --start cold --who Ines --confirm-setup \
        --control-at-maximum --accept "time-to-open circuit" --config three-loads.yaml >"$channel.start" 2>&1 ||
        fail "start $channel: $(cat "$channel.start")"
    until_true on_load "$channel"
    soakbench probe three-loads.yaml --device "$device" --json >"$device.daemon" 2>"$device.error" ||
        fail "probe $device through the daemon: $(cat "$device.error")"
done
python3 - <<'END' || fail "the two ways of probing do not agree"
import json
for device in ("by-ohms", "by-amps", "by-words"):
    alone, daemon = (json.load(open(f"{device}.{how}")) for how in ("alone", "daemon"))
    assert [(i["point"], i["unit"], i["quality"]) for i in alone] == [(i["point"], i["unit"], i["quality"]) for i in daemon], \
        (alone, daemon)
    alone, daemon = ({i["point"]: i for i in items} for items in (alone, daemon))
    assert alone["virtual"] == daemon["virtual"] and daemon["virtual"]["value"] == 1
    assert alone["current"]["value"] < 1 and daemon["current"]["value"] > 100, (alone["current"], daemon["current"])
    assert daemon["closed"]["value"] >= 1, daemon["closed"]
END
for channel in A B C; do
    soakbench run watch $channel --config three-loads.yaml >"$channel.watch" 2>&1 || fail "$channel: $(cat "$channel.watch")"
    grep -q held "$channel.watch" || fail "$channel: $(cat "$channel.watch")"
done
for run in 1 2 3; do
    soakbench replay $run --config three-loads.yaml >"replay" 2>&1 || fail "replay of run $run: $(cat replay)"
    cat replay
done
kill "$daemon_pid"
wait "$daemon_pid" || fail "the daemon did not end well"
daemon_pid=
! grep -E 'overdue|not moved|dropped|ran out|was not carried out' "$work/daemon.log" || fail "complaints in the log"
