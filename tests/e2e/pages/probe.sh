#!/bin/sh
# probe shows a millivolt input of a scanner as the temperature of its thermocouple, over TCP, without a daemon.
# usage: probe.sh SOURCE BUILD
set -eu
source=$1 build=$2
work=$(mktemp -d)
virtual_pid=
stop() {
    [ -z "$virtual_pid" ] || kill "$virtual_pid" 2>/dev/null || true
    rm -rf "$work"
}
trap stop EXIT
trap 'exit 130' INT TERM
cp -r "$source/config/examples" "$source/config/maps" "$work"
cd "$work/examples"
sed -i 's/port: 150[0-9]*/port: 0/' two-units-scenario.yaml
"$build/drivers/virtual/soakbench-virtual" two-units-scenario.yaml --ready-file ready >"$work/virtual.log" 2>&1 &
virtual_pid=$!
n=0
while [ ! -s ready ]; do
    n=$((n + 1))
    if [ $n -gt 100 ]; then
        cat "$work/virtual.log"
        exit 1
    fi
    sleep 0.1
done
while IFS='=' read -r bus place; do
    sed -i "/name: $bus,/s/127.0.0.1:[0-9]*/127.0.0.1:$place/" two-units.yaml
done <ready
"$build/daemon/client/soakbench" probe two-units.yaml --device scanner --json >items.json
cat items.json
python3 - <<'END'
import json
answer = json.load(open("items.json"))
assert all({"point", "raw", "value", "unit", "quality"} <= set(i) for i in answer), answer
items = {i["point"]: i for i in answer}
cold, t7 = items["t_cj"], items["t7"]
assert t7["unit"] == "degC", t7
raw = int(t7["raw"].replace("0x", "").split()[0], 16)
emf_mv = (raw - 65536 if raw > 32767 else raw) * 0.001
# IEC 60584-1, type K: 0.798 mV at 20 degC, 1.000 mV at 25 degC; near the cold junction 0.0404 mV a kelvin.
expected = cold["value"] + emf_mv / 0.0404
assert abs(t7["value"] - expected) < 0.5 + 0.05 * abs(emf_mv / 0.0404), (t7, cold, expected)
END
