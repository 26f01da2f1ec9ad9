"""Finds the files below the paths that the gate was given: in one order, without following links."""

import os
import stat
from collections.abc import Iterator

from imgseal.errors import InputError, Place
from imgseal.findings import Finding
from imgseal.formats.archives.unpack import clean
from imgseal.gate.artefact import Found, Scanned, finding
from imgseal.records import NamedTuple


class Task(NamedTuple):
    """A file to look at: where it lies, what it is called, the path that patterns match, and its size in bytes.

    `seen` is what tells it from another file on this machine: device, inode, and time of its last change in ns.
    """

    path: str
    name: str
    inside: str
    size: int
    seen: tuple[int, int, int] | None = None


def discover(paths: tuple[str, ...]) -> Iterator[Task | Found]:
    """Yield what lies below the paths, by name; InputError for a path that is not there.

    A link that leads to another place below the same path is passed over, as that place is looked at itself.
    """
    for path in paths:
        try:
            status = os.stat(path)
        except OSError as error:
            raise InputError(
                "cannot look at this path",
                place=Place(file=path),
                found=error.strerror,
                hint="give the folder or archive that the build writes",
            ) from None
        if stat.S_ISDIR(status.st_mode):
            yield from _below(path)
        else:
            if not stat.S_ISREG(status.st_mode):
                raise InputError(
                    "this is neither a folder nor a file",
                    place=Place(file=path),
                    hint="give the folder or archive that the build writes",
                )
            name = clean(os.path.basename(path))
            real = os.path.realpath(path) if os.path.islink(path) else path  # what is looked at is never a link
            yield Task(real, _shown(path, ""), name, status.st_size, identity(status))


def identity(status: os.stat_result) -> tuple[int, int, int]:
    """Return what tells a file from another one, and from itself after a change; see `Task.seen`."""
    return status.st_dev, status.st_ino, status.st_mtime_ns


def _below(root: str) -> Iterator[Task | Found]:
    real = os.path.realpath(root)
    waiting: list[tuple[str, Task | Found | None]] = [("", None)]  # a folder has neither
    while waiting:
        inside, ready = waiting.pop()
        if ready is not None:
            yield ready
            continue
        try:
            with os.scandir(os.path.join(root, inside) if inside else root) as found:
                entries = sorted(found, key=lambda entry: entry.name, reverse=True)
        except OSError as error:
            yield _unreadable(root, inside, error)
            continue
        for entry in entries:
            below = f"{inside}/{entry.name}" if inside else entry.name
            try:
                if entry.is_dir(follow_symlinks=False):
                    waiting.append((below, None))
                elif entry.is_symlink():
                    waiting.append((below, _link(root, below, entry.path, real)))
                elif entry.is_file(follow_symlinks=False):
                    status = entry.stat(follow_symlinks=False)
                    task = Task(entry.path, _shown(root, below), clean(below), status.st_size, identity(status))
                    waiting.append((below, task))
                else:
                    waiting.append((below, _passed(root, below, "it is no file, but a pipe, a socket or a device")))
            except OSError as error:
                waiting.append((below, _unreadable(root, below, error)))


def _link(root: str, inside: str, path: str, real: str) -> Found:
    target = os.path.realpath(path)
    if os.path.commonpath([target, real]) == real:  # even if nothing is there
        return _passed(root, inside, f"a link to {clean(os.path.relpath(target, real))}, below the same folder")
    hint = "copy what it leads to, or give that path as well"
    return _problem(root, inside, finding("gate.link-outside", found="/" + clean(target), hint=hint))


def _unreadable(root: str, inside: str, error: OSError) -> Found:
    return _problem(root, inside, finding("gate.unreadable", found=error.strerror, hint="check the permissions"))


def _problem(root: str, inside: str, problem: Finding) -> Found:
    name = _shown(root, inside)
    return Found(name, name, clean(inside), Scanned("path", (problem,)))


def _passed(root: str, inside: str, because: str) -> Found:
    name = _shown(root, inside)
    return Found(name, name, clean(inside), Scanned("path", (), passed=because))


def _shown(root: str, inside: str) -> str:
    path = os.path.normpath(os.path.join(root, inside)).replace(os.sep, "/")
    return ("/" if path.startswith("/") else "") + clean(path) or "."
