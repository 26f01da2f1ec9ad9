"""A folder with the packages of earlier releases, which are found by the digests of their manifests."""

import os
import stat
from collections.abc import Iterator
from functools import lru_cache

from imgseal.errors import InputError, Place
from imgseal.formats.suit.envelope import decode_envelope, wrapped_digest
from imgseal.formats.suit.errors import SuitError
from imgseal.limits import ARCHIVED_FILES, ARTEFACT_BYTES
from imgseal.window import ByteView
from imgseal.workspace.files import load_artefact, open_input

_TAG = b"\xd8\x6b"


class Archive:
    """The packages below a folder; other files in it are passed over. Nothing of them is verified but the digest."""

    def __init__(self, folder: str | None) -> None:
        self._paths: dict[bytes, str] = {}
        for path in () if folder is None else _files(folder):
            digest = _manifest_of(path)
            if digest is not None:
                self._paths.setdefault(digest, path)
        self.load = lru_cache(maxsize=4)(self._load)

    def __contains__(self, manifest: bytes) -> bool:
        return manifest in self._paths

    def path(self, manifest: bytes) -> str:
        """Return where the package with this manifest lies."""
        return self._paths[manifest]

    def _load(self, manifest: bytes) -> ByteView:
        return load_artefact(self._paths[manifest])


def _manifest_of(path: str) -> bytes | None:
    """Return the digest of the manifest in a package; None for any other file, and for one that is damaged."""
    if os.path.getsize(path) > ARTEFACT_BYTES:
        return None
    with open_input(path, "file of the archive", ARTEFACT_BYTES, regular=True) as stream:
        data = stream.read(len(_TAG))
        if data != _TAG:
            return None
        data += stream.read(ARTEFACT_BYTES)
    try:
        return wrapped_digest(decode_envelope(data).manifest).value
    except SuitError:
        return None


def _files(folder: str) -> Iterator[str]:
    """Yield the files below a folder by name, links left out; InputError where there are too many, or none to see."""
    count = 0
    waiting = [folder]
    while waiting:
        here = waiting.pop()
        try:
            names = sorted(os.listdir(here), reverse=True)
        except OSError as error:
            raise InputError(
                "cannot look into the archive",
                place=Place(file=here),
                expected="a folder with the packages of earlier releases",
                found=error.strerror,
                hint="--archive names a folder; check its permissions",
            ) from None
        for name in reversed(names):
            path = os.path.join(here, name)
            mode = os.lstat(path).st_mode
            if stat.S_ISDIR(mode):
                waiting.append(path)
            elif stat.S_ISREG(mode):
                count += 1
                if count > ARCHIVED_FILES:
                    raise InputError(
                        "there are more files in the archive than are looked at",
                        place=Place(file=folder),
                        expected=f"at most {ARCHIVED_FILES} files",
                        found="more",
                        hint="give a folder that holds released packages and little else",
                    )
                yield path
