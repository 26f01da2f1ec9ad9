#!/usr/bin/env bash
# Fetches C sources that verify ML-DSA-44, once, into .sources/ of this checkout, and prints where they lie: the reference
# implementation as a Python package carries it. The cryptography of the device tests is a library's; nothing of it is kept here.
set -euo pipefail
root="$(cd "$(dirname "$0")/../.." && pwd)"
there="$root/.sources"
if [ ! -d "$there/ml-dsa" ]; then
    work="$(mktemp -d)"
    trap 'rm -rf "$work"' EXIT
    echo "pypqc==0.0.6.2 --hash=sha256:f8f09a46971c2ef0cb5be4e5f5a280b3cdcdb01b3ef983091486eb40089228a5" >"$work/wanted.txt"
    "$root/.venv/bin/python" -m pip download --quiet --disable-pip-version-check --no-deps --no-binary :all: --require-hashes \
        -r "$work/wanted.txt" -d "$work" >&2
    tar -xf "$work"/pypqc-*.tar.gz -C "$work" --strip-components=3 --wildcards '*/Modules/PQClean'
    mkdir -p "$there/ml-dsa"
    mv "$work/common" "$work/crypto_sign/dilithium2/clean" "$there/ml-dsa/"
fi
echo "$there/ml-dsa"
