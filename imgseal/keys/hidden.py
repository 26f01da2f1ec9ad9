"""Secrets that do not show: bytes and text whose representation says only that they are secret.

A traceback that prints local variables, a debugger's log or a forgotten f-string shows the representation. What is cut
out of hidden bytes is hidden as well. The content is still in memory; this is against leaks by accident.
"""

from typing import SupportsIndex, overload

_SHOWN = "<hidden>"


class Hidden(bytes):
    """Secret bytes."""

    __slots__ = ()

    def __repr__(self) -> str:
        return _SHOWN

    __str__ = __repr__

    @overload
    def __getitem__(self, key: SupportsIndex) -> int: ...
    @overload
    def __getitem__(self, key: slice) -> "Hidden": ...
    def __getitem__(self, key: SupportsIndex | slice) -> "int | Hidden":
        part = bytes.__getitem__(self, key)
        return part if isinstance(part, int) else Hidden(part)


class HiddenText(str):
    """Secret text."""

    __slots__ = ()

    def __repr__(self) -> str:
        return _SHOWN

    __str__ = __repr__

    def __format__(self, spec: str) -> str:
        return _SHOWN


def hidden(data: bytes) -> bytes:
    """Return the bytes so that they do not show."""
    return Hidden(data)
