"""The errors that stop imgseal: one family, each with an exit status, a place and a hint.

Two ways to say no are never mixed. *Cannot proceed* (bad arguments, unreadable file, missing key) raises an
`ImgsealError`. *The artefact is bad* is a `Finding` in a `Verdict` and raises nothing (see `findings.py`).
"""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from imgseal.records import NamedTuple


def visible(text: str) -> str:
    """Return a text on one line in which nothing can act on a terminal: what cannot be printed is written as escape."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


class Place(NamedTuple):
    """Where something was found; every part is optional.

    `line` counts from 1; `offset` counts bytes of the file from 0; `address` is a memory address; `key` is a
    dotted key path of the product file, or the name of a field.
    """

    file: str | None = None
    line: int | None = None
    offset: int | None = None
    address: int | None = None
    key: str | None = None

    def __str__(self) -> str:
        parts = []
        if self.file is not None:
            parts.append(self.file if self.line is None else f"{self.file}:{self.line}")
        elif self.line is not None:
            parts.append(f"line {self.line}")
        if self.key:
            parts.append(self.key)
        if self.offset is not None:
            parts.append(f"offset {self.offset}")
        if self.address is not None:
            parts.append(f"address 0x{self.address:08x}")
        return ", ".join(parts)


class ImgsealError(Exception):
    """Root of the family. `exit_status` is the process's; the rest is shown to the user line by line.

    A class whose errors all have one cure states it as `usual_hint`.
    """

    exit_status = 5
    usual_hint: str | None = None

    def __init__(
        self,
        message: str,
        *,
        place: Place | None = None,
        expected: str | None = None,
        found: str | None = None,
        hint: str | None = None,
    ) -> None:
        super().__init__(message)
        self.message = message
        self.place = place or Place()
        self.expected = expected
        self.found = found
        self.hint = hint or self.usual_hint

    def lines(self) -> list[str]:
        """Return the message as the lines a person reads: what, where, expected, found, what to do."""
        where = str(self.place)
        out = [f"{where}: {self.message}" if where else self.message]
        for label, text in (("expected", self.expected), ("found", self.found), ("hint", self.hint)):
            if text is not None:
                out.append(f"  {label}: {text}")
        return [visible(line) for line in out]

    def __str__(self) -> str:
        return "\n".join(self.lines())


@contextmanager
def in_file(path: str, hint: str | None = None) -> Iterator[None]:
    """Give an error of a reader, which knows bytes alone, the file that they are from, and a hint where it has none.

    One that has a file keeps it.
    """
    try:
        yield
    except ImgsealError as error:
        if error.place.file is None:
            error.place = error.place._replace(file=path)
        error.hint = error.hint or hint
        raise


def meant(word: str, words: Iterable[str], otherwise: str = "") -> str:
    """Return the hint for a word that is not known: one that it resembles, else what else there is to say."""
    from difflib import get_close_matches  # noqa: PLC0415 - only on the way to an error

    near = get_close_matches(word, list(words), n=1)
    return f"did you mean {near[0]}?" if near else otherwise


class RefusedError(ImgsealError):
    """The tool's own judge refuses what was about to be written."""

    exit_status = 1


class UsageError(ImgsealError):
    """Arguments, options or the product file ask for something that cannot be."""

    exit_status = 2


class InputError(ImgsealError):
    """An input file is unreadable, malformed or of a kind that is not supported."""

    exit_status = 3


class SigningKeyError(ImgsealError):
    """A key file cannot be read, opened, used or written."""

    exit_status = 4


class InternalError(ImgsealError):
    """A defect of imgseal itself."""

    usual_hint = "this is a defect of imgseal: please report it with this line"
