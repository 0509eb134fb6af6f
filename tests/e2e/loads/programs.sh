# What the programs' tests share: a folder of their own, removed at the end with the programs that were started; a patience;
# the virtual bench of an example on free ports. To be read by a script whose arguments are SOURCE and BUILD.
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
# Waits until a command succeeds, a tenth of a second for each of `patience` at least.
until_true() {
    n=0
    while ! "$@" >"$work/last" 2>&1; do
        n=$((n + 1))
        [ $n -le "${patience:-150}" ] || fail "never came true: $* ($(cat "$work/last"))"
        sleep 0.1
    done
}
soakbench() {
    "$build/daemon/client/soakbench" "$@"
}
# The example's virtual bench, from its scenario in this folder; its ports go into the example's configuration.
start_virtual() {
    "$build/drivers/virtual/soakbench-virtual" "$1-scenario.yaml" --ready-file ready >"$work/virtual.log" 2>&1 &
    virtual_pid=$!
    until_true test -s ready
    grep -E '=[0-9]+$' ready | while IFS='=' read -r bus place; do
        sed -i "/name: $bus,/s/127.0.0.1:[0-9]*/127.0.0.1:$place/" "$1.yaml"
    done
}
start_daemon() {
    "$build/daemon/soakbenchd" --config "$1.yaml" >"$work/daemon.log" 2>&1 &
    daemon_pid=$!
    until_true soakbench status --config "$1.yaml"
}
cp -r "$source/config/examples" "$source/config/maps" "$work"
cd "$work/examples"
