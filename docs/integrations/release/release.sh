#!/bin/sh
# SPDX-License-Identifier: MIT
# Copyright (c) 2026 the imgseal authors
# The release of a tag, in CI: built, judged, added to the release log, and only then in release/, to be published.
#
#   sh tools/release.sh v1.2.0 [options of imgseal gate]
#
# It runs in a clean clone of the tag, with the keys in their places. The log comes from the tip of the branch
# `releases`, never from the tag's tree, which has it as it was when somebody tagged. Of two jobs at once one is refused
# when it pushes: it takes the log again and gets the next number. Nothing is ever pushed with force. A job that has
# pushed and was killed is run again: the same sources are the same release, with the same bytes and no new entry.
set -eu

tag=$1
shift
case $tag in v[0-9]*) ;; *) echo "release.sh: $tag is no tag vX.Y.Z" >&2 && exit 2 ;; esac
case $tag in *[!0-9a-z.-]*) echo "release.sh: $tag is no tag vX.Y.Z" >&2 && exit 2 ;; esac
tries=${RELEASE_TRIES:-20}
pause=${RELEASE_PAUSE:-15} # seconds
SOURCE_DATE_EPOCH=$(git log -1 --format=%ct)
export SOURCE_DATE_EPOCH

build() { # change this line for another build system
  make package IMGSEAL_OUT=built \
    IMGSEAL_FLAGS="--release --set release.version=${tag#v} --revision $(git rev-parse HEAD)"
}

# What the build system keeps for itself is not published.
publish() {
  rm -f built/release.d built/release.flags
  mv built release
}

# Tags below this one that are not in the log, down to the first that is: a version below the last is refused.
older() {
  git -c versionsort.suffix=- ls-remote --tags --refs --sort=-v:refname origin 'v[0-9]*' | sed 's|.*refs/tags/||' |
    awk -v tag="$tag" 'found; $0 == tag { found = 1 }' |
    while read -r other; do
      ! grep -qF "\"version\":\"${other#v}\",\"sequence\":" releases/release.log || break
      printf ' %s' "$other"
    done
}

rm -rf release releases
git worktree prune
git fetch --quiet --depth 1 origin releases
git worktree add --quiet --detach releases FETCH_HEAD

try=0
while [ "$try" -lt "$tries" ]; do
  [ "$try" -eq 0 ] || sleep "$pause"
  try=$((try + 1))
  git -C releases fetch --quiet --depth 1 origin releases
  git -C releases reset --quiet --hard FETCH_HEAD
  waiting=$(older)
  if [ -n "$waiting" ] && [ "$try" -le $((tries / 2)) ]; then
    echo "release.sh: $tag comes behind$waiting" >&2
    continue
  fi

  rm -rf built
  build
  imgseal log pin
  if [ -z "$(git -C releases status --porcelain)" ]; then
    echo "release.sh: $tag was released before; these are its files" >&2
    publish
    exit
  fi
  imgseal gate built "$@"
  git -C releases add release.log release.head
  git -C releases -c user.name=release -c user.email=release@localhost commit --quiet --message "$tag"
  if git -C releases push --quiet origin HEAD:refs/heads/releases; then
    publish
    exit
  fi
  echo "release.sh: the log was not taken; if somebody else has released meanwhile, the next try has his entry" >&2
done
echo "release.sh: $tag is not released: the log was not taken in $tries tries" >&2
exit 1
