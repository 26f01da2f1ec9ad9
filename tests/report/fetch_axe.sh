#!/usr/bin/env bash
# Fetches axe-core, which looks at pages for barriers, once, into .sources/ of this checkout, and prints where its script lies.
# By version and hash; nothing of it is kept here.
set -euo pipefail
root="$(cd "$(dirname "$0")/../.." && pwd)"
there="$root/.sources"
version=4.14.1
hash=FHfa+lmNjQZfJz1q8wKqIDwC6DExcHt/pkjNQb09a3NPjCKg2rhu5qb2S4r76ASyFNNtuFooJpZe37OgudVGtQ==
if [ ! -f "$there/axe-$version.js" ]; then
    work="$(mktemp -d)"
    trap 'rm -rf "$work"' EXIT
    (cd "$work" && npm pack --silent "axe-core@$version" >&2)
    found="$(openssl dgst -sha512 -binary "$work/axe-core-$version.tgz" | openssl base64 -A)"
    if [ "$found" != "$hash" ]; then
        echo "axe-core $version has another hash: $found" >&2
        exit 1
    fi
    tar -xf "$work/axe-core-$version.tgz" -C "$work" package/axe.min.js
    mkdir -p "$there"
    mv "$work/package/axe.min.js" "$there/axe-$version.js"
fi
echo "$there/axe-$version.js"
