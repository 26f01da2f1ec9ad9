#!/bin/sh
# SPDX-License-Identifier: MIT
# Copyright (c) 2026 the imgseal authors
# A build script without a build system: makes what is older than what it is made from.
#   ./build.sh            a development package in out/
#   ./build.sh release    the real one in release/
set -eu
cd "$(dirname "$0")"

case "${1:-}" in
    "") folder=out ;;
    release) folder=release ;;
    *) echo "usage: $0 [release]" >&2; exit 2 ;;
esac

# stale OUTPUT INPUT...: it is not there, or older than one of them
stale() {
    output=$1
    shift
    [ ! -e "$output" ] || [ -n "$(find "$@" -newer "$output")" ]
}

for slot in a b; do
    if stale "app-$slot.elf" app.c "app-$slot.ld" sections.ld; then
        arm-none-eabi-gcc -mcpu=cortex-m4 -mthumb -Os -ffreestanding -Wall -Wextra -nostdlib \
            -T "app-$slot.ld" app.c -o "app-$slot.elf"
    fi
done

if stale "$folder/release.json" app-a.elf app-b.elf imgseal.toml keys*/*.pub.pem; then
    imgseal build app=app-a.elf app=app-b.elf --out "$folder" ${1:+--release}
fi
