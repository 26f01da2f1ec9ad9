"""What one command, or one call of the Python API, opens once and closes however it ends; what it says and asks."""

import sys
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from contextvars import ContextVar
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from imgseal.keys.token import Desk


class Session:
    """`desk` is where tokens are opened, None until the first one is; `closing` is what runs at the end.

    `logs` are the release logs that were read, by path, each with what the file was like then. `notes` is what the
    command line says when it is done, besides its answer.
    """

    __slots__ = ("closing", "desk", "logs", "notes")

    def __init__(self, closing: ExitStack) -> None:
        self.closing = closing
        self.desk: Desk | None = None
        self.logs: dict[str, tuple[tuple[int, ...], Any]] = {}
        self.notes: list[str] = []


_NOW: ContextVar[Session] = ContextVar("session")


@contextmanager
def session() -> Iterator[Session]:
    """Begin a session of its own, also inside another one."""
    with ExitStack() as closing:
        begun = Session(closing)
        closing.callback(_NOW.reset, _NOW.set(begun))
        yield begun


def session_now() -> Session:
    """Return the session that this runs in."""
    return _NOW.get()


def session_or_none() -> Session | None:
    """Return the session that this runs in; None outside of one."""
    return _NOW.get(None)


def note(notes: Iterable[str]) -> None:
    """Have the command line say this when it is done; outside a session nobody does."""
    if (now := _NOW.get(None)) is not None:
        now.notes.extend(notes)


def ask_secret(question: str) -> str:
    """Return what was typed, asking again where that is nothing; KeyboardInterrupt where there is nobody any more."""
    from getpass import getpass

    try:
        while not (answer := getpass(f"{question}: ", stream=sys.stderr)):
            pass
    except EOFError:
        raise KeyboardInterrupt from None
    return answer
