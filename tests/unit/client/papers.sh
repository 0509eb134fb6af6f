#!/bin/sh
# The manual page and the completions in the tree are those that the program makes, and man finds nothing to warn of.
# usage: papers.sh PROGRAM SOURCE_DIR
set -eu
program=$1
source=$2
fail=0
same() {
    if ! "$program" completion "$1" | cmp -s - "$source/$2"; then
        echo "$2 is out of date: soakbench completion $1 > $2"
        fail=1
    fi
}
same man docs/man/soakbench.1
same bash deploy/completion/soakbench.bash
same zsh deploy/completion/_soakbench
bash -n "$source/deploy/completion/soakbench.bash" || fail=1
if command -v man >/dev/null; then
    for page in "$source"/docs/man/*; do
        warnings=$(LC_ALL=C.UTF-8 MANWIDTH=80 man --warnings -l -P cat "$page" 2>&1 >/dev/null || true)
        if [ -n "$warnings" ]; then
            echo "$page: $warnings"
            fail=1
        fi
    done
fi
exit $fail
