"""A folder with the packages of earlier releases, which are found by the digests of their manifests."""

import os
from collections.abc import Iterator
from functools import lru_cache

from imgseal.check.held import leaves_out
from imgseal.errors import InputError, Place, UsageError
from imgseal.formats.suit.delivery import is_delivery
from imgseal.formats.suit.envelope import decode_envelope, wrapped_digest
from imgseal.formats.suit.errors import SuitError
from imgseal.limits import ARCHIVED_FILES, ARTEFACT_BYTES
from imgseal.window import ByteView
from imgseal.workspace.files import load_artefact, open_input

_TAG = b"\xd8\x6b"


def archived(folder: str | None, device_file: str | None) -> tuple[str, ...]:
    """Return the packages of an archive that devices may run; UsageError where one device is named."""
    if folder is not None and device_file is not None:
        raise UsageError(
            "--device is one device, --archive has what many run",
            place=Place(key="--archive"),
            hint="leave --archive out: what a device runs its state file says",
        )
    return Archive(folder).paths()


class Archive:
    """Packages and deliveries below a folder; other files are passed over. Nothing is verified but the digest."""

    def __init__(self, folder: str | None) -> None:
        self._paths: dict[bytes, str] = {}
        for path in () if folder is None else _files(folder):
            digest = _manifest_of(path)
            if digest is not None:
                self._paths.setdefault(digest, path)
        self.load = lru_cache(maxsize=2)(self._load)

    def __contains__(self, manifest: bytes) -> bool:
        return manifest in self._paths

    def path(self, manifest: bytes) -> str:
        """Return where the package with this manifest lies."""
        return self._paths[manifest]

    def paths(self) -> tuple[str, ...]:
        """Return where they lie."""
        return tuple(self._paths.values())

    def _load(self, manifest: bytes) -> ByteView:
        return load_artefact(self._paths[manifest])


def _manifest_of(path: str) -> bytes | None:
    """Return the digest of the manifest in a package or delivery; None for any other file, and for a damaged one.

    One that leaves out what some devices hold has the manifest of the release, and is not the release.
    """
    with open_input(path, "file of the archive", ARTEFACT_BYTES, regular=True) as stream:
        data = stream.read(len(_TAG))
        if data != _TAG:
            return None
        data += stream.read(ARTEFACT_BYTES)
    try:
        envelope = decode_envelope(data)
    except SuitError:
        return None
    if not is_delivery(envelope) and leaves_out(ByteView(data)):
        return None
    return wrapped_digest(envelope.manifest).value


def _files(folder: str) -> Iterator[str]:
    """Yield the files below a folder that may be packages, by name; InputError where there are too many.

    Links are left out, and files that are larger than a package may be.
    """
    left = ARCHIVED_FILES
    waiting = [folder]
    while waiting:
        here = waiting.pop()
        try:
            with os.scandir(here) as found:
                entries = sorted(found, key=lambda entry: entry.name)
            waiting += [entry.path for entry in reversed(entries) if entry.is_dir(follow_symlinks=False)]
            files = [entry for entry in entries if entry.is_file(follow_symlinks=False)]
            sizes = [entry.stat(follow_symlinks=False).st_size for entry in files]
        except OSError as error:
            raise InputError(
                "cannot look into the archive",
                place=Place(file=here),
                expected="a folder with the packages of earlier releases",
                found=error.strerror,
                hint="--archive names a folder; check its permissions",
            ) from None
        left -= len(files)
        if left < 0:
            raise InputError(
                "there are more files in the archive than are looked at",
                place=Place(file=folder),
                expected=f"at most {ARCHIVED_FILES} files",
                found="more",
                hint="give a folder that holds released packages and little else",
            )
        yield from (entry.path for entry, size in zip(files, sizes, strict=True) if size <= ARTEFACT_BYTES)
