#!/bin/sh
# Build and test everything: sh tests/run.sh [--long]
# Installs what is missing on Debian 12, builds with both compilers, runs every test, prints the time of each part and
# ends with "N passed, N failed". --long adds what takes longer than ten minutes.
set -u
cd "$(dirname "$0")/.."

long=
case "${1:-}" in
"") ;;
--long) long=1 ;;
*)
    echo "use: sh tests/run.sh [--long]" >&2
    exit 2
    ;;
esac

passed=0
failed=0
skipped=0
failures=
times=
build=${SOAKBENCH_BUILD:-build}
mkdir -p "$build" || exit 1
log=$build/run.log
: >"$log"

finish_part() { # name, seconds, passed, failed
    passed=$((passed + $3))
    failed=$((failed + $4))
    times="$times$(printf '%-28s %5d s  %4d passed %3d failed' "$1" "$2" "$3" "$4")
"
    printf '%-28s %5d s  %4d passed %3d failed\n' "$1" "$2" "$3" "$4"
}

# One thing that passes or fails as a whole: check NAME COMMAND...
check() {
    name=$1
    shift
    begin=$(date +%s)
    if "$@" >"$build/part.log" 2>&1; then
        finish_part "$name" $(($(date +%s) - begin)) 1 0
    else
        tail -n 60 "$build/part.log"
        failures="$failures $name"
        finish_part "$name" $(($(date +%s) - begin)) 0 1
    fi
    cat "$build/part.log" >>"$log"
}

# A ctest run, counted test by test: suite NAME FOLDER ctest-options...
suite() {
    name=$1
    folder=$2
    shift 2
    begin=$(date +%s)
    ctest --test-dir "$folder" --output-on-failure "$@" >"$build/part.log" 2>&1
    cat "$build/part.log" >>"$log"
    total=$(sed -n 's/.*tests failed out of \([0-9]*\).*/\1/p' "$build/part.log")
    bad=$(sed -n 's/.*, \([0-9]*\) tests\{0,1\} failed out of.*/\1/p' "$build/part.log")
    missed=$(grep -c '\*\*\*Skipped' "$build/part.log")
    if [ "$missed" != 0 ]; then
        skipped=$((skipped + missed))
        total=$((total - missed))
        echo "skipped, for want of a program or a right:"
        sed -n 's/^ *[0-9]*\/[0-9]* Test *#[0-9]*: \([^ ]*\) .*\*\*\*Skipped.*/    \1/p' "$build/part.log"
    fi
    if [ -z "$total" ] || [ "$total" -le 0 ]; then
        total=1
        bad=1
    fi
    if [ "$bad" != 0 ]; then
        grep -Ev '^ *[0-9]+/[0-9]+ Test.*Passed|^ *Start ' "$build/part.log" | tail -n 120
        failures="$failures $(sed -n 's/^\t *[0-9]* - \([^ ]*\) .*/\1/p' "$build/part.log" | tr '\n' ' ')"
    fi
    finish_part "$name" $(($(date +%s) - begin)) $((total - bad)) "$bad"
}

configure_and_build() { # cache file, folder, compiler, target
    CC=$3 cmake -G Ninja -C "deploy/cmake/$1.cmake" -S . -B "$2" && ninja -C "$2" "${4:-all}"
}

format_holds() {
    find daemon drivers config tests -name '*.[ch]' -print0 | xargs -0 clang-format --dry-run -Werror
}

cppcheck_holds() {
    # shellcheck disable=SC2046
    cppcheck --quiet --error-exitcode=1 --std=c11 --inline-suppr --enable=warning,performance,portability \
        --suppress=missingIncludeSystem --library=tests/cppcheck.cfg -j 2 \
        $(find daemon drivers config -type d | sed 's/^/-I /') daemon drivers config
}

# The path-walking analyzer takes ten times as long as all the other checks: only with --long.
tidy_holds() {
    find daemon drivers config -name '*.c' -print0 |
        xargs -0 -n 6 -P "$(nproc)" clang-tidy --quiet -p "$build/dev" ${1:+--checks="$1"}
}

fuzz_holds() { # seconds a harness
    CC=clang cmake -G Ninja -DSOAKBENCH_FUZZ=ON -DCMAKE_BUILD_TYPE=RelWithDebInfo -S . -B "$build/fuzz" || return 1
    ninja -C "$build/fuzz" fuzzers || return 1
    find "$build/fuzz/tests" -maxdepth 1 -name 'fuzz_*' -type f -perm -u+x -print0 |
        xargs -0 -n 1 -P "$(nproc)" sh tests/fuzz/one.sh "$1"
}

# A slow or busy machine is no failure: patience of each test case (the check library's), above what is usual.
export CK_TIMEOUT_MULTIPLIER=4
# Two places a processor: see the end of tests/CMakeLists.txt.
places=$(($(nproc) * 2))
start=$(date +%s)
check "install packages" sh deploy/install-packages.sh test
check "build (gcc)" configure_and_build dev "$build/dev" gcc
suite "tests" "$build/dev" -j "$places" -LE long
check "build (clang, asan, ubsan)" configure_and_build asan "$build/asan" clang
# What plays whole nights and power cuts by the hundred waits for --long here; the others run the same code.
suite "tests under asan, ubsan" "$build/asan" -j "$places" -LE 'long|e2e|layout|speed|nights'
check "build (gcc, tsan)" configure_and_build tsan "$build/tsan" gcc thread_tests
suite "threads under tsan" "$build/tsan" -j "$places" -L threads
check "fuzzing" fuzz_holds "$([ -n "$long" ] && echo 120 || echo 4)"
check "clang-format" format_holds
check "cppcheck" cppcheck_holds
check "clang-tidy" tidy_holds '-clang-analyzer-*'
if [ -n "$long" ]; then
    check "clang-tidy (analyzer)" tidy_holds
    suite "nights under asan, ubsan" "$build/asan" -j "$places" -L nights
    suite "long tests" "$build/dev" -L long
fi

printf '\n%s' "$times"
printf '%-28s %5d s\n' "all" $(($(date +%s) - start))
[ -z "$failures" ] || echo "failed:$failures"
if [ "$skipped" = 0 ]; then
    echo "$passed passed, $failed failed"
else
    echo "$passed passed, $failed failed, $skipped skipped"
fi
[ "$failed" = 0 ]
