"""Finds the payload of a detached header that lies in a folder."""

import hashlib
import os
from contextlib import suppress

from imgseal.errors import InputError
from imgseal.gate.artefact import FindPayload, Policy
from imgseal.limits import ARTEFACT_BYTES, CHUNK
from imgseal.window import Bytes, ByteView
from imgseal.workspace.files import open_input


def payload_beside(path: str, policy: Policy) -> FindPayload:
    """Return what finds a payload in the folder of a header: first by the name that builds give it, then any file."""

    def find(size: int, digest: bytes) -> Bytes | None:
        if size > ARTEFACT_BYTES:
            return None
        folder, name = os.path.split(path)
        usual = os.path.join(folder, name.replace(".header.", ".payload."))
        if usual != path and (data := _payload(usual, size, digest)) is not None:
            return data
        fitting = _folder(folder, policy).with_digest(size, digest)
        return next((data for each in fitting if (data := _payload(each, size, digest))), None)

    return find


def _payload(path: str, size: int, digest: bytes) -> ByteView | None:
    """Return a file that has this size and digest."""
    try:
        with open_input(path, "payload", size, regular=True) as stream:
            data = stream.read(size + 1)
    except InputError:
        return None
    return ByteView(data) if len(data) == size and hashlib.sha256(data).digest() == digest else None


class _Folder:
    """The files of a folder by size, and by digest where one of that size was asked for; each is read once.

    As long as one run of the gate: what changes meanwhile has another digest when it is read again.
    """

    def __init__(self, folder: str) -> None:
        self._by_size: dict[int, list[str]] = {}
        self._by_digest: dict[int, dict[bytes, list[str]]] = {}
        with os.scandir(folder or ".") as found:
            entries = sorted(found, key=lambda each: each.name)
        for entry in entries:
            with suppress(OSError):
                if entry.is_file(follow_symlinks=False):
                    size = entry.stat(follow_symlinks=False).st_size
                    self._by_size.setdefault(size, []).append(entry.path)

    def with_digest(self, size: int, digest: bytes) -> list[str]:
        """Return the files that have, or had when they were read, this size and digest."""
        if size not in self._by_digest:
            digests: dict[bytes, list[str]] = {}
            for path in self._by_size.get(size, ()):
                with suppress(InputError), open_input(path, "payload", size, regular=True) as stream:
                    state = hashlib.sha256()
                    while piece := stream.read(CHUNK):
                        state.update(piece)
                    digests.setdefault(state.digest(), []).append(path)
            self._by_digest[size] = digests
        return self._by_digest[size].get(digest, [])


_run: list[Policy] = []  # what this process judges by at present; with another policy another run has begun
_folders: dict[str, _Folder] = {}


def _folder(path: str, policy: Policy) -> _Folder:
    if not _run or _run[0] is not policy:
        _run[:] = [policy]
        _folders.clear()
    if path not in _folders:
        _folders[path] = _Folder(path)
    return _folders[path]
