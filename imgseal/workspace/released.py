"""What the release log of a product has: manifests and statements that were released, and what of it is withdrawn."""

import re

from imgseal.flow.as_released import Identity, Released
from imgseal.workspace.project import Project
from imgseal.workspace.verified_log import open_log

# of verified lines, which have one encoding; texts in them have no bare quotes. Older formats have releases alone
_KIND = re.compile(rb'"entry":\{"format":3,"kind":"(\w+)"')
_RELEASES = (b"release", b"promotion")
_DIGESTS = re.compile(rb'"manifest":"([0-9a-f]{64})","keys"|"statement":"([0-9a-f]{64})"')


def released_of(project: Project) -> Released | None:
    """Verify the log of a product, hold it against its pin, and return what it has; None where none is stated.

    Of lines that were verified before only the bytes are read: parsing 500 of them takes as long as hashing 150 images.
    """
    log = open_log(project)
    if log is None:
        return None
    known: set[Identity] = set()
    releases: dict[Identity, set[Identity]] = {}  # of each statement, the packages that it is in
    for line in log.lines():
        kind = _KIND.search(line)
        if kind is None or kind[1] in _RELEASES:
            _add_digests(line, known, releases)
    gone = {("manifest", digest) for floor in log.tip.least for digest in floor.withdrawn}
    withdrawn = frozenset(statement for statement, packages in releases.items() if packages <= gone)
    return Released(frozenset(known), withdrawn)


def _add_digests(line: bytes, known: set[Identity], releases: dict[Identity, set[Identity]]) -> None:
    """Add the manifests of a release, and its statements with the manifest of the package that each is in."""
    manifest: Identity = "manifest", b""
    for found in _DIGESTS.finditer(line):
        digest = bytes.fromhex(found[found.lastindex or 0].decode())
        if found.lastindex == 1:
            manifest = "manifest", digest
            known.add(manifest)
        else:
            known.add(("statement", digest))
            releases.setdefault(("statement", digest), set()).add(manifest)
