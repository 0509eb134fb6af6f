#!/bin/sh
# Walks docs/repair-shop.md from nothing, as a reader would: every block marked sh, in order, in an empty folder. Only the
# ports are changed, to free ones, and the pace: the night is shorter, and each pause for a program to come up lasts until
# it is up.
# usage: night_page.sh SOURCE BUILD
set -eu
source=$1 build=$2
work=$(mktemp -d)
stop() {
    if [ -s "$work/shop/examples/programs.pid" ]; then
        while read -r pid; do
            kill "$pid" 2>/dev/null || true
            tries=0
            while kill -0 "$pid" 2>/dev/null && [ $tries -lt 100 ]; do
                tries=$((tries + 1))
                sleep 0.1
            done
        done <"$work/shop/examples/programs.pid"
    fi
    rm -rf "$work"
}
trap stop EXIT
trap 'exit 130' INT TERM
fail() {
    echo "$1" >&2
    tail -n 60 "$work/walk.log" >&2 || true
    tail -n 20 "$work/shop/examples/daemon.log" >&2 || true
    exit 1
}
PATH=$build/daemon/client:$build/daemon:$build/drivers/virtual:$PATH
export PATH
mkdir "$work/config"
cd "$work"
cp -r "$source/config/examples" "$source/config/maps" config
awk '$0 == "```sh" { inside = 1; next } /^```/ { inside = 0 } inside' "$source/docs/repair-shop.md" >"$work/walk.sh"
python3 -c '
import socket
s = [socket.create_server(("127.0.0.1", 0)) for _ in range(5)]
print(*[x.getsockname()[1] for x in s])' >"$work/ports"
read -r p1 p2 p3 p4 p5 <"$work/ports"
. "$source/tests/e2e/pages/pace.sh"
(cd config/examples && pace 135) || fail "the example's limits are not those that pace.sh draws out"
sed -i "s/\b15020\b/$p1/;s/\b15021\b/$p2/;s/\b15023\b/$p3/" "$work"/config/examples/harrow-quay*.yaml
sed -i "s/\b2525\b/$p4/;s/\b8469\b/$p5/;s/^sleep 2$/come_up bench/;s/^sleep 5$/come_up daemon/" walk.sh
cat >pauses.sh <<'END'
come_up() {
    tries=0
    until case $1 in
    bench) grep -q '^meter3=' virtual.log ;;
    daemon) soakbench status >up 2>&1 && ! grep -Eq '^[a-z0-9]+ +lost ' up ;;
    esac do
        tries=$((tries + 1))
        [ $tries -lt 300 ]
        sleep 0.1
    done
}
END
cat pauses.sh walk.sh | sh -eux >walk.log 2>&1 || fail "a command of docs/repair-shop.md failed"
for words in \
    "acknowledged: messages from this bench reach somebody" \
    "1 held, 1 shut off, 2 without a result" \
    "thermal-cutout; reset after" \
    "supply-lost" \
    "load-path-open" \
    "Head of the record: "; do
    grep -qF -e "$words" walk.log || fail "the walk did not print: $words"
done
grep -qF "Test message of bench harrow-quay" shop/examples/mailbox.txt || fail "the test message is not in the mailbox"
# Nobody was woken: the only mail of the night is the test message.
[ "$(grep -c "MESSAGE FOLLOWS" shop/examples/mailbox.txt)" = 1 ] || fail "somebody was woken"
python3 -c '
import json, sys
m = json.load(open("shop/examples/morning.json"))
assert sorted(r["outcome"] for r in m["runs"]) == ["held", "no-result", "no-result", "shut-off"], m
assert all(r["unattended"] for r in m["runs"]) and len(m["head"]) == 64' || fail "morning.json is not as the page says"
