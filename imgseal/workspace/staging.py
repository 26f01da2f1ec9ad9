"""Writes output files in two steps: beside their targets, or nameless where they are secret, then under their names.

A process that is killed leaves what it had staged. Of a secret that must be nothing: version control, backups and
packers take whatever has a name. So a secret has none until it is complete (O_TMPFILE; linkat gives it the only name it
ever has), and where the file system cannot do that it lies in a folder that tells git to ignore it. Other files are
called `.NAME.RANDOM.part`, which the .gitignore of `imgseal init` leaves out.
"""

import os
import signal
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress

from imgseal.records import NamedTuple

_OTHERS = 0o077
_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC
_DESCRIPTORS = "/proc/self/fd"


class Output(NamedTuple):
    """One file to write: its pieces in order, its permission bits, and whether an existing file is replaced.

    The last of a run says what its other files are: it is gone before the first of them changes, and comes behind them.
    """

    path: str
    pieces: Iterable[bytes | memoryview]
    mode: int = 0o666
    replace: bool = True
    last: bool = False


def json_text(document: object) -> str:
    """Return JSON for people and programs: indented, and text as it is."""
    import json

    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


class Staged:
    """A file on its way: written, then placed, then settled; discarded, or taken back, when anything fails."""

    def __init__(self, output: Output) -> None:
        folder, name = os.path.split(output.path)
        self.output = output
        self.temporary = os.path.join(folder, f".{name}.{os.urandom(4).hex()}.part")
        self.kept: str | None = None
        self.placed = False

    def write(self) -> None:
        """Write the pieces and bring them to disk."""
        _fill(os.open(self.temporary, _NEW, self.output.mode), self.output.pieces)

    def withdraw(self) -> None:
        """Take the file that is to be replaced out of its place, and keep it."""
        if os.path.lexists(self.output.path):
            self.kept = self._name_before()
            os.replace(self.output.path, self.kept)

    def place(self) -> None:
        """Give the file its name; FileExistsError where something has it that may not be replaced."""
        target = self.output.path
        if not self.output.replace:
            self._link(target)
        else:
            if self.kept is None and os.path.lexists(target):
                kept = self._name_before()
                os.link(target, kept, follow_symlinks=False)
                self.kept = kept
            os.replace(self.temporary, target)
        self.placed = True

    def take_back(self) -> None:
        """Undo `withdraw` and `place`: the place is as it was before."""
        with suppress(OSError):
            if self.kept is not None:
                os.replace(self.kept, self.output.path)
            elif self.placed:
                os.unlink(self.output.path)

    def settle(self) -> None:
        """Let go of what was in the place before."""
        if self.kept is not None:
            with suppress(OSError):
                os.unlink(self.kept)

    def discard(self) -> None:
        """Leave no trace of what has not been placed."""
        with suppress(OSError):
            os.unlink(self.temporary)

    def _link(self, target: str) -> None:
        os.link(self.temporary, target)  # unlike a rename it fails when the target appeared meanwhile
        self.discard()

    def _name_before(self) -> str:
        return self.temporary.removesuffix(".part") + ".before.part"


class _Nameless(Staged):
    """A file without a name, of a kernel and a file system that know such files."""

    def __init__(self, output: Output, descriptor: int) -> None:
        super().__init__(output)
        self.descriptor = descriptor

    def write(self) -> None:
        _fill(self.descriptor, self.output.pieces, close=False)

    def discard(self) -> None:
        if self.descriptor >= 0:
            os.close(self.descriptor)
        self.descriptor = -1

    def _link(self, target: str) -> None:
        names = os.open(_DESCRIPTORS, os.O_RDONLY | os.O_CLOEXEC)
        try:  # with a folder's descriptor os.link is linkat, which can follow the link to the file
            os.link(str(self.descriptor), target, src_dir_fd=names, follow_symlinks=True)
        finally:
            os.close(names)
        self.discard()


class _Ignored(Staged):
    """A file in a folder of its own that git ignores."""

    def __init__(self, output: Output) -> None:
        super().__init__(output)
        self.folder = self.temporary
        self.temporary = os.path.join(self.folder, "secret")
        self.ignore = os.path.join(self.folder, ".gitignore")

    def write(self) -> None:
        os.mkdir(self.folder, 0o700)
        _fill(os.open(self.ignore, _NEW), (b"*\n",))
        super().write()

    def discard(self) -> None:
        super().discard()
        with suppress(OSError):
            os.unlink(self.ignore)
        with suppress(OSError):
            os.rmdir(self.folder)


def staged(output: Output) -> Staged:
    """Say how an output is to be staged; nothing has a name yet."""
    if output.mode & _OTHERS or output.replace:
        return Staged(output)
    if hasattr(os, "O_TMPFILE") and os.path.isdir(_DESCRIPTORS):
        folder = os.path.dirname(output.path) or "."
        with suppress(OSError):  # what else is wrong with the folder shows when the other way is tried
            return _Nameless(output, os.open(folder, os.O_TMPFILE | os.O_WRONLY | os.O_CLOEXEC, output.mode))
    return _Ignored(output)


def move(files: list[Staged]) -> None:
    """Put all files into place, or none; whoever kills the process meanwhile leaves none that is `last`."""
    last = [each for each in files if each.output.last]
    others = [each for each in files if not each.output.last]
    try:
        for each in last:
            each.withdraw()
        for each in (*others, *last):
            each.place()
    except BaseException:
        for each in (*reversed(others), *last):
            each.take_back()
        raise
    for each in files:
        each.settle()


@contextmanager
def signals_held() -> Iterator[None]:
    """Let the signals that end a process wait until something short is done."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, (signal.SIGINT, signal.SIGTERM, signal.SIGHUP))
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _fill(descriptor: int, pieces: Iterable[bytes | memoryview], *, close: bool = True) -> None:
    with open(descriptor, "wb", closefd=close) as stream:
        stream.writelines(pieces)
        stream.flush()
        os.fsync(descriptor)
