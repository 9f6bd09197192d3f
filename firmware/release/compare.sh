#!/bin/sh
# Is the image in release/ the one that these sources give?   compare.sh BOARD.hex
set -eu
folder=$(dirname "$0")
. "$folder/compiler.sh"
board=$(basename "$1" .hex)
if [ ! -f "$folder/$board.hex" ] || [ ! -f "$folder/$board.txt" ]; then
    echo "release/ has no image of $board; test the build, then run make release" >&2
    exit 1
fi
kept=$(sed -n 's/^compiler: //p' "$folder/$board.txt")
if [ "$(compiler)" != "$kept" ]; then
    echo "release/$board.hex was built with $kept; this machine has $(compiler); the two cannot be compared" >&2
    exit 1
fi
if ! cmp -s "$1" "$folder/$board.hex"; then
    echo "release/$board.hex is not what these sources give; test the build, then run make release" >&2
    exit 1
fi
if [ "$(sha256sum <"$folder/$board.hex" | cut -d ' ' -f 1)" != "$(sed -n 's/^sha256: //p' "$folder/$board.txt")" ]; then
    echo "release/$board.txt tells another checksum than $board.hex has; run make release" >&2
    exit 1
fi
echo "release/$board.hex: the same, byte for byte"
