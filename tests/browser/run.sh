#!/bin/sh
# run.sh BUILD TEST...: browser tests against the programs in BUILD. Packages go to BUILD/browser, by the lock file.
# With BROWSER=none in the environment neither chromium nor packages are needed. Status 77: skipped, with the reason.
set -eu
build=$1
shift
here=$(cd "$(dirname "$0")" && pwd)
skip() {
    echo "skipped: $1"
    exit 77
}
command -v node >/dev/null 2>&1 || skip "no node (Debian package nodejs)"
browser=${CHROMIUM:-/usr/bin/chromium}
[ "${BROWSER:-}" = none ] || [ -x "$browser" ] || skip "no chromium at $browser (Debian package chromium)"
work=$build/browser
mkdir -p "$work"
cp "$here/package.json" "$here/package-lock.json" "$work/"
if [ "${BROWSER:-}" != none ] && ! cmp -s "$work/package-lock.json" "$work/installed.lock" 2>/dev/null; then
    command -v npm >/dev/null 2>&1 || skip "no npm (Debian package npm)"
    (cd "$work" && npm ci --no-audit --no-fund --ignore-scripts) >"$work/npm.log" 2>&1 ||
        skip "the packages could not be installed; see $work/npm.log"
    cp "$work/package-lock.json" "$work/installed.lock"
fi
mkdir -p "$work/tests"
cp "$here"/*.mjs "$work/tests/"
cd "$work/tests"
for test in "$@"; do
    SOAKBENCH_BUILD=$build SOAKBENCH_SOURCE=$(dirname "$(dirname "$here")") CHROMIUM=$browser PICTURES=$work/pictures \
        node --test --test-concurrency=1 "$test"
done
