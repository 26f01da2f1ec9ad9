#!/bin/sh
# SPDX-License-Identifier: MIT
# Copyright (c) 2026 the imgseal authors
# Writes requirements.txt beside the wheel of imgseal: the wheel and every library under it, each with version and hash.
#   sh requirements.sh tools/imgseal-0.1.0-py3-none-any.whl
#   cd tools && pip install --require-hashes -r requirements.txt
# Run it at the desk, with the Python and on the kind of machine that builds, and review what it has written: build
# machines then install these files and nothing else, whatever a registry serves by that time.
set -eu
cd "$(dirname "$1")"
wheel=$(basename "$1")
files=$(mktemp -d)
trap 'rm -rf "$files"' EXIT
python3 -m pip download --quiet --only-binary :all: --dest "$files" "./$wheel"
for file in "$files"/*.whl; do
    name=$(basename "$file")
    hash=$(python3 -m pip hash --algorithm sha256 "$file" | grep '^--hash=')
    if [ "$name" = "$wheel" ]; then
        echo "./$wheel $hash"
    else
        rest=${name#*-}
        echo "${name%%-*}==${rest%%-*} $hash"
    fi
done >"$files/requirements"
mv "$files/requirements" requirements.txt
