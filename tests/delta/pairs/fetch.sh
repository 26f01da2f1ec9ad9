#!/usr/bin/env bash
# Fetches the sources of lwip (two releases) and mbedtls from Debian, once, into .sources/ of this checkout, and prints
# where they lie. Nothing of them is kept in this repository: the pairs of firmware are built from them.
set -euo pipefail
root="$(cd "$(dirname "$0")/../../.." && pwd)"
there="$root/.sources/pairs"
if [ ! -d "$there" ]; then
    work="$(mktemp -d)"
    trap 'rm -rf "$work"' EXIT
    mkdir -p "$work/parts" "$work/lists/partial" "$work/get" "$work/out"
    # the machine's own package sources, as source ones and of two releases of Debian; its configuration is left alone
    sed -e 's/^Types:.*/Types: deb-src/' -e 's/^Suites:.*/Suites: bookworm trixie/' /etc/apt/sources.list.d/debian.sources |
        awk 'BEGIN { RS = "" } NR == 1' >"$work/parts/src.sources"
    apt=(apt-get -qq -o "Dir::Etc::SourceList=/dev/null" -o "Dir::Etc::SourceParts=$work/parts"
        -o "Dir::State::Lists=$work/lists" -o "APT::Sandbox::User=")
    "${apt[@]}" update >&2
    for package in lwip/bookworm lwip/trixie mbedtls/bookworm; do
        (cd "$work/get" && rm -f ./* && "${apt[@]}" source --download-only "$package" >&2)
        mkdir "$work/out/${package//\//-}"
        tar -xf "$work"/get/*.orig.tar.* -C "$work/out/${package//\//-}" --strip-components=1
    done
    mkdir -p "$root/.sources"
    mv "$work/out" "$there"
fi
echo "$there"
