#!/bin/sh
# The demonstration: sh deploy/try.sh
# Installs what is missing on Debian 12, builds, and lets the bench of Harrow Quay Hire judge four returned units. The bench
# is virtual (a program that simulates load bank, meters, supplies and units), the way to it is not: real Modbus TCP,
# Modbus RTU and serial text. Bench time runs 180 times as fast as the clock on the wall. Nothing real is switched.
set -eu
cd "$(dirname "$0")/.."
root=$PWD
build=${SOAKBENCH_BUILD:-$root/build}/try
demo=$build/demo

sh deploy/install-packages.sh build
echo "Building ..."
mkdir -p "$build"
if ! { cmake -G Ninja -C deploy/cmake/release.cmake -S . -B "$build" && ninja -C "$build"; } >"$build/build.log" 2>&1; then
    tail -n 40 "$build/build.log"
    echo "The build failed; all of its output is in $build/build.log" >&2
    exit 1
fi

virtual_pid=
daemon_pid=
stop() {
    [ -z "$daemon_pid" ] || kill "$daemon_pid" 2>/dev/null || true
    [ -z "$daemon_pid" ] || wait "$daemon_pid" 2>/dev/null || true
    [ -z "$virtual_pid" ] || kill "$virtual_pid" 2>/dev/null || true
}
trap stop EXIT
trap 'exit 130' INT TERM

rm -rf "$demo"
mkdir -p "$demo"
cp -r config/examples config/maps "$demo"
cd "$demo/examples"

# Free ports: the virtual bench takes any and says which.
sed -i 's/port: 150[0-9]*/port: 0/' harrow-quay-scenario.yaml
"$build/drivers/virtual/soakbench-virtual" harrow-quay-scenario.yaml --ready-file ready >virtual.log 2>&1 &
virtual_pid=$!
waited=0
while [ ! -s ready ]; do
    waited=$((waited + 1))
    if [ $waited -gt 100 ] || ! kill -0 "$virtual_pid" 2>/dev/null; then
        cat virtual.log
        echo "The virtual bench did not start." >&2
        exit 1
    fi
    sleep 0.1
done
while IFS='=' read -r bus place; do
    case $place in
    /*) sed -i "/name: $bus,/s|port: [^,}]*|port: $place|" harrow-quay.yaml ;;
    *) sed -i "/name: $bus,/s/127.0.0.1:[0-9]*/127.0.0.1:$place/" harrow-quay.yaml ;;
    esac
done <ready

# A time-series store, if one runs on this machine: readings, events and verdicts stream there too.
store=${SOAKBENCH_INFLUX_URL:-http://127.0.0.1:8086}
database=soakbench_demo
if curl -fs -m 2 -o /dev/null "$store/ping" 2>/dev/null; then
    curl -fs -m 5 -o /dev/null "$store/query" --data-urlencode "q=DROP DATABASE $database" || true
    curl -fs -m 5 -o /dev/null "$store/query" --data-urlencode "q=CREATE DATABASE $database"
    printf 'stores:\n  - {name: demo, kind: influxdb-v1, url: "%s", database: %s}\n' "$store" "$database" >>harrow-quay.yaml
else
    store=
fi

"$build/daemon/soakbenchd" --config harrow-quay.yaml >daemon.log 2>&1 &
daemon_pid=$!
soakbench="$build/daemon/client/soakbench --config harrow-quay.yaml"
waited=0
# Ready when every device has answered and said who it is.
until $soakbench status >status.log 2>&1 && ! grep -Eq '^[a-z0-9]+ +lost ' status.log; do
    waited=$((waited + 1))
    if [ $waited -gt 100 ] || ! kill -0 "$daemon_pid" 2>/dev/null; then
        cat daemon.log
        echo "The daemon did not start." >&2
        exit 1
    fi
    sleep 0.1
done

# What the preflight warns of and the demonstration accepts, by name: a transport timeout is real time and looks long on
# a clock that runs 180 times as fast; the breaker of circuit c3 is too small on purpose; a unit that idles live is never
# quite cold.
accept="time-to-open circuit start"
number_of() { # reads the run number out of an answer in JSON
    sed -n 's/.*"run":[ ]*\([0-9]*\).*/\1/p' | head -n 1
}
begin() { # channel unit point procedure options...
    channel=$1 unit=$2 point=$3 procedure=$4
    shift 4
    $soakbench run start "$channel" --unit "$unit" --point "$point" --procedure "$procedure" "$@" --who "R. Tern" \
        --confirm-setup --accept "$accept" --json | number_of
}
begun() { # run number... as begin gave them
    for number in "$@"; do
        [ -z "$number" ] || continue
        grep -E 'interlock|link|lost' daemon.log | tail -n 5 >&2 || true
        echo "A run could not begin. Bench time runs 180 times as fast here: a computer that is busy with other things for" >&2
        echo "a third of a second looks like a meter that was silent for a minute. Try again when it is quieter." >&2
        exit 1
    done
}
judge() { # run...
    for run in "$@"; do
        # The exit status carries the verdict: 3 not-met and 4 undecided are results here, not failures.
        status=0
        timeout 300 $soakbench run watch "$run" >"watch-$run.log" 2>&1 || status=$?
        case $status in
        0 | 3 | 4) ;;
        124)
            cat "watch-$run.log" daemon.log
            echo "Run $run did not end within five minutes." >&2
            exit 1
            ;;
        *)
            cat "watch-$run.log"
            exit 1
            ;;
        esac
    done
}

