"""Gzip files as a stream, read to their end: RFC 1952.

The standard library's reader takes a header's name byte by byte and says nothing of how many members there were; zlib
reads header, data and trailer of a member itself. Zeros may follow the last member, as tapes leave them; nothing else.
"""

import zlib
from collections.abc import Callable
from functools import partial
from typing import BinaryIO

from imgseal.formats.archives.pieces import damaged, gathered

_damaged = partial(damaged, "gzip file")
_PIECE = 1 << 16
_GZIP = 16 + zlib.MAX_WBITS
_MAGIC = 0x1F
_SILENT_BYTES = 1 << 17
"""What a member may take before its first byte comes out: a header has up to 64 KiB of extra fields, and two names."""


class Gunzip:
    """The bytes that a gzip file holds, to be read once; `each` is called for every member that begins."""

    __slots__ = ("_at", "_each", "_inflate", "_ready", "_silent", "_stream", "_taken", "_waiting")

    def __init__(self, stream: BinaryIO, each: Callable[[], None]) -> None:
        self._stream = stream
        self._each = each
        self._at = self._silent = 0
        self._inflate: zlib._Decompress | None = None
        self._waiting = self._ready = b""
        self._taken = 0

    def read(self, count: int) -> bytes:
        """Return up to `count` bytes, fewer only at the end; InputError or zlib.error for what is damaged."""
        return gathered(self._take, count)

    def _take(self, count: int) -> bytes:
        if self._taken == len(self._ready):
            self._ready, self._taken = self._some(), 0
        piece = self._ready[self._taken : self._taken + count]
        self._taken += len(piece)
        return piece

    def _some(self) -> bytes:
        while True:
            data = self._waiting or self._raw()
            if self._inflate is None:
                if not data:
                    return b""
                if self._at > len(data) and data[0] != _MAGIC:
                    self._only_zeros(data)
                    return b""
                self._each()
                self._inflate = zlib.decompressobj(_GZIP)
            elif not data:
                raise _damaged("it is cut off", self._at)
            piece = self._inflate.decompress(data, _PIECE)
            self._waiting = self._inflate.unconsumed_tail
            if self._inflate.eof:
                self._waiting, self._inflate = self._inflate.unused_data, None
            if piece:
                self._silent = 0
                return piece
            self._silent = 0 if self._inflate is None else self._silent + len(data)
            if self._silent > _SILENT_BYTES:
                raise _damaged("a member has a header without an end", self._at)

    def _raw(self) -> bytes:
        data = self._stream.read(_PIECE)
        self._at += len(data)
        return data

    def _only_zeros(self, data: bytes) -> None:
        while data:
            if any(data):
                raise _damaged("something follows its end", self._at - len(data))
            data = self._raw()
        self._waiting = b""
