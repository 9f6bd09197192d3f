#!/bin/sh
# Puts a fresh image into release/, with its version, its checksum and the compiler it came from.   make.sh FRESH.hex
set -eu
folder=$(dirname "$0")
. "$folder/compiler.sh"
number() { sed -n "s/^#define VERSION_$1 \([0-9]*\)u$/\1/p" "$folder/../core/version.h"; }
cp "$1" "$folder/atmega328p.hex"
cat >"$folder/atmega328p.txt" <<EOF
Firmware for the ATmega328P at 16 MHz.  To flash it: make flash-release PORT=..., in the folder above.
version: $(number MAJOR).$(number MINOR).$(number PATCH)
sha256: $(sha256sum <"$folder/atmega328p.hex" | cut -d ' ' -f 1)
compiler: $(compiler)
EOF
cat "$folder/atmega328p.txt"
