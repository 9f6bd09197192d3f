#!/bin/sh
# Is the image in release/ the one that these sources give?   compare.sh FRESH.hex
set -eu
folder=$(dirname "$0")
. "$folder/compiler.sh"
kept=$(sed -n 's/^compiler: //p' "$folder/atmega328p.txt")
if [ "$(compiler)" != "$kept" ]; then
    echo "release/atmega328p.hex was built with $kept; this machine has $(compiler); the two cannot be compared" >&2
    exit 1
fi
if ! cmp -s "$1" "$folder/atmega328p.hex"; then
    echo "release/atmega328p.hex is not what these sources give; test the build, then run make release" >&2
    exit 1
fi
if [ "$(sha256sum <"$folder/atmega328p.hex" | cut -d ' ' -f 1)" != "$(sed -n 's/^sha256: //p' "$folder/atmega328p.txt")" ]; then
    echo "release/atmega328p.txt tells another checksum than atmega328p.hex has; run make release" >&2
    exit 1
fi
echo "release: the same, byte for byte"
