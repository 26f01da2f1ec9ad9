"""One command, or one call of the Python API: what is opened once in it, and closed however it ends."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from contextvars import ContextVar
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from imgseal.keys.token import Desk


class Session:
    """`desk` is where tokens are opened, None until the first one is; `closing` is what runs at the end."""

    __slots__ = ("closing", "desk")

    def __init__(self, closing: ExitStack) -> None:
        self.closing = closing
        self.desk: Desk | None = None


_NOW: ContextVar[Session] = ContextVar("session")


@contextmanager
def session() -> Iterator[None]:
    """Begin a session of its own, also inside another one."""
    with ExitStack() as closing:
        before = _NOW.set(Session(closing))
        closing.callback(_NOW.reset, before)
        yield


def session_now() -> Session:
    """Return the session that this runs in."""
    return _NOW.get()
