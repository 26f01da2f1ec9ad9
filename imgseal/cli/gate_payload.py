"""Finds the payload of a detached header that lies in a folder."""

import hashlib
import os
from collections.abc import Iterator

from imgseal.check.context import Bytes
from imgseal.cli.gate_walk import identity
from imgseal.errors import InputError
from imgseal.files import open_input
from imgseal.flow.gate import FindPayload
from imgseal.limits import ARTEFACT_BYTES, CHUNK
from imgseal.memory.view import ByteView

__all__ = ["payload_beside"]

_KEPT = 4096
"""Digests of files that are kept by this process, while it looks for the payloads of detached headers."""


def payload_beside(path: str) -> FindPayload:
    """Return what finds a payload in the folder of a header: first by the name that builds give it, then any file."""
    folder, name = os.path.split(path)
    usual = os.path.join(folder, name.replace(".header.", ".payload."))

    def find(size: int, digest: bytes) -> Bytes | None:
        if size > ARTEFACT_BYTES:
            return None
        if usual != path and (data := _payload(usual, size, digest)) is not None:
            return data
        return next(
            (data for each in _with_digest(folder, size, digest) if (data := _payload(each, size, digest))), None
        )

    return find


def _payload(path: str, size: int, digest: bytes) -> ByteView | None:
    """Return a file that has this size and digest."""
    try:
        with open_input(path, "payload", size, regular=True) as stream:
            data = stream.read(size + 1)
    except InputError:
        return None
    return ByteView(data) if len(data) == size and hashlib.sha256(data).digest() == digest else None


_digests: dict[tuple[int, int, int, int], bytes] = {}  # device, inode, time of change and size -> SHA-256


def _with_digest(folder: str, size: int, digest: bytes) -> Iterator[str]:
    """Yield the files of a folder that have this size and digest; each is read once, however many headers ask."""
    with os.scandir(folder or ".") as found:
        entries = sorted((entry for entry in found if entry.is_file(follow_symlinks=False)), key=lambda each: each.name)
    for entry in entries:
        try:
            status = entry.stat(follow_symlinks=False)
            if status.st_size != size:
                continue
            key = (*identity(status), size)
            if key not in _digests:
                with open_input(entry.path, "payload", size, regular=True) as stream:
                    state = hashlib.sha256()
                    while piece := stream.read(CHUNK):
                        state.update(piece)
                if len(_digests) >= _KEPT:
                    _digests.clear()
                _digests[key] = state.digest()
        except (OSError, InputError):
            continue
        if _digests[key] == digest:
            yield entry.path
