#!/bin/sh
# Puts a fresh image into release/, with its version, its checksum and the compiler it came from.   make.sh BOARD.hex CHIP
set -eu
folder=$(dirname "$0")
. "$folder/compiler.sh"
board=$(basename "$1" .hex)
number() { sed -n "s/^#define VERSION_$1 \([0-9]*\)u$/\1/p" "$folder/../core/version.h"; }
cp "$1" "$folder/$board.hex"
cat >"$folder/$board.txt" <<EOF
Firmware for the $2 at 16 MHz.  To flash it: make flash-release BOARD=$board PORT=..., in the folder above.
version: $(number MAJOR).$(number MINOR).$(number PATCH)
sha256: $(sha256sum <"$folder/$board.hex" | cut -d ' ' -f 1)
compiler: $(compiler)
EOF
cat "$folder/$board.txt"
