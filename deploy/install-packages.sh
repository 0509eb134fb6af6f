#!/bin/sh
# Install what is missing from Debian 12: install-packages.sh build|test
# `build` is what the programs and the demonstration need, `test` adds what the whole suite needs.
set -eu

build="gcc cmake ninja-build pkg-config check libc6-dev libmodbus-dev libserialport-dev libcurl4-openssl-dev
  libsqlite3-dev libyaml-dev libzstd-dev libmicrohttpd-dev libcairo2-dev libpango1.0-dev libcminpack-dev
  libjansson-dev libssl-dev libsystemd-dev zlib1g-dev curl ca-certificates fonts-dejavu-core"
tests="clang clang-format clang-tidy cppcheck libclang-rt-14-dev sqlite3 socat mbpoll python3 python3-pymodbus
  python3-serial python3-serial-asyncio python3-pandas r-base-core influxdb victoria-metrics tshark poppler-utils man-db openssl git zsh prometheus chromium"
# The page's browser tests; another source's nodejs brings its own npm.
command -v npm >/dev/null 2>&1 || tests="$tests nodejs npm"

case "${1:-build}" in
build) wanted=$build ;;
test) wanted="$build $tests" ;;
*)
    echo "use: install-packages.sh build|test" >&2
    exit 2
    ;;
esac

missing=
for package in $wanted; do
    state=$(dpkg-query -W -f '${db:Status-Status}' "$package" 2>/dev/null || true)
    [ "$state" = installed ] || missing="$missing $package"
done
[ -n "$missing" ] || exit 0

as_root=
if [ "$(id -u)" != 0 ]; then
    if ! command -v sudo >/dev/null 2>&1; then
        echo "These packages are missing; ask an administrator to install them:$missing" >&2
        exit 1
    fi
    as_root=sudo
fi
echo "Installing:$missing"
$as_root apt-get update -q
# A store started by its package would sit on its usual port; the tests start one of their own.
policy=
if [ ! -e /usr/sbin/policy-rc.d ] && [ "$(id -u)" = 0 ]; then
    policy=/usr/sbin/policy-rc.d
    printf '#!/bin/sh\nexit 101\n' >"$policy"
    chmod 755 "$policy"
    trap 'rm -f "$policy"' EXIT
fi
# shellcheck disable=SC2086
$as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends $missing
