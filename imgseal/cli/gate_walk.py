"""Finds the files below the paths that the gate was given: in one order, without following links."""

import os
import stat
from collections.abc import Iterator

from imgseal.cli.unpack import clean
from imgseal.errors import InputError, Place
from imgseal.findings import Finding
from imgseal.flow.gate import finding
from imgseal.records import NamedTuple

__all__ = ["Problem", "Task", "walk"]


class Task(NamedTuple):
    """A file to look at: where it lies, what it is called, the path that patterns match, and its size in bytes."""

    path: str
    name: str
    inside: str
    size: int


class Problem(NamedTuple):
    """A path that cannot be looked at, and why."""

    name: str
    inside: str
    finding: Finding


def walk(paths: tuple[str, ...]) -> Iterator[Task | Problem]:
    """Yield what lies below the paths, by name; InputError for a path that is not there.

    A link that leads to another place below the same path is left out, as that place is looked at itself.
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
            yield Task(path, _shown(path, ""), name, status.st_size)


def _below(root: str) -> Iterator[Task | Problem]:
    real = os.path.realpath(root)
    waiting: list[tuple[str, Task | Problem | None]] = [("", None)]  # a folder has neither
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
                    if _leads_out(entry.path, real):
                        waiting.append((below, _link(root, below, entry.path)))
                elif entry.is_file(follow_symlinks=False):
                    task = Task(
                        entry.path, _shown(root, below), clean(below), entry.stat(follow_symlinks=False).st_size
                    )
                    waiting.append((below, task))
            except OSError as error:
                waiting.append((below, _unreadable(root, below, error)))


def _link(root: str, inside: str, path: str) -> Problem:
    problem = finding(
        "gate.link-outside",
        found=clean(os.path.realpath(path)),
        hint="copy what it leads to, or give that path as well",
    )
    return Problem(_shown(root, inside), clean(inside), problem)


def _leads_out(path: str, root: str) -> bool:
    """Say whether a link leads to something that is not below the root; one that leads nowhere holds nothing."""
    target = os.path.realpath(path)
    return os.path.exists(target) and os.path.commonpath([target, root]) != root


def _unreadable(root: str, inside: str, error: OSError) -> Problem:
    problem = finding("gate.unreadable", found=error.strerror, hint="check the permissions")
    return Problem(_shown(root, inside), clean(inside), problem)


def _shown(root: str, inside: str) -> str:
    path = os.path.normpath(os.path.join(root, inside)).replace(os.sep, "/")
    return ("/" if path.startswith("/") else "") + clean(path) or "."
