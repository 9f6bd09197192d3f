#!/bin/sh
# Installs what the tests need, builds the firmware and the emulated board, and runs every check.
# Anything missing that cannot be installed ends the run with a sentence; nothing is skipped in silence.
# Arguments go to pytest:  sh tests/run.sh -k wire
set -eu
cd "$(dirname "$0")/.."

packages=""
need() {  # need FILE-OR-COMMAND PACKAGE
    if ! command -v "$1" >/dev/null 2>&1 && [ ! -e "$1" ]; then packages="$packages $2"; fi
}
need avr-gcc gcc-avr
need avr-objcopy binutils-avr
need /usr/lib/avr/include/avr/io.h avr-libc
need /usr/include/simavr/sim_avr.h libsimavr-dev
need /usr/include/libelf.h libelf-dev
need gcc gcc
need make make
need pdftoppm poppler-utils
need ngspice ngspice
need openscad openscad
if [ -n "$packages" ]; then
    as_root=""
    [ "$(id -u)" -eq 0 ] || as_root="sudo"
    echo "installing:$packages"
    if ! { $as_root apt-get update -qq && $as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq $packages >/dev/null; }; then
        echo "tests/run.sh: these packages are missing and could not be installed:$packages; install them, then run this again" >&2
        exit 1
    fi
fi

[ -x .venv/bin/python ] || python3 -m venv .venv
.venv/bin/python -m pip install --quiet --disable-pip-version-check --editable '.[test]'

make -s -C firmware
make -s -C firmware/bench

.venv/bin/ruff check host tests hardware
.venv/bin/mypy
.venv/bin/lint-imports
make -s -C firmware check
.venv/bin/python -m pytest -n 3 "$@"
