#!/bin/sh
# Run one fuzz harness from its corpus: sh tests/fuzz/one.sh SECONDS HARNESS
set -eu
cd "$(dirname "$0")/../.."
corpus=tests/fuzz/corpus/$(basename "$2" | sed 's/^fuzz_//')
[ -d "$corpus" ] || corpus=
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
# shellcheck disable=SC2086
"$2" -max_total_time="$1" -timeout=10 -rss_limit_mb=2048 -print_final_stats=1 "$work" $corpus