cat <<'END'

Harrow Quay Hire, workshop 2: four units are back from hire.

  HQ-0147  TIG  160 A at 40 %   channel A
  HQ-0152  MMA  140 A at 35 %   channel B   (output always live)
  HQ-0163  MIG  200 A at 60 %   channel C   (on the 20 A socket by the gate)
  HQ-0171  TIG  150 A at 35 %   channel D

END
echo "The load controller's watchdog is proved first: a step is closed, the heartbeat stopped, the opening timed."
timeout 60 $soakbench watchdog prove bank
for unit in 0147 0152 0163 0171; do
    $soakbench unit add units/hq-$unit.yaml >/dev/null 2>&1
    $soakbench unit inspect HQ-$unit --passed --who "R. Tern" --reference HQ-S-$unit >/dev/null
done
for channel in A B C D; do
    $soakbench rig $channel --who "R. Tern" >/dev/null
    $soakbench rigged $channel --who "R. Tern" >/dev/null
done

echo
echo "First what a stopwatch test sees: one cycle each from cold."
a=$(begin A HQ-0147 1 proof --start cold)
b=$(begin B HQ-0152 1 proof --start cold)
c=$(begin C HQ-0163 1 proof --start cold)
d=$(begin D HQ-0171 1 proof --start cold)
begun "$a" "$b" "$c" "$d"
judge "$a" "$b" "$c" "$d"

echo "Then the soak to equilibrium, which it does not see. About half a minute ..."
a=$(begin A HQ-0147 1 soak --to-equilibrium --soak-cap "4 h" --start warm)
d=$(begin D HQ-0171 1 soak --to-equilibrium --soak-cap "4 h" --start warm)
# Nine minutes of the bench's clock: rested, HQ-0152 holds one more cycle before it is cut out.
sleep 3
b=$(begin B HQ-0152 1 soak --to-equilibrium --soak-cap "4 h" --start warm)
begun "$b" "$d" "$a"
judge "$b" "$d" "$a"
sed -n '/cycle\|shutoff\|reset\|Verdict/p' "watch-$b.log" | sed 's/^/  HQ-0152  /'

echo
echo "The quick check of a returned unit (screen), and how far past its rating the cut-out unit goes (to-cutout):"
s=$(begin A HQ-0147 1 screen --start warm)
t=$(begin B HQ-0152 1 to-cutout --cap "30 min" --repeats 1 --start warm --consent-past-rating)
begun "$s" "$t"
judge "$s" "$t"

echo
$soakbench run list

echo
echo "The same judgement again, from the record alone:"
for run in $a $b $d; do
    $soakbench replay "$run" | head -n 1
done
echo
for run in $a $b $c $d; do
    $soakbench record "$run" --png "run-$run.png" --pdf "run-$run.pdf" >/dev/null
done
if [ -n "$store" ]; then
    # Streaming goes on behind the bench: ask until two answers are the same.
    before=none
    count=
    waited=0
    while [ "$before" != "$count" ] && [ $waited -lt 20 ]; do
        waited=$((waited + 1))
        before=$count
        sleep 2
        count=
        for measurement in reading event verdict; do
            n=$(curl -fs -m 10 -G "$store/query" --data-urlencode "db=$database" \
                --data-urlencode "q=SELECT count(run_no) FROM $measurement" | sed 's/.*,\([0-9]*\)\]\].*/\1/')
            count="$count $n ${measurement}s"
        done
    done
    echo "The store at $store gave back:$count"
fi
echo "Curves:   $demo/examples/run-{$a,$b,$c,$d}.png"
echo "Records:  $demo/examples/run-{$a,$b,$c,$d}.pdf"
echo "Journal:  $demo/examples/harrow-quay.db"
echo "          $build/daemon/client/soakbench --journal $demo/examples/harrow-quay.db run list"
