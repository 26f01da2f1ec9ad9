#!/usr/bin/env bash
# Fetches the sources of BearSSL from Debian, once, into .sources/ of this checkout, and prints where they lie.
# The cryptography of the device tests is a library's; nothing of it is kept in this repository.
set -euo pipefail
root="$(cd "$(dirname "$0")/../.." && pwd)"
there="$root/.sources"
if [ ! -d "$there/bearssl" ]; then
    work="$(mktemp -d)"
    trap 'rm -rf "$work"' EXIT
    mkdir -p "$work/parts" "$work/lists/partial" "$work/get"
    # the machine's own package sources, as source ones; its configuration is left alone
    for file in /etc/apt/sources.list.d/debian.sources; do
        [ ! -e "$file" ] || sed 's/^Types:.*/Types: deb-src/' "$file" >"$work/parts/src.sources"
    done
    [ ! -s /etc/apt/sources.list ] || sed -n 's/^deb /deb-src /p' /etc/apt/sources.list >"$work/parts/src.list"
    apt=(apt-get -qq -o "Dir::Etc::SourceList=/dev/null" -o "Dir::Etc::SourceParts=$work/parts" -o "Dir::State::Lists=$work/lists"
        -o "APT::Sandbox::User=")
    "${apt[@]}" update >&2
    (cd "$work/get" && "${apt[@]}" source --download-only bearssl >&2)
    mkdir -p "$there"
    mkdir "$work/bearssl"
    tar -xf "$work"/get/bearssl_*.orig.tar.* -C "$work/bearssl" --strip-components=1
    mv "$work/bearssl" "$there/bearssl"
fi
echo "$there/bearssl"
